"""What the page says, by a parser: the reading first, its charts and tables, names as text, what is heard of it."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.caution import Caution
from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.article import Card, card_id, card_of
from tapbatch.show.browser.page import as_served
from tapbatch.show.draw.strings import DANGER
from tapbatch.show.say import words
from tapbatch.show.say.cautions import caution_text
from tapbatch.show.tables.columns import OF_INSTRUMENT
from tapbatch.show.view.answers import NOTHING_READ, WHAT_TO_DO
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.stages import latest_stage
from tapbatch.show.view.tables import BESIDES
from tests.refusals import misses
from tests.show.browser.parsed import Element, pages_bytes, pages_of, parse

SETTINGS = InstrumentSettings()
EVIL = "<script>alert('1')</script>"
EVIL_NOTICES = (Notice("other", text=EVIL),)
EVIL_CAUTIONS = (Caution("recorder", before=(EVIL,), after=("B",)),)


def page_of(*histories: History, attention: tuple[Attention, ...] = ()) -> Element:
    """The list and the instruments' own pages, as one tree."""
    return pages_of([card_of(h, SETTINGS) for h in histories], attention)


def each_page(*histories: History, attention: tuple[Attention, ...] = ()) -> list[Element]:
    return [e for e in page_of(*histories, attention=attention).children if isinstance(e, Element)]


def drawings(page: Element, name: str) -> list[Element]:
    """The drawings whose name begins so."""
    return [svg for svg in page.all("svg") if (svg.attributes["aria-label"] or "").startswith(name)]


def places(shape: Element) -> list[tuple[float, float]]:
    """The points of a shape: of a path those that it leads through, else its ends, its anchor or its centre."""
    told = shape.attributes
    if shape.name == "path":
        pairs = re.findall(r"(-?[\d.]+),(-?[\d.]+)", told["d"] or "")
        return [(float(x), float(y)) for x, y in pairs]
    if shape.name == "g":
        return []
    if shape.name == "line":
        return [(float(told[f"x{n}"] or ""), float(told[f"y{n}"] or "")) for n in (1, 2)]
    x, y = ("cx", "cy") if shape.name == "circle" else ("x", "y")
    return [(float(told[x] or ""), float(told[y] or ""))]


Makers = dict[str, Callable[[], History]]


@pytest.fixture
def one_stage(histories: Makers) -> History:
    return histories["one stage, one tap"]()


@pytest.fixture
def no_modes(histories: Makers) -> History:
    return histories["no modes"]()


def test_what_leads_is_the_note_then_how_far_off_and_how_sure(whole: History) -> None:
    stage = latest_stage(whole)
    assert stage is not None
    assert stage.lead is not None
    article = page_of(whole).one("article")
    assert article.one("h2").text == whole.instrument_shown
    assert article.one("p", class_="note").text == stage.lead.note
    told = article.one("p", class_="cents").text
    cents, sure = words.cents_text(stage.lead), words.sure_text(stage.lead)
    assert told.startswith(f"{cents} {sure}".replace(" c", " cents"))
    assert f"{words.hz_text(stage.lead)} Hz" in told
    assert next(dt.text for dt in article.all("dt")) == "Moved?"
    assert {"Moved?", "How far?", "Rings longer?", "Trust it?"} <= {dt.text for dt in article.all("dt")}


def test_what_limits_an_answer_stands_beside_it(whole: History) -> None:
    passed = Caution("days", days=2)
    drifts = tuple(replace(d, cautions=(passed,)) for d in whole.drifts)
    article = page_of(replace(whole, drifts=drifts)).one("article")
    moved = article.one("div", class_="moved")
    assert f"{BESIDES}: {caution_text(passed)}" in moved.text


def test_every_instrument_has_a_row_that_leads_to_its_page(whole: History, no_modes: History) -> None:
    page = page_of(whole, replace(no_modes, instrument="na", instrument_shown="NA"))
    links = [row.one("a").attributes["href"] for row in page.one("table", id="all").one("tbody").all("tr")]
    assert links == [f"{whole.instrument}/page.html", "na/page.html"]
    assert [article.attributes["id"] for article in page.all("article")] == [card_id(whole.instrument), card_id("na")]
    widths = {len([c for c in row.all() if c.name in ("th", "td")]) for row in page.one("table", id="all").all("tr")}
    assert len(widths) == 1


def test_each_part_has_its_charts_and_each_chart_says_what_it_shows(whole: History) -> None:
    article = page_of(whole).one("article")
    names = [svg.attributes["aria-label"] or "" for svg in article.all("svg")]
    assert all(svg.attributes["role"] == "img" for svg in article.all("svg"))
    for part in whole.parts:
        stages = whole.of_part(part)
        for mode in stages[-1].modes:
            drift = [name for name in names if name.startswith(f"Drift of {mode.mode}:")]
            assert len(stages) < 2 or any(words.note_text(mode) in name for name in drift), mode.mode
    begins = [name.split(":")[0] for name in names]
    charts = ("How long it rings", "Before and after", "Spectrum with its modes", "Decay of the clearest tap")
    for chart in charts:
        assert begins.count(chart) == len(whole.parts)
    for stage, landings in landing_blocks(whole):
        told = next(name for name in names if name.startswith(f"Where {landings[0].mode} may settle:"))
        assert words.note_text(next(m for m in stage.modes if m.mode == landings[0].mode)) in told
        assert all(f"{landing.landing_note}, " in told for landing in landings)


