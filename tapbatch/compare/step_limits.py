"""Why there is no forecast of how a mode comes to a landing.

Conventions: distances in cents, from the reading to the landing. The first rule that holds gives the reason:

- ``on target``: the mode is on the landing, surely or likely; more of this work could only move it away;
- ``strung``: the latest stage is under string tension, and what is done to the wood then was not seen by itself;
- ``fault``: a flag spoils the frequency of the latest reading (:data:`SPOILING_FLAGS`), a mode may have swapped names
  on one of the steps, or something besides the work moved it there (:data:`SPOILING_CAUTIONS`);
- ``few steps``: fewer than three steps of the same work, and no earlier instruments of a family that did it;
  ``points``: the stages have no tapping point in common;
- ``both ways``: nothing was cut here yet, and this work surely raised the mode on one earlier instrument of the
  family and surely lowered it on another;
- ``past``: the work surely leads away from the landing, and the mode lay on its other side when the work began; or
  the work carried it past a target within fewer than three steps;
- ``away``: the work surely leads away, and did so from the start;
- ``beyond``: the landing is farther off than twice as many steps as were seen, here or, with a family, as an earlier
  instrument went; or the steps shrink so that they never get there. With steps that vary by 20 % and trends of 10 %
  a step, two counts in five are off by more than half at twice the number seen, and one in four at that number.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from tapbatch.compare.stage import DOUBTFUL
from tapbatch.compare.step_series import Work
from tapbatch.compare.steps import SURE, Outlook
from tapbatch.model.history import Drift, NoForecast, OnTarget, Stage

SPOILING_FLAGS = ("string", "hum", "pair?", "glides", DOUBTFUL, "recordings-differ")
"""Flags with which the frequency may be another's, or off to either side, or of two instruments."""

SPOILING_CAUTIONS = ("method", "string pitch", "new strings")
"""Cautions about a step that moves the reading by more than its intervals allow for."""

MOST_STEPS_AHEAD = 2.0
"""How many times as many steps as were seen a count may reach ahead."""

Way = Literal["up", "down", ""]


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is known of the way to a landing.

    ``to_go`` is from the latest reading, ``to_go_first`` from that of the stage at which the work began. ``aimed``
    says that the landing is a target. ``outlook`` is ``None`` where nothing could be learned; ``opposed`` tells that
    earlier instruments went both ways and nothing was cut on this one.
    """

    to_go: float
    to_go_first: float
    aimed: bool
    on_target: OnTarget
    outlook: Outlook | None
    opposed: bool = False

    @property
    def is_past(self) -> bool:
        """Whether the mode lay on the other side of the landing when the work began."""
        return self.to_go * self.to_go_first < 0

    @property
    def way(self) -> Way:
        """The way in which the work moves the mode with 95 %; empty if that is not sure."""
        if self.outlook is None:
            return ""
        upwards = self.outlook.typical.chance_above(0.0)
        return "up" if upwards >= SURE else "down" if 1.0 - upwards >= SURE else ""


def no_forecast(ahead: Ahead, work: Work, faults: Sequence[str]) -> NoForecast | Literal[""]:
    """Return the reason why there is no forecast; empty where there is one."""
    if ahead.on_target != "no":
        return "on target"
    if work.stages[-1].state == "strung":
        return "strung"
    if faults:
        return "fault"
    if ahead.outlook is None:
        if work.enough:
            return "points"
        if ahead.opposed:
            return "both ways"
        return "past" if ahead.aimed and ahead.is_past else "few steps"
    if ahead.way == ("down" if ahead.to_go > 0 else "up"):
        return "past" if ahead.is_past else "away"
    if not ahead.way:
        return ""
    steps = ahead.outlook.steps_to_go(ahead.to_go)
    if ahead.outlook.further is not None:
        # Physics knows what lies far off, or that nothing does.
        return "beyond" if steps is None else ""
    reach = max(MOST_STEPS_AHEAD * ahead.outlook.steps, ahead.outlook.known_ahead)
    return "beyond" if steps is None or steps > reach else ""


def faults_of(work: Work, modes: Iterable[str], drifts: Iterable[Drift]) -> tuple[str, ...]:
    """Return the flags and the kinds of caution that stand against a forecast, each once, in their fixed order.

    Parameters
    ----------
    work
        The steps of the work, the latest stage last.
    modes
        The mode, and the other one if the landing moves with it.
    drifts
        Those of the part.
    """
    names = set(modes)
    into = {work.stages[after].stage for _, after in work.steps}
    found = {flag for s in work.stages if s.stage in into for flag in _flags(s, names) if flag == DOUBTFUL}
    found |= {flag for flag in (*_flags(work.stages[-1], names), *work.stages[-1].flags) if flag in SPOILING_FLAGS}
    differs = {c.kind for d in drifts if d.mode in names and d.to_stage in into for c in d.cautions}
    return tuple(f for f in SPOILING_FLAGS if f in found) + tuple(c for c in SPOILING_CAUTIONS if c in differs)


def _flags(stage: Stage, names: set[str]) -> list[str]:
    return [flag for mode in stage.modes if mode.mode in names for flag in mode.flags]
