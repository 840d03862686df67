"""The page in a real browser: it loads in silence, sorts, fits a telephone, can be seen and heard, and stays text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tests.show.browser.chromium import Chromium
from tests.show.browser.contrast import LUMINANCE

Put = Callable[..., str]
SILENT = Attention(where="a.wav", what="silence", remedy="record again")
OPEN = "document.querySelectorAll('details').forEach(d => { d.open = true; })"

CONTRAST = f"""
(() => {{
  {LUMINANCE}
  const words = [], marks = [];
  for (const e of document.body.querySelectorAll('*')) {{
    const told = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim());
    if (e.tagName === 'SCRIPT') continue;
    const style = getComputedStyle(e);
    if (told) words.push([ratio(parts(e.closest('svg') ? style.fill : style.color), behind(e)), e.outerHTML]);
    const seen = '[class^=m-]:is(path, circle):not(.m-guide, .m-field, .m-tolerance, .m-scale)';
    if (e.matches(seen))
      marks.push([ratio(parts(style.stroke), behind(e)), e.outerHTML]);
  }}
  return [words.length, least(words), marks.length, least(marks)];
}})()
"""


@pytest.fixture
def page(chromium: Chromium, put_page: Put, whole: History, histories: dict[str, Callable[[], History]]) -> Chromium:
    """The list of three instruments, opened from the disk."""
    strung = replace(histories["strung"](), instrument="strung")
    short = replace(histories["one stage, one tap"](), instrument="short", instrument_shown="Ärmchen")
    chromium.open(put_page(whole, strung, short, attention=(SILENT,)))
    return chromium


@pytest.fixture
def own(chromium: Chromium, put_page: Put, whole: History) -> Chromium:
    """The page of one instrument, opened from the disk."""
    chromium.open(put_page(whole, own=True))
    return chromium


def first_cells(page: Chromium) -> list[str]:
    return page.run("[...document.querySelectorAll('#all tbody tr')].map(row => row.cells[0].textContent)")  # type: ignore[no-any-return]


def test_it_opens_from_the_disk_in_silence_and_asks_for_nothing(page: Chromium) -> None:
    assert page.run("document.querySelectorAll('#all tbody tr').length") == 3
    silent(page)


def test_an_own_page_opens_from_the_disk_in_silence(own: Chromium) -> None:
    assert own.run("document.querySelectorAll('article').length") == 1
    silent(own)


def silent(page: Chromium) -> None:
    assert page.complaints == []
    assert [url for url in page.requested if not url.startswith("data:")] == [page.run("location.href")]


def test_a_complaint_would_be_heard(page: Chromium) -> None:
    page.run("setTimeout(() => { throw new Error('on purpose'); }, 0)")
    page.run("document.body.setAttribute('style', 'color: red')")
    page.run("new Promise(done => setTimeout(done, 20))")
    heard = " ".join(page.complaints)
    assert "on purpose" in heard
    assert "Content Security Policy" in heard


def test_tables_sort_by_the_press_of_a_head_and_by_the_keyboard(page: Chromium) -> None:
    notes = "[...document.querySelectorAll('#all tbody tr')].map(row => Number(row.cells[1].dataset.sort))"
    head = "document.querySelectorAll('#all thead th')[1]"
    page.run(f"{head}.querySelector('button').click()")
    assert page.run(f"{head}.getAttribute('aria-sort')") == "ascending"
    rising = page.run(notes)
    assert rising == sorted(rising)
    page.run(f"{head}.querySelector('button').focus()")
    page.press("Enter")
    assert page.run(f"{head}.getAttribute('aria-sort')") == "descending"
    assert page.run(notes) == sorted(rising, reverse=True)
    page.run("document.querySelector('#all thead th button').click()")
    assert page.run(f"{head}.hasAttribute('aria-sort')") is False
    assert first_cells(page)[0] == "Ärmchen"


def test_what_is_not_known_sorts_last_whichever_way(own: Chromium) -> None:
    page = own
    cells = (
        "[...document.querySelectorAll('.tables table')].flatMap(t => [...t.tHead.rows[0].cells].map((h, n) => {"
        "  h.querySelector('button').click(); const keys = () => [...t.tBodies[0].rows].map(r =>"
        "    (r.cells[n].dataset.sort ?? r.cells[n].textContent.trim()) === '');"
        "  const up = keys(); h.querySelector('button').click(); return [up, keys()]; }))"
    )
    orders = [order for pair in page.run(cells) for order in pair]
    assert any(any(order) and not all(order) for order in orders)
    assert all(order == sorted(order) for order in orders)


def test_the_list_of_all_instruments_needs_no_scrolling_on_a_desk(chromium: Chromium, sample_shop: Path) -> None:
    chromium.open((sample_shop / "results" / "index.html").as_uri(), width=1280)
    list_of_all = "document.querySelector('.overview')"
    assert chromium.run(f"{list_of_all}.scrollWidth <= {list_of_all}.clientWidth")


def test_the_list_of_all_instruments_needs_no_scrolling_on_a_telephone(page: Chromium) -> None:
    shown = (
        "[...document.querySelectorAll('#all thead th')].filter(h => h.offsetWidth).map(h => h.textContent.trim())"
    )
    assert len(page.run(shown)) == 6
    page.resize(390, 844)
    assert page.run(shown) == ["Instrument", "Note", "How sure", "Moved"]
    list_of_all = "document.querySelector('.overview')"
    assert page.run(f"{list_of_all}.scrollWidth <= {list_of_all}.clientWidth")


@pytest.mark.parametrize("width", [320, 1200])
def test_nothing_lies_outside_the_window(
    chromium: Chromium, put_page: Put, any_history: History, whole: History, width: int
) -> None:
    chromium.open(put_page(whole, any_history, attention=(SILENT,)), width=width)
    assert chromium.run("document.documentElement.scrollWidth") <= width
    chromium.open(put_page(any_history, own=True), width=width)
    chromium.run(OPEN)
    assert chromium.run("document.documentElement.scrollWidth") <= width
    chromium.run("location.hash = '#bench'")
    chromium.until("document.body.classList.contains('bench')")
    assert chromium.run("document.documentElement.scrollWidth") <= width


def test_the_charts_of_an_instrument_fit_two_screens_of_a_telephone(
    chromium: Chromium, put_page: Put, any_history: History
) -> None:
    chromium.open(put_page(any_history, own=True), width=390, height=844)
    chromium.run(OPEN)
    height = "document.querySelector('details.charts')?.getBoundingClientRect().height ?? 0"
    assert chromium.run(height) <= 2 * 844


@pytest.mark.parametrize("dark", [False, True])
def test_all_that_is_said_and_drawn_stands_out(own: Chromium, dark: bool) -> None:
    page = own
    page.light(dark=dark)
    page.run(OPEN)
    paper = page.run("getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)")
    assert (sum(paper) < 300) is dark
    words, least_word, marks, least_mark = page.run(CONTRAST)
    assert words > 100
    assert marks > 100
    # WCAG 2.2, 1.4.3 (text) and 1.4.11 (what is needed to understand a drawing).
    assert least_word[0] >= 4.5, least_word
    assert least_mark[0] >= 3.0, least_mark


def test_everything_that_can_be_used_or_seen_has_a_name_for_those_who_hear(own: Chromium) -> None:
    page = own
    page.run(OPEN)
    nodes = page.call("Accessibility.getFullAXTree")["nodes"]
    told = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in nodes if not n.get("ignored")]
    roles = {role for role, _ in told}
    assert {"main", "banner", "contentinfo", "navigation", "article", "heading", "table", "columnheader", "rowheader",
            "button", "link", "image", "status", "region"} <= roles  # fmt: skip
    named = {"article", "heading", "table", "button", "link", "image", "navigation", "region", "columnheader"}
    assert [pair for pair in told if pair[0] in named and not pair[1].strip()] == []


def test_the_keyboard_reaches_the_readings_first(page: Chromium) -> None:
    page.press("Tab")
    assert page.run("document.activeElement.textContent") == "Skip to the readings"
    assert page.run("document.activeElement.getBoundingClientRect().height") > 10
    page.press("Enter")
    page.until("location.hash === '#readings'")


def test_the_bench_card_shows_the_reading_large_and_alone(own: Chromium) -> None:
    own.run("document.querySelector('[data-bench]').click()")
    own.until("document.body.classList.contains('bench')")
    shown = "[...document.querySelectorAll('main > *')].filter(e => e.getClientRects().length)"
    assert own.run(f"{shown}.map(e => e.tagName)") == ["ARTICLE"]
    assert own.run("parseFloat(getComputedStyle(document.querySelector('.on-bench .note')).fontSize)") > 0.35 * 800
    assert own.run("document.documentElement.scrollHeight") <= 800
    own.press("Escape")
    own.until("!document.body.classList.contains('bench')")


def test_a_list_from_the_disk_offers_no_bench_card(page: Chromium) -> None:
    """It cannot load another page."""
    assert page.run("document.querySelector('[data-bench]').hidden")


def test_a_name_that_is_markup_stays_text(chromium: Chromium, put_page: Put, whole: History) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    stages = tuple(
        replace(s, stage_shown=evil, modes=tuple(replace(m, mode=f"{evil}{m.mode}") for m in s.modes))
        for s in whole.stages
    )
    odd = replace(whole, instrument=evil, instrument_shown=evil, stages=stages)
    attention = (Attention(where=evil, what=evil, remedy=evil),)
    for is_own, name in ((False, "#all tbody a"), (True, "h2")):
        chromium.open(put_page(odd, attention=attention, own=is_own))
        chromium.run(OPEN)
        # The list shortens what is long.
        assert chromium.run(f"document.querySelector('{name}').textContent").startswith(evil[:30])
        assert chromium.run("document.querySelectorAll('img, script').length") == 1
        assert chromium.complaints == []


def test_the_charts_of_a_sample_instrument_of_three_parts_fit_two_screens_of_a_telephone(
    chromium: Chromium, sample_shop: Path
) -> None:
    page = sample_shop / "results" / "kantele-03" / "page.html"
    chromium.open(page.as_uri(), width=390, height=844)
    chromium.run(OPEN)
    assert chromium.run("document.querySelectorAll('.parts > section').length") == 4
    assert chromium.run("document.querySelector('details.charts').getBoundingClientRect().height") <= 2 * 844
