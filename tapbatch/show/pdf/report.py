"""The report of one instrument: a PDF for the bench, on A4 or Letter, its first page the reading slip.

The bytes depend on the history and the settings alone.
"""

from __future__ import annotations

import math
from pathlib import Path

from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import put_file
from tapbatch.show.draw.before_after import before_after_height_mm, draw_before_after, last_two
from tapbatch.show.draw.charts import chart_modes
from tapbatch.show.draw.decays import decays_a_sheet, draw_decays, trace_of
from tapbatch.show.draw.drift import draw_drift, drift_height_mm
from tapbatch.show.draw.landings import draw_landings, landing_blocks, landing_height_mm
from tapbatch.show.draw.sheet import BODY, HAIR, HEAD, HEAD_MM, SMALL, SOFT, Paper, Sheet
from tapbatch.show.draw.spectra import draw_spectra, spectra_height_mm
from tapbatch.show.draw.strings import draw_open_strings, open_strings_height_mm, plucked_stage
from tapbatch.show.draw.sustain import draw_sustain, sustain_height_mm
from tapbatch.show.pdf.bench_card import draw_bench_card
from tapbatch.show.pdf.canvas import pdf_bytes
from tapbatch.show.pdf.pages import draw_flags, draw_how, draw_tables
from tapbatch.show.pdf.slip import draw_slip
from tapbatch.show.view.stages import latest_stage, leading

BLOCK_GAP_MM = 7.0


def write_report(path: Path, history: History, settings: InstrumentSettings) -> Notice | None:
    """Write the report of one instrument in one step; left alone where its bytes would not change.

    Parameters
    ----------
    path
        Where the PDF belongs.
    history
        The instrument's stages, with what moved between them; any number of parts, stages and modes, also none.
    settings
        Of the instrument: what counts as steady, sharps or flats, and the paper.

    Returns
    -------
    Notice or None
        That the old file could not be replaced and the new one lies beside it; ``None`` where all went well.

    Raises
    ------
    ShopError
        Where the folder cannot be written.
    """
    return put_file(path, report_bytes(history, settings))


def report_bytes(history: History, settings: InstrumentSettings) -> bytes:
    """Return the report of one instrument as the bytes of its PDF; see :func:`write_report`."""
    return pdf_bytes(
        report_sheets(history, settings),
        title=f"{history.instrument_shown}: readings",
        subject="Notes, cents and decays of its modes, stage by stage",
    )


def report_sheets(history: History, settings: InstrumentSettings) -> list[Sheet]:
    """Return the pages of the report of one instrument, drawn; see :func:`write_report`."""
    book = _Book(history, settings.paper)
    steady, spelling = settings.steady_cents, settings.spelling
    draw_slip(book.add("Reading slip"), history, steady, spelling)
    latest = latest_stage(history)
    lead = leading(latest) if latest else None
    if latest and lead:
        draw_bench_card(book.add("Bench card", turned=True), history, latest, lead, steady)
    moving = [p for p in history.parts if len(history.of_part(p)) > 1 and chart_modes(history.of_part(p))]
    for part in moving:
        height = drift_height_mm(book.upright, history, part, book.room_mm)
        sheet, y = book.place("Drift", DRIFT_CAPTION, height)
        draw_drift(sheet, y, history, part, steady, spelling, book.room_mm)
    heard = [p for p in history.parts if any(s.modes or s.decays for s in history.of_part(p))]
    for part in heard:
        sheet, y = book.place("Sustain", SUSTAIN_CAPTION, sustain_height_mm(book.upright, history.of_part(part)))
        draw_sustain(sheet, y, history, part, steady, spelling)
    for part in heard:
        comparison = last_two(history, part, settings)
        if comparison is not None:
            height = before_after_height_mm(book.upright, comparison)
            sheet, y = book.place("Before and after", BEFORE_AFTER_CAPTION, height)
            draw_before_after(sheet, y, comparison)
    for stage, landings in landing_blocks(history):
        sheet, y = book.place("Landings", LANDINGS_CAPTION, landing_height_mm(landings))
        draw_landings(sheet, y, stage, landings, steady, spelling)
    plucked = plucked_stage(history)
    if plucked is not None:
        sheet, y = book.place("Strings", STRINGS_CAPTION, open_strings_height_mm(plucked))
        draw_open_strings(sheet, y, plucked, settings)
    for part in heard:
        height = spectra_height_mm(history.of_part(part), book.room_mm)
        sheet, y = book.place("Spectra", SPECTRA_CAPTION, height)
        draw_spectra(sheet, y, history, part, steady, spelling, book.room_mm)
    _add_decays(book, history)
    draw_tables(lambda height, least: book.place("Tables", "", height, least), history)
    sheet, y = book.place("How the numbers were got", "", book.room_mm)
    draw_flags(sheet, draw_how(sheet, y + 2.0) + 5.0, history)
    return book.numbered()


