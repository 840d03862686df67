"""Open strings of a stage: which one a pluck sounded, how far off it is, and the caution that a slack one gives."""

from __future__ import annotations

import dataclasses
import math

import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.tension import total_tension_n
from tapbatch.model.history import History
from tapbatch.model.reading import Reading, StringTone
from tapbatch.model.settings import InstrumentSettings, StringSetting
from tests.compare.builds import Item, item, mode, reading, tap_reading

CITTERN = InstrumentSettings(
    scale_mm=450.0,
    strings=(
        StringSetting(note="G3", unit_weight_g_m=3.0, double=True),
        StringSetting(note="D4", diameter_mm=0.3, material="steel"),
        StringSetting(note="A4"),
    ),
)


def tone(freq_hz: float, pair_cents: float | None = None, t60_s: float = 3.0) -> StringTone:
    return StringTone(
        freq_hz=freq_hz, freq_log_se=1e-5, inharmonicity=1e-4, t60_s=t60_s, t60_log_se=0.01, partials=8,
        middle_hz=freq_hz if pair_cents else None, middle_log_se=1e-5 if pair_cents else None,
        pair_cents=pair_cents, pair_se_cents=0.1 if pair_cents else None,
    )  # fmt: skip


def plucked(*tones: StringTone) -> Reading:
    empty = reading([])
    taps = tuple(dataclasses.replace(tap_reading(n, [mode(196.0)]), tone=t) for n, t in enumerate(tones, start=1))
    return dataclasses.replace(empty, taps=taps)


def cents_up(freq_hz: float, cents: float) -> float:
    return freq_hz * 2 ** (cents / 1200)


def history(*items: Item, settings: InstrumentSettings = CITTERN) -> History:
    return build_history("cittern-07", items, settings, {})[0]


G3, D4 = 440.0 * 2 ** (-14 / 12), 440.0 * 2 ** (-7 / 12)


def test_each_string_is_one_row_and_its_plucks_join() -> None:
    heard = plucked(tone(cents_up(G3, -14), 3.0), tone(D4, t60_s=2.0), tone(cents_up(G3, -13), 3.4))
    [stage] = history(item("c_01-strung_pluck.wav", heard, kind="pluck")).stages
    first, second = stage.strings
    assert (first.string, first.expected_note, first.plucks) == (1, "G3", 2)
    assert first.cents_off == pytest.approx(-13.5)
    assert first.pair_cents == pytest.approx(3.2)
    assert first.freq_low_hz < first.freq_hz < first.freq_high_hz
    assert (second.string, second.pair_cents, second.t60_s) == (2, None, pytest.approx(2.0))


def test_a_single_string_that_looks_like_two_has_no_distance() -> None:
    [stage] = history(item("c_01-strung_pluck.wav", plucked(tone(D4, 0.8)), kind="pluck")).stages
    assert stage.strings[0].pair_cents is None


def test_the_tension_is_that_of_the_pitch_heard() -> None:
    [stage] = history(item("c_01-strung_pluck.wav", plucked(tone(G3), tone(D4), tone(440.0)), kind="pluck")).stages
    low, middle, high = stage.strings
    assert low.tension_n == pytest.approx(0.003 * (2 * 0.45 * G3) ** 2)
    assert middle.tension_n == pytest.approx(7850 * math.pi * 0.0003**2 / 4 * (0.9 * D4) ** 2)
    assert high.tension_n is None


def test_strings_are_held_against_the_concert_pitch_of_the_stage() -> None:
    at_431 = CITTERN.model_copy(update={"concert_pitch_hz": 431.0})
    [stage] = history(item("c_01-strung_pluck.wav", plucked(tone(G3)), kind="pluck"), settings=at_431).stages
    assert stage.strings[0].cents_off == pytest.approx(35.78, abs=0.01)


def test_a_pluck_near_no_string_is_told_and_not_guessed() -> None:
    found = history(item("c_01-strung_pluck.wav", plucked(tone(246.0)), kind="pluck"))
    assert found.stages[0].strings == ()
    assert [(n.kind, n.path, n.freq_hz) for n in found.notices] == [
        ("no such string", "c_01-strung_pluck.wav", pytest.approx(246.0)),
    ]


def taps_and_strings(off: float) -> list[Item]:
    taps = reading([[mode(200.0)]] * 3)
    return [
        item("c_01-a_body_1.wav", taps),
        item("c_02-b_body_1.wav", taps),
        item("c_01-a_pluck.wav", plucked(tone(G3), tone(cents_up(D4, -1))), kind="pluck"),
        item("c_02-b_pluck.wav", plucked(tone(cents_up(G3, off)), tone(cents_up(D4, -1))), kind="pluck"),
    ]


def test_strings_that_slackened_are_a_caution_on_the_drift() -> None:
    [drift] = history(*taps_and_strings(-14.0)).drifts
    assert [c.kind for c in drift.cautions] == ["strings"]
    assert (drift.cautions[0].before_cents, drift.cautions[0].after_cents) == (None, pytest.approx(-14.0, abs=0.1))


def test_strings_in_tune_are_none_and_what_counts_can_be_set() -> None:
    assert history(*taps_and_strings(-4.0)).drifts[0].cautions == ()
    strict = CITTERN.model_copy(update={"strings_off_cents": 3.0})
    [caution] = history(*taps_and_strings(-4.0), settings=strict).drifts[0].cautions
    assert (caution.kind, caution.after_cents) == ("strings", pytest.approx(-4.0, abs=0.1))


def test_strings_bear_on_every_part_of_the_stage() -> None:
    items = [
        item("c_01-a_top_1.wav", reading([[mode(200.0)]] * 3), part="top"),
        item("c_02-b_top_1.wav", reading([[mode(200.0)]] * 3), part="top"),
        item("c_01-a_pluck.wav", plucked(tone(cents_up(G3, 8))), kind="pluck"),
    ]
    [drift] = history(*items).drifts
    assert [c.kind for c in drift.cautions] == ["strings"]
    assert (drift.cautions[0].before_cents, drift.cautions[0].after_cents) == (pytest.approx(8.0, abs=0.1), None)


def test_a_sum_of_some_strings_is_not_the_sum() -> None:
    assert total_tension_n(CITTERN, 440.0) is None
    two = CITTERN.model_copy(update={"strings": CITTERN.strings[:2]})
    both = total_tension_n(two, 440.0)
    assert both == pytest.approx(2 * 0.003 * (0.9 * G3) ** 2 + 7850 * math.pi * 0.0003**2 / 4 * (0.9 * D4) ** 2)
