"""Which drift belongs to which stage, and what differed besides the wood."""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.history import Drift, History, Stage
from tapbatch.show.say.cautions import cautions_text


class DriftsInto:
    """What moved on the way to each stage of a history; calling it with a stage gives its drifts by mode.

    For a chart or a table over all stages: of thousands, each would otherwise search the drifts of all.
    """

    def __init__(self, history: History) -> None:
        self._told: dict[tuple[str, str], dict[str, Drift]] = {}
        for drift in history.drifts:
            self._told.setdefault((drift.part, drift.to_stage), {})[drift.mode] = drift

    def __call__(self, stage: Stage) -> dict[str, Drift]:
        """Return what moved on the way to a stage, by mode."""
        names = dict.fromkeys((stage.stage, stage.stage_shown))
        return {mode: d for name in names for mode, d in self._told.get((stage.part, name), {}).items()}


def drifts_into(history: History, stage: Stage) -> dict[str, Drift]:
    """Return what moved on the way to a stage, by mode."""
    return DriftsInto(history)(stage)


def drifts_of_mode(history: History, stages: Sequence[Stage], name: str) -> list[Drift | None]:
    """Return how a mode moved on the way to each of some stages; ``None`` where that is not known."""
    told = {(d.part, d.to_stage): d for d in history.drifts if d.mode == name}
    return [told.get((s.part, s.stage), told.get((s.part, s.stage_shown))) for s in stages]


def differed_text(drift: Drift | None) -> str:
    """Say what differed besides the wood between the stages of a drift; empty where nothing is known to."""
    return cautions_text(drift.cautions) if drift else ""


def sign_text(verdict: str, change_cents: float | None) -> str:
    """Say a change in the few letters that stand beside its line: the cents, ``=`` where it held, ``?`` if unclear.

    Examples
    --------
    >>> sign_text("down", -42.13), sign_text("steady", 0.4), sign_text("unclear", 7.2), sign_text("new", None)
    ('-42', '=', '?', '')
    """
    if change_cents is None:
        return ""
    moved = f"{change_cents:+z.0f}" if verdict in ("up", "down") else ""
    return {"steady": "=", "unclear": "?"}.get(verdict, moved)
