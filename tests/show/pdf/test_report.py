"""The report: its pages, words and numbers, and that a hard case is only another case. No pixels."""

from __future__ import annotations

import dataclasses
import io
import math
import re
import subprocess
import sys
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from tapbatch.model.caution import Caution
from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.reading import Spectrum
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import Paper, Sheet
from tapbatch.show.draw.lettering import MM_PER_PT
from tapbatch.show.draw.spectra import spectrum_of, spread, thinned
from tapbatch.show.pdf.pages import CUT_TITLE, HOW_TITLE, cautions_of
from tapbatch.show.pdf.report import report_bytes, report_sheets
from tapbatch.show.say import words
from tapbatch.show.say.cautions import caution_text, cautions_text, learned_text
from tapbatch.show.say.landings import chance_text
from tapbatch.show.say.words import flag_text
from tapbatch.show.view.answers import answers_of
from tapbatch.show.view.landings import is_risky
from tapbatch.show.view.working import subjects_of
from tests.documentation.pages import page, section
from tests.refusals import misses
from tests.show.draw.boxes import box_of, clashes

pypdf = pytest.importorskip("pypdf", reason="pypdf reads the reports back")

SETTINGS = InstrumentSettings(pages="full")
STRUNG = Caution("state", before=("closed",), after=("strung",))


def read(data: bytes) -> pypdf.PdfReader:
    """Read a PDF strictly: what a lenient reader would mend is an error."""
    return pypdf.PdfReader(io.BytesIO(data), strict=True)


def drawn(history: History, settings: InstrumentSettings = SETTINGS) -> list[Sheet]:
    return [sheet.finished() for sheet in report_sheets(history, settings)]


def texts(sheets: list[Sheet], title: str) -> list[str]:
    return [word.text for sheet in sheets if sheet.title == title for word in sheet.words]


# ------------------------------------------------------------- every case


def test_every_case_makes_a_report(any_history: History, caplog: pytest.LogCaptureFixture) -> None:
    data = report_bytes(any_history, SETTINGS)
    assert data == report_bytes(any_history, SETTINGS)
    pdf = read(data)
    assert pdf.metadata is not None
    assert pdf.metadata.creation_date is None
    assert pdf.metadata.modification_date is None
    assert pdf.metadata.title == f"{any_history.instrument_shown}: readings"
    assert "READING SLIP" in pdf.pages[0].extract_text()
    last = pdf.pages[-1].extract_text()
    cautions = cautions_of(any_history)
    assert all(caution in " ".join(last.split()) for caution in cautions)
    # of what cannot be mended, and of what hurts; a board has no strings
    strings = "planes" if any_history.parts == ("blank",) else "strings"
    assert misses(" ".join(cautions).lower(), "wood", "blades", "dust", strings) == []
    assert any_history.parts != ("blank",) or "strings break" not in last.lower()
    assert caplog.messages == []
    bookmarks = [mark for mark in pdf.outline if not isinstance(mark, list)]
    marks = [str(mark["/Title"]) for mark in bookmarks]
    assert marks[0] == "Reading slip"
    assert marks[-1] == HOW_TITLE
    for mark in bookmarks:
        page_text = pdf.pages[pdf.get_destination_page_number(mark)].extract_text()
        assert str(mark["/Title"]).lower() in page_text.lower()


def test_a_short_report_leaves_out_the_appendix_and_keeps_the_cautions(any_history: History) -> None:
    short = [sheet.title for sheet in drawn(any_history, InstrumentSettings())]
    full = [sheet.title for sheet in drawn(any_history)]
    assert short[:-1] == full[: len(short) - 1]
    assert not {"Spectra", "Decays", "Tables", HOW_TITLE} & set(short)
    assert short[-2:] == ["Record", CUT_TITLE]
    last = read(report_bytes(any_history, InstrumentSettings())).pages[-1].extract_text()
    assert all(caution in " ".join(last.split()) for caution in cautions_of(any_history))


