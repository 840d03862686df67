"""What a shop has shown of its set-ups, for frequencies and for decay times.

Conventions: evidence comes from stages that were set up more than once (``again``, ``resets``, another ``spot``), in
the form of :mod:`tapbatch.compare.moves.belief`. Each piece is kept for itself, so that it is pooled over the shop
without reading other instruments again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from tapbatch.compare.moves.belief import Belief, Evidence, believe, evidence_anew
from tapbatch.compare.moves.priors import FREQ, T60, Priors
from tapbatch.compare.stage import NOT_OF_THE_BODY, members_by_mode
from tapbatch.compare.tap_sets import FREQ_OF, T60_OF, Quantity, tap_sets
from tapbatch.model.history import Stage


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


def setup_evidence(instrument: str, stages: Iterable[Stage]) -> SetupEvidence:
    """Return what the set-ups of an instrument's stages tell; stages that were set up once tell nothing.

    Examples
    --------
    >>> setup_evidence("cittern-07", [])
    SetupEvidence(freq=(), t60=())
    """
    freq: list[Evidence] = []
    t60: list[Evidence] = []
    for stage in stages:
        if any(h.recording.again or h.recording.resets for h in stage.heard):
            freq += _of_stage(instrument, stage, FREQ_OF, FREQ)
            t60 += _of_stage(instrument, stage, T60_OF, T60)
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


def _of_stage(instrument: str, stage: Stage, of: Quantity, priors: Priors) -> tuple[Evidence, ...]:
    members = members_by_mode(stage)
    setups = {t.setup for taps in members.values() for t, _ in taps}
    # A mode that is not heard in every set-up tells less than it confuses.
    names = [
        m.mode
        for m in stage.modes
        if not NOT_OF_THE_BODY & set(m.flags) and {t.setup for t, _ in members[m.mode]} == setups
    ]
    if len(setups) < 2 or not names:
        return ()
    source = (instrument, stage.part, stage.stage, stage.state)
    return evidence_anew(tap_sets(stage, members, names, of), priors, source)
