"""Simulated voicing: an air mode and a main mode, tapped stage by stage or step by step, and their landings."""

from __future__ import annotations

from typing import Any

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.compare.targets import with_landings
from tapbatch.model.history import History, Landing, Note
from tapbatch.model.reading import Attention, Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading

LABELS = [{"label": "air", "near_hz": 176.0, "kind": "air"}, {"label": "main", "near_hz": 262.0}]
HAND = (-0.3, -0.1, 0.0, 0.1, 0.3)


def up(freq_hz: float, cents: float) -> float:
    return freq_hz * 2.0 ** (cents / 1200.0)


def taps_at(*freqs_hz: float) -> list[list[Mode]]:
    # The first is the strongest, and leads.
    return [[mode(up(f, c), energy_db=-20.0 - 6.0 * n) for n, f in enumerate(freqs_hz)] for c in HAND]


def step(number: int, *freqs_hz: float, **said: Any) -> Item:
    return item(f"c_05-voicing_step_{number}.wav", reading(taps_at(*freqs_hz)), step=True, take=number, **said)


def landed(
    *items: Item, notes: dict[str, dict[str, Any]] | None = None, rests: Any = None, **settings: Any
) -> tuple[History, tuple[Attention, ...]]:
    of_stage = {
        ("cittern-07", stage): Note(instrument="cittern-07", stage=stage, **said)
        for stage, said in (notes or {}).items()
    }
    wanted = InstrumentSettings.model_validate({"mode": LABELS, **settings})
    history, _ = build_history("cittern-07", items, wanted, of_stage)
    return with_landings(history, wanted, rests or {})


def target_of(*items: Item, rests: Any = None, **target: Any) -> Landing:
    history, _ = landed(*items, rests=rests, target=[{"mode": "air", **target}])
    return next(landing for landing in history.landings if landing.landing == "target")


def worked(n: int, cents: float, stem: str = "") -> Item:
    return item(f"c_{n:02d}-{stem or 's'}.wav", reading(taps_at(up(176.0, cents), 262.0)))
