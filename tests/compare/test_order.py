"""Placing: part, state, stage, step, set-up, order and copies, as the contract for names and settings has them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.order import Item, Place, Placed, place
from tapbatch.model.history import Note
from tapbatch.model.notice import Notice
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading


def _settings(*stages: dict[str, Any], **more: Any) -> InstrumentSettings:
    return InstrumentSettings.model_validate({"stage": stages} | more)


def _placed(
    items: list[Item], settings: InstrumentSettings | None = None, notes: dict[tuple[str, str], Note] | None = None
) -> Placed:
    return place(items, settings or InstrumentSettings(), notes or {})


def _stages(places: tuple[Place, ...]) -> list[str]:
    return [p.stage_shown for p in places]


def _files(stage: Place) -> list[str]:
    return [h.recording.path for h in stage.heard]


# ------------------------------------------------------- part and state


def test_part_comes_from_the_word_then_the_settings_then_is_body() -> None:
    settings = _settings({"name": "01 Plate", "part": "top", "state": "free"}, {"name": "03-x"})
    items = [item("c_01-plate.wav"), item("c_01-plate_back.wav", part="back"), item("c_03-x.wav")]
    placed = _placed([items[0], items[1], items[2]], settings)
    by_file = {_files(p)[0]: (p.part, p.state) for p in placed.places}
    assert by_file["c_01-plate_back.wav"] == ("back", "free")
    assert by_file["c_03-x.wav"] == ("body", "")
    named = _placed([item("c_01 Plate.wav")], settings).places[0]
    assert (named.part, named.state) == ("top", "free")


def test_part_never_comes_from_the_wording_of_the_stage() -> None:
    assert _placed([item("c_01-top-free.wav")]).places[0].part == "body"


def test_one_stage_set_once_for_each_part() -> None:
    settings = _settings(
        {"name": "01-plates", "part": "top", "state": "free"}, {"name": "01-plates", "part": "back", "state": "rim"}
    )
    placed = _placed([item("c_01-plates_top.wav", part="top"), item("c_01-plates_back.wav", part="back")], settings)
    assert [(p.part, p.state) for p in placed.places] == [("top", "free"), ("back", "rim")]


def test_parts_come_in_a_fixed_order_with_the_body_last() -> None:
    items = [item(f"c_01-x_{p}.wav", part=p) for p in ("body", "zither", "neck", "top", "back")]
    assert [p.part for p in _placed(items).places] == ["top", "back", "neck", "zither", "body"]


def test_a_recording_that_does_not_say_its_state_takes_that_of_its_stage() -> None:
    placed = _placed([item("c_05-v_strung.wav", state="strung"), item("c_05-v_pluck.wav", kind="pluck")])
    assert [(p.state, len(p.heard)) for p in placed.places] == [("strung", 2)]


def test_two_states_in_one_stage_are_kept_apart_and_said() -> None:
    placed = _placed([item("c_05-v_strung.wav", state="strung"), item("c_05-v_closed.wav", state="closed")])
    assert [p.state for p in placed.places] == ["closed", "strung"]
    assert [p.order for p in placed.places] == [1, 1]
    assert placed.notices == (Notice("several states", stage="05-v", part="body", names=("closed", "strung")),)


def test_a_room_recording_makes_no_body_of_its_own() -> None:
    placed = _placed([item("c_01-x_top_free.wav", part="top", state="free"), item("c_01-x_room.wav", kind="room")])
    assert [(p.part, p.state, len(p.heard)) for p in placed.places] == [("top", "free", 2)]


def test_concert_pitch_of_the_stage_wins_over_that_of_the_instrument() -> None:
    settings = _settings({"name": "02-b", "concert_pitch_hz": 431.0}, concert_pitch_hz=415.0)
    placed = _placed([item("c_01-a.wav"), item("c_02-b.wav")], settings)
    assert [p.concert_pitch_hz for p in placed.places] == [415.0, 431.0]


# ---------------------------------------------------------------- order


def test_numbers_in_front_order_stages_as_numbers() -> None:
    items = [item(f"c_{s}.wav") for s in ("10-last", "2-early", "2.5-between", "01-first")]
    placed = _placed(items)
    assert _stages(placed.places) == ["01-first", "2-early", "2.5-between", "10-last"]
    assert [p.order for p in placed.places] == [1, 2, 3, 4]
    assert placed.notices == ()


def test_settings_order_wins_over_numbers() -> None:
    settings = _settings({"name": "02-b"}, {"name": "01-a"})
    assert _stages(_placed([item("c_01-a.wav"), item("c_02-b.wav")], settings).places) == ["02-b", "01-a"]


def test_a_setting_for_one_stage_leaves_it_where_its_number_puts_it() -> None:
    settings = _settings({"name": "02-b", "concert_pitch_hz": 431.0})
    items = [item("c_01-a.wav"), item("c_02-b.wav"), item("c_03-c.wav")]
    assert _stages(_placed(items, settings).places) == ["01-a", "02-b", "03-c"]


def test_dates_in_the_notes_then_recording_times_order_the_rest() -> None:
    notes = {("cittern-07", "alpha"): Note(instrument="cittern-07", stage="alpha", date="2026-03-03")}
    items = [
        item("c_alpha.wav", reading([], recorded_at="2026-01-01T00:00:00")),
        item("c_beta.wav", reading([], recorded_at="2026-03-02T10:00:00+00:00")),
        item("Cittern/gamma/New 2026-03-01 101112_gamma.wav"),
    ]
    placed = _placed(items, notes=notes)
    assert _stages(placed.places) == ["gamma", "beta", "alpha"]
    assert placed.notices == ()


def test_a_stage_without_a_number_finds_its_place_by_time_where_all_have_one() -> None:
    days = {"01-a": "2026-01-01", "02-b": "2026-01-02", "voicing": "2026-01-03", "03-c": "2026-01-04"}
    items = [item(f"c_{s}.wav", reading([], recorded_at=d)) for s, d in days.items()]
    assert _stages(_placed(items).places) == list(days)


def test_by_name_with_a_notice_where_nothing_else_tells() -> None:
    placed = _placed([item("c_step 10.wav"), item("c_step 9.wav"), item("c_01-a.wav")])
    assert _stages(placed.places) == ["01-a", "step 9", "step 10"]
    assert placed.notices == (Notice("ordered by name", part="body", names=("step 9", "step 10")),)


def test_two_parts_may_share_a_number_without_a_notice() -> None:
    placed = _placed([item("c_01-top.wav", part="top"), item("c_01-back.wav", part="back")])
    assert placed.notices == ()


def test_spelling_shown_is_that_of_the_first_path() -> None:
    same = {"stage": "05-voicing"}
    places = _placed([item("b_05-VOICING.wav", **same), item("a_05-Voicing.wav", **same)]).places
    assert _stages(places) == ["05-Voicing"]


# ---------------------------------------------------------------- steps


def test_steps_are_stages_in_the_order_of_take() -> None:
    items = [item(f"c_05-voicing_step_{t}.wav", step=True, take=t) for t in (10, 2, 1)]
    placed = _placed([*items, item("c_06-after.wav"), item("c_05-voicing.wav")])
    assert _stages(placed.places) == [
        "05-voicing", "05-voicing step 1", "05-voicing step 2", "05-voicing step 3", "06-after",
    ]  # fmt: skip
    assert [p.stage for p in placed.places][1] == "05-voicing-step-1"
    assert _files(placed.places[3]) == ["c_05-voicing_step_10.wav"]
    assert [p.order for p in placed.places] == [1, 2, 3, 4, 5]


def test_steps_without_takes_come_in_the_order_of_time() -> None:
    items = [
        item("c_05-v_step/a_05-v.wav", reading([], recorded_at="2026-05-01T11:00:00"), step=True),
        item("c_05-v_step/b_05-v.wav", reading([], recorded_at="2026-05-01T10:00:00"), step=True),
    ]
    assert [_files(p)[0] for p in _placed(items).places] == ["c_05-v_step/b_05-v.wav", "c_05-v_step/a_05-v.wav"]


def test_a_step_set_up_anew_belongs_to_its_step() -> None:
    items = [
        item("c_05-v_step_1.wav", step=True, take=1),
        item("c_05-v_step_2.wav", step=True, take=2),
        item("c_05-v_step_again_1.wav", step=True, again=True, take=1),
    ]
    placed = _placed(items)
    assert [len(p.heard) for p in placed.places] == [2, 1]
    assert [h.recording.again for h in placed.places[0].heard] == [False, True]


def test_a_pluck_of_a_step_belongs_to_the_tap_of_that_step() -> None:
    items = [item(f"c_05-v_step_{k}_{t}.wav", step=True, take=t, kind=k) for t in (1, 2) for k in ("tap", "pluck")]
    assert [len(p.heard) for p in _placed(items).places] == [2, 2]


def test_steps_take_concert_pitch_and_note_of_their_series() -> None:
    notes = {("cittern-07", "05-v"): Note(instrument="cittern-07", stage="05-v", work="opening filed")}
    notes["cittern-07", "05-v-step-2"] = Note(instrument="cittern-07", stage="05-v-step-2", work="brace")
    items = [item(f"c_05-v_step_{t}.wav", step=True, take=t) for t in (1, 2)]
    places = _placed(items, _settings({"name": "05-v", "concert_pitch_hz": 431.0}), notes).places
    assert [(p.concert_pitch_hz, p.note.work if p.note else "") for p in places] == [
        (431.0, "opening filed"),
        (431.0, "brace"),
    ]


# --------------------------------------------------------------- copies


def test_same_bytes_twice_in_one_stage_count_once() -> None:
    placed = _placed([item("c_01-a_2.wav", sha256="s"), item("c_01-a_1.wav", sha256="s")])
    assert _files(placed.places[0]) == ["c_01-a_1.wav"]
    assert placed.attention == ()
    assert placed.notices == (Notice("counted once", path="c_01-a_2.wav", other_path="c_01-a_1.wav"),)


def test_same_bytes_in_two_stages_need_attention_and_are_not_used() -> None:
    placed = _placed([item("c_01-a.wav", sha256="s"), item("c_02-b.wav", sha256="s"), item("c_03-c.wav")])
    assert _stages(placed.places) == ["03-c"]
    assert [a.where for a in placed.attention] == ["c_01-a.wav", "c_02-b.wav"]
    assert "c_02-b.wav" in placed.attention[0].what


def test_a_renamed_recording_is_not_a_copy_of_what_it_was() -> None:
    placed = _placed([item("c_01-a.wav", sha256="s", missing=True), item("c_02-b.wav", sha256="s")])
    assert _stages(placed.places) == ["02-b"]
    assert placed.attention == ()
    assert placed.notices == (Notice("renamed", path="c_01-a.wav", other_path="c_02-b.wav"),)


def test_a_missing_recording_keeps_its_place() -> None:
    placed = _placed([item("c_01-a.wav", missing=True)])
    assert placed.places[0].heard[0].missing


# ----------------------------------------------------------- properties

STAGES = st.sampled_from(["01-a", "02-b", "2-c", "voicing", "strung 10", "strung 9"])
NAMES = st.builds(
    lambda stage, n, **said: (f"c_{stage}_{n}.wav", said),
    STAGES,
    st.integers(0, 9),
    part=st.sampled_from(["", "top", "body"]),
    state=st.sampled_from(["", "free", "strung"]),
    kind=st.sampled_from(["tap", "pluck", "room"]),
    take=st.one_of(st.none(), st.integers(1, 3)),
    step=st.booleans(),
    again=st.booleans(),
    sha256=st.sampled_from(["", "s"]),
)


@given(st.lists(NAMES, max_size=8, unique_by=lambda n: n[0]), st.randoms(use_true_random=False))
def test_order_of_arrival_changes_nothing_and_nothing_is_lost(names: list[Any], shuffler: Any) -> None:
    items = [item(path, **said) for path, said in names]
    placed = _placed(items)
    shuffled = list(items)
    shuffler.shuffle(shuffled)
    assert _placed(shuffled) == placed
    used = [h.recording.path for p in placed.places for h in p.heard]
    assert len(used) == len(set(used))
    said_of = {*(a.where for a in placed.attention), *(n.path for n in placed.notices)}
    assert all(i[0].path in used or i[0].path in said_of for i in items)


@pytest.mark.parametrize("text", ["", "not a date", "2026-13-40"])
def test_times_that_are_not_times_are_unknown(text: str) -> None:
    placed = _placed([item("c_alpha.wav", reading([], recorded_at=text)), item("c_beta.wav")])
    assert len(placed.notices) == 1


def test_recordings_of_a_numbered_step_are_one_stage_beside_those_that_count_by_take() -> None:
    items = [
        item("c_05-voicing_step 2_b.wav", step=True, step_number=2),
        item("c_05-voicing_step 2_a.wav", step=True, step_number=2),
        item("c_05-voicing_step 10_c.wav", step=True, step_number=10),
        item("c_05-voicing_step_7.wav", step=True, take=7),
    ]
    placed = _placed(items).places
    assert [(p.stage_shown, len(p.heard)) for p in placed] == [
        ("05-voicing step 1", 1),
        ("05-voicing step 2", 2),
        ("05-voicing step 10", 1),
    ]


def test_when_it_came_orders_a_recording_without_a_time() -> None:
    items = [
        item("c_05-voicing_step_a.wav", step=True, arrived_at="2026-03-14T12:00:00+00:00"),
        item("c_05-voicing_step_b.wav", step=True, arrived_at="2026-03-14T11:00:00+00:00"),
    ]
    assert [_files(p)[0][-5:] for p in _placed(items).places] == ["b.wav", "a.wav"]