def test_the_documentation_names_every_page_in_its_order(histories: dict[str, Callable[[], History]]) -> None:
    said = re.findall("^### (.+)$", section(page("docs/report.md"), "## The report, page by page"), re.MULTILINE)
    seen = set()
    for made in histories.values():
        for settings in (SETTINGS, InstrumentSettings()):
            titles = list(dict.fromkeys(sheet.title for sheet in drawn(made(), settings)))
            assert titles == [title for title in said if title in titles]
            seen.update(titles)
    assert seen == set(said)


@pytest.mark.parametrize(
    # ISO 216: A4 is 210 by 297 mm; ANSI Y14.1: Letter is 8.5 by 11 inches.
    ("paper", "size_pt"),
    [("A4", (210 / 25.4 * 72, 297 / 25.4 * 72)), ("Letter", (612.0, 792.0))],
)
def test_pages_have_the_size_of_the_paper(
    histories: dict[str, Callable[[], History]], paper: Paper, size_pt: tuple[float, float]
) -> None:
    pdf = read(report_bytes(histories["one stage, one tap"](), InstrumentSettings(paper=paper, pages="full")))
    sizes = [(float(page.mediabox.width), float(page.mediabox.height)) for page in pdf.pages]
    for size in sizes:
        assert sorted(size) == pytest.approx(sorted(size_pt), abs=0.5)
    # The bench card alone is turned.
    assert [n for n, (width, height) in enumerate(sizes) if width > height] == [1]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_word_stands_on_the_page_and_on_no_other_word(any_history: History, paper: Paper) -> None:
    for sheet in drawn(any_history, InstrumentSettings(paper=paper, pages="full")):
        for word in sheet.words:
            left, top, right, bottom = box_of(word)
            assert left >= 10, word.text
            assert top >= 8, word.text
            assert right <= sheet.width_mm - 10, word.text
            assert bottom <= sheet.height_mm - 8, word.text
        assert clashes(sheet.words) == [], sheet.title


def test_reports_of_ten_stages_are_small(histories: dict[str, Callable[[], History]]) -> None:
    assert len(report_bytes(histories["many modes"](), SETTINGS)) < 500_000


def test_type_is_embedded_as_truetype(whole: History) -> None:
    embedded = {
        ref.idnum: ref.get_object()
        for page in read(report_bytes(whole, SETTINGS)).pages
        for ref in page["/Resources"].raw_get("/Font").get_object().values()
    }
    fonts = sorted(
        (str(font["/BaseFont"]).split("+")[1], str(font["/Subtype"]), "/FontFile2" in font["/FontDescriptor"])
        for font in embedded.values()
    )
    assert fonts == [("DejaVuSans", "/TrueType", True), ("DejaVuSans-Bold", "/TrueType", True)]


def test_a_report_needs_none_of_the_heavy_libraries() -> None:
    """To start the plotting library takes longer than to write a whole report."""
    code = (
        "import sys; import tapbatch.show.pdf.report, tapbatch.show.terminal.readings, tapbatch.show.tables.columns;"
        "from tapbatch.model.history import History; from tapbatch.model.settings import InstrumentSettings;"
        "tapbatch.show.pdf.report.report_bytes(History(instrument='a', instrument_shown='a', stages=(), drifts=()),"
        " InstrumentSettings(pages='full'));"
        "sys.exit(str({'matplotlib', 'pandas', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr.strip() == "set()"


# ---------------------------------------------------------- reading slip


def test_the_slip_answers_before_all_else(whole: History) -> None:
    slip = drawn(whole)[0]
    said = [word.text for word in slip.words]
    largest = max(slip.words, key=lambda word: word.size_pt)
    assert largest.text == "G3"
    for answer in ("+33.7 cents", "Only as it lies", "seen in 5 of 5 taps"):
        assert answer in said
    assert "Down 17.0 c (-18.0 to -16.0) by itself" in " ".join(said)
    assert next(text for text in said if text.startswith("since 08-strung; "))
    assert said.index("G3") < next(n for n, text in enumerate(said) if "195.76 Hz" in text)
    assert any(text.startswith("one set-up only: ") for text in said)
    # What is far still, and whether the next step goes too far, stand beside what moved.
    assert next(text for text in said if text.startswith("Target")).endswith("43.2 c to rise")
    (risky,) = {chance_text(c) for c in whole.landings if is_risky(c)}
    assert risky in " ".join(said)
    assert all(text in " ".join(said) for text in learned_text(whole))
    # The parts that were not worked on last keep a line of their own.
    assert "top, 04-bars-shaped" in said
    assert "D#3 +37.8 c" in said


@pytest.mark.parametrize(("half_cents", "wider"), [(2.0, False), (7.0, True), (math.nan, False)])
def test_what_makes_a_reading_unsure_is_said(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], half_cents: float, wider: bool
) -> None:
    stage = make_stage("top", "free", "s", 1, [make_mode("r1", 200.0, lead=True, half_cents=half_cents)])
    history = History(instrument="a", instrument_shown="a", stages=(stage,), drifts=())
    said = " ".join(word.text for word in drawn(history)[0].words)
    (subject,) = subjects_of(history, stage)
    answer = next(a for a in answers_of(history, stage, subject, 3.0) if a.question == "trust")
    assert answer.detail in said
    assert (misses(answer.detail, "± 7 c", "3 c") == []) is wider
    # a reading that is sure gives the taps alone; one of unknown width gives a reason as well
    assert (";" in answer.detail) is not (half_cents == 2.0)


