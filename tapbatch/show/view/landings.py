"""Which landings are shown: those that matter, those of one stage, those drawn, and which of them are a risk.

Conventions: of a part's landings the targets matter; where it has none, the next note of what is worked on, on the
side to which the steps lead, or the nearer one where no steps are known. Of a board only its targets are shown.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.history import History, Landing, Stage, StageMode
from tapbatch.show.view.stages import mode_at
from tapbatch.show.view.working import working_names

MOST_DRAWN = 8
RISKY = 0.2
"""From this chance on that the next step passes a landing, all faces say: take off less."""


def is_risky(landing: Landing) -> bool:
    """Tell whether the next step may well pass a landing."""
    return landing.overshoot is not None and landing.overshoot >= RISKY


def shown_landings(history: History) -> tuple[Landing, ...]:
    """Return the landings of a history without the next notes of a board: no cut leads one of its modes to them."""
    boards = {(stage.part, stage.stage) for stage in history.stages if stage.wood is not None}
    return tuple(c for c in history.landings if c.landing == "target" or (c.part, c.stage) not in boards)


def chosen_landings(history: History, part: str) -> tuple[Landing, ...]:
    """Return the landings of a part that matter: its targets, else the one note that what is worked on heads for."""
    of_part = _worked_on(history, [landing for landing in shown_landings(history) if landing.part == part])
    targets = tuple(landing for landing in of_part if landing.landing == "target")
    return targets or _next_note(of_part)


def _next_note(landings: Sequence[Landing]) -> tuple[Landing, ...]:
    """Return the one landing to which the steps lead, or the nearest where no steps are known; none of none."""
    ahead = [landing for landing in landings if landing.steps_to_go is not None or landing.no_forecast == "beyond"]
    nearest = min(ahead or landings, key=lambda landing: abs(landing.cents_to_go), default=None)
    return () if nearest is None else (nearest,)


def other_side(history: History, landing: Landing) -> Landing | None:
    """Return the next note on the other side of a mode, where no steps say to which of the two it is heading."""
    if landing.landing == "target" or landing.steps_to_go is not None or landing.step_cents is not None:
        return None
    at = (landing.part, landing.stage, landing.mode)
    beside = (c for c in history.landings if (c.part, c.stage, c.mode) == at)
    return next((c for c in beside if c.landing not in ("target", landing.landing)), None)


def _worked_on(history: History, landings: Sequence[Landing]) -> list[Landing]:
    """Return the landings without those of a lead that is neither worked on nor has a target."""
    aimed = {c.mode for c in landings if c.landing == "target"}
    aimed |= {w.mode for c in landings for w in history.working_on(c.part, c.stage)}
    return [c for c in landings if c.mode in aimed] if history.worked_on else [*landings]


def landings_of(history: History, stage: Stage, mode: StageMode) -> list[Landing]:
    """Return the landings that matter at a stage: those of one mode first, the nearest in front.

    If that mode has no target, its next note comes before the targets of other modes.
    """
    here = [landing for landing in chosen_landings(history, stage.part) if landing.stage == stage.stage]
    own = sorted((c for c in here if c.mode == mode.mode), key=lambda c: abs(c.cents_to_go))
    if not own:
        at = (stage.part, stage.stage, mode.mode)
        own = [*_next_note([c for c in shown_landings(history) if (c.part, c.stage, c.mode) == at])]
    return own + [c for c in here if c.mode != mode.mode]


def landing_blocks(history: History) -> list[tuple[Stage, list[Landing]]]:
    """Return the landings to draw, mode by mode, each with its stage; a note that is also a target stands once.

    Of each part what is worked on comes first.
    """
    gathered: dict[tuple[str, str, str], list[Landing]] = {}
    for landing in _worked_on(history, shown_landings(history)):
        gathered.setdefault((landing.part, landing.stage, landing.mode), []).append(landing)
    blocks = []
    for (part, name, mode), landings in gathered.items():
        stage = next((s for s in history.of_part(part) if s.stage == name), None)
        if stage is None or mode_at(stage, mode) is None:
            continue
        targets = [c for c in landings if c.landing == "target"]
        notes = [c for c in landings if not any(abs(c.cents_to_go - t.cents_to_go) < 0.05 for t in targets)]
        notes = sorted((c for c in notes if c.landing != "target"), key=lambda c: -c.landing_hz)
        blocks.append((stage, [*targets, *notes][:MOST_DRAWN]))
    parts = history.parts
    return sorted(blocks, key=lambda b: (parts.index(b[0].part), b[1][0].mode not in working_names(history, b[0])))
