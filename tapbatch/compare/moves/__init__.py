"""Which modes of a part moved between two stages: alone, all alike, or both, with the bench counted in.

Taps come in as arrays of readings (:class:`~tapbatch.compare.moves.contrast.TapSet`), in cents for frequencies and
in hundredths of a natural logarithm for decay times; frozen values go out
(:class:`~tapbatch.compare.moves.judge.Moves`). In order: ``priors`` states what is believed beforehand, with the
argument for each number; ``scatter`` learns how the taps of a hand scatter; ``contrast`` turns the taps of two stages
into one difference a mode; ``belief`` learns over the shop what a set-up moves; ``reference_move`` takes off what air
and phone did, by something that was not cut; ``mixture`` sums over what is not known; ``judge`` gives intervals and
verdicts; ``ask`` says what would decide an open one; ``between`` calls them. Nothing here knows files,
stages or settings; :mod:`tapbatch.compare.tap_sets` makes arrays of stages.

Figures of *earlier trials* come from a study with another simulator, of 500 shops a case; all others from
``tests/benchmarks/moves.py``.

The model of a reading is, for recording ``r``, tap ``j`` and mode ``k`` of stage ``s``::

    y_rjk = mu_sk + C_r + O_rk - h_k x_rj + c_rj + e_rjk + noise

``C`` and ``O`` are the shifts of the set-up, common to all modes and own to each; ``x`` is the power of the blow
relative to the hardest of the two stages and ``h`` how much the mode softens; ``c`` and ``e`` are the scatter of the
hand, common and own, each autocorrelated from tap to tap.
"""
