"""Spots of a room: they vote, count once each in the interval, and leave all as it is where no room is heard.

The truth is drawn here by the rule of the issue: one room error for each spot, the same in all its taps, errors of
two spots correlated by 0.2.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.compare.random_effects import Sample
from tapbatch.compare.spots import CLEAN_DB, OF_RULE, over_spots, room_of_freq, room_of_t60, spots_matter
from tapbatch.model.history import Drift, History, StageMode
from tapbatch.model.pitch import CENTS
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading

SETTINGS = InstrumentSettings()
ROOM_DB = 14.0


def _item(path: str, cents: list[float], spot: str = "", direct_db: float | None = ROOM_DB, **said: object) -> Item:
    """Return a recording whose taps show one mode near 200 Hz, off by so many cents."""
    made = reading([[mode(200.0 * 2.0 ** (c / 1200.0))] for c in cents])
    return item(path, replace(made, direct_db=direct_db), spot=spot, **said)


def _history(*items: Item) -> History:
    return build_history("cittern-07", items, SETTINGS, {})[0]


def _width_cents(one: StageMode) -> float:
    return CENTS * math.log(one.freq_high_hz / one.freq_low_hz) / 2.0


def test_the_rule_is_that_of_the_study() -> None:
    # sd f = (0.8/T60) 10^(-DRR/20) Hz and sd ln T60 = 0.73 x 10^(-DRR/20), each times 1.5.
    assert room_of_freq(250.0, 0.4, 20.0) * 250.0 == pytest.approx(1.5 * 0.8 / 0.4 * 0.1)
    assert room_of_t60(20.0) == pytest.approx(1.5 * 0.73 * 0.1)
    assert OF_RULE == 1.5


@pytest.mark.parametrize("count", [2, 3, 5])
@pytest.mark.parametrize("wider", [0.8, 1.0])
def test_intervals_over_spots_hold(count: int, wider: float) -> None:
    rng = np.random.default_rng([count, int(10 * wider)])
    room, tap, trials, held = 0.01, 0.0005, 1000, 0
    for _ in range(trials):
        errors = wider * room * (math.sqrt(0.2) * rng.normal() + math.sqrt(0.8) * rng.normal(size=count))
        samples = [
            Sample(error + tap * rng.normal(), tap, setup=spot, spot=str(spot), room=room)
            for spot, error in enumerate(errors)
            for _ in range(3)
        ]
        mean = over_spots(samples)
        held += mean.low <= 0.0 <= mean.high
    # 1000 trials tell a share of 95 % to 1.4 points (two standard deviations).
    assert held / trials > 0.95 - 0.014


def test_more_taps_at_one_spot_do_not_help_and_more_spots_do() -> None:
    taps = [0.1, -0.1, 0.0]
    spots = [
        _item(f"c_01-a_spot-{s}.wav", [t + c for t in taps], s) for s, c in (("a", 1.0), ("b", -1.0), ("c", 0.0))
    ]
    many = [_item(f"c_01-a_spot-{s}.wav", [t + c for t in 4 * taps], s) for s, c in (("a", 1.0), ("b", -1.0))]
    two, three, twelve = (_history(*items).stages[0].modes[0] for items in (spots[:2], spots, many))
    assert _width_cents(three) < 0.9 * _width_cents(two)
    assert _width_cents(twelve) == pytest.approx(_width_cents(two), rel=0.05)


def test_a_spot_of_which_the_fit_leaves_more_counts_less() -> None:
    misfits = (0.004, 0.004, 0.04)
    samples = [Sample(v, 1e-4, setup=n, spot=str(n), room=0.01, misfit=misfits[n]) for n, v in enumerate((0, 0, 1.0))]
    even = [replace(s, misfit=0.004) for s in samples]
    assert over_spots(even).value == pytest.approx(1.0 / 3.0)
    assert 0.0 < over_spots(samples).value < 0.05
    # With few spots that count, the interval is wider.
    assert over_spots(samples).variance > over_spots(even).variance


def test_again_at_the_same_spot_shares_its_room() -> None:
    a, b = (_item(f"c_01-a_spot-{s}.wav", [0.0, 0.1, -0.1], s) for s in "ab")
    again = _item("c_01-a_spot-a_again.wav", [0.0, 0.1, -0.1], "a", again=True)
    rooms = [
        [Sample(0.0, 1e-5, setup=n, spot=spot, room=0.01) for n, spot in enumerate(of)] for of in ("ab", "aab", "abc")
    ]
    same, other = (over_spots(r).variance / over_spots(rooms[0]).variance for r in rooms[1:])
    assert (same, other < 0.9) == (pytest.approx(1.0, rel=1e-4), True)
    assert _width_cents(_history(a, b, again).stages[0].modes[0]) > 0.8 * _width_cents(
        _history(a, b).stages[0].modes[0]
    )


def test_where_every_spot_is_clean_or_nothing_is_known_nothing_changes() -> None:
    items = [[_item(f"c_01-a_spot-{s}.wav", [0.0, 0.3, 0.1 * n], s, db) for n, s in enumerate("abc")]
             for db in (None, CLEAN_DB + 1.0)]  # fmt: skip
    known, clean = (_history(*each).stages[0].modes for each in items)
    assert known == clean
    assert not spots_matter([Sample(0.0, 0.1, spot=s) for s in "ab"])


def test_at_a_single_spot_a_pitch_is_known_no_better_than_the_room_allows() -> None:
    """1.96 standard deviations of the rule bound the half-width from below; decay times are left as they are."""
    (clean,), (heard,) = (
        _history(_item("c_01-a.wav", [0.0, 0.3, 0.1], "", db)).stages[0].modes for db in (CLEAN_DB + 1.0, ROOM_DB)
    )
    assert heard.t60_s is not None
    least_cents = 1.96 * CENTS * room_of_freq(heard.freq_hz, heard.t60_s, ROOM_DB)
    assert _width_cents(clean) < least_cents <= _width_cents(heard) < 1.1 * least_cents
    assert (heard.freq_hz, heard.t60_low_s, heard.t60_high_s) == (clean.freq_hz, clean.t60_low_s, clean.t60_high_s)


def _voted(shown: list[list[bool]]) -> int:
    """Return how many modes are left of one at 200 Hz in every tap and one at 320 Hz in the taps that are marked."""
    items = []
    for n, of_spot in enumerate(shown):
        taps = [[mode(200.0), *([mode(320.0)] if there else [])] for there in of_spot]
        items.append(item(f"c_01-a_spot-{n}.wav", replace(reading(taps), direct_db=ROOM_DB), spot=str(n)))
    return len(_history(*items).stages[0].modes)


def test_spots_vote_two_of_three_and_three_of_five() -> None:
    most, none, every = [True, True, False], [False] * 3, [True] * 3
    assert _voted([most, most, none]) == 2
    assert _voted([every, none, none]) == 1
    assert _voted([[True, False], [True, False], [False, True], [False] * 2, [False] * 2]) == 2
    assert _voted([[True, True], [True, True], [False] * 2, [False] * 2, [False] * 2]) == 1
    # Two spots are too few to vote: half of the taps decide, as at one spot.
    assert _voted([every, none]) == 2


def _at_spot(path: str, spot: str, off: float, moved: float = 0.0) -> Item:
    """Return five modes at a spot whose room moves each by ``off`` cents, up and down in turn; the third moved."""
    rows = [150.0 * 1.35**n * 2.0 ** (((-1) ** n * off + moved * (n == 2)) / 1200.0) for n in range(5)]
    made = reading([[mode(f * 2.0 ** (c / 1200.0)) for f in rows] for c in (0.0, 0.1, -0.1)])
    return item(path, replace(made, direct_db=ROOM_DB), spot=spot)


def test_stages_are_compared_at_the_spots_that_they_share() -> None:
    first = [_at_spot(f"c_01-a_spot-{s}.wav", s, off) for s, off in (("a", 9.0), ("b", -9.0), ("c", 0.0))]
    still = _at_spot("c_02-b_spot-a.wav", "a", 9.0, 6.0)
    carried = _at_spot("c_02-b_spot-d.wav", "d", 4.0, 6.0)
    same, other = ({d.mode: d for d in _history(*first, later).drifts} for later in (still, carried))
    assert same["r3"].freq_change_cents == pytest.approx(6.0, abs=0.1)
    assert same["r3"].verdict == "up"
    # Of the others, the room alone speaks, and it is the same at the spot that both stages have.
    assert all(d.freq_change_cents == pytest.approx(0.0, abs=0.1) for n, d in same.items() if n != "r3")
    # Carried to another spot, the room's error counts in full on both sides, and more taps would not help.
    for name, d in other.items():
        # At the same spot a fiftieth of its variance is left, so the widths do not differ by more than this.
        assert _own_width(d) > 2.0 * _own_width(same[name])
        assert d.verdict in (("unclear", "up?") if name == "r3" else ("unclear",))
        assert d.more_taps is None


def _own_width(drift: Drift) -> float:
    assert drift.own_low_cents is not None
    assert drift.own_high_cents is not None
    return drift.own_high_cents - drift.own_low_cents
