"""Readings on disk: what is written comes back equal, whatever numbers and names it holds."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.notice import KINDS, Notice
from tapbatch.model.reading import (
    Background,
    BandSettings,
    Decay,
    DecayTrace,
    Mode,
    Reading,
    Spectrum,
    Tap,
    TapReading,
)
from tapbatch.results.readings import check_types, reading_from_json, reading_key, reading_to_json, same

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
PERHAPS = st.none() | NUMBERS
# any text that a file name or a notice may hold, and names that look like something else
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8) | st.sampled_from(["NA", "null", "1", "ü"])
FLAGS = st.lists(WORDS, max_size=3).map(tuple)

TAPS = st.builds(
    Tap,
    number=st.integers(1, 99),
    onset_s=NUMBERS,
    peak_dbfs=NUMBERS,
    snr_db=NUMBERS,
    used=st.booleans(),
    reason=WORDS,
    free_from_s=NUMBERS,
    free_until_s=NUMBERS,
)
MODES = st.builds(Mode, **{f.name: NUMBERS for f in fields(Mode) if f.name != "flags"}, flags=FLAGS)
DECAYS = st.builds(Decay, **{f.name: PERHAPS for f in fields(Decay) if f.name != "flags"}, flags=FLAGS)
TAP_READINGS = st.builds(
    TapReading, tap=TAPS, modes=st.lists(MODES, max_size=3).map(tuple), decays=st.lists(DECAYS, max_size=2).map(tuple)
)
NOTICES = st.lists(
    st.builds(
        Notice, kind=st.sampled_from(KINDS), text=WORDS, path=WORDS, names=FLAGS, count=st.none() | st.integers(),
        there_s=PERHAPS,
    ),
    max_size=3,
).map(tuple)  # fmt: skip
ROWS = st.lists(NUMBERS, max_size=4).map(tuple)
# a fitted level is not a number before the free decay
WITH_GAPS = st.lists(NUMBERS | st.just(math.nan), max_size=4).map(tuple)
READINGS = st.builds(
    Reading,
    sha256=WORDS,
    method=WORDS,
    duration_s=NUMBERS,
    sample_rate_hz=st.integers(1, 400_000),
    recorded_at=WORDS,
    lossy=st.booleans(),
    notices=NOTICES,
    taps=st.lists(TAP_READINGS, max_size=3).map(tuple),
    background=st.none()
    | st.builds(
        Background,
        first_band=st.integers(0, 59),
        noise_db=st.lists(PERHAPS, max_size=3).map(tuple),
        left_db=st.lists(PERHAPS, max_size=3).map(tuple),
    ),
    spectrum=st.none() | st.builds(Spectrum, freq_hz=ROWS, level_db=ROWS, noise_db=ROWS),
    trace=st.none()
    | st.builds(DecayTrace, time_s=ROWS, level_db=ROWS, fit_db=WITH_GAPS, floor_db=NUMBERS, tap=st.integers(1, 99)),
    direct_db=PERHAPS,
)

EMPTY = Reading(
    sha256="", method="1", duration_s=1.0, sample_rate_hz=8000, recorded_at="", lossy=False, notices=(), taps=()
)  # fmt: skip


@given(READINGS)
def test_a_reading_comes_back_equal_and_as_the_same_types(reading: Reading) -> None:
    text = reading_to_json(reading)
    back = reading_from_json(text)
    assert same(back, reading)
    # hashable all the way down: no list came back where a tuple went in
    assert isinstance(hash(back), int)
    assert reading_to_json(back) == text
    check_types(back)


@given(READINGS, READINGS)
def test_same_is_equality_but_for_what_is_not_a_number(a: Reading, b: Reading) -> None:
    assert same(a, a)
    if a.trace is None and b.trace is None:
        assert same(a, b) == (a == b)


def test_one_digit_of_difference_is_a_difference() -> None:
    assert not same(EMPTY, replace(EMPTY, duration_s=math.nextafter(1.0, 2.0)))
    assert not same(EMPTY, replace(EMPTY, notices=(Notice("low sample rate"),)))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "3", "{}", "[" * 100_000, '{"taps": 3}', '{"taps": [{"tap": {}}]}']
)
def test_what_is_no_reading_is_said_to_be_none(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        reading_from_json(text)


def test_a_reading_depends_on_bytes_band_mains_and_kind_and_on_nothing_else() -> None:
    usual = BandSettings()
    others = [
        replace(usual, band_low_hz=60.0),
        replace(usual, band_high_hz=12000.0),
        replace(usual, mains_hz=60.0),
        replace(usual, kind="room"),
    ]
    keys = [reading_key("a" * 64, s) for s in (usual, *others)] + [reading_key("b" * 64, usual)]
    assert len(set(keys)) == len(keys)
    # what BandSettings holds is all that a reading depends on: a field added there must be tried above
    assert {f.name for f in fields(BandSettings)} == {"band_low_hz", "band_high_hz", "mains_hz", "kind"}


@pytest.mark.parametrize(
    "wrong", [{"duration_s": "1.0"}, {"sample_rate_hz": 8e3}, {"notices": (1,)}, {"taps": (None,)}, {"lossy": 0}]
)
def test_a_value_of_another_type_is_found(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=rf"\b{next(iter(wrong))}\b"):
        check_types(replace(EMPTY, **wrong))  # type: ignore[arg-type]


@given(READINGS)
def test_readings_from_before_the_room_was_told_are_accepted(read: Reading) -> None:
    plain = json.loads(reading_to_json(read))
    del plain["direct_db"], plain["background"]
    assert same(reading_from_json(json.dumps(plain)), replace(read, direct_db=None, background=None))
