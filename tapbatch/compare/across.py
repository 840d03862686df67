"""What the instruments of a shop teach one another: what set-ups, air and cuts move, and where modes rest.

Conventions: all follow from an instrument's stages before they are compared. The scatter of set-ups is learned from
the whole shop, since it is one hand and one bench. Where a mode rests is asked by targets that say ``like``. What the
steps of a work do is asked by instruments of the same family. Most instruments teach nothing: no stage was set up
twice, no target looks to them, and they have no family. What an instrument teaches
is kept in its mark, so that an unchanged instrument need not be read for the sake of another. An instrument with
``frozen`` in its settings asks besides what was known on that day (:mod:`tapbatch.compare.frozen`).
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache

from tapbatch.compare.bench import Bench, SetupEvidence, bench_of, setup_evidence
from tapbatch.compare.frozen import Grounds, Judged
from tapbatch.compare.kin import kin_stages
from tapbatch.compare.reference import sittings_of
from tapbatch.compare.setups import SetupContrasts, SetupScatter, contrasts_of, pool_setups
from tapbatch.compare.step_taught import TaughtSteps, family_name, of_family, taught_steps
from tapbatch.compare.targets import Rests, resting_places
from tapbatch.model.history import History
from tapbatch.model.kin import KinStage
from tapbatch.model.names import date_in_name, identity
from tapbatch.model.reading import Recording
from tapbatch.model.reference import Sitting
from tapbatch.model.settings import InstrumentSettings


@dataclass(frozen=True, slots=True)
class Then:
    """What one instrument had taught up to a day, in ISO 8601: of set-ups and, by a reference, of the air."""

    until: str
    evidence: SetupEvidence = field(default_factory=SetupEvidence)
    sittings: tuple[Sitting, ...] = ()


@dataclass(frozen=True, slots=True)
class Learned:
    """What one instrument teaches the others; ``rests`` are ``(part, mode, hertz)``.

    ``then`` has what it had taught up to each day that some instrument of the shop is frozen on; ``steps`` what the
    steps of each work did, and ``stages`` where it stood, if it has a family.
    """

    setups: SetupContrasts = field(default_factory=lambda: SetupContrasts((), ()))
    evidence: SetupEvidence = field(default_factory=SetupEvidence)
    rests: tuple[tuple[str, str, float], ...] = ()
    sittings: tuple[Sitting, ...] = ()
    then: tuple[Then, ...] = ()
    steps: tuple[TaughtSteps, ...] = ()
    stages: tuple[KinStage, ...] = ()

    def knows(self, days: Iterable[date]) -> bool:
        """Tell whether it has what was taught up to each of some days."""
        return {day.isoformat() for day in days} <= {then.until for then in self.then}


@dataclass(frozen=True, slots=True)
class Taught:
    """What the instruments of a shop showed of set-ups, and the sittings of its references."""

    evidence: tuple[SetupEvidence, ...] = ()
    sittings: tuple[Sitting, ...] = ()

    @property
    def bench(self) -> Bench:
        """What is believed of the bench."""
        return bench_of(self.evidence)

    @property
    def grounds(self) -> Grounds:
        """What comparisons rest on."""
        return Grounds(self.bench, self.sittings)


@dataclass(frozen=True, slots=True)
class Common:
    """What all instruments teach together: the scatter of set-ups, where modes rest, and what comparisons rest on.

    ``then`` is what they had taught up to the days that instruments are frozen on, by day; ``steps`` what the steps
    of each work did on instruments that have a family, ``stages`` where those stood, and ``kin`` a hash of both for
    each family.
    """

    scatter: SetupScatter | None = None
    rests: Rests = field(default_factory=dict)
    now: Taught = field(default_factory=Taught)
    then: Mapping[str, Taught] = field(default_factory=dict)
    steps: tuple[TaughtSteps, ...] = ()
    kin: Mapping[str, str] = field(default_factory=dict)
    stages: tuple[KinStage, ...] = ()

    def of(self, settings: InstrumentSettings, instrument: str) -> Common:
        """Return the part of it that matters to an instrument.

        It is where those rest that its targets look to, what was known on the day it is frozen on, and what the other
        instruments of its family taught. References are not compared with references.
        """
        liked = liked_by(settings)
        now, then = self.now, dict[str, Taught]()
        if settings.frozen is not None:
            day = settings.frozen.isoformat()
            then = {day: self.then.get(day, Taught())}
        if settings.reference:
            now, then = Taught(now.evidence), {day: Taught(known.evidence) for day, known in then.items()}
        rests = {key: hz for key, hz in self.rests.items() if key[0] in liked}
        kin = {family: told for family, told in self.kin.items() if family == family_name(settings)}
        stages = tuple(k for k in self.stages if k.family in kin and k.instrument != instrument)
        return Common(self.scatter, rests, now, then, of_family(self.steps, settings, instrument), kin, stages)

    @property
    def judged(self) -> Judged:
        """What comparisons rest on, of the part that matters to one instrument."""
        if not self.then:
            return Judged(self.now.grounds)
        ((day, known),) = self.then.items()
        return Judged(self.now.grounds, date.fromisoformat(day), known.grounds)

    @property
    def fingerprint(self) -> str:
        """Hash of it."""
        then = sorted((day, _digest(known)) for day, known in self.then.items())
        told = (self.scatter, _digest(self.now), then, sorted(self.rests.items()), sorted(self.kin.items()))
        return hashlib.sha256(repr(told).encode()).hexdigest()


@lru_cache(maxsize=64)
def _digest(taught: Taught) -> str:
    """Return the hash of what the shop taught, which is the same for most of its instruments."""
    return hashlib.sha256(repr(taught).encode("utf-8", "backslashreplace")).hexdigest()


def liked_by(settings: InstrumentSettings) -> set[str]:
    """Return the instruments that the targets of one look to.

    Examples
    --------
    >>> liked_by(InstrumentSettings())
    set()
    """
    return {identity(target.like) for target in settings.target if target.like}


def teaches(recordings: Iterable[Recording], settings: InstrumentSettings) -> bool:
    """Tell whether an instrument has something to teach all others: repeated set-ups, or that it is a reference.

    Examples
    --------
    >>> teaches([], InstrumentSettings(reference=True))
    True
    """
    return settings.reference or sets_up_anew(recordings)


def families(settings: Iterable[InstrumentSettings]) -> set[str]:
    """Return the families with more than one instrument.

    Examples
    --------
    >>> families([InstrumentSettings(family="lute")] + [InstrumentSettings(family="cittern")] * 2)
    {'cittern'}
    """
    counted = Counter(filter(None, map(family_name, settings)))
    return {family for family, count in counted.items() if count > 1}


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


def learned_from(
    history: History, settings: InstrumentSettings | None = None, then: Mapping[date, History] | None = None
) -> Learned:
    """Return what an instrument teaches the others, from its stages as they were gathered.

    Parameters
    ----------
    history
        All of it.
    settings
        Its settings, which say whether it is a reference; default none.
    then
        What was there up to each day that some instrument of the shop is frozen on; default none.

    Examples
    --------
    >>> empty = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())
    >>> learned_from(empty) == Learned()
    True
    """
    settings = settings or InstrumentSettings()
    rests = tuple((part, mode, hz) for (_, part, mode), hz in resting_places([history]).items())
    return Learned(
        contrasts_of(history.stages),
        setup_evidence(history.stages),
        rests,
        sittings_of(history, settings),
        tuple(
            Then(day.isoformat(), setup_evidence(known.stages), sittings_of(known, settings))
            for day, known in sorted((then or {}).items())
        ),
        taught_steps(history, settings),
        kin_stages(history, settings),
    )


def common(learned: Mapping[str, Learned]) -> Common:
    """Return what the instruments teach together, given what each does, by instrument.

    Examples
    --------
    >>> common({"cittern-07": Learned(rests=(("top", "air", 187.2),))}).rests
    {('cittern-07', 'top', 'air'): 187.2}
    """
    ordered = sorted(learned.items())
    rests = {(name, part, mode): hz for name, one in ordered for part, mode, hz in one.rests}
    days = sorted({then.until for _, one in ordered for then in one.then})
    thens = {day: [then for _, one in ordered for then in one.then if then.until == day] for day in days}
    steps = tuple(each for _, one in ordered for each in one.steps)
    stages = tuple(each for _, one in ordered for each in one.stages)
    kin: dict[str, list[TaughtSteps | KinStage]] = {}
    for each in steps:
        kin.setdefault(each.family, []).append(each)
    for stage in stages:
        kin.setdefault(stage.family, []).append(stage)
    return Common(
        pool_setups(one.setups for _, one in ordered),
        rests,
        _taught(one for _, one in ordered),
        {day: _taught(of_day) for day, of_day in thens.items()},
        steps,
        {
            family: hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()
            for family, told in kin.items()
        },
        stages,
    )


def _taught(taught: Iterable[Learned | Then]) -> Taught:
    every = list(taught)
    evidence = tuple(one.evidence for one in every if one.evidence != SetupEvidence())
    return Taught(evidence, tuple(sitting for one in every for sitting in one.sittings))