def test_a_staff_names_notes_and_draws_every_stage(whole: History) -> None:
    part = whole.parts[-1]
    stages = whole.of_part(part)
    charts = page_of(whole).one("details", class_="charts")
    svg = next(s for s in charts.all("svg") if len(list(s.all("circle"))) == len(stages))
    said = {text.text for text in svg.all("text")}
    assert any(re.fullmatch(r"[A-G]#?\d", word) for word in said)
    assert stages[-1].stage_shown[:10] in " ".join(said)


@pytest.mark.parametrize("floor_db", [-52.0, -69.5, -83.0])
def test_the_floor_of_a_decay_lies_above_its_scale_of_time(
    histories: dict[str, Callable[[], History]], floor_db: float
) -> None:
    (stage,) = histories["one stage, one tap"]().stages
    trace = stage.heard[0].reading.trace
    assert trace is not None
    reading = replace(stage.heard[0].reading, trace=replace(trace, floor_db=floor_db))
    quiet = replace(stage, heard=(replace(stage.heard[0], reading=reading),))
    page = page_of(History(instrument="a", instrument_shown="a", stages=(quiet,), drifts=()))
    chart = drawings(page, "Decay of the clearest tap")[0]
    ((_, floor_y), _) = places(chart.one("path", class_="m-floor"))
    heights = {text.text: float(text.attributes["y"] or 0) for text in chart.all("text")}
    assert floor_y < heights["floor"] < heights["0 s"] - 10.0


def test_hertz_stand_above_the_notes_where_they_belong(whole: History) -> None:
    """With A4 at 440 Hz (ISO 16), C3 is 130.81 Hz and C4 261.63 Hz in equal temperament."""
    top = History(instrument="a", instrument_shown="a", stages=whole.of_part("top"), drifts=())
    charts = page_of(top).one("details", class_="charts")
    svg = next(s for s in charts.all("svg") if (s.attributes["aria-label"] or "").startswith("Spectrum"))
    at = {text.text: text for text in svg.all("text")}
    x = {name: float(at[name].attributes["x"] or "") for name in ("C3", "C4", "200", "500")}
    octave = x["C4"] - x["C3"]
    assert (x["200"] - x["C3"]) / octave == pytest.approx(math.log2(200 / 130.8128), abs=0.01)
    assert (x["500"] - x["C4"]) / octave == pytest.approx(math.log2(500 / 261.6256), abs=0.01)
    assert float(at["200"].attributes["y"] or "") < float(at["C4"].attributes["y"] or "") - 11.0


def test_strings_have_a_chart_and_the_usual_caution(histories: Makers) -> None:
    strung = histories["strung"]()
    article = page_of(strung).one("article")
    names = [svg.attributes["aria-label"] or "" for svg in article.all("svg")]
    told = next(name for name in names if name.startswith("Open strings: "))
    first = strung.stages[-1].strings[0]
    assert f"1 {first.expected_note} {first.cents_off:+.1f}".removesuffix(".0") in told
    assert DANGER in article.text
    assert "face" not in page_of(histories["whole"]()).text


def test_hard_cases_make_a_page(any_history: History) -> None:
    page = page_of(any_history)
    for svg in page.all("svg"):
        _, _, width, height = map(float, (svg.attributes["viewbox"] or "").split())
        for shape in svg.all():
            for x, y in places(shape):
                assert -0.5 <= x <= width + 0.5, (svg.attributes["aria-label"], shape.attributes)
                assert -0.5 <= y <= height + 0.5, (svg.attributes["aria-label"], shape.attributes)
    assert "nan" not in re.findall(r"[a-z]+", " ".join(svg.attributes["aria-label"] or "" for svg in page.all("svg")))


def test_nothing_read_is_said_with_what_to_do(no_modes: History) -> None:
    article = page_of(no_modes).one("article")
    assert [p.text for p in article.all("p", class_="silence")] == [f"{NOTHING_READ}."]
    assert WHAT_TO_DO in article.text


def test_an_empty_shop_has_a_page() -> None:
    page = page_of()
    assert list(page.all("article")) == []
    assert misses(page.one("p", class_="silence").text, "recordings") == []


