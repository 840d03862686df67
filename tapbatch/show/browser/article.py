"""An instrument's own page: its latest reading first, then its charts, its tables, and links to its files.

Conventions: what leads is the note, how far off and how sure; then the answers of the reading slip, each with what
limits it beside it. A :class:`Card` rests on the history and the settings alone, so that it is made when the tables
are, kept beside the readings, and put into the pages as it is.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import OWN_PAGE
from tapbatch.show.browser.figures import drift_figure, part_figures, strings_figure, wood_figures
from tapbatch.show.browser.markup import Markup, joined, link_to, tag
from tapbatch.show.browser.sheets import key_of, table_sheet
from tapbatch.show.browser.slider import slide_section
from tapbatch.show.draw.drift import LATEST
from tapbatch.show.draw.lettering import fitted
from tapbatch.show.say import words
from tapbatch.show.say.cautions import learned_text
from tapbatch.show.say.notices import noticed_lines
from tapbatch.show.tables.columns import OF_BLANKS
from tapbatch.show.tables.rows import tables_of
from tapbatch.show.view import stages
from tapbatch.show.view.answers import (
    NOTHING_READ,
    QUESTIONS,
    WHAT_TO_DO,
    Answer,
    answers_of,
    fault_line,
    standing_text,
)
from tapbatch.show.view.besides import said_beside
from tapbatch.show.view.boards import blank_stage
from tapbatch.show.view.labelling import offer_of
from tapbatch.show.view.tables import part_tables, strings_table
from tapbatch.show.view.working import Subject, beside_lines, not_heard_text, spoken_name, subject_of

ROOM_MM, ROW_PT = 115.0, 12.0
"""The room for a name in the list of all instruments, and its letters; whole names head the articles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What the pages hold of an instrument, as markup: its row in the list of all, and its article.

    ``recorded`` is when the latest of its recordings was made, empty where that is not known.
    """

    instrument: str
    recorded: str
    row: str
    article: str

    def to_bytes(self) -> bytes:
        """Return the card as it is kept."""
        return json.dumps(asdict(self), indent=1).encode()

    @staticmethod
    def from_bytes(data: bytes) -> Card:
        """Return a kept card; other bytes raise a ``ValueError``, ``KeyError`` or ``TypeError``."""
        told = json.loads(data)
        return Card(**{key: str(told[key]) for key in ("instrument", "recorded", "row", "article")})


def card_id(instrument: str) -> str:
    """Return the identity of an instrument on the page: letters and digits only, whatever its name holds.

    Examples
    --------
    >>> card_id("kantele-03")
    'i-267df8f27c'
    """
    return f"i-{hashlib.sha256(instrument.encode('utf-8', 'backslashreplace')).hexdigest()[:10]}"


def row_id(instrument: str) -> str:
    """Return the identity of an instrument's row in the list of all."""
    return f"r-{card_id(instrument)}"


def card_of(history: History, settings: InstrumentSettings, lined: stages.Lined = stages.with_own_lines) -> Card:
    """Return what the page holds of an instrument: any number of parts, stages and modes, also none.

    ``lined`` gives the stages that are drawn the lines of their charts; by default they have them.
    """
    stage = stages.latest_stage(history)
    row = stages.first_row(history, stage, settings.steady_cents) if stage else None
    subject = subject_of(history, stage) if stage else None
    recorded = max((h.reading.recorded_at for s in history.stages for h in s.heard), default="")
    answers = answers_of(history, stage, subject, settings.steady_cents) if stage and subject else ()
    here = card_id(history.instrument)
    if stage and subject:
        note = _note(row) if row else _unheard(stage, subject)
        first = [_reading(history, stage, subject, note, answers, settings), _offer(history, stage, settings)]
    else:
        first = [tag("p", f"{NOTHING_READ}.", class_="silence"), tag("p", WHAT_TO_DO)]
    slide = slide_section(history.slide, here) if history.slide else Markup()
    more = (_charts(history, settings, lined), _tables(history, settings), _files(history))
    said = standing_text(history, stage) if stage else f"{history.instrument_shown}: {NOTHING_READ.lower()}"
    fault = fault_line(history, stage, settings.steady_cents) if stage else ""
    pieces = (
        _head(history, stage, here),
        tag("p", fault, class_="fault caution") if fault else "",
        *first,
        _noticed(history, stage),
        slide,
        *more,
    )
    row_of_list = _row(history, stage, subject, row, answers)
    article = tag("article", *pieces, id=here, aria_labelledby=f"{here}-name", data_said=said)
    return Card(instrument=history.instrument, recorded=recorded, row=row_of_list, article=article)


