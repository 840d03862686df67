"""Which mode the maker works on at each stage of a part.

Conventions: the first rule that gives an answer decides.

1. What the maker said of the stage, up to two modes.
2. The first target, in the order of the settings, that is not yet reached. A target counts as reached where its mode
   lies on it as the instrument lies, ``sure`` or ``likely``; where the mode was not heard, the last stage at which it
   was heard decides. A target whose mode was never heard is not reached.
3. The first label, in the order of the settings, that was heard at the stage or at an earlier one.
4. The lead mode, or the strongest if none may lead.

The first three name a mode whether or not the stage has a reading of it. If it has none, the mode is still what is
worked on, and says that it was not heard; no other takes its place. A later stage changes nothing at an earlier one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from tapbatch.compare.targets import Rests, reached, targets_of
from tapbatch.model.history import Because, History, Stage, WorkedOn
from tapbatch.model.names import identity
from tapbatch.model.settings import InstrumentSettings

MOST_MODES = 2

Said = Mapping[tuple[str, str], tuple[str, ...]]
"""What the maker said is worked on: up to two modes by part and stage, all by identity."""

NOTHING_SAID: Said = MappingProxyType({})


def with_working_on(
    history: History, settings: InstrumentSettings, rests: Rests, said: Said = NOTHING_SAID
) -> History:
    """Return a history that knows what is worked on at each of its stages.

    Parameters
    ----------
    history : History
        A history whose stages are in order and compared.
    settings : InstrumentSettings
        The settings of the instrument.
    rests : mapping of (instrument, part, mode) to float
        The last measured frequencies of the modes of all instruments, in hertz, for targets like theirs.
    said : mapping of (part, stage) to tuple of str, optional
        What the maker said is worked on; by default nothing was said.

    Returns
    -------
    history : History
        With ``worked_on``: one or two entries for each stage that has modes, none for a stage without.

    Examples
    --------
    >>> empty = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())
    >>> with_working_on(empty, InstrumentSettings(), {}).worked_on
    ()
    """
    worked_on: list[WorkedOn] = []
    for part in history.parts:
        worked_on += _of_part(part, history.of_part(part), settings, rests, said)
    return replace(history, worked_on=tuple(worked_on))


SaidSteps = Sequence[tuple[str, int, tuple[str, ...]]]
"""What the maker said, in that order: the stage without the number of a step, the step (0 without), the labels."""


def said_of_stages(history: History, settings: InstrumentSettings, steps: SaidSteps) -> Said:
    """Return what the maker said of each stage: in a series of steps, what was said last up to that step.

    A label counts for the part that the settings give it.

    Examples
    --------
    >>> empty = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())
    >>> said_of_stages(empty, InstrumentSettings(), [("06-voicing", 1, ("air",))])
    {}
    """
    part_of = {mode.label: identity(mode.part) for mode in settings.mode}
    told: dict[tuple[str, str], tuple[str, ...]] = {}
    for stage in history.stages:
        base = stage.heard[0].recording.stage if stage.heard else stage.stage
        number = _step_of(stage.stage, base)
        for name, step, labels in steps:
            mine = tuple(label for label in labels if part_of.get(label) == stage.part)
            if name == base and step <= number and mine:
                told[stage.part, stage.stage] = mine
    return told


def _step_of(stage: str, base: str) -> int:
    number = stage.removeprefix(f"{base}-step-")
    return int(number) if number != stage and number.isdecimal() else 0


def _of_part(
    part: str, stages: Sequence[Stage], settings: InstrumentSettings, rests: Rests, said: Said
) -> Iterator[WorkedOn]:
    targets = targets_of(part, settings)
    labels = [m.label for m in settings.mode if identity(m.part) == part]
    open_ = dict.fromkeys(range(len(targets)), True)
    heard_before: set[str] = set()
    for n, stage in enumerate(stages):
        heard = {m.mode for m in stage.modes}
        heard_before |= heard
        if not heard:
            continue
        for t, target in enumerate(targets):
            if target.mode in heard:
                open_[t] = reached(target, stages[: n + 1], settings, rests) == "no"
        wanted = [target.mode for t, target in enumerate(targets) if open_[t]]
        known = [label for label in labels if label in heard_before]
        modes, because = _chosen(said.get((part, stage.stage), ()), wanted, known, stage)
        for mode in modes:
            yield WorkedOn(part=part, stage=stage.stage, mode=mode, heard=mode in heard, because=because)


def _chosen(
    said: Sequence[str], wanted: Sequence[str], known: Sequence[str], stage: Stage
) -> tuple[Sequence[str], Because]:
    if said:
        return said[:MOST_MODES], "said"
    if wanted:
        return wanted[:1], "target"
    if known:
        return known[:1], "label"
    strongest = stage.strongest
    return ([strongest.mode] if strongest else []), "strongest"
