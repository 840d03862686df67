"""A day of voicing with known truth, replayed: at each step the three lines and the one fault line are right."""

from __future__ import annotations

import math
import re

import pytest

from tests.run.voicing_day import CENTS_A_CUT, CUTS, SETTINGS, TARGET_HZ, air_hz, recording_of, sound_of
from tests.shops import make_shop, tapbatch, write_wav

pytestmark = pytest.mark.slow

WRONG = {2: "bounce", 3: "strings", 4: "talk", 5: "gain", 6: "loud"}
FAULTS = {
    "": "one set-up only: ",
    "bounce": "the mallet bounced, 1 of 5 taps cut short: ",
    "strings": "strings rang, ",
    "talk": "talk or noise, ",
    "gain": "automatic gain, no ringing time: ",
    "loud": "too loud for the recorder: ",
}
NUMBER = r"([-+]?[\d.]+)"


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[int, str]:
    """What a run prints after each step, on one line."""
    shop = make_shop(tmp_path_factory.mktemp("day") / "shop", {}, {"instruments/cittern-12.toml": SETTINGS})
    said = {}
    for step in range(1, CUTS + 2):
        write_wav(shop / "recordings" / recording_of(step), sound_of(step, WRONG.get(step, "")))
        result = tapbatch("run", shop, "--jobs", "1")
        assert result.status == 0
        assert max(map(len, result.out.splitlines())) <= 80
        said[step] = " ".join(result.out.split())
    return said


def cents(from_hz: float, to_hz: float) -> float:
    return 1200.0 * math.log2(to_hz / from_hz)


def found(pattern: str, text: str) -> list[float]:
    match = re.search(pattern, text)
    assert match, (pattern, text)
    return [float(number) for number in match.groups()]


@pytest.mark.parametrize("step", range(1, CUTS + 2))
def test_what_is_worked_on_comes_first_and_lies_where_it_truly_lies(printed: dict[int, str], step: int) -> None:
    name = f"cittern-12 body, 06-voicing step {step}: air "
    assert name in printed[step]
    # F#3 is 3 semitones below A3, G3 two; A3 = 220 Hz (ISO 16)
    note_hz = {note: 220.0 * 2.0 ** (n / 12) for note, n in (("F#3", -3), ("G3", -2))}
    note, off = printed[step].partition(name)[2].split()[:2]
    assert cents(note_hz[note], air_hz(step)) == pytest.approx(float(off), abs=2.5)
    assert "strongest: C4 " in printed[step]


@pytest.mark.parametrize("step", range(2, CUTS + 2))
def test_it_is_said_to_have_risen_by_what_a_cut_did(printed: dict[int, str], step: int) -> None:
    low, high = found(rf"since step {step - 1}: up [\d.]+ c \({NUMBER} to {NUMBER}\) by itself", printed[step])
    assert low <= CENTS_A_CUT <= high


@pytest.mark.parametrize("step", range(1, CUTS + 2))
def test_what_is_left_is_the_distance_to_the_target(printed: dict[int, str], step: int) -> None:
    (to_go,) = found(rf"to target A3: {NUMBER} c to rise", printed[step])
    assert to_go == pytest.approx(cents(air_hz(step), TARGET_HZ), abs=2.5)
    known = step - 1
    if known < 3:
        assert f"no forecast yet: 3 such cuts are needed, {known} so far" in printed[step]
        return
    low, high = found(rf"next such cut \+[\d.]+ c \({NUMBER} to {NUMBER}\)", printed[step])
    assert low <= CENTS_A_CUT <= high
    assert "under 1 % chance to overshoot by 3 c" in printed[step]


@pytest.mark.parametrize("step", range(2, CUTS + 2))
def test_the_one_fault_line_stands_on_top(printed: dict[int, str], step: int) -> None:
    assert printed[step].startswith(f"! {FAULTS[WRONG.get(step, '')]}")
    assert printed[step].count("! ") == 1
