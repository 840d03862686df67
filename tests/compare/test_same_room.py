"""The room in a difference: it cancels where both recordings show the same place, and counts in full elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapbatch.compare.drift import drift_between
from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.compare.same_room import RT60_S, same_share
from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.model.history import Drift, History
from tapbatch.model.reading import Recording
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading
from tests.compare.test_spots import ROOM_DB
from tests.measure.test_resemblance import a_room, kept

ROWS_HZ = [150.0 * 1.35**n for n in range(5)]
Kept = Callable[[Recording], KeptTaps | None]


def history(spots: tuple[str, str], moved: float = 0.0) -> History:
    """Return two stages of five modes, the third moved."""
    items: list[Item] = []
    for n, spot in enumerate(spots):
        rows = [f * 2.0 ** (moved * (n == 1 and k == 2) / 1200.0) for k, f in enumerate(ROWS_HZ)]
        made = reading([[mode(f * 2.0 ** (c / 1200.0)) for f in rows] for c in (0.0, 0.1, -0.1)])
        items.append(item(f"c_0{n}-s_{n}.wav", replace(made, direct_db=ROOM_DB), spot=spot))
    return build_history("c", items, InstrumentSettings(), {})[0]


def widths(found: History, kept_of: Kept | None) -> dict[str, float]:
    rows: tuple[Drift, ...] = drift_between(*found.stages, 3.0, kept_of=kept_of)
    return {d.mode: (d.own_high_cents or 0.0) - (d.own_low_cents or 0.0) for d in rows}


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, KeptTaps]:
    folder = tmp_path_factory.mktemp("rooms")
    rooms = {"here": a_room(0), "here again": a_room(0), "there": a_room(1)}
    return {name: kept(folder, hand, room) for hand, (name, room) in enumerate(rooms.items())}


def shows(takes: dict[str, KeptTaps], before: str, after: str) -> Kept:
    return lambda recording: takes[before if Path(recording.path).name.startswith("c_00") else after]


def test_without_a_name_the_recordings_themselves_show_the_place(takes: dict[str, KeptTaps]) -> None:
    found = history(("", ""))
    unknown = widths(found, None)
    same, other = (widths(found, shows(takes, "here", after)) for after in ("here again", "there"))
    for name, width in unknown.items():
        assert width > 2.0 * same[name]
        assert other[name] == pytest.approx(width)


def test_a_name_is_not_believed_where_the_recordings_show_another_place(takes: dict[str, KeptTaps]) -> None:
    found, unnamed = history(("door", "door")), history(("", ""))
    believed, refuted = widths(found, None), widths(found, shows(takes, "here", "there"))
    assert refuted == pytest.approx(widths(unnamed, None))
    assert all(refuted[name] > 2.0 * width for name, width in believed.items())


def test_for_a_large_move_the_room_counts_in_full_even_so(takes: dict[str, KeptTaps]) -> None:
    same = shows(takes, "here", "here again")
    still, moved = (widths(history(("", ""), cents), same) for cents in (0.0, 60.0))
    full = widths(history(("", ""), 60.0), None)
    assert moved["r3"] > 0.9 * full["r3"] > 1.5 * still["r3"]


def test_half_is_left_at_the_correlation_bandwidth_of_a_room() -> None:
    # Schroeder, JASA 34, 1962: the correlation bandwidth is 2.2 Hz over the reverberation time.
    assert same_share(np.array([0.0, 2.2 / RT60_S, 1e3])) == pytest.approx([1.0, 0.5, 0.0], abs=1e-4)
