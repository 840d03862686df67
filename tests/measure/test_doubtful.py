"""What passes for a tap and is none: voices and claps among taps, judged by modes whose truth was chosen here."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.measure.doubtful import NEAR_CENTS, SURE_LOG_SE, doubtful
from tapbatch.model.reading import TapReading
from tests.compare.builds import mode, tap_reading

SURE, UNSURE = SURE_LOG_SE / 10, SURE_LOG_SE * 1.5


def heard(*modes: tuple[float, float], t60_log_se: float, used: bool = True) -> TapReading:
    """Return a tap with modes of these frequencies in hertz and energies in dB."""
    made = [mode(freq_hz, energy_db=energy_db, t60_log_se=t60_log_se) for freq_hz, energy_db in modes]
    return tap_reading(1, made, used=used)


WOOD = heard((187.0, 0.0), (262.0, -4.0), (410.0, -12.0), t60_log_se=SURE)
SOFT = heard((187.5, 0.0), t60_log_se=UNSURE)
VOICE = heard((143.0, 0.0), (286.0, -5.0), t60_log_se=UNSURE)


def test_a_voice_among_taps_is_none_and_a_soft_tap_is_one() -> None:
    assert doubtful([WOOD, VOICE, WOOD, SOFT, WOOD]) == [1]


def test_a_sound_that_rings_surely_is_outvoted_where_no_other_has_its_tone() -> None:
    stranger = heard((700.0, 0.0), t60_log_se=SURE)
    assert doubtful([WOOD, WOOD, WOOD, stranger]) == [3]
    # Of two taps at two places, neither outvotes the other.
    assert doubtful([WOOD, stranger]) == []


def test_syllables_alone_are_none_and_one_sound_alone_is_kept() -> None:
    syllables = [heard((f, 0.0), t60_log_se=UNSURE) for f in (120.0, 150.0, 190.0, 240.0)]
    assert doubtful(syllables) == [0, 1, 2, 3]
    assert doubtful(syllables[:1]) == []


def test_taps_that_a_room_disturbs_vouch_for_one_another_by_two_leading_modes() -> None:
    """A room raises a line of its own in one tap; two modes of the wood within 3 dB of it are in the others."""
    wood = heard((328.0, 0.0), (441.0, -1.0), t60_log_se=UNSURE)
    raised = heard((408.0, 0.0), (441.9, -2.0), (327.8, -2.0), t60_log_se=UNSURE)
    assert doubtful([wood, wood, raised, wood, wood]) == []
    # One of them is enough if three in five of the others have it.
    one = heard((408.0, 0.0), (441.9, -4.0), t60_log_se=UNSURE)
    other = heard((262.0, 0.0), t60_log_se=UNSURE)
    assert doubtful([wood, wood, one, wood, wood]) == []
    assert 2 in doubtful([wood, wood, one, other, other])


@pytest.mark.parametrize(
    "readings", [[], [heard(t60_log_se=SURE)], [heard((200.0, 0.0), t60_log_se=1.0, used=False)]]
)
def test_what_has_no_modes_or_is_not_used_is_not_asked(readings: list[TapReading]) -> None:
    assert doubtful(readings) == []


@given(
    st.lists(st.floats(60.0, 1500.0), min_size=1, max_size=6),
    st.integers(2, 9),
    st.floats(0.0, NEAR_CENTS / 2.1),
    st.booleans(),
)
def test_taps_with_the_same_modes_are_all_kept(freqs_hz: list[float], count: int, off: float, sure: bool) -> None:
    readings = [
        heard(
            *((f * 2 ** (off * math.cos(n) / 1200), -float(k)) for k, f in enumerate(freqs_hz)),
            t60_log_se=SURE if sure else UNSURE,
        )
        for n in range(count)
    ]
    assert doubtful(readings) == []
