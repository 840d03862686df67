"""Two recordings of one place, and of two, in a room of the second simulator."""

from __future__ import annotations

import pytest

from tapbatch.compare.same_room import SAME_FROM
from tests.bench_simulator import rooms
from tests.benchmarks import places


@pytest.mark.slow
@pytest.mark.skipif(bool(rooms.missing()), reason=rooms.missing())
def test_one_place_is_told_from_another() -> None:
    found = dict(places.pairs(1, ("10 cm",)))
    alike = {name: pair.alike for (name, _), pair in found.items()}
    assert all(alike[name] >= SAME_FROM for name in ("once more", "cut", "moved by 2 cm"))
    assert all(alike[name] < SAME_FROM for name in ("carried", "carried and cut"))
    assert max(found["once more", "10 cm"].freq_off) <= 1.0