def test_names_are_text_wherever_they_stand(whole: History) -> None:
    stages = tuple(
        replace(
            stage,
            part=EVIL,
            stage_shown=EVIL,
            modes=tuple(replace(mode, mode=EVIL, flags=(EVIL,)) for mode in stage.modes[:1]),
            heard=tuple(
                replace(
                    h,
                    recording=replace(h.recording, path=EVIL),
                    reading=replace(h.reading, notices=EVIL_NOTICES),
                )
                for h in stage.heard
            ),
        )
        for stage in whole.stages
    )
    drifts = tuple(replace(d, part=EVIL, mode=EVIL, cautions=EVIL_CAUTIONS) for d in whole.drifts)
    evil = replace(
        whole,
        instrument=EVIL,
        instrument_shown=EVIL,
        stages=stages,
        drifts=drifts,
        notices=(Notice("other", text=EVIL),),
    )
    page = page_of(evil, attention=(Attention(where=EVIL, what='" onload="x', remedy="'><svg onload=x>"),))
    assert len(list(page.all("script"))) == 2
    assert EVIL in page.one("article").text
    assert EVIL in page.one("section", id="attention").text
    harmless = {"onload", "onclick", "onerror", "style"}
    assert not any(harmless & set(element.attributes) for element in page.all())
    assert {svg.attributes.get("role") for svg in page.all("svg")} == {"img"}


def test_links_lead_to_the_files_of_the_instrument(whole: History) -> None:
    page = page_of(replace(whole, instrument="lute #3 50%"))
    nav = page.one("article").one("nav")
    row = page.one("table", id="all").one("tbody").one("a")
    assert row.attributes["href"] == "lute%20%233%2050%25/page.html"
    names = ["report.pdf", *(f"{name}.csv" for name in OF_INSTRUMENT)]
    assert [a.attributes["href"] for a in nav.all("a")] == names


def test_the_page_stands_alone(any_history: History) -> None:
    for page in each_page(any_history):
        stands_alone(page)


def stands_alone(page: Element) -> None:
    policy = page.one("meta", http_equiv="Content-Security-Policy").attributes["content"] or ""
    assert policy.startswith("default-src 'none';")
    fetched = [e.attributes.get("src" if e.name != "link" else "href") for e in page.all()]
    assert {f for f in fetched if f} == {"data:,"}
    assert not [a for a in page.all("a") if re.match(r"[a-z]+:|/", a.attributes["href"] or "")]
    assert "url(" not in page.one("style").text


def test_the_same_readings_give_the_same_bytes(whole: History) -> None:
    card = card_of(whole, SETTINGS)
    assert pages_bytes([card], ()) == pages_bytes([Card.from_bytes(card.to_bytes())], ())


def test_only_what_is_served_asks_for_more(whole: History) -> None:
    for page in pages_bytes([card_of(whole, SETTINGS)], ()):
        assert "data-live" not in parse(page).one("html").attributes
        assert "data-live" in parse(as_served(page)).one("html").attributes


def test_the_list_changes_when_anything_of_an_instrument_does(whole: History) -> None:
    before = card_of(whole, SETTINGS)
    after = replace(before, article=before.article.replace("</article>", " </article>"))
    assert pages_bytes([before], ())[0] != pages_bytes([after], ())[0]


def test_a_hundred_instruments_make_a_short_list(whole: History) -> None:
    cards = [card_of(replace(whole, instrument=f"cittern-{n}"), SETTINGS) for n in range(100)]
    assert len(pages_bytes(cards, ())[0]) < 1_000_000


# --------------------------------------------------- for those who hear it


def test_headings_go_down_one_by_one(any_history: History) -> None:
    for page in each_page(any_history):
        levels = [int(e.name[1]) for e in page.all() if re.fullmatch(r"h[1-6]", e.name)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_everything_has_a_name_and_no_name_is_used_twice(any_history: History) -> None:
    for page in each_page(any_history, attention=(Attention(where="a.wav", what="silent", remedy="record again"),)):
        is_named(page)


def is_named(page: Element) -> None:
    ids = [e.attributes["id"] for e in page.all() if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    for element in page.all():
        told = element.attributes
        if element.name in ("svg", "nav", "section") or told.get("role") == "region":
            assert told.get("aria-label"), element.name
        if element.name in ("a", "summary", "caption", "th"):
            assert element.text, element.name
        if "aria-labelledby" in told:
            assert told["aria-labelledby"] in ids
        assert int(told.get("tabindex") or 0) <= 0
    assert page.one("html").attributes["lang"] == "en"
    assert [e.name for e in page.one("body").children if isinstance(e, Element)] == [
        "a", "header", "main", "footer", "script"
    ]  # fmt: skip


def test_tables_say_what_their_cells_belong_to(any_history: History) -> None:
    for table in page_of(any_history).all("table"):
        assert table.one("caption").text
        columns = list(table.one("thead").all("th"))
        assert all(th.attributes.get("scope") == "col" for th in columns)
        for row in table.one("tbody").all("tr"):
            cells = [c for c in row.children if isinstance(c, Element)]
            assert len(cells) == len(columns)
            assert (cells[0].name, cells[0].attributes["scope"]) == ("th", "row")


def test_links_of_several_instruments_are_told_apart(whole: History, one_stage: History) -> None:
    page = page_of(whole, replace(one_stage, instrument="na", instrument_shown="NA"))
    names = [nav.attributes["aria-label"] for article in page.all("article") for nav in article.all("nav")]
    assert len(names) == len(set(names)) == 2
    folds = [summary.text for summary in page.all("summary")]
    assert len(folds) == len(set(folds))
