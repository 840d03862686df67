"""What a shop has shown of its set-ups, for frequencies and for decay times.

Conventions: evidence comes from stages that were set up more than once (``again``, ``resets``, another ``spot``) or
recorded on more than one day, in the form of :mod:`tapbatch.compare.moves.belief`. Overnight, an instrument is put
away, so the recordings of each day count as a set-up of their own here (a reading still takes them as one). Between
spots, the room differs as well, and its error is in the contrast. Each piece is kept for itself, so that it is pooled
over the shop without reading other instruments again.

A pair of stages that is judged does not teach how to judge it. All evidence comes from within a stage, where nothing
was cut: a set-up is compared with the mean of those before it, and that difference is independent of the mean of all,
which is what stages are compared by. Two stages would teach as well if nothing was done between them, but recordings
do not say so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from tapbatch.compare.moves.belief import Belief, Evidence, believe, evidence_anew
from tapbatch.compare.moves.priors import FREQ, T60, Floats, Priors, common_grid, own_grid
from tapbatch.compare.order import recorded_when
from tapbatch.compare.random_effects import Z_95
from tapbatch.compare.spread import Spread
from tapbatch.compare.stage import NOT_OF_THE_BODY, TapAt, members_by_mode
from tapbatch.compare.tap_sets import FREQ_OF, T60_OF, Members, Quantity, tap_sets
from tapbatch.model.history import History, SetupBelief, Stage


@dataclass(frozen=True, slots=True)
class SetupEvidence:
    """What set-ups of one stage after another tell, for frequencies and for decay times."""

    freq: tuple[Evidence, ...] = ()
    t60: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What is believed of a bench: how far a new set-up moves frequencies (cents) and decay times (per cent)."""

    freq: Belief = field(default_factory=lambda: believe([], FREQ))
    t60: Belief = field(default_factory=lambda: believe([], T60))

    def reach_cents(self, known_cents: float, setups: int) -> float:
        """Return the half-width in cents of the 95 % interval of a frequency, over all the ways to set it up.

        Parameters
        ----------
        known_cents
            The half-width as the instrument lies, 0 or more.
        setups
            The number of set-ups that were recorded; their mean is less in doubt.

        Examples
        --------
        >>> round(Bench().reach_cents(1.0, 1), 1), round(Bench().reach_cents(1.0, 4), 1)
        (6.1, 3.1)
        """
        (sc, _), (so, _) = common_grid(FREQ), own_grid(FREQ)
        variances = (known_cents / Z_95) ** 2 + (sc[:, None] ** 2 + so[None] ** 2) / setups
        weights = np.outer(self.freq.common, self.freq.own)
        moved = Spread(np.zeros(weights.size), variances.ravel(), weights.ravel())
        return max(moved.quantile(0.975), known_cents)

    def values(self) -> tuple[SetupBelief, SetupBelief]:
        """Return it as values that a history carries, for frequencies and for decay times.

        Examples
        --------
        >>> freq, t60 = Bench().values()
        >>> bench_of_history(History(instrument="na", instrument_shown="NA", stages=(), drifts=(),
        ...                          setups_freq=freq, setups_t60=t60)).values() == (freq, t60)
        True
        """
        return _value(self.freq, FREQ), _value(self.t60, T60)


def _value(belief: Belief, priors: Priors) -> SetupBelief:
    (sc, _), (so, _) = common_grid(priors), own_grid(priors)
    typical = math.hypot(_middle(sc, belief.common), _middle(so, belief.own))
    return SetupBelief(tuple(belief.own.tolist()), tuple(belief.common.tolist()), belief.anew, typical)


def _middle(grid: Floats, weights: Floats) -> float:
    return float(grid[min(int(np.searchsorted(np.cumsum(weights), 0.5)), len(grid) - 1)])


def bench_of_history(history: History) -> Bench:
    """Return what was believed of the bench when a history was compared; the priors if it was not."""
    return bench_of_values(history.setups_freq, history.setups_t60)


def bench_of_values(freq: SetupBelief | None, t60: SetupBelief | None) -> Bench:
    """Return a bench from the values of :meth:`Bench.values`; the priors if either is not there.

    Examples
    --------
    >>> bench_of_values(None, None).freq.anew
    0
    """
    if freq is None or t60 is None:
        return Bench()
    return Bench(_belief(freq), _belief(t60))


def _belief(value: SetupBelief) -> Belief:
    return Belief(np.array(value.own), np.array(value.common), value.again)


def setup_evidence(stages: Iterable[Stage]) -> SetupEvidence:
    """Return what the set-ups of an instrument's stages tell; stages set up once, on one day, tell nothing.

    Examples
    --------
    >>> setup_evidence([])
    SetupEvidence(freq=(), t60=())
    """
    freq: list[Evidence] = []
    t60: list[Evidence] = []
    for stage in stages:
        members = _by_day(stage, members_by_mode(stage))
        if len(_setups(members)) > 1:
            freq += _of_stage(stage, members, FREQ_OF, FREQ)
            t60 += _of_stage(stage, members, T60_OF, T60)
    return SetupEvidence(tuple(freq), tuple(t60))


def bench_of(evidence: Iterable[SetupEvidence]) -> Bench:
    """Return what is believed of the bench, from what all instruments of a shop tell.

    Examples
    --------
    >>> bench_of([]).freq.anew
    0
    """
    every = list(evidence)
    return Bench(
        believe([e for one in every for e in one.freq], FREQ), believe([e for one in every for e in one.t60], T60)
    )


def _by_day(stage: Stage, members: Members) -> Members:
    """Return the taps of a stage with their set-ups numbered anew, so that each day has its own."""
    days = [recorded_when(h) for h in stage.heard]
    keys = {
        (t.setup, "" if (when := days[t.recording]) is None else when.date().isoformat())
        for taps in members.values()
        for t, _ in taps
    }
    dated = {setup for setup, day in keys if day}
    # A recording whose day is not known belongs to the first day of its set-up.
    known = sorted((setup, day) for setup, day in keys if day or setup not in dated)
    if len(known) == len(_setups(members)):
        return members
    numbers = {key: n for n, key in enumerate(known)}
    first = {setup: n for (setup, _), n in reversed(numbers.items())}

    def of(tap: TapAt) -> int:
        when = days[tap.recording]
        return first[tap.setup] if when is None else numbers[tap.setup, when.date().isoformat()]

    # What the taps of a set-up share was worked out over all its days.
    return {name: [(replace(t, setup=of(t), shared=()), m) for t, m in taps] for name, taps in members.items()}


def _setups(members: Members) -> set[int]:
    return {t.setup for taps in members.values() for t, _ in taps}


def _of_stage(stage: Stage, members: Members, of: Quantity, priors: Priors) -> tuple[Evidence, ...]:
    setups = _setups(members)
    # A mode that is not heard in every set-up tells less than it confuses.
    names = [
        m.mode
        for m in stage.modes
        if not NOT_OF_THE_BODY & set(m.flags) and {t.setup for t, _ in members[m.mode]} == setups
    ]
    return evidence_anew(tap_sets(stage, members, names, of), priors) if names else ()