def _row(
    history: History,
    stage: Stage | None,
    subject: Subject | None,
    row: stages.ModeRow | None,
    answers: Sequence[Answer],
) -> Markup:
    name = tag("a", fitted(history.instrument_shown, ROOM_MM, ROW_PT), href=link_to(history.instrument, OWN_PAGE))
    cells = [tag("th", name, scope="row", data_sort=history.instrument_shown)]
    where = tag("td", fitted(f"{stage.part}, {stage.stage_shown}", ROOM_MM, ROW_PT) if stage else "")
    if row is None:
        told = f"{subject.name} {not_heard_text(stage)}" if stage and subject else NOTHING_READ.lower()
        return tag("tr", *cells, tag("td", told), *(tag("td", "") for _ in range(3)), where)
    mode = row.mode
    answered = {answer.question: answer for answer in reversed(answers)}
    moved, far = answered["moved"], answered.get("far", Answer(question="far", told=""))
    caution = tag("span", " (caution)", class_="caution") if any(limit.heavy for limit in moved.limits) else ""
    label = fitted(spoken_name(stage, mode.mode), ROOM_MM, ROW_PT) if stage else ""
    return tag(
        "tr",
        *cells,
        tag("td", f"{label} ".lstrip(), tag("b", words.note_text(mode)), data_sort=key_of(mode.freq_hz)),
        tag("td", f"{words.sure_text(mode)}, {row.trust}", data_sort=key_of(answers[-1].number)),
        tag("td", moved.brief, caution, data_sort=key_of(moved.number)),
        tag("td", far.brief, data_sort=key_of(far.number)),
        where,
    )


def _head(history: History, stage: Stage | None, here: str) -> Markup:
    name = tag("h2", history.instrument_shown, id=f"{here}-name")
    if stage is None:
        return tag("header", name)
    facts = (f"{stages.stage_placed(stage)}: ", tag("b", stage.stage_shown), f", {stages.stage_facts(stage)}")
    work = tag("p", stage.note.work, class_="work") if stage.note and stage.note.work else ""
    return tag("header", name, tag("p", *facts, class_="stage"), work)


def _note(row: stages.ModeRow) -> tuple[str, ...]:
    cents, sure = (text(row.mode, "cents") for text in (words.cents_text, words.sure_text))
    surely = tag("span", f"{sure}, {row.trust}", class_="sure")
    name, hz = tag("span", row.name, class_="name"), tag("span", f"{words.hz_text(row.mode)} Hz", class_="hz")
    return (
        tag("p", row.mode.note, class_="note"),
        tag("p", tag("b", cents), " ", surely, " ", name, " ", hz, class_="cents"),
        tag("p", f"played: {row.played}", class_="played") if row.played else "",
    )


def _unheard(stage: Stage, subject: Subject) -> tuple[str, ...]:
    return (
        tag("p", subject.name, class_="unheard"),
        tag("p", tag("b", not_heard_text(stage)), class_="cents"),
    )


def _offer(history: History, stage: Stage, settings: InstrumentSettings) -> Markup:
    offer = offer_of(history, stage, settings)
    if offer is None:
        return Markup()
    return tag("div", tag("p", offer.told), tag("pre", "\n".join(offer.lines)), class_="offer")


