"""The rooms are what they claim, by the inverse distance law and by Schroeder's integration."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.bench_simulator import rooms
from tests.bench_simulator.world import Room, draw_room, draw_spots, stream

pytest.importorskip("pyroomacoustics", reason="pyroomacoustics makes the rooms")

ROOM = Room(size_m=(4.1, 3.3, 2.5), rt60_s=0.35)


@pytest.fixture(scope="module")
def heard() -> tuple[rooms.Response, ...]:
    (spots,) = draw_spots(ROOM, stream("spots", 4), 1, (0.3, 0.1, 0.05))
    return rooms.responses(ROOM, spots, 48_000)


def test_the_reverberation_time_is_the_one_asked_for(heard: tuple[rooms.Response, ...]) -> None:
    """Backward integration (Schroeder, JASA 37 (1965), 409) from -5 to -35 dB, and the library's own."""
    from pyroomacoustics.experimental import measure_rt60

    tail = heard[0].room
    level_db = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] / np.sum(tail**2))
    first, last = np.searchsorted(-level_db, [5.0, 35.0])
    slope = np.polyfit(np.arange(first, last) / 48_000, level_db[first:last], 1)[0]
    assert -60.0 / slope == pytest.approx(ROOM.rt60_s, rel=0.12)
    assert -60.0 / slope == pytest.approx(float(measure_rt60(tail, 48_000, decay_db=30)), rel=0.06)


def test_the_direct_sound_is_one_and_the_room_falls_by_the_distance_law(heard: tuple[rooms.Response, ...]) -> None:
    """The direct sound is held at one, so the room falls by 20 dB where the distance falls to a tenth."""
    for response in heard:
        turned = np.exp(-2j * np.pi * 500.0 * np.arange(len(response.direct)) / 48_000)
        assert abs(np.sum(response.direct * turned)) == pytest.approx(1.0, rel=0.02)
    far, near, nearest = (r.direct_db for r in heard)
    assert near - far == pytest.approx(20 * math.log10(3), abs=1.5)
    assert nearest - near == pytest.approx(20 * math.log10(2), abs=1.0)


def test_direct_and_room_stand_where_a_diffuse_field_would_put_them(heard: tuple[rooms.Response, ...]) -> None:
    """Critical distance 0.057 sqrt(V / RT60) in metres, of a source without direction (Kuttruff, Room Acoustics)."""
    critical_m = 0.057 * math.sqrt(math.prod(ROOM.size_m) / ROOM.rt60_s)
    assert heard[0].direct_db == pytest.approx(20 * math.log10(critical_m / 0.3), abs=3.0)


def test_what_is_kept_is_what_was_made(heard: tuple[rooms.Response, ...]) -> None:
    (spots,) = draw_spots(ROOM, stream("spots", 4), 1, (0.3, 0.1, 0.05))
    again = rooms.responses(ROOM, spots, 48_000)
    assert all(np.allclose(a.whole, b.whole, atol=1e-5) for a, b in zip(heard, again, strict=True))


def test_spots_lie_a_metre_apart_and_inside() -> None:
    room = draw_room(stream("room", 5))
    spots = draw_spots(room, stream("spots", 5), 5, (0.3, 0.1))
    for place in spots:
        for spot, distance_m in zip(place, (0.3, 0.1), strict=True):
            assert math.dist(spot.source_m, spot.phone_m) == pytest.approx(distance_m)
            assert all(0.0 < x < size for x, size in zip(spot.phone_m, room.size_m, strict=True))
    sources = [place[0].source_m for place in spots]
    assert min(math.dist(a, b) for n, a in enumerate(sources) for b in sources[:n]) >= 1.0
