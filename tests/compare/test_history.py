"""Histories from readings to rows: one simulated build through all of the room, and what each stage says."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.model.caution import Caution
from tapbatch.model.history import History
from tapbatch.model.pitch import hz_to_note
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading, spread_modes, taps


def _history(*items: Item, **settings: object) -> History:
    return build_history("cittern-07", items, InstrumentSettings.model_validate(settings), {})[0]


def _build(rng: np.random.Generator) -> tuple[list[Item], list[list[tuple[float, float, float]]]]:
    rows = spread_modes(rng, 8, 120.0)
    items, truth = [], []
    for stage in range(5):
        moves = rng.normal(0.0, 6.0, len(rows)) if stage else np.zeros(len(rows))
        rows = [(f * 2.0 ** (m / 1200.0), t, level) for (f, t, level), m in zip(rows, moves, strict=True)]
        truth.append(rows)
        for take in (1, 2):
            path = f"c_{stage:02d}-s_{take}.wav"
            items.append(item(path, reading(taps(rng, rows, 5)), take=take))
    return items, truth


def test_a_build_is_followed_from_end_to_end() -> None:
    items, truth = _build(np.random.default_rng(21))
    history = _history(*items)
    assert [s.stage for s in history.stages] == [f"{n:02d}-s" for n in range(5)]
    inside = 0
    for stage, rows in zip(history.stages, truth, strict=True):
        assert [m.mode for m in stage.modes] == [f"r{n}" for n in range(1, 9)]
        assert stage.lead is not None
        inside += sum(m.freq_low_hz <= f <= m.freq_high_hz for m, (f, _, _) in zip(stage.modes, rows, strict=True))
    # 40 intervals of 95 %: fewer than 33 inside has a chance of one in ten thousand.
    assert inside >= 33
    assert len(history.drifts) == 4 * 8
    for drift in history.drifts:
        index = int(drift.from_stage[:2])
        n = int(drift.mode[1:]) - 1
        true = 1200.0 * math.log2(truth[index + 1][n][0] / truth[index][n][0])
        assert drift.freq_change_cents == pytest.approx(true, abs=2.0)


def test_order_of_arrival_changes_nothing() -> None:
    items, _ = _build(np.random.default_rng(22))
    shuffled = list(items)
    random.Random(1).shuffle(shuffled)
    assert _history(*shuffled) == _history(*items)


def test_mode_names_say_which_mode_of_each_tap_is_which() -> None:
    of_taps = [[mode(200.0), mode(310.0)], [mode(310.1)], [mode(200.1), mode(250.0), mode(310.0)]]
    history = _history(item("c_01-a.wav", reading(of_taps)))
    assert history.stages[0].heard[0].mode_names == (("r1", "r2"), ("r2",), ("r1", "", "r2"))


def test_labels_reach_modes_and_taps_of_their_part_only() -> None:
    label = {"label": "air", "near_hz": 198.0, "part": "top"}
    items = [
        item("c_01-a_top.wav", reading([[mode(200.0)]] * 3), part="top"),
        item("c_01-a.wav", reading([[mode(200.0)]] * 3)),
    ]
    history = _history(*items, mode=[label])
    assert [(s.part, s.modes[0].mode, s.heard[0].mode_names[0]) for s in history.stages] == [
        ("top", "air", ("air",)),
        ("body", "r1", ("r1",)),
    ]


def test_plucks_and_the_room_make_no_modes() -> None:
    items = [
        item("c_01-a.wav", reading([[mode(200.0)]] * 3)),
        item("c_01-a_pluck.wav", reading([[mode(310.0)]] * 3), kind="pluck"),
        item("c_01-a_room.wav", reading([[mode(50.0)]] * 3), kind="room"),
    ]
    stage = _history(*items).stages[0]
    assert [round(m.freq_hz) for m in stage.modes] == [200]
    assert len(stage.heard) == 3
    assert [h.mode_names for h in stage.heard][1] == (("",), ("",), ("",))


# -------------------------------------------------------- lead and level


def _levels(*modes: Mode) -> list[tuple[bool, float]]:
    stage = _history(item("c_01-a.wav", reading([list(modes)] * 3))).stages[0]
    return [(m.lead, round(m.level_db, 1)) for m in stage.modes]


def test_the_loudest_of_the_body_leads() -> None:
    assert _levels(mode(100.0, 0.4, -30.0), mode(200.0, 0.4, -12.0)) == [(False, -18.0), (True, 0.0)]


@pytest.mark.parametrize("flag", ["hum", "string"])
def test_hum_and_strings_never_lead(flag: str) -> None:
    assert _levels(mode(100.0, 0.4, -6.0, flags=(flag,)), mode(200.0, 0.4, -12.0)) == [(False, 6.0), (True, 0.0)]
    assert _levels(mode(100.0, 0.4, -6.0, flags=(flag,))) == [(False, 0.0)]


@pytest.mark.parametrize("flag", ["pair?", "not-exponential"])
def test_a_doubt_about_quality_does_not_depose_the_lead(flag: str) -> None:
    assert _levels(mode(100.0, 0.4, -6.0, flags=(flag,)), mode(200.0, 0.4, -12.0))[0] == (True, 0.0)


def test_energy_is_meant_over_all_taps() -> None:
    # Heard in two taps of four at -10 dB: half the energy, -13 dB, beside -12 dB in all.
    loud, steady = mode(100.0, 0.4, -10.0), mode(200.0, 0.4, -12.0)
    history = _history(item("c_01-a.wav", reading([[loud, steady], [loud, steady], [steady], [steady]])))
    assert [m.lead for m in history.stages[0].modes] == [False, True]
    assert history.stages[0].modes[0].level_db == pytest.approx(-10.0 - 10.0 * math.log10(2.0) + 12.0, abs=1e-6)


# --------------------------------------------------------------- numbers


def test_note_is_told_at_the_concert_pitch_of_the_stage() -> None:
    # Common practice: at 431 the same sound reads 35.8 cents higher on the scale than at 440.
    stages = [{"name": "01-a"}, {"name": "02-b", "concert_pitch_hz": 431.0}]
    items = [item(f"c_{s}.wav", reading([[mode(194.0)]] * 3)) for s in ("01-a", "02-b")]
    history = _history(*items, stage=stages, spelling="flat")
    first, second = (s.modes[0] for s in history.stages)
    assert (first.note, first.cents) == hz_to_note(194.0, 440.0, "flat")
    assert second.cents - first.cents == pytest.approx(35.8, abs=0.05)
    (drift,) = history.drifts
    assert drift.freq_change_cents == pytest.approx(0.0, abs=1e-9)
    assert drift.cautions == (Caution("concert pitch", before_hz=440.0, after_hz=431.0),)


def test_noise_and_hand_are_told_apart() -> None:
    rng = np.random.default_rng(23)
    made = taps(rng, [(200.0, 0.3, -20.0)], 40, scatter_cents=2.0, noise_cents=0.2, level_scatter_db=0.0)
    found = _history(item("c_01-a.wav", reading(made))).stages[0].modes[0]
    assert found.within_cents == pytest.approx(0.2, rel=0.01)
    # A standard deviation from 40 values is known to 11 %; three of those.
    assert found.between_cents == pytest.approx(2.0, rel=0.33)


# ----------------------------------------------------------------- flags


def _flags(*items: Item) -> tuple[str, ...]:
    return _history(*items).stages[0].modes[0].flags


def test_few_taps() -> None:
    assert _flags(item("c_01-a.wav", reading([[mode(200.0)]]))) == ("few-taps",)
    assert _flags(item("c_01-a.wav", reading([[mode(200.0)]] * 3))) == ()


def test_one_set_up_matters_where_stages_are_compared() -> None:
    first, second = (item(f"c_{s}.wav", reading([[mode(200.0)]] * 3)) for s in ("01-a", "02-b"))
    again = item("c_01-a_again.wav", reading([[mode(200.0)]] * 3), again=True)
    assert _flags(first) == ()
    assert _flags(first, second) == ("one-setup",)
    assert _flags(first, again, second) == ()


def test_wide_where_the_interval_passes_10_cents() -> None:
    spread = [[mode(200.0)], [mode(201.0)], [mode(202.0)], [mode(199.0)]]
    assert _flags(item("c_01-a.wav", reading(spread))) == ("wide",)


def test_recordings_of_a_stage_that_disagree() -> None:
    cents = 2.0 ** (1 / 1200)
    low = [[mode(200.0 * cents**c)] for c in (-0.5, 0.0, 0.5)]
    high = [[mode(200.0 * cents**c)] for c in (7.5, 8.0, 8.5)]
    one, other = item("c_01-a_1.wav", reading(low)), item("c_01-a_2.wav", reading(high))
    assert "recordings-differ" in _flags(one, other)
    assert _history(one, other).stages[0].flags == ("recordings-differ",)
    elsewhere = item("c_01-a_at-edge.wav", reading(high), point="edge")
    anew = item("c_01-a_again.wav", reading(high), again=True)
    for explained in (elsewhere, anew):
        assert "recordings-differ" not in _flags(one, explained)


def test_flags_of_most_taps_are_those_of_the_mode() -> None:
    pair, plain = mode(200.0, flags=("pair?",)), mode(200.0)
    assert _flags(item("c_01-a.wav", reading([[pair], [pair], [plain]]))) == ("pair?",)
    assert _flags(item("c_01-a.wav", reading([[pair], [plain], [plain]]))) == ()


def test_a_doubtful_identity_says_so() -> None:
    split = [[mode(198.0), mode(202.0)]] * 3
    history = _history(item("c_01-a.wav", reading([[mode(200.0)]] * 3)), item("c_02-b.wav", reading(split)))
    assert all("identity?" in m.flags for m in history.stages[1].modes)


def test_an_instrument_without_recordings_has_an_empty_history() -> None:
    history = _history()
    assert (history.stages, history.drifts, history.instrument_shown) == ((), (), "cittern-07")


def test_two_concert_pitches_are_two_names_for_one_sound() -> None:
    # Common practice: from 431 to 440 Hz are 35.8 cents (1200 log2(440/431) = 35.78).
    items = [
        item(f"c_{s}.wav", reading([[mode(f) for f in (194.0, 262.0, 354.0, 478.0)]] * 3)) for s in ("01-a", "02-b")
    ]
    stages = [{"name": "01-a", "concert_pitch_hz": 431.0}, {"name": "02-b", "concert_pitch_hz": 440.0}]
    history = _history(*items, stage=stages, playing_pitch_hz=440.0)
    voiced, played = (s.modes[0] for s in history.stages)
    assert (voiced.playing_note, voiced.playing_cents) == hz_to_note(194.0, 440.0)
    assert voiced.playing_cents is not None
    assert voiced.cents - voiced.playing_cents == pytest.approx(35.78, abs=0.01)
    assert [s.playing_pitch_hz for s in history.stages] == [440.0, None]
    assert (played.playing_note, played.playing_cents) == ("", None)
    assert [d.freq_change_cents for d in history.drifts] == pytest.approx([0.0] * 4, abs=1e-9)
    assert [d.verdict for d in history.drifts] == ["steady"] * 4
