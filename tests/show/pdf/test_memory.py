"""What a report of many stages keeps in memory: the charts of a page at a time, never those of all pages."""

from __future__ import annotations

import gc
import tracemalloc
from dataclasses import replace

import pytest

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import Sheet
from tapbatch.show.draw.decays import decay_pages
from tapbatch.show.draw.spectra import most_spectra
from tapbatch.show.pdf.report import report_bytes, report_sheets
from tapbatch.show.tables.columns import table_bytes
from tests.show.conftest import forty_stages

SETTINGS = InstrumentSettings(pages="full")


def _stages(count: int) -> History:
    """A history of so many stages, all of which draw the same lines: what it holds itself counts for little."""
    history = forty_stages()
    stage = history.stages[-1]
    stages = [replace(stage, stage=f"{n:04}", stage_shown=f"{n:04}", order=n) for n in range(count)]
    return replace(history, stages=tuple(stages), drifts=())


def _peak_bytes(history: History) -> int:
    # When the collector runs next depends on the tests before this one; garbage is no memory that a report keeps.
    gc.collect()
    tracemalloc.start()
    try:
        report_bytes(history, SETTINGS)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.slow
def test_a_further_stage_adds_its_place_in_the_pdf_and_not_its_charts() -> None:
    few, many = _stages(60), _stages(150)
    _peak_bytes(_stages(2))  # what is imported or cached at the first call counts for neither
    each = min((_peak_bytes(many) - _peak_bytes(few)) / 90 for _ in range(2))
    # About 16,000; decays that were drawn beforehand would add 7,500.
    assert each < 21_000


def test_decays_are_drawn_when_their_page_is_written() -> None:
    drawn: list[str] = []

    def lined(stage):  # type: ignore[no-untyped-def]
        drawn.append(stage.stage)
        return stage

    pages = decay_pages(_stages(90).stages, replace(Sheet("A4", "").inner, room_mm=235.0), lined)
    assert (len(pages), drawn) == (3, ["0000"])
    chart = pages[-1].drawn()
    assert drawn[1:] == [f"{n:04}" for n in range(60, 90)]
    assert chart.height_mm == pages[-1].height_mm


def test_spectra_that_have_no_room_are_left_out_and_their_number_is_said() -> None:
    most = most_spectra(Sheet("A4", "").inner)
    (sheet,) = (s for s in report_sheets(_stages(most + 5), SETTINGS) if s.title == "Spectra")
    said = {word.text: word.y_mm for word in sheet.words}
    assert f"the latest {most} of {most + 5} stages" in said
    assert ("0004" in said, "0005" in said) == (False, True)
    assert max(said.values()) < sheet.height_mm


def test_rows_of_a_table_are_not_gathered_before_they_are_written() -> None:
    rows = ({"recording": f"take {n}.wav", "stage": "01-joined", "tap": n} for n in range(20_000))
    tracemalloc.start()
    try:
        size = len(table_bytes("taps", rows))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2.5 * size
