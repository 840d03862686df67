"""What the instruments of a shop teach one another: how far setting up anew moves a mode, and where modes rest.

Conventions: both follow from an instrument's stages before they are compared. The scatter of set-ups is learned from
the whole shop, since it is one hand and one bench. Where a mode rests is asked by targets that say ``like``. Most
instruments teach neither: no stage was set up twice, and no target looks to them. What an instrument teaches
is kept in its mark, so that an unchanged instrument need not be read for the sake of another.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from tapbatch.compare.bench import Bench, SetupEvidence, bench_of, setup_evidence
from tapbatch.compare.setups import SetupContrasts, SetupScatter, contrasts_of, pool_setups
from tapbatch.compare.targets import Rests, resting_places
from tapbatch.model.history import History
from tapbatch.model.names import date_in_name, identity
from tapbatch.model.reading import Recording
from tapbatch.model.settings import InstrumentSettings


@dataclass(frozen=True, slots=True)
class Learned:
    """What one instrument teaches the others; ``rests`` are ``(part, mode, hertz)``."""

    setups: SetupContrasts = field(default_factory=lambda: SetupContrasts((), ()))
    evidence: SetupEvidence = field(default_factory=SetupEvidence)
    rests: tuple[tuple[str, str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Common:
    """What all instruments teach together: the scatter of set-ups, and where modes rest."""

    scatter: SetupScatter | None = None
    rests: Rests = field(default_factory=dict)
    evidence: tuple[SetupEvidence, ...] = ()

    def of(self, settings: InstrumentSettings) -> Common:
        """Return the part of it that matters to an instrument: where those rest that its targets look to."""
        liked = liked_by(settings)
        return Common(self.scatter, {key: hz for key, hz in self.rests.items() if key[0] in liked}, self.evidence)

    @property
    def bench(self) -> Bench:
        """What is believed of the bench."""
        return bench_of(self.evidence)

    @property
    def fingerprint(self) -> str:
        """Hash of it."""
        return hashlib.sha256(repr((self.scatter, self.evidence, sorted(self.rests.items()))).encode()).hexdigest()


def liked_by(settings: InstrumentSettings) -> set[str]:
    """Return the instruments that the targets of one look to.

    Examples
    --------
    >>> liked_by(InstrumentSettings())
    set()
    """
    return {identity(target.like) for target in settings.target if target.like}


def sets_up_anew(recordings: Iterable[Recording]) -> bool:
    """Tell whether any recording is marked ``again``, ``resets`` or with a spot, or a stage has two dates.

    Dates are those in the names of files; recordings need not be read for them.

    Examples
    --------
    >>> sets_up_anew([])
    False
    """
    days: dict[tuple[str, str], set[str]] = {}
    for recording in recordings:
        if recording.again or recording.resets or recording.spot:
            return True
        if day := date_in_name(recording.path)[:10]:
            days.setdefault((recording.part, recording.stage), set()).add(day)
    return any(len(of_stage) > 1 for of_stage in days.values())


def learned_from(history: History) -> Learned:
    """Return what an instrument teaches the others, from its stages as they were gathered.

    Examples
    --------
    >>> empty = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())
    >>> learned_from(empty) == Learned()
    True
    """
    rests = tuple((part, mode, hz) for (_, part, mode), hz in resting_places([history]).items())
    return Learned(contrasts_of(history.stages), setup_evidence(history.stages), rests)


def common(learned: Mapping[str, Learned]) -> Common:
    """Return what the instruments teach together, given what each does, by instrument.

    Examples
    --------
    >>> common({"cittern-07": Learned(rests=(("top", "air", 187.2),))}).rests
    {('cittern-07', 'top', 'air'): 187.2}
    """
    ordered = sorted(learned.items())
    rests = {(name, part, mode): hz for name, one in ordered for part, mode, hz in one.rests}
    evidence = tuple(one.evidence for _, one in ordered if one.evidence != SetupEvidence())
    return Common(pool_setups(one.setups for _, one in ordered), rests, evidence)
