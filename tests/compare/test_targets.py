"""Targets and landings: every way of naming one, how far, how sure, and which steps count as the same work."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.step_series import latest_work
from tapbatch.compare.targets import next_notes, note_name, resting_places
from tapbatch.model.notice import Notice
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading
from tests.compare.voicing import LABELS, landed, step, taps_at, target_of, up, worked

# --------------------------------------------------------------- landings


def test_without_a_target_the_lead_has_the_next_notes_either_side() -> None:
    history, _ = landed(item("c_01-a.wav", reading(taps_at(262.0, 176.0))))
    above, below = history.landings
    assert [(x.mode, x.landing, x.landing_note) for x in (above, below)] == [
        ("main", "above", "C#4"),
        ("main", "below", "C4"),
    ]
    # C4 = 261.626 Hz and C#4 = 277.183 Hz at A4 = 440 (ISO 16): 262 Hz lies 2.5 cents above the first.
    assert below.cents_to_go == pytest.approx(-2.48, abs=0.01)
    assert above.cents_to_go == pytest.approx(97.52, abs=0.01)
    assert (below.on_target, below.taps_within, below.taps) == ("sure", 5, 5)
    assert (above.on_target, above.taps_within, above.steps_seen, above.overshoot) == ("no", 0, 0, None)


@pytest.mark.parametrize(
    ("freq_hz", "above", "below"),
    [(442.0, "A#4", "A4"), (438.0, "A4", "G#4"), (440.0, "A#4", "G#4"), (261.6, "C4", "B3"), (452.9, "A#4", "A4")],
)
def test_the_next_notes_lie_either_side(freq_hz: float, above: str, below: str) -> None:
    found = next_notes(freq_hz, 440.0)
    assert [note for note, _ in found] == [above, below]
    assert found[0][1] > freq_hz > found[1][1]


def test_a_note_is_that_of_the_stages_concert_pitch_and_spelling() -> None:
    history, _ = landed(
        item("c_01-a.wav", reading(taps_at(230.0, 176.0))),
        target=[{"mode": "air", "note": "F3", "tolerance_cents": 5}], concert_pitch_hz=431.0, spelling="flat",
    )  # fmt: skip
    target, above, below = history.landings
    # F3 is 16 semitones below A4.
    assert target.landing_hz == pytest.approx(431.0 * 2.0 ** (-16.0 / 12.0))
    assert [x.landing_note for x in (target, above, below)] == ["F3", "Gb3", "F3"]
    assert {x.tolerance_cents for x in history.landings} == {5.0}


def test_hertz_between_notes_are_named_with_their_cents() -> None:
    landing = target_of(item("c_01-a.wav", reading(taps_at(176.0))), hz=180.0)
    assert landing.landing_hz == 180.0
    assert landing.landing_note == note_name(180.0, 440.0) == "F#3-47"
    assert landing.cents_to_go == pytest.approx(1200.0 * math.log2(180.0 / 176.0), abs=0.01)


def test_the_nearest_note_stays_though_the_mode_comes_nearer_to_another() -> None:
    # F3 = 174.61 Hz, F#3 = 185.00 Hz.
    first = item("c_01-a.wav", reading(taps_at(176.0, 262.0)))
    later = item("c_02-b.wav", reading(taps_at(up(176.0, 45.0), 262.0)))
    assert target_of(first, nearest=True).landing_note == "F3"
    assert note_name(up(176.0, 45.0), 440.0).startswith("F#3")
    assert target_of(first, later, nearest=True).landing_note == "F3"


def test_like_another_instrument_is_where_that_one_came_to_rest() -> None:
    here = item("c_01-a.wav", reading(taps_at(176.0)))
    theirs = [item("c_01-a.wav", reading(taps_at(170.0))), item("c_02-b.wav", reading(taps_at(174.0)))]
    other, _ = build_history("cittern-04", theirs, InstrumentSettings.model_validate({"mode": LABELS}), {})
    landing = target_of(here, like="cittern-04", rests=resting_places([other]))
    assert landing.landing_hz == pytest.approx(174.0, rel=1e-6)
    history, attention = landed(here, target=[{"mode": "air", "like": "cittern-04"}])
    assert [x.landing for x in history.landings] == ["above", "below"]
    assert [(a.where, "cittern-04" in a.what) for a in attention] == [("cittern-07", True)]


def test_an_interval_from_another_mode_moves_with_it_and_shares_its_doubt() -> None:
    landing = target_of(item("c_01-a.wav", reading(taps_at(176.0, 262.0))), cents_from="main", cents=-700)
    assert landing.landing_hz == pytest.approx(up(262.0, -700.0), rel=1e-6)
    # Air within the tolerance by itself, but not with what the other mode's interval adds.
    on = taps_at(up(262.0, -697.35), 262.0)
    assert target_of(item("c_01-a.wav", reading(on)), hz=up(262.0, -700.0)).on_target == "sure"
    assert target_of(item("c_01-a.wav", reading(on)), cents_from="main", cents=-700).on_target == "likely"


def test_a_target_whose_mode_is_not_heard_waits_and_says_so() -> None:
    items = [item("c_01-a.wav", reading(taps_at(176.0, 262.0))), item("c_02-b.wav", reading(taps_at(262.0)))]
    history, attention = landed(*items, target=[{"mode": "air", "note": "F3"}])
    assert (history.landings, attention) == ((), ())
    assert history.notices == (Notice("target waits", name="air", other_name="air", stage="02-b"),)


@pytest.mark.parametrize(
    ("off", "on_target", "within"),
    [(2.0, "sure", 5), (2.8, "likely", 4), (3.2, "no", 1), (-2.0, "sure", 5)],
)
def test_on_target_is_what_the_contract_says(off: float, on_target: str, within: int) -> None:
    # Five taps of standard deviation 0.224: a half-width of 0.28 cent (t of 4 degrees of freedom, 2.776).
    landing = target_of(item("c_01-a.wav", reading(taps_at(up(176.0, off)))), hz=176.0)
    assert (landing.on_target, landing.taps_within) == (on_target, within)


@pytest.mark.parametrize(
    ("again", "off", "tolerance", "anew"),
    [
        (0, 0.0, 3.0, "likely"),
        (0, 0.0, 10.0, "sure"),
        (6, 0.0, 3.0, "sure"),
        (6, 9.0, 3.0, "no"),
        (1, 0.0, 3.0, "likely"),
    ],
)
def test_on_target_anew_counts_the_set_up(again: int, off: float, tolerance: float, anew: str) -> None:
    # Without `again` a set-up may move a mode by six cents; after six that moved nothing, by less than two.
    freqs = (176.0, 262.0, 390.0, 580.0)
    items = [item("c_01-a.wav", reading(taps_at(*freqs)))]
    items += [
        item(f"c_01-a_again_{k}.wav", reading(taps_at(*freqs)), again=True, take=k) for k in range(1, again + 1)
    ]
    landing = target_of(*items, hz=up(176.0, off), tolerance_cents=tolerance)
    assert landing.on_target_anew == anew
    # As it lies it is never less on target than set up anew.
    order = ("no", "likely", "sure")
    assert order.index(landing.on_target) >= order.index(anew)


# ------------------------------------------------------------------ steps


def test_a_step_over_which_a_name_is_in_doubt_teaches_nothing() -> None:
    freqs = [up(176.0, 10.0 * n) for n in range(6)]
    items = [step(n, f, 600.0) for n, f in enumerate(freqs, start=1)]
    stages = build_history("cittern-07", items, InstrumentSettings(), {})[0].stages
    name = stages[0].modes[0].mode
    assert len(latest_work(stages, name).steps) == 5
    doubted = replace(stages[2], modes=tuple(replace(m, flags=("identity?",)) for m in stages[2].modes))
    work = latest_work([*stages[:2], doubted, *stages[3:]], name)
    kept = [(work.stages[a].stage, work.stages[b].stage) for a, b in work.steps]
    assert (stages[1].stage, stages[2].stage) not in kept
    assert len(kept) == 4


def test_a_step_series_teaches_what_one_more_step_does() -> None:
    steps = [0.0, 10.0, 19.0, 30.0, 40.0]
    history, _ = landed(
        *(step(n, up(176.0, c), 262.0) for n, c in enumerate(steps, 1)), target=[{"mode": "air", "note": "F#3"}]
    )
    target, above, below = history.landings
    assert target.step_cents == pytest.approx(10.0, abs=0.5)
    assert target.basis == "4 steps of step series 05-voicing"
    assert target.steps_to_go == pytest.approx(target.cents_to_go / 10.0, rel=0.01)
    assert below.steps_to_go is None
    assert target.landing_hz == pytest.approx(above.landing_hz)
    assert target.overshoot is not None
    assert target.overshoot < 0.05


def test_the_sign_of_a_step_is_that_of_the_steps() -> None:
    # Thinning the wood beside the hole lowers a coupled air mode, while opening the hole raises it.
    history, _ = landed(
        *(step(n, up(176.0, -9.0 * n - 0.2 * (n % 2)), 262.0) for n in range(1, 6)),
        target=[{"mode": "air", "note": "E3"}],
    )
    target, above, _below = history.landings
    assert target.step_cents == pytest.approx(-9.0, abs=0.1)
    assert target.steps_to_go is not None
    assert above.steps_to_go is None


def test_stages_of_equal_work_in_the_notes_count_and_no_others() -> None:
    works = ["close", "scrape", "Scrape ", "glue", "scrape", "scrape"]
    cents = [0.0, 10.0, 19.0, -60.0, -51.0, -40.0]
    items = [worked(n, c) for n, c in enumerate(cents)]
    notes = {f"{n:02d}-s": {"work": w} for n, w in enumerate(works)}
    history, _ = landed(*items, notes=notes, target=[{"mode": "air", "note": "F3"}])
    landing = history.landings[0]
    assert (landing.steps_seen, landing.basis) == (4, "4 steps of work 'scrape' in the notes")
    # The last two grow, and so may the next.
    assert 9.75 < landing.step_cents < 11.5


def test_fewer_than_three_steps_teach_nothing_and_say_so() -> None:
    history, _ = landed(
        *(step(n, up(176.0, 10.0 * n), 262.0) for n in (1, 2, 3)), target=[{"mode": "air", "note": "F3"}]
    )
    landing = history.landings[0]
    assert (landing.steps_seen, landing.step_cents, landing.overshoot, landing.steps_to_go) == (2, None, None, None)
    assert landing.basis == "2 steps of step series 05-voicing: 3 are needed"


def test_across_states_nothing_is_learned() -> None:
    states = ["closed", "strung", "closed", "strung", "strung"]
    items = [
        item(f"c_{n:02d}-s.wav", reading(taps_at(up(176.0, 10.0 * n), 262.0)), state=s) for n, s in enumerate(states)
    ]
    history, _ = landed(*items, notes={f"{n:02d}-s": {"work": "scrape"} for n in range(5)})
    assert {landing.steps_seen for landing in history.landings} == {1}


@pytest.mark.parametrize("moved", [True, False])
def test_the_change_from_the_box_counts_where_the_notes_name_the_same_work(moved: bool) -> None:
    # If the mode did not move, the first step may have been recorded before the first cut.
    first = 0.0 if moved else 10.0
    items = [worked(1, first), *(step(n, up(176.0, 10.0 * n), 262.0) for n in range(1, 5))]
    one_row = {"05-voicing": {"work": "scrape"}}
    each = {f"05-voicing-step-{n}": {"work": "scrape"} for n in range(1, 5)}
    for notes, seen in ((one_row, 4 if moved else 3), (each, 4), (None, 3)):
        history, _ = landed(*items, notes=notes)
        assert {landing.steps_seen for landing in history.landings} == {seen}, notes


def test_a_box_of_unknown_opening_does_not_keep_the_steps_from_their_areas() -> None:
    areas = [490.0, 540.0, 590.0, 640.0]
    at = [150.0 * math.log2(a / 490.0) for a in areas]
    items = [worked(1, -20.0), *(step(n, up(176.0, c), 262.0) for n, c in enumerate(at, 1))]
    notes = {f"05-voicing-step-{n}": {"work": "open", "opening_mm2": a} for n, a in enumerate(areas, 1)}
    history, _ = landed(*items, notes=notes, target=[{"mode": "air", "note": "F#3"}])
    landing = history.landings[0]
    assert (landing.steps_seen, landing.basis.split(" of ")[0]) == (4, "3 steps")
    assert landing.step_cents == pytest.approx(150.0 * math.log2(690.0 / 640.0), abs=0.2)
    # With the opening of the box, its step counts by area too.
    with_box = notes | {"01-s": {"work": "close", "opening_mm2": 490.0 * 2.0 ** (-20.0 / 150.0)}}
    history, _ = landed(*items, notes=with_box, target=[{"mode": "air", "note": "F#3"}])
    assert history.landings[0].basis.split(" of ")[0] == "4 steps"
    assert "by opening area" in history.landings[0].basis


def test_works_are_not_mixed_within_a_series() -> None:
    works = ["scrape", "scrape", "sand", "scrape", "scrape", "scrape"]
    notes = {f"05-voicing-step-{n}": {"work": w} for n, w in enumerate(works, 1)}
    history, _ = landed(*(step(n, up(176.0, 10.0 * n), 262.0) for n in range(1, 7)), notes=notes)
    assert {landing.steps_seen for landing in history.landings} == {4}


def test_opening_areas_make_the_model_a_power_law() -> None:
    areas = [490.0, 540.0, 590.0, 640.0, 690.0]
    items = [step(n, up(176.0, 150.0 * math.log2(a / 490.0)), 262.0) for n, a in enumerate(areas, 1)]
    notes = {f"05-voicing-step-{n}": {"work": "open", "opening_mm2": a} for n, a in enumerate(areas, 1)}
    history, _ = landed(*items, notes=notes, target=[{"mode": "air", "note": "F#3"}])
    landing = history.landings[0]
    assert landing.basis == "4 steps of step series 05-voicing, by opening area"
    assert landing.step_cents == pytest.approx(150.0 * math.log2(740.0 / 690.0), abs=0.2)


def test_the_steps_of_an_interval_are_those_of_the_distance() -> None:
    # Both modes rise by 10 cents a step: the interval between them stays, so no number of steps leads anywhere.
    rng = np.random.default_rng(1)
    moves = [10.0 * n + rng.normal(0.0, 0.2) for n in range(6)]
    items = [step(n, up(176.0, c), up(262.0, c)) for n, c in enumerate(moves, 1)]
    history, _ = landed(*items, target=[{"mode": "air", "cents_from": "main", "cents": -640}])
    target = next(x for x in history.landings if x.landing == "target")
    assert target.step_cents == pytest.approx(10.0, abs=0.3)
    assert target.steps_to_go is None
    assert target.overshoot is not None
    assert target.overshoot < 0.05
    assert target.moves_with == "main"
    assert {x.moves_with for x in history.landings if x.landing != "target"} == {""}


def test_parts_have_landings_of_their_own() -> None:
    items = [
        item("c_01-a_top.wav", reading(taps_at(300.0)), part="top"),
        item("c_02-b.wav", reading(taps_at(176.0))),
    ]
    history, _ = landed(*items, target=[{"mode": "air", "note": "F3"}])
    assert [(x.part, x.stage, x.landing) for x in history.landings] == [
        ("top", "01-a", "above"), ("top", "01-a", "below"),
        ("body", "02-b", "target"), ("body", "02-b", "above"), ("body", "02-b", "below"),
    ]  # fmt: skip
