"""An instrument on the page: its latest reading first, then its charts, its tables, and links to its files.

Conventions: what leads is the note, how far off and how sure; then the answers of the reading slip, each with what
limits it beside it. A :class:`Card` rests on the history and the settings alone, so that it is made when the tables
are, kept beside the readings, and put into the page as it is.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.drawing import LETTER, cut
from tapbatch.show.browser.markup import Markup, joined, link_to, tag
from tapbatch.show.browser.sheets import drift_sheet, modes_sheet, strings_sheet, targets_sheet
from tapbatch.show.browser.sounds import decay_figure, spectrum_figure
from tapbatch.show.browser.stages import drift_figure, drift_figures, sustain_figure
from tapbatch.show.browser.strings import DANGER, strings_figure
from tapbatch.show.draw.drift import LATEST
from tapbatch.show.pdf.slip import Answer, slip_answers
from tapbatch.show.say import words
from tapbatch.show.say.conditions import learned_text
from tapbatch.show.say.landings import to_go_text
from tapbatch.show.say.notices import noticed_lines
from tapbatch.show.tables.columns import OF_INSTRUMENT
from tapbatch.show.view.drifts import drifts_into
from tapbatch.show.view.landings import chosen_landings
from tapbatch.show.view.stages import latest_stage, leading, plucked_stage, stage_date

ROOM = 48 * LETTER
"""For a name in the list of all instruments; whole names head the articles."""

# Those that the bench card shows have a name of their own.
_KINDS = {"Moved?": "moved", "How far?": "far", "Rings?": "rings", "Trust it?": "trust"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What the page holds of an instrument, as markup: its row in the list of all, and its article.

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
        """Return a kept card.

        Raises
        ------
        ValueError, KeyError, TypeError
            Where the bytes are not those of a card.
        """
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


def card_of(history: History, settings: InstrumentSettings) -> Card:
    """Return what the page holds of an instrument.

    Parameters
    ----------
    history
        The instrument's stages, with what moved between them; any number of parts, stages and modes, also none.
    settings
        Of the instrument: what counts as steady, and sharps or flats.
    """
    stage = latest_stage(history)
    lead = leading(stage) if stage else None
    recorded = max((h.reading.recorded_at for s in history.stages for h in s.heard), default="")
    return Card(
        instrument=history.instrument,
        recorded=recorded,
        row=_row(history, stage, lead, settings),
        article=_article(history, stage, lead, settings),
    )


# ------------------------------------------------------- in the list of all


def _row(history: History, stage: Stage | None, lead: StageMode | None, settings: InstrumentSettings) -> Markup:
    name = tag("a", cut(history.instrument_shown, ROOM), href=f"#{card_id(history.instrument)}")
    cells = [tag("th", name, scope="row", data_sort=history.instrument_shown)]
    where = tag("td", cut(f"{stage.part}, {stage.stage_shown}", ROOM) if stage else "")
    if stage is None or lead is None:
        return tag("tr", *cells, tag("td", "no mode could be read"), *(tag("td", "") for _ in range(3)), where)
    drift = drifts_into(history, stage).get(lead.mode)
    sure = f"{words.sure_text(lead)}, {words.how_sure(lead, settings.steady_cents)}"
    chosen = [c for c in chosen_landings(history, stage.part) if c.stage == stage.stage]
    landing = next((c for c in chosen if c.mode == lead.mode), chosen[0] if chosen else None)
    go = f"{landing.landing_note}: {to_go_text(landing)}" if landing else ""
    moved = words.moved_cell(drift) if drift else "first stage"
    caution = tag("span", " (caution)", class_="caution") if drift and drift.cautions else ""
    return tag(
        "tr",
        *cells,
        tag("td", tag("b", words.note_text(lead)), data_sort=f"{lead.freq_hz:.6g}"),
        tag("td", sure, data_sort=f"{words.half_cents(lead):.6g}"),
        tag("td", moved, caution, data_sort=_key(drift.freq_change_cents if drift else None)),
        tag("td", go, data_sort=_key(landing.cents_to_go if landing else None)),
        where,
    )


def _key(value: float | None) -> str | None:
    return None if value is None else f"{value:.6g}"


# ----------------------------------------------------------------- article


def _article(history: History, stage: Stage | None, lead: StageMode | None, settings: InstrumentSettings) -> Markup:
    here = card_id(history.instrument)
    pieces = [_head(history, stage, here)]
    said = history.instrument_shown
    if stage is None or lead is None:
        pieces.append(tag("p", "No mode could be read.", class_="silence"))
        pieces.append(tag("p", "Tap louder or closer, with the strings damped, in a quieter room."))
        said += ": no mode could be read"
    else:
        said += f", {stage.stage_shown}: {words.note_text(lead)} {words.sure_text(lead)}"
        drift = drifts_into(history, stage).get(lead.mode)
        said += f", {words.moved_text(drift)}" if drift else ""
        pieces.append(_reading(history, stage, lead, settings))
    pieces += [_noticed(history, stage), _charts(history, settings), _tables(history, settings), _files(history)]
    return tag("article", *pieces, id=here, aria_labelledby=f"{here}-name", data_said=said)


def _head(history: History, stage: Stage | None, here: str) -> Markup:
    name = tag("h2", history.instrument_shown, id=f"{here}-name")
    if stage is None:
        return tag("header", name)
    placed = ", ".join(word for word in (stage.part, stage.state) if word)
    facts = [f"{placed}: ", tag("b", stage.stage_shown)]
    facts += [f", {fact}" for fact in (stage_date(stage), f"A4 = {stage.concert_pitch_hz:g} Hz") if fact]
    work = tag("p", stage.note.work, class_="work") if stage.note and stage.note.work else ""
    return tag("header", name, tag("p", *facts, class_="stage"), work)


def _reading(history: History, stage: Stage, lead: StageMode, settings: InstrumentSettings) -> Markup:
    cents, sure = (text.replace(" c", " cents") for text in (words.cents_text(lead), words.sure_text(lead)))
    played = words.playing_text(lead, stage)
    trust = words.how_sure(lead, settings.steady_cents)
    told = [
        tag("p", lead.note, class_="note"),
        tag(
            "p",
            tag("b", cents), " ",
            tag("span", f"{sure}, {trust}", class_="sure"), " ",
            tag("span", f"{lead.mode}, {words.hz_text(lead)} Hz", class_="hz"),
            class_="cents",
        ),
        tag("p", f"played: {played}", class_="played") if played else "",
    ]  # fmt: skip
    answers = slip_answers(history, stage, lead, settings.steady_cents)
    staff = _lead_staff(history, stage, lead, settings)
    # Screen and ear get the lead first: its staff comes after what it shows.
    return tag(
        "div",
        tag("div", *told, class_="lead"),
        tag("dl", *map(_answer, answers), class_="answers"),
        tag("div", staff, class_="leadstaff") if staff else "",
        class_="reading",
    )


def _answer(answer: Answer) -> Markup:
    question, told, detail, cautions = answer
    pieces: list[str] = [tag("strong", told)]
    pieces += [tag("span", detail, class_="detail")] if detail else []
    pieces += [tag("span", caution, class_="caution") for caution in cautions]
    label = tag("dt", question or tag("span", "And how far?", class_="hear"))
    return tag("div", label, tag("dd", *pieces), class_=f"answer {_KINDS.get(question, 'more')}")


def _lead_staff(history: History, stage: Stage, lead: StageMode, settings: InstrumentSettings) -> Markup:
    stages = history.of_part(stage.part)[-LATEST:]
    return drift_figure(history, stages, lead.mode, settings.steady_cents, settings.spelling)


def _noticed(history: History, stage: Stage | None) -> Markup:
    items = [tag("li", line, class_="caution") for line in noticed_lines(history, stage)]
    items += [tag("li", learned) for learned in learned_text(history)]
    return tag("ul", *items, class_="noticed") if items else Markup()


def _charts(history: History, settings: InstrumentSettings) -> Markup:
    parts: list[Markup] = []
    for part in history.parts:
        stages = history.of_part(part)
        drifts = drift_figures(history, part, settings.steady_cents, settings.spelling)
        sounds = [
            *sustain_figure(history, part, settings.steady_cents, settings.spelling),
            *spectrum_figure(stages, settings.steady_cents, settings.spelling),
            *decay_figure(stages[-1]),
        ]
        blocks = [tag("div", *figures, class_="figures") for figures in (drifts, sounds) if figures]
        if blocks:
            parts += [tag("h3", part.capitalize()), *blocks]
    plucked = plucked_stage(history)
    if plucked is not None:
        parts += [tag("h3", "Strings"), tag("div", strings_figure(plucked, settings), class_="figures")]
        parts.append(tag("p", DANGER, class_="danger"))
    if not parts:
        return Markup()
    return _fold("Charts", history, parts, "charts")


def _tables(history: History, settings: InstrumentSettings) -> Markup:
    pieces: list[Markup] = []
    for part in history.parts:
        stage = history.of_part(part)[-1]
        pieces.append(modes_sheet(stage, drifts_into(history, stage), settings.steady_cents))
        pieces.append(targets_sheet(history.landings, part))
        pieces.append(drift_sheet(history, part))
    plucked = plucked_stage(history)
    if plucked is not None:
        pieces.append(strings_sheet(plucked))
    return _fold("Tables", history, pieces, "tables") if any(pieces) else Markup()


def _fold(title: str, history: History, pieces: list[Markup], kind: str) -> Markup:
    summary = tag("summary", title, tag("span", f" of {history.instrument_shown}", class_="hear"))
    return tag("details", summary, joined(pieces), class_=kind)


def _files(history: History) -> Markup:
    folder = history.instrument
    links = [tag("a", "Report, PDF", href=link_to(folder, "report.pdf"), class_="pdf")]
    links += [tag("a", f"{name}.csv", href=link_to(folder, f"{name}.csv")) for name in OF_INSTRUMENT]
    items = [tag("li", link) for link in links]
    return tag("nav", tag("ul", *items), aria_label=f"Files of {history.instrument_shown}")