DRIFT_CAPTION = (
    "Lines are the notes of the scale, a hundred cents apart; short ticks, ten. Dot: the reading; bar: its 95 % "
    "interval, unseen where shorter than the dot; hollow and pale: unsure. Figures: cents moved; = held steady; "
    "? cannot tell. Broken line, or figure in orange: something besides the wood differed, said below."
)
SUSTAIN_CAPTION = (
    "T60, the time to fall by 60 dB, in seconds. Bar: 95 % interval. Hollow and pale: unsure. Broken line: something "
    "besides the wood differed between the two stages."
)
BEFORE_AFTER_CAPTION = (
    "How much longer or shorter everything rings than at the stage before, in percent of its T60. Dot: the change; "
    "bar: its 95 % interval; pale band: 5 % to either side. Hollow and pale: no verdict, with the reason."
)
LANDINGS_CAPTION = (
    "Where a mode is and where it could come to rest. Lines are the notes of the scale, a hundred cents apart; short "
    "ticks, ten. Thin line: what is still to go. Block round a target: its tolerance. Pale dot: after one more step "
    "of the same work, with its 95 % interval."
)
STRINGS_CAPTION = (
    "Open strings as they were plucked. Dot: cents from the note, flat to the left; bar: its 95 % interval; two "
    "dots: the two strings of a course that were told apart. Pale band: what counts as in tune. Orange: further off."
)
SPECTRA_CAPTION = (
    "Each stage against its own strongest line, down to -60 dB; noise in grey. Dots: fitted modes, hollow where "
    "unsure. Thin lines follow a mode from stage to stage, down to its flag."
)
DECAYS_CAPTION = (
    "The clearest tap of each stage: thin and grey, the sound; thick, the fitted modes; broken, the noise floor."
)


class _Book:
    """Sheets one after the other, each headed with its title; blocks of one title share a sheet while it has room."""

    def __init__(self, history: History, paper: Paper) -> None:
        self._name = history.instrument_shown
        self._paper = paper
        self._sheets: list[Sheet] = []
        self.upright = Sheet(paper, "")
        self._next_mm = 0.0

    @property
    def room_mm(self) -> float:
        """The height for content on an empty sheet below the longest caption."""
        return self.upright.room_mm

    def add(self, title: str, *, turned: bool = False) -> Sheet:
        self._sheets.append(Sheet(self._paper, title, turned=turned))
        return self._sheets[-1]

    def place(self, title: str, caption: str, height_mm: float, least_mm: float = math.inf) -> tuple[Sheet, float]:
        """Return the sheet and the place for a block, on a new sheet where the title changes or the room is short.

        A block that can be split needs room for ``least_mm`` only.
        """
        sheet = self._sheets[-1]
        if sheet.title != title or self._next_mm + min(height_mm, least_mm) > sheet.bottom_mm:
            sheet = self.add(title)
            sheet.say(sheet.left_mm, HEAD_MM, title, HEAD, bold=True)
            self._next_mm = HEAD_MM + 6.0
            if caption:
                measure = sheet.measure_mm
                self._next_mm = (
                    sheet.paragraph(sheet.left_mm, self._next_mm, caption, measure, BODY, colour=SOFT) + 2.0
                )
        place = self._next_mm
        self._next_mm += height_mm + BLOCK_GAP_MM
        return sheet, place

    def numbered(self) -> list[Sheet]:
        """Return the sheets, each with its name and number at the foot."""
        for number, sheet in enumerate(self._sheets, 1):
            y = sheet.height_mm - 10.0
            sheet.rule(sheet.left_mm, y - 4.0, sheet.right_mm, y - 4.0, HAIR, 0.5)
            sheet.say(sheet.left_mm, y, self._name, SMALL, colour=SOFT, within_mm=sheet.measure_mm - 60.0)
            where = f"{sheet.title}, {number} of {len(self._sheets)}"
            sheet.say(sheet.right_mm, y, where, SMALL, colour=SOFT, ha="right")
        return self._sheets


def _add_decays(book: _Book, history: History) -> None:
    stages = history.stages if any(map(trace_of, history.stages)) else ()
    a_sheet = decays_a_sheet(len(stages), book.room_mm)
    for first in range(0, len(stages), a_sheet):
        sheet, y = book.place("Decays", DECAYS_CAPTION, book.room_mm)
        draw_decays(sheet, y, stages[first : first + a_sheet], len(stages))
