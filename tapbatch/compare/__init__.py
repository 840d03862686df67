"""Over taps, stages and instruments: what is one mode, how it moved, and how far it still is from a target or a note.

Readings, settings and bench notes come in; a :class:`~tapbatch.model.history.History` goes out. Its files in order:
recordings are placed in stages (``order``); the modes of a stage are found and joined (``group``, ``tap_consensus``,
``random_effects``; ``stage`` calls them); modes keep their names from stage to stage (``identity``, with ``likeness``
and ``matchings``); what a set-up moves is learned (``bench``, ``setups``, ``across`` the shop); moves and verdicts
follow (``tap_sets``, ``moves``, ``drift``, and ``conditions``, which finds what differed besides the wood;
``weighing`` says what that can do in cents, ``same_room`` says whether the room was the same, ``reference`` what air
did, ``frozen`` which stages are judged as of an earlier day, ``days`` on which day a stage was done); then steps,
targets, strings and sustain. ``history`` calls them all. Everything is computed from values; no file is read or
written. For a new caution: its kind in :mod:`tapbatch.model.caution`, its place in ``conditions``, its weight, and
its words in :mod:`tapbatch.show.say.cautions`.
"""
