"""The record: what was noted and read, each part's own, and nothing that nobody noted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.model.history import History, Note
from tapbatch.model.settings import InstrumentSettings, StringSetting
from tapbatch.show.draw.chart import Sheet
from tapbatch.show.pdf.record import draw_record
from tapbatch.show.view.record import record_of

SETTINGS = InstrumentSettings(family="lyre", species="maple", strings=(StringSetting(note="D4", double=True),))


def noted(history: History, **notes: object) -> History:
    """The history with a note of the same values at every stage."""
    stages = tuple(
        replace(s, note=Note(instrument=history.instrument, stage=s.stage, **notes))  # type: ignore[arg-type]
        for s in history.stages
    )
    return replace(history, stages=stages)


def test_what_nobody_noted_is_left_out(whole: History) -> None:
    bare = replace(whole, stages=tuple(replace(s, note=None) for s in whole.stages))
    record = record_of(bare, InstrumentSettings())
    assert record.work == ()
    assert [name for name, _ in record.facts] == ["pitch"]


def test_what_was_done_stands_stage_by_stage_in_their_order(whole: History) -> None:
    history = noted(whole, work="thin", removed_g=8.5, place="edge", thickness_mm=(2.9, 3.1), date="2026-03-14")
    record = record_of(history, SETTINGS)
    ordered = sorted(history.stages, key=lambda s: s.order)
    assert [row[0] for row in record.work] == list(dict.fromkeys(s.stage_shown for s in ordered))
    assert {row[1:] for row in record.work} == {("2026-03-14", "thin", "8.5", "edge", "", "2.9 to 3.1")}
    assert dict(record.facts)["wood"] == "maple"
    assert "double" in dict(record.facts)["strings"]


def test_each_part_has_its_own_mass(whole: History) -> None:
    masses = iter(range(400, 0, -10))
    stages = tuple(
        replace(s, note=Note(instrument="x", stage=s.stage, mass_g=float(next(masses)))) for s in whole.stages
    )
    told = dict(record_of(replace(whole, stages=stages), SETTINGS).facts)["mass"]
    assert {piece.split()[0] for piece in told.split("; ")} == {s.part for s in stages}


def test_it_ends_with_the_latest_modes_of_each_part_labels_first(whole: History) -> None:
    record = record_of(whole, SETTINGS)
    for part in whole.parts:
        latest = [s for s in whole.of_part(part) if s.modes][-1]
        names = {m.mode for m in latest.modes}
        rows = [row for row in record.modes if row[0] == part]
        assert {row[1] for row in rows} <= names
        assert {name for name in names if not name.startswith("r")} <= {row[1] for row in rows} or len(rows) >= 3


@pytest.mark.parametrize("count", [1, 80])
def test_it_stays_on_one_page_and_says_what_is_left_out(whole: History, count: int) -> None:
    (first, *_) = whole.stages
    note = Note(instrument="x", stage="x", work="thin")
    stages = tuple(
        replace(first, stage=f"s{n}", stage_shown=f"s{n}", order=n, note=note, modes=first.modes if n == 0 else ())
        for n in range(count)
    )
    sheet = Sheet("A4", "Record")
    draw_record(sheet, replace(whole, stages=stages), SETTINGS)
    assert max(word.y_mm for word in sheet.words) <= sheet.bottom_mm
    said = " ".join(word.text for word in sheet.words)
    assert ("notes.csv" in said) is (count > 50)


def test_hard_cases_have_a_record(any_history: History) -> None:
    sheet = Sheet("Letter", "Record")
    draw_record(sheet, any_history, SETTINGS)
    assert all(word.y_mm <= sheet.bottom_mm for word in sheet.words)