def test_a_note_that_is_unsure_leads_pale(histories: dict[str, Callable[[], History]], whole: History) -> None:
    for history, role in ((histories["one stage, one tap"](), "soft text"), (whole, "text")):
        slip = drawn(history)[0]
        assert max(slip.words, key=lambda word: word.size_pt).role == role


def test_a_caution_stands_beside_the_move_that_it_concerns(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    stages = [
        make_stage("body", state, state, n, [make_mode("r1", 200.0 - n, lead=True)])
        for n, state in enumerate(("closed", "strung"))
    ]
    slip = drawn(make_history(stages))[0]
    moved = next(word for word in slip.words if word.text == "Moved?")
    caution = next(word for word in slip.words if caution_text(STRUNG) in word.text)
    rings = next(word for word in slip.words if word.text == "Rings longer?")
    assert moved.y_mm < caution.y_mm < rings.y_mm


# ---------------------------------------------------------------- charts


def lines_of(sheets: list[Sheet], name: str) -> Iterator[np.ndarray]:
    for sheet in sheets:
        for mark in sheet.marks:
            if mark.shape == "lines" and mark.name == name:
                yield from mark.pieces


def dots_of(sheets: list[Sheet], name: str) -> np.ndarray:
    found = [m.pieces[0] for s in sheets for m in s.marks if m.shape == "dots" and m.name == name]
    return np.concatenate(found) if found else np.zeros((0, 2))


def test_dots_lie_between_the_lines_of_the_staff_where_their_cents_say(whole: History) -> None:
    """The lines of the staff are a hundred cents apart by definition; what lies between follows from them alone."""
    sheets = [sheet for sheet in drawn(whole) if sheet.title == "Drift"]
    stages = whole.of_part("body")
    for name in ("air", "main", "r6", "r8"):
        modes = [m for s in stages for m in s.modes if m.mode == name]
        heights = sorted({float(line[0, 1]) for line in lines_of(sheets, f"staff {name}")})
        dots = sorted(map(tuple, dots_of(sheets, f"readings {name}")))
        assert len(dots) == len(modes)
        mm_a_cent = None if len(heights) < 2 else (heights[1] - heights[0]) / 100
        for (_, y0), (_, y1), m0, m1 in zip(dots, dots[1:], modes, modes[1:], strict=False):
            cents = 1200 * math.log2(m1.freq_hz / m0.freq_hz)
            if mm_a_cent:
                assert (y0 - y1) / mm_a_cent == pytest.approx(cents, abs=0.01)
        if mm_a_cent:
            nearest = min(heights, key=lambda y: abs(y - dots[-1][1]))
            assert (nearest - dots[-1][1]) / mm_a_cent == pytest.approx(modes[-1].cents, abs=0.01)


def test_intervals_are_drawn_from_low_to_high(whole: History) -> None:
    sheets = [sheet for sheet in drawn(whole) if sheet.title == "Drift"]
    name, mode = "main", whole.of_part("body")[-1].modes[1]
    heights = sorted({float(line[0, 1]) for line in lines_of(sheets, f"staff {name}")})
    mm_a_cent = (heights[1] - heights[0]) / 100
    last = max(lines_of(sheets, f"intervals {name}"), key=lambda line: line[0, 0])
    assert abs(last[0, 1] - last[1, 1]) / mm_a_cent == pytest.approx(2 * mode.half_cents, abs=0.01)


def test_what_is_unsure_is_drawn_apart(whole: History) -> None:
    sheets = drawn(whole)
    assert len(dots_of(sheets, "unsure r9")) == 5
    assert len(dots_of(sheets, "readings r9")) == 0
    # r7 was flagged at the second of five stages.
    assert len(dots_of(sheets, "unsure r7")) == 1


def test_notes_stand_on_the_staff_and_hertz_does_not_lead(whole: History) -> None:
    said = texts(drawn(whole, InstrumentSettings(spelling="flat")), "Drift")
    assert {"Ab3", "G3", "B2"} <= set(said)
    assert not any(text.startswith("G#") for text in said if len(text) == 3)


def test_a_mode_flag_for_every_mode_of_the_latest_stage(whole: History) -> None:
    said = texts(drawn(whole), "Spectra")
    for stage in (whole.of_part("top")[-1], whole.of_part("body")[-1]):
        for mode in stage.modes:
            assert f"{words.note_text(mode)}, {mode.mode}" in said


def test_hertz_stand_above_the_notes_where_they_belong(whole: History) -> None:
    """With A4 at 440 Hz (ISO 16), C3 is 130.81 Hz and C4 261.63 Hz in equal temperament."""
    top = dataclasses.replace(whole, stages=whole.of_part("top"))
    (sheet,) = (sheet for sheet in drawn(top) if sheet.title == "Spectra")
    at = {word.text: (word.x_mm, word.y_mm, word.size_pt) for word in sheet.words if word.anchor == "center"}
    octave = at["C4"][0] - at["C3"][0]
    assert (at["200"][0] - at["C3"][0]) / octave == pytest.approx(math.log2(200 / 130.8128), abs=1e-3)
    assert (at["500"][0] - at["C4"][0]) / octave == pytest.approx(math.log2(500 / 261.6256), abs=1e-3)
    # Notes lead: hertz are smaller and above.
    assert at["200"][1] < at["C4"][1]
    assert at["200"][2] < at["C4"][2]


def test_a_thinned_spectrum_loses_no_peak() -> None:
    freq = np.linspace(50.0, 1500.0, 20001)
    level = np.full_like(freq, -60.0)
    peaks = [1234, 8000, 15555]
    level[peaks] = [-3.0, 0.0, -9.0]
    spectrum = Spectrum(freq_hz=tuple(freq), level_db=tuple(level), noise_db=tuple(level))
    f, kept, _ = thinned(spectrum, 50.0, 1500.0, columns=300)
    assert len(f) <= 301
    assert {*freq[peaks]} <= {*f}
    assert sorted(kept)[-3:] == [-9.0, -3.0, 0.0]
    assert (np.diff(f) > 0).all()


def test_decays_show_sound_fit_and_floor(whole: History) -> None:
    sheets = drawn(whole)
    shown = texts(sheets, "Decays")
    assert {"fit", "floor", "tap 2"} <= set(shown)
    fit = np.concatenate([*lines_of(sheets, "fit 09-settled")])
    sound = np.concatenate([*lines_of(sheets, "decay 09-settled")])
    # A straight fit on a scale of decibels, and a sound that lies on it before it meets its floor.
    slopes = np.diff(fit[:, 1]) / np.diff(fit[:, 0])
    assert slopes == pytest.approx(np.full(len(slopes), slopes[0]), rel=1e-6)
    assert abs(np.interp(fit[10, 0], sound[:, 0], sound[:, 1]) - fit[10, 1]) < 1.5


def test_decays_are_shown_until_they_meet_their_floor(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["one stage, one tap"]()
    trace = history.stages[0].heard[0].reading.trace
    assert trace is not None
    # Made with a floor 52 dB down and a T60 of 0.5 s: they meet near 0.43 s, though the trace goes on to 1.2 s.
    (line,) = lines_of(drawn(history), "decay first")
    step_s = (trace.time_s[-1] - trace.time_s[0]) / (len(trace.time_s) - 1) * math.ceil(len(trace.time_s) / 240)
    shown_s = (len(line) - 1) * step_s
    assert 0.5 * 52 / 60 * 1.5 < shown_s < 0.5 * 52 / 60 * 2.0


@pytest.mark.parametrize("floor_db", [-52.0, -66.0, -69.5, -83.0])
def test_the_floor_is_seen_and_named_however_quiet_the_room(
    histories: dict[str, Callable[[], History]], floor_db: float
) -> None:
    history = histories["one stage, one tap"]()
    (stage,) = history.stages
    trace = stage.heard[0].reading.trace
    assert trace is not None
    reading = dataclasses.replace(stage.heard[0].reading, trace=dataclasses.replace(trace, floor_db=floor_db))
    quiet = dataclasses.replace(stage, heard=(dataclasses.replace(stage.heard[0], reading=reading),))
    (sheet,) = (s for s in drawn(dataclasses.replace(history, stages=(quiet,))) if s.title == "Decays")
    (floor,) = (m.pieces[0] for m in sheet.marks if m.shape == "lines" and m.role == "floor")
    word = next(w for w in sheet.words if w.text == "floor")
    # Letters with ascenders are 0.76 of the type size high (from the font's own table): they end below the line.
    assert word.y_mm - 0.76 * word.size_pt * MM_PER_PT > floor[0, 1]


def test_a_sound_is_as_cautious_as_its_modes(whole: History) -> None:
    """Strung after closed: the line of the whole sound breaks where those of its modes do."""
    sheets = [s for s in drawn(whole) if s.title == "Sustain"]
    body = next(s for s in sheets if any(word.text == "body" for word in s.words))
    broken = [len(mark.pieces) for mark in body.marks if mark.shape == "lines" and mark.role == "cautious link"]
    # One break, from closed to strung, in each chart: the sound and its four bands, and six modes.
    assert broken == [1] * 11


def test_what_differed_stands_on_the_page_of_the_drift(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["whole"]()
    said = texts(drawn(history), "Drift")
    assert f"08-strung: {caution_text(STRUNG)}" in said
    many = histories["forty stages"]()
    passed = Caution("days", days=2)
    many = dataclasses.replace(many, drifts=tuple(dataclasses.replace(d, cautions=(passed,)) for d in many.drifts))
    said = texts(drawn(many), "Drift")
    assert f"05-voicing step 40: {caution_text(passed)}" in said
    # Thirty-nine steps have a caution, and six lines are what a page has room for.
    (more,) = (text for text in said if "drift.csv" in text)
    assert misses(more, 34) == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_content_ends_above_the_foot(any_history: History, paper: Paper) -> None:
    """What stands below the last line for content is the foot alone: the name and the number of the page."""
    for sheet in drawn(any_history, InstrumentSettings(paper=paper, pages="full")):
        low = [word.text for word in sheet.words if word.y_mm > sheet.bottom_mm + 0.5]
        assert len(low) == 2, (sheet.title, low)


def test_no_print_is_tiny(any_history: History) -> None:
    """Six points and a half is the least; notes in print are commonly set in seven, this type being a wide one."""
    assert min(word.size_pt for sheet in drawn(any_history) for word in sheet.words) >= 6.5


def test_what_is_not_known_is_not_drawn_as_a_number(any_history: History) -> None:
    said = [word.text for sheet in drawn(any_history) for word in sheet.words]
    assert not [text for text in said if "nan" in text.split() or "inf" in text.split()]


def test_a_caution_too_long_for_its_column_is_said_whole(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["cautions galore"]()
    said = " ".join(texts(drawn(history), "Tables"))
    long = {cautions_text(d.cautions) for d in history.drifts if d.to_stage == history.stages[-1].stage}
    assert len(long) > 2
    assert all(caution in said for caution in long)


def test_more_doubts_than_have_room_are_named_all_the_same(histories: dict[str, Callable[[], History]]) -> None:
    slip = " ".join(word.text for word in drawn(histories["cautions galore"]())[0].words)
    lead = histories["cautions galore"]().stages[-1].lead
    assert lead is not None
    assert all(flag_text(flag) in slip for flag in lead.flags)


@pytest.mark.parametrize(
    ("wanted", "gap"), [([1.0, 1.0, 1.0], 2.0), ([0.0, 9.9, 10.0], 3.0), ([5.0] * 9, 2.0), ([2.0, 4.5, 9.0], 1.0)]
)
def test_flags_are_spread_in_order_within_the_sheet(wanted: list[float], gap: float) -> None:
    places = spread(wanted, gap, 0.0, 10.0)
    gaps = np.diff(places)
    assert (gaps >= min(gap, 10.0 / max(len(wanted) - 1, 1)) - 1e-5).all()
    assert 0.0 <= places[0] <= places[-1] <= 10.0
    if (np.diff(wanted) >= gap).all():
        assert places == wanted


def test_long_tables_go_on_over_pages_and_lose_no_row(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    modes = [make_mode(f"r{n + 1}", 50.0 * 1.04**n, lead=n == 0) for n in range(90)]
    history = make_history([make_stage("body", "closed", "s", 1, modes)])
    sheets = [sheet for sheet in drawn(history) if sheet.title == "Tables"]
    assert len(sheets) > 1
    said = [word.text for sheet in sheets for word in sheet.words]
    assert {words.hz_text(mode) for mode in modes} <= set(said)
    assert {f"r{n + 1}" for n in range(1, 90)} <= set(said)


def test_a_stage_without_a_spectrum_has_none_to_show(histories: dict[str, Callable[[], History]]) -> None:
    assert spectrum_of(histories["no modes"]().stages[0]) is None


# ------------------------------------------------------------- bookmarks


def test_parts_stand_below_the_bookmark_of_their_charts(whole: History) -> None:
    pdf = read(report_bytes(whole, SETTINGS))
    below = {
        str(mark["/Title"]): [(str(m["/Title"]), pdf.get_destination_page_number(m)) for m in under]
        for mark, under in zip(pdf.outline, pdf.outline[1:], strict=False)
        if isinstance(under, list)
    }
    assert [name for name, _ in below["Drift"]] == ["top", "body"]
    assert {name.split(":")[0] for name, _ in below["Tables"]} == {"top", "body"}
    assert all(name in pdf.pages[page].extract_text() for page_marks in below.values() for name, page in page_marks)
    # Folded below their own, so that the first look shows the whole report.
    # A count below zero is that of a bookmark that is folded (ISO 32000-1, 12.3.3, table 153).
    assert {name: mark["/Count"] for name, mark in bookmarks_of(pdf) if "/Count" in mark} == {
        name: -len(marks) for name, marks in below.items()
    }


def bookmarks_of(pdf: pypdf.PdfReader) -> Iterator[tuple[str, pypdf.generic.DictionaryObject]]:
    """The bookmarks that are seen first, as they stand in the file."""
    mark = pdf.trailer["/Root"]["/Outlines"]["/First"].get_object()
    while mark is not None:
        yield str(mark["/Title"]), mark
        mark = mark["/Next"].get_object() if "/Next" in mark else None


def test_slip_and_card_print_no_sentence_that_was_cut(any_history: History) -> None:
    """Only names may be shortened, and those that are too long for any page are."""
    if len(any_history.instrument_shown) > 60:
        pytest.skip("its names alone are longer than a page is wide")
    for sheet in drawn(any_history, InstrumentSettings())[:2]:
        assert [word.text for word in sheet.words if "..." in word.text] == []
