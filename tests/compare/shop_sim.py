"""A shop in memory: instruments with recordings, settings and notes, and the drift rows that a run would write.

Random numbers come from the generator that is passed in.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from tapbatch.compare.across import Common, common, learned_from
from tapbatch.compare.history import compare_stages, gather_history
from tapbatch.compare.order import Item
from tapbatch.model.history import History, Note
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import table_rows
from tests.compare.builds import item, reading, taps

BODY_HZ = [150.0 * 1.3**m for m in range(4)]


@dataclass
class Made:
    """One instrument: its recordings, settings and notes."""

    items: list[Item] = field(default_factory=list)
    settings: InstrumentSettings = field(default_factory=InstrumentSettings)
    notes: dict[tuple[str, str], Note] = field(default_factory=dict)


def recorded(
    rng: np.random.Generator,
    name: str,
    at: str,
    cents: float | Sequence[float] = 0.0,
    freqs_hz: Sequence[float] = BODY_HZ,
    **said: object,
) -> Item:
    """Return a recording ``INSTRUMENT_STAGE_….wav`` of three taps at 0.4 cents, moved by ``cents``."""
    instrument = name.split("_")[0]
    moves = np.broadcast_to(cents, len(freqs_hz))
    rows = [(f * 2.0 ** (c / 1200.0), 0.3, -2.0 * m) for m, (f, c) in enumerate(zip(freqs_hz, moves, strict=True))]
    told = {"instrument": instrument, "instrument_shown": instrument.title()} | said
    return item(name, reading(taps(rng, rows, 3, 0.4, level_scatter_db=2.0), recorded_at=at), **told)


def shared(shop: dict[str, Made]) -> Common:
    """Return what the instruments of a shop teach together."""
    days = {made.settings.frozen for made in shop.values() if made.settings.frozen is not None}
    learned = {}
    for name, made in shop.items():
        then = {day: _gathered(name, made, day) for day in days}
        learned[name] = learned_from(_gathered(name, made), made.settings, then)
    return common(learned)


def compared(shop: dict[str, Made], name: str) -> History:
    """Return the history of an instrument, compared as in its shop."""
    settings = shop[name].settings
    taught = shared(shop).of(settings, name)
    return compare_stages(_gathered(name, shop[name]), settings, taught.scatter, taught.judged)


def drift_rows(shop: dict[str, Made], name: str) -> list[dict[str, str]]:
    """Return the rows of ``drift.csv`` as printed."""
    data = table_bytes("drift", table_rows("drift", compared(shop, name)))
    return list(csv.DictReader(io.StringIO(data.decode())))


def _gathered(name: str, made: Made, until: date | None = None) -> History:
    return gather_history(name, made.items, made.settings, made.notes, until=until)[0]
