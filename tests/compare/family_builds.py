"""Instruments of a family, voiced step by step: an air mode that goes where it is told, and dates to tell the order.

Everything follows from the arguments; nothing is random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from tapbatch.compare.across import common, learned_from
from tapbatch.compare.history import compare_stages, gather_history
from tapbatch.compare.order import Item
from tapbatch.compare.targets import with_landings
from tapbatch.model.history import History, Landing, Note
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading
from tests.compare.voicing import LABELS, taps_at, up

AIR_HZ = 176.0


@dataclass
class Voiced:
    """An instrument: its recordings, settings and notes."""

    items: list[Item]
    settings: InstrumentSettings
    notes: dict[tuple[str, str], Note] = field(default_factory=dict)


def voiced(
    name: str,
    cents: Sequence[float],
    day: str,
    family: str = "cittern",
    notes: dict[str, dict[str, Any]] | None = None,
    series: str = "05-voicing",
    said: dict[str, Any] | None = None,
    **settings: Any,
) -> Voiced:
    """Return an instrument whose air mode stood at these cents, step by step, an hour apart from nine o'clock."""
    items = [
        item(
            f"{name}_{series}_step_{n}.wav",
            reading(taps_at(up(AIR_HZ, c), 262.0), recorded_at=f"{day}T{8 + n:02d}:00:00" if day else ""),
            **{"instrument": name, "instrument_shown": name, "step": True, "take": n, "state": "closed"}
            | (said or {}),
        )
        for n, c in enumerate(cents, 1)
    ]
    told = InstrumentSettings.model_validate({"mode": LABELS, "family": family, **settings})
    noted = {(name, stage): Note(instrument=name, stage=stage, **row) for stage, row in (notes or {}).items()}
    return Voiced(items, told, noted)


def landed_in_shop(shop: dict[str, Voiced], name: str, mode: str = "air") -> tuple[History, Landing]:
    """Return the history of an instrument with its landings as in its shop, and the first landing of a mode."""
    learned = {other: learned_from(_gathered(other, made), made.settings) for other, made in shop.items()}
    settings = shop[name].settings
    shared = common(learned).of(settings, name)
    compared = compare_stages(_gathered(name, shop[name]), settings, shared.scatter, shared.judged)
    history, _ = with_landings(compared, settings, shared.rests, shared.steps)
    return history, next(landing for landing in history.landings if landing.mode == mode)


def _gathered(name: str, made: Voiced) -> History:
    return gather_history(name, made.items, made.settings, made.notes)[0]