def _reading(
    history: History,
    stage: Stage,
    subject: Subject,
    note: Sequence[str],
    answers: Sequence[Answer],
    settings: InstrumentSettings,
) -> Markup:
    staff = drift_figure(history, history.of_part(stage.part)[-LATEST:], subject.name, settings)
    beside = [tag("p", line) for line in beside_lines(history, stage)]
    # Screen and ear get the note first: its staff comes after what it shows.
    return tag(
        "div",
        tag("div", *note, class_="lead"),
        tag("div", *beside, class_="beside") if beside else "",
        tag("dl", *map(_answer, answers), class_="answers"),
        tag("div", staff, class_="leadstaff") if staff else "",
        class_="reading",
    )


def _answer(answer: Answer) -> Markup:
    pieces: list[str] = [tag("strong", answer.told)]
    pieces += [tag("span", answer.detail, class_="detail")] if answer.detail else []
    pieces += [tag("span", limit.full, class_="caution" if limit.heavy else "little") for limit in answer.limits]
    question = QUESTIONS[answer.question]
    label = tag("dt", tag("span", "And how far?", class_="hear") if answer.goes_on else question)
    # The bench card has room for the first answer to each question.
    return tag("div", label, tag("dd", *pieces), class_=f"answer {'more' if answer.goes_on else answer.question}")


def _noticed(history: History, stage: Stage | None) -> Markup:
    items = [tag("li", notice, class_="caution") for notice in noticed_lines(history, stage)]
    items += [tag("li", learned) for learned in learned_text(history, said_beside(history, stage))]
    return tag("ul", *items, class_="noticed") if items else Markup()


def _charts(history: History, settings: InstrumentSettings, lined: stages.Lined) -> Markup:
    latest, plucked = stages.latest_stage(history), stages.plucked_stage(history)
    figures = part_figures(history, settings, lined)
    # The part that was read last comes first.
    parts = sorted(figures, key=lambda part: latest is None or part != latest.part)
    shown = [_part(part.capitalize(), *figures[part]) for part in parts if any(figures[part])]
    if plucked is not None:
        shown.append(_part("Strings", [], [strings_figure(plucked, settings)]))
    blank = blank_stage(history)
    if blank is not None:
        shown.insert(0, _part("Wood", [], wood_figures(history, blank, settings)))
    # On a telephone all parts stand side by side in this region.
    name = f"Charts of {history.instrument_shown}; they can be scrolled"
    region = tag("div", *shown, class_="parts", tabindex=0, role="region", aria_label=name)
    return _fold("Charts", history, [region] if shown else [], "charts")


def _part(name: str, drifts: Sequence[Markup], now: Sequence[Markup]) -> Markup:
    """Return the charts of a part: how its modes drifted, and how it stands and sounds now."""
    groups = (("figures drifts", drifts), ("figures now", now))
    rows = (tag("div", *figures, class_=kind) for kind, figures in groups if figures)
    return tag("section", tag("h3", name), *rows, aria_label=f"Charts of {name}")


def _tables(history: History, settings: InstrumentSettings) -> Markup:
    pieces = [table_sheet(t) for part in history.parts for t in part_tables(history, part, settings.steady_cents)]
    plucked = stages.plucked_stage(history)
    if plucked is not None:
        pieces.append(table_sheet(strings_table(plucked)))
    return _fold("Tables", history, pieces, "tables")


def _fold(title: str, history: History, pieces: list[Markup], kind: str) -> Markup:
    if not any(pieces):
        return Markup()
    summary = tag("summary", title, tag("span", f" of {history.instrument_shown}", class_="hear"))
    return tag("details", summary, joined(pieces), class_=kind)


def _files(history: History) -> Markup:
    links = [tag("a", "Report, PDF", href=link_to("report.pdf"), class_="pdf")]
    links += [tag("a", f"{name}.csv", href=link_to(f"{name}.csv")) for name in tables_of(history)]
    links += [tag("a", "The wood store", href="../blanks.html")] if set(OF_BLANKS) & set(tables_of(history)) else []
    return tag(
        "nav", tag("ul", *(tag("li", link) for link in links)), aria_label=f"Files of {history.instrument_shown}"
    )
