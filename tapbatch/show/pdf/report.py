"""The report of one instrument: a PDF for the bench, on A4 or Letter, its first page the reading slip.

The bytes depend on the history and the settings alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tapbatch.model.forecast import kept_of
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.before_after import before_after_chart, before_after_notes
from tapbatch.show.draw.boards import CAUTION as BOARD_CAUTION
from tapbatch.show.draw.boards import (
    PLANED_MARKS,
    RECORD_MARKS,
    board_chart,
    figures_chart,
    figures_notes,
    planed_chart,
    record_chart,
    thickness_chart,
)
from tapbatch.show.draw.chart import Chart, Look, Sheet
from tapbatch.show.draw.decays import decay_pages
from tapbatch.show.draw.drift import differed, drift_chart
from tapbatch.show.draw.forecasts import forecasts_chart
from tapbatch.show.draw.kin import family_chart, family_notes, family_within
from tapbatch.show.draw.landings import landings_chart
from tapbatch.show.draw.marks import Said
from tapbatch.show.draw.spectra import most_spectra, spectra_chart
from tapbatch.show.draw.strings import strings_chart, strings_notes
from tapbatch.show.draw.sustain import rings_chart, sustain_chart
from tapbatch.show.draw.what_if import slide_chart
from tapbatch.show.pdf.bench_card import draw_bench_card
from tapbatch.show.pdf.blocks import TOP_MM, Block, Book, ChartBlock, DecaysBlock, notes_height_mm
from tapbatch.show.pdf.canvas import pdf_bytes
from tapbatch.show.pdf.pages import CUT_TITLE, HOW_TITLE, draw_before_you_cut, draw_how, table_blocks
from tapbatch.show.pdf.record import TITLE as RECORD
from tapbatch.show.pdf.record import draw_record
from tapbatch.show.pdf.slip import draw_slip
from tapbatch.show.say.forecasts import chances_text, kept_text
from tapbatch.show.say.what_if import SLIDE_MARKS, SLIDE_NAME, slide_basis
from tapbatch.show.view.boards import blank_stage, planings
from tapbatch.show.view.kin import family_beside
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.side_by_side import last_two
from tapbatch.show.view.stages import Lined, chart_modes, latest_stage, plucked_stage, with_own_lines
from tapbatch.show.view.working import subject_of, working_names

SETTLE, WOOD, FAMILY = "Where it may settle", "Wood", "Beside its family"
CAME = "how forecasts came out"
CAME_MARKS = "Pale band: the 95 % interval that was said of each step. Dot: where it fell."

CAPTIONS = {
    "Drift": "Each line is a note of the scale, a hundred cents apart; short ticks are ten cents. A dot is a "
    "reading and its bar the 95 % interval; hollow and pale means unsure. Figures: cents moved; = did not move; ? "
    "cannot tell. Broken line, or figure in orange: something besides the wood may have done it (see below).",
    "Sustain": "T60, the time to fall by 60 dB, in seconds. Bar: 95 % interval. Hollow and pale: unsure. Broken "
    "line: something besides the wood differed between the two stages, and can do much.",
    "Before and after": "How much longer or shorter everything rings than at the stage before, in per cent of its "
    "T60. Dot: the change; bar: its 95 % interval; pale band: 5 % to either side. Hollow and pale: no verdict, with "
    "the reason.",
    SETTLE: "Where a mode is and where it may settle. Each line is a note of the scale, a hundred cents "
    "apart; short ticks are ten cents. Thin line: what is still to go. Block around a target: its tolerance. Pale "
    "dot: after one more step of the same work, with its 95 % interval.",
    FAMILY: "Where each instrument of the family stood at the same stage, mode by mode; this one is bold. Each line "
    "is a note of the scale; short ticks are ten cents. Dot: the reading; bar: its 95 % interval, put down and set "
    "up anew. Beside it: note and cents, then how far above (+) or below (-) this one. Thin line: this one.",
    WOOD: "What taps, sizes and mass tell of the board at its latest stage. Figures: what depends least on the "
    "caliper first, each with its 95 % interval. The board: its modes, to scale, grain from left to right. It stands "
    "still along the dark lines, and may be held there. Thickness: thinner to the right; dot: today; pale band: 95 % "
    "interval.",
    "Strings": "Open strings as they were plucked. Dot: cents from the note, flat to the left; bar: its 95 % "
    "interval; two dots: the two strings of a course that were told apart. Pale band: what counts as in tune. "
    "Orange: further off.",
    "Spectra": "Each stage relative to its strongest line, down to -60 dB. Noise is grey. Dots are fitted modes, "
    "hollow if unsure. Thin lines lead from each mode down to its name.",
    "Decays": "The clearest tap of each stage. Thin and grey: the sound. Thick: the fitted modes. Broken: the noise "
    "floor.",
}
"""What the marks of each chart mean, by the title of its pages."""


def report_bytes(history: History, settings: InstrumentSettings, lined: Lined = with_own_lines) -> bytes:
    """Return the report of one instrument, of any number of parts, stages and modes, as the bytes of its PDF.

    ``lined`` gives the stages that are drawn the lines of their charts; by default they have them.
    """
    title, subject = f"{history.instrument_shown}: readings", "Notes, cents and decays of its modes, stage by stage"
    return pdf_bytes(report_sheets(history, settings, lined), title, subject)


def report_sheets(history: History, settings: InstrumentSettings, lined: Lined = with_own_lines) -> list[Sheet]:
    """Return the pages of the report of one instrument, to be finished one by one as they are written."""
    book = Book(history.instrument_shown, settings.paper, CAPTIONS)
    draw_slip(book.add("Reading slip"), history, settings)
    latest = latest_stage(history)
    subject = subject_of(history, latest) if latest else None
    if latest and subject:
        draw_bench_card(book.add("Bench card", turned=True), history, latest, subject, settings.steady_cents)
    like = Sheet(settings.paper, "")
    for block in _blocks(history, settings, like):
        book.place(block)
    draw_record(book.add(RECORD), history, settings)
    if settings.pages == "full":
        for block in _appendix(history, settings, like, lined):
            book.place(block)
        draw_how(book.begin(HOW_TITLE), TOP_MM + 2.0, history)
    else:
        draw_before_you_cut(book.begin(CUT_TITLE), TOP_MM + 2.0, history)
    return book.numbered()


def _heard(history: History) -> list[str]:
    """Return the parts of which something was measured."""
    return [p for p in history.parts if any(s.modes or s.decays for s in history.of_part(p))]


def _blocks(history: History, settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    """Return what stands on the pages after the first two, in the order of use, for sheets like the one given."""
    look, heard = sheet.inner, _heard(history)
    for part in heard:
        stages, notes = history.of_part(part), differed(history, part)
        names = chart_modes(stages, working_names(history, stages[-1]))
        modes = {m.mode for s in stages for m in s.modes if "string" not in m.flags}
        if names and len(stages) > 1:
            low = replace(look, room_mm=look.room_mm - notes_height_mm(notes, look.width_mm))
            aside = f"{len(names)} of {len(modes)} modes" if len(modes) > len(names) else ""
            drift = drift_chart(history, stages, names, settings, low)
            yield ChartBlock("Drift", drift, part or "body", aside, notes)
    for part in heard:
        stages = history.of_part(part)
        alone = len(stages) == 1
        chart = (rings_chart if alone else sustain_chart)(history, stages, settings, look)
        if chart:
            aside = stages[0].stage_shown if alone else ""
            yield ChartBlock("Sustain", chart, part or "body", aside)
    for part in heard:
        comparison = last_two(history, part, settings)
        if comparison:
            chart, notes = before_after_chart(comparison, look), before_after_notes(comparison)
            yield ChartBlock("Before and after", chart, part or "body", notes=notes)
    yield from _landings(history, settings, look)
    for part in heard:
        yield from _family(history, part, settings, look)
    yield from _wood(history, settings, look)
    plucked = plucked_stage(history)
    if plucked:
        chart, notes = strings_chart(plucked, settings, look), strings_notes(plucked, settings)
        aside = f"{plucked.stage_shown}, A4 = {plucked.concert_pitch_hz:g} Hz"
        yield ChartBlock("Strings", chart, "open strings", aside, notes)


def _landings(history: History, settings: InstrumentSettings, look: Look) -> Iterator[Block]:
    """Return where modes may settle, what a wider opening would do, and how the forecasts came out.

    With fewer than ten forecasts, only that they are too few stands below the last chart, not in a block of its own.
    """
    blocks = landing_blocks(history)
    # Of a board they stand with what planing did.
    came, said = (None, []) if planings(history) else _came(history, look)
    for number, (stage, landings) in enumerate(blocks, 1):
        chart = landings_chart(stage, landings, settings, look)
        heading = f"{stage.part or 'body'}: {landings[0].mode}"
        notes = said if came is None and number == len(blocks) else []
        yield ChartBlock(SETTLE, chart, heading, stage.stage_shown, notes)
    if history.slide is not None:
        marks: list[Said] = [(text, "soft text") for text in (SLIDE_MARKS, slide_basis(history.slide))]
        opened = slide_chart(history.slide, look).chart
        yield ChartBlock(SETTLE, opened, SLIDE_NAME.lower(), history.slide.stage_shown, marks)
    if came is not None:
        yield ChartBlock(SETTLE, came, CAME, notes=said)
    elif said and not blocks:
        yield ChartBlock(SETTLE, Chart(look), CAME, notes=said)


def _came(history: History, look: Look) -> tuple[Chart | None, list[Said]]:
    """Return a chart of how forecasts came out, if there are enough, and what is said of them."""
    kept, chart = kept_of(history.forecasts), forecasts_chart(history.forecasts, look)
    said: list[Said] = [(text, "text") for text in (kept_text(kept), chances_text(kept)) if text]
    return chart, [*said, (CAME_MARKS, "soft text")] if chart is not None else said


def _family(history: History, part: str, settings: InstrumentSettings, look: Look) -> Iterator[Block]:
    """Return the family beside the latest stage of a part; nothing where none of it has such a stage."""
    whole = family_beside(history, part, settings)
    if whole is None:
        return
    notes = family_notes(whole)
    low = replace(look, room_mm=look.room_mm - notes_height_mm(notes, look.width_mm))
    side = family_within(history, part, settings, low)
    if side:
        aside = side.stages[side.present].stage_shown
        yield ChartBlock(FAMILY, family_chart(side, low), part or "body", aside, family_notes(side))


def _wood(history: History, settings: InstrumentSettings, look: Look) -> Iterator[Block]:
    """Return the board, its figures, and what thickness will do; nothing where no blank has figures."""
    stage = blank_stage(history)
    wood = stage.wood if stage is not None else None
    if stage is None or wood is None:
        return
    board, thickness = board_chart(wood, look), thickness_chart(wood, settings, look)
    yield ChartBlock(WOOD, figures_chart(wood, look), "figures", stage.stage_shown, figures_notes(wood))
    record = record_chart(wood, look)
    if record is not None:
        yield ChartBlock(WOOD, record, "where to hold and tap it", "to tell more", [(RECORD_MARKS, "soft text")])
    if board is not None:
        yield ChartBlock(WOOD, board, "the board", f"{wood.length_mm:g} x {wood.width_mm:g} mm")
    if thickness is not None:
        yield ChartBlock(WOOD, thickness, "what thickness will do", stage.stage_shown, [(BOARD_CAUTION, "caution")])
    planed = planed_chart(planings(history), look)
    if planed is not None:
        came, said = _came(history, look)
        notes: list[Said] = [(PLANED_MARKS, "soft text"), *(said if came is None else [])]
        yield ChartBlock(WOOD, planed, "what planing did", notes=notes)
        if came is not None:
            yield ChartBlock(WOOD, came, CAME, notes=said)


def _appendix(history: History, settings: InstrumentSettings, sheet: Sheet, lined: Lined) -> Iterator[Block]:
    """Return what is looked up rather than read: spectra, decays and tables."""
    look = sheet.inner
    for part in _heard(history):
        stages, most = history.of_part(part), most_spectra(look)
        aside = f"the latest {most} of {len(stages)} stages" if len(stages) > most else ""
        chart = spectra_chart([lined(stage) for stage in stages[-most:]], settings, look)
        yield ChartBlock("Spectra", chart, part or "body", aside)
    for page in decay_pages(history.stages, replace(look, room_mm=sheet.room_mm), lined):
        yield DecaysBlock(page)
    yield from table_blocks(history, settings.steady_cents)
