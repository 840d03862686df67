"""A cut is what names or notes call one; strings, varnish, glue and weeks are none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.compare.cuts import kind_of_work
from tapbatch.model.history import Heard, Note, Stage
from tests.compare.builds import item, reading


def stage_of(name: str, *, work: str = "", state: str = "closed", step: bool = False, order: int = 1) -> Stage:
    said, of, _ = item(f"a_{name}_1.wav", reading([]), step=step, stage_shown=name)
    note = Note(instrument="cittern-07", stage=name, work=work) if work else None
    return Stage(
        part="body",
        state=state,
        stage=name,
        stage_shown=name,
        order=order,
        concert_pitch_hz=440.0,
        heard=(Heard(recording=said, reading=of, part="body", state=state),),
        modes=(),
        decays=(),
        note=note,
    )


@pytest.mark.parametrize(
    "work",
    ["hole opened", "bars carved", "scraped inside", "tuned the bars", "planed 2 g off", "edge of the rose trimmed"],
)
def test_work_that_the_notes_name_is_a_cut(work: str) -> None:
    assert kind_of_work(stage_of("06-x", work=work), ()) == "cut"


@pytest.mark.parametrize(
    "work",
    [
        "varnished",
        "second coat",
        "French polish",
        "oiled",
        "strung",
        "new strings",
        "Restrung",
        "glued the bridge",
        "two weeks in the shop",
        "hung for 3 days",
        "settled",
        "left to dry",
    ],
)
def test_what_takes_no_wood_off_is_no_cut(work: str) -> None:
    assert kind_of_work(stage_of("06-x", work=work), ()) == "other"


@pytest.mark.parametrize("name", ["09-varnished", "10-strung", "11-settled", "12-after two weeks"])
def test_the_name_of_a_stage_may_say_so_where_no_work_is_noted(name: str) -> None:
    assert kind_of_work(stage_of(name), ()) == "other"
    assert kind_of_work(stage_of(name, work="hole opened"), ()) == "cut"


def test_a_step_of_a_series_is_a_cut_unless_its_name_says_otherwise() -> None:
    assert kind_of_work(stage_of("06-voicing step 2", step=True), ()) == "cut"
    assert kind_of_work(stage_of("09-varnish step 2", step=True), ()) == "other"


def test_another_hold_is_no_cut_whatever_the_notes_say() -> None:
    before, after = stage_of("06-x"), stage_of("07-y", work="hole opened", state="strung", order=2)
    assert kind_of_work(after, (before, after)) == "other"
    same = replace(after, state="closed")
    assert kind_of_work(same, (before, same)) == "cut"


def test_where_nothing_is_said_it_is_not_known() -> None:
    assert kind_of_work(stage_of("05-box-closed"), ()) == "unknown"
