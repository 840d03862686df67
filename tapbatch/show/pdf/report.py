"""The report of one instrument: a PDF for the bench, on A4 or Letter, its first page the reading slip.

The bytes depend on the history and the settings alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import put_file
from tapbatch.show.draw.before_after import before_after_chart, before_after_notes
from tapbatch.show.draw.decays import decay_pages
from tapbatch.show.draw.drift import differed, drift_chart
from tapbatch.show.draw.landings import landings_chart
from tapbatch.show.draw.sheet import HEADING_MM, Sheet
from tapbatch.show.draw.spectra import spectra_chart
from tapbatch.show.draw.strings import strings_chart, strings_notes
from tapbatch.show.draw.sustain import rings_chart, sustain_chart
from tapbatch.show.pdf.bench_card import draw_bench_card
from tapbatch.show.pdf.blocks import Block, Book, ChartBlock, notes_height_mm
from tapbatch.show.pdf.canvas import pdf_bytes
from tapbatch.show.pdf.pages import HowBlock, table_blocks
from tapbatch.show.pdf.slip import draw_slip
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.modes import chart_modes
from tapbatch.show.view.side_by_side import last_two
from tapbatch.show.view.stages import latest_stage, leading, plucked_stage


def write_report(path: Path, history: History, settings: InstrumentSettings) -> str:
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
    str
        Empty, or a notice in one line where the old file could not be replaced and the new one lies beside it.

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
    book = Book(history.instrument_shown, settings.paper)
    draw_slip(book.add("Reading slip"), history, settings.steady_cents, settings.spelling)
    latest = latest_stage(history)
    lead = leading(latest) if latest else None
    if latest and lead:
        draw_bench_card(book.add("Bench card", turned=True), history, latest, lead, settings.steady_cents)
    for block in _blocks(history, settings, Sheet(settings.paper, "")):
        book.place(block)
    return book.numbered()


def _blocks(history: History, settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    """Return what stands on the pages after the first two, in order, for sheets like the one given."""
    heard = [p for p in history.parts if any(s.modes or s.decays for s in history.of_part(p))]
    for kind in (_drift, _sustain, _before_after, _landings, _strings, _spectra):
        yield from kind(history, heard, settings, sheet)
    for chart in decay_pages(history.stages, sheet.measure_mm, sheet.room_mm):
        yield ChartBlock(title="Decays", caption=DECAYS_CAPTION, chart=chart)
    yield from table_blocks(history)
    yield HowBlock(history)


def _drift(history: History, parts: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    for part in parts:
        stages = history.of_part(part)
        names = chart_modes(stages)
        if len(stages) < 2 or not names:
            continue
        notes = tuple(differed(history, part))
        room = sheet.room_mm - HEADING_MM - notes_height_mm(notes, sheet.measure_mm)
        steady, spelling = settings.steady_cents, settings.spelling
        chart = drift_chart(history, stages, names, steady, spelling, sheet.measure_mm, room_mm=room)
        count = len({m.mode for s in stages for m in s.modes})
        aside = f"{len(names)} of {count} modes" if count > len(names) else ""
        yield ChartBlock(
            title="Drift", caption=DRIFT_CAPTION, chart=chart, heading=part or "body", aside=aside, notes=notes
        )


def _sustain(history: History, parts: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    steady, spelling, width = settings.steady_cents, settings.spelling, sheet.measure_mm
    for part in parts:
        stages = history.of_part(part)
        if len(stages) == 1:
            chart, aside = rings_chart(history, stages, steady, spelling, width), stages[0].stage_shown
        else:
            room = sheet.room_mm - HEADING_MM
            chart, aside = sustain_chart(history, stages, steady, spelling, width, room_mm=room), ""
        if chart:
            yield ChartBlock(
                title="Sustain", caption=SUSTAIN_CAPTION, chart=chart, heading=part or "body", aside=aside
            )


def _before_after(history: History, parts: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    for part in parts:
        comparison = last_two(history, part, settings)
        if comparison:
            yield ChartBlock(
                title="Before and after",
                caption=BEFORE_AFTER_CAPTION,
                chart=before_after_chart(comparison, sheet.measure_mm),
                heading=part or "body",
                notes=tuple(before_after_notes(comparison)),
            )


def _landings(history: History, _: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    for stage, landings in landing_blocks(history):
        yield ChartBlock(
            title="Landings",
            caption=LANDINGS_CAPTION,
            chart=landings_chart(stage, landings, settings.steady_cents, settings.spelling, sheet.measure_mm),
            heading=f"{stage.part}: {landings[0].mode}",
            aside=stage.stage_shown,
        )


def _strings(history: History, _: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    stage = plucked_stage(history)
    if stage:
        yield ChartBlock(
            title="Strings",
            caption=STRINGS_CAPTION,
            chart=strings_chart(stage, settings, sheet.measure_mm),
            heading="open strings",
            aside=f"{stage.stage_shown}, A4 = {stage.concert_pitch_hz:g} Hz",
            notes=tuple(strings_notes(stage, settings)),
        )


def _spectra(history: History, parts: list[str], settings: InstrumentSettings, sheet: Sheet) -> Iterator[Block]:
    for part in parts:
        room = sheet.room_mm - HEADING_MM
        steady, spelling = settings.steady_cents, settings.spelling
        chart = spectra_chart(history.of_part(part), steady, spelling, sheet.measure_mm, room_mm=room)
        yield ChartBlock(title="Spectra", caption=SPECTRA_CAPTION, chart=chart, heading=part or "body")


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
