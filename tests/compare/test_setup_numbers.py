"""Which set-up each tap belongs to; the expectations are the rules of naming as a builder reads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import chain, pairwise

from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.history import gather_history
from tapbatch.compare.order import Item
from tapbatch.compare.setup_numbers import PAUSE_S, setup_numbers, taps_of_setups
from tapbatch.compare.setups import learn_setups
from tapbatch.model.history import Heard
from tapbatch.model.reading import Reading
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading

SETTINGS = InstrumentSettings()


def _tapped(onsets_s: Sequence[float], cents: Sequence[float] = ()) -> Reading:
    """Return a reading with a used tap at each of the times, its mode shifted by so many cents."""
    shifts = list(cents) or [0.0] * len(onsets_s)
    made = reading([[mode(200.0 * 2.0 ** (c / 1200.0))] for c in shifts])
    timed = [replace(t, tap=replace(t.tap, onset_s=s)) for t, s in zip(made.taps, onsets_s, strict=True)]
    return replace(made, taps=tuple(timed))


def _numbers(*items: Item) -> dict[str, tuple[int, ...]]:
    heard = gather_history("cittern-07", items, SETTINGS, {})[0].stages[0].heard
    return dict(zip([h.recording.path for h in heard], setup_numbers(heard), strict=True))


def _heard(one: Item) -> Heard:
    return Heard(recording=one[0], reading=one[1], part="body", state="")


def test_again_is_counted_at_each_point() -> None:
    one = _tapped([1.0])
    numbers = _numbers(
        item("c_05-v_at-bridge_1.wav", one, point="bridge", take=1),
        item("c_05-v_at-top_1.wav", one, point="top", take=1),
        item("c_05-v_again_at-bridge_2.wav", one, point="bridge", take=2, again=True),
        item("c_05-v_again_at-bridge_3.wav", one, point="bridge", take=3, again=True),
        item("c_05-v_again_at-top_2.wav", one, point="top", take=2, again=True),
    )
    assert [n for (n,) in numbers.values()] == [1, 2, 1, 0, 0]
    assert numbers["c_05-v_again_at-bridge_3.wav"] == (2,)


def test_resets_parts_a_recording_at_its_pauses() -> None:
    onsets_s = [1.0, 3.0, 5.0, 10.0, 12.0, 14.0, 30.0]
    assert _numbers(item("c_05-v_resets.wav", _tapped(onsets_s), resets=True)) == {
        "c_05-v_resets.wav": (0, 0, 0, 1, 1, 1, 2)
    }
    assert _numbers(item("c_05-v.wav", _tapped(onsets_s))) == {"c_05-v.wav": (0,) * 7}


def test_a_pause_runs_from_one_used_tap_to_the_next() -> None:
    read = _tapped([1.0, 3.5, 6.0])
    knock = replace(read.taps[1], tap=replace(read.taps[1].tap, used=False, reason="bounce"))
    one = item("c_05-v_resets.wav", replace(read, taps=(read.taps[0], knock, read.taps[2])), resets=True)
    assert taps_of_setups(_heard(one)) == (1, 1)


def test_recordings_of_resets_follow_one_another_and_again() -> None:
    two = _tapped([1.0, 9.0])
    assert _numbers(
        item("c_05-v_1.wav", _tapped([1.0]), take=1),
        item("c_05-v_resets_2.wav", two, take=2, resets=True),
        item("c_05-v_again_3.wav", _tapped([1.0]), take=3, again=True),
        item("c_05-v_resets_4.wav", two, take=4, resets=True),
    ) == {
        "c_05-v_1.wav": (0,),
        "c_05-v_resets_2.wav": (0, 1),
        "c_05-v_again_3.wav": (2,),
        "c_05-v_resets_4.wav": (3, 4),
    }


def test_another_spot_is_another_set_up() -> None:
    one = _tapped([1.0])
    assert _numbers(
        item("c_05-v_1.wav", one, take=1),
        item("c_05-v_again_2.wav", one, take=2, again=True),
        item("c_05-v_spot-door.wav", one, spot="door"),
        item("c_05-v_spot-door_again.wav", one, spot="door", again=True),
        item("c_05-v_spot-window_at-top.wav", one, spot="window", point="top"),
    ) == {
        "c_05-v_1.wav": (0,),
        "c_05-v_again_2.wav": (1,),
        "c_05-v_spot-door.wav": (2,),
        "c_05-v_spot-door_again.wav": (3,),
        "c_05-v_spot-window_at-top.wav": (4,),
    }


def test_resets_teaches_what_as_many_again_teach() -> None:
    shifts = [[0.0, 0.1, -0.1], [2.0, 2.1, 1.9], [-1.0, -1.1, -0.9]]
    onsets_s = [[t + k for k in (0.0, 2.0, 4.0)] for t in (1.0, 15.0, 30.0)]
    apart = [
        item(f"c_05-v_{k}.wav", _tapped(times, cents), take=k, again=k > 0)
        for k, (times, cents) in enumerate(zip(onsets_s, shifts, strict=True))
    ]
    together = [item("c_05-v_resets.wav", _tapped([*chain(*onsets_s)], [*chain(*shifts)]), resets=True)]
    learned = [learn_setups(gather_history("cittern-07", each, SETTINGS, {})[0].stages) for each in (apart, together)]
    assert learned[0] is not None
    assert learned[0].again == 2
    assert learned[0] == learned[1]


def test_the_room_between_spots_is_not_taken_for_a_set_up() -> None:
    spots = [
        item(f"c_05-v_spot-{k}.wav", _tapped([1.0, 2.0, 3.0], [9.0 * k] * 3), spot=str(k), take=k) for k in range(3)
    ]
    assert learn_setups(gather_history("cittern-07", spots, SETTINGS, {})[0].stages) is None
    again = item("c_05-v_spot-1_again.wav", _tapped([1.0, 2.0, 3.0], [9.5] * 3), spot="1", again=True)
    scatter = learn_setups(gather_history("cittern-07", [*spots, again], SETTINGS, {})[0].stages)
    assert scatter is not None
    assert (scatter.again, scatter.cents < 2.0) == (1, True)


@given(st.lists(st.floats(0.1, 20.0), max_size=20))
def test_the_set_ups_hold_every_tap_once_and_are_as_many_as_the_pauses(gaps_s: list[float]) -> None:
    onsets_s = [1.0]
    for gap in gaps_s:
        onsets_s.append(onsets_s[-1] + gap)
    counts = taps_of_setups(_heard(item("c_05-v_resets.wav", _tapped(onsets_s), resets=True)))
    pauses = sum(b - a >= PAUSE_S for a, b in pairwise(onsets_s))
    assert (sum(counts), len(counts), min(counts) >= 1) == (len(onsets_s), pauses + 1, True)
