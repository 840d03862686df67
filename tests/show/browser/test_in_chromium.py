"""The page in a real browser: it loads in silence, sorts, fits a telephone, can be seen and heard, and stays text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.show.browser.article import card_id
from tests.show.browser.chromium import Chromium

Put = Callable[..., str]
SILENT = Attention(where="a.wav", what="silence", remedy="record again")
OPEN = "document.querySelectorAll('details').forEach(d => { d.open = true; })"

# WCAG 2.2, "relative luminance" and "contrast ratio", of what is drawn on what lies behind it.
CONTRAST = """
(() => {
  const parts = c => c.match(/[\\d.]+/g).map(Number);
  const linear = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const behind = e => {
    for (; e; e = e.parentElement) {
      const c = parts(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const ratio = (a, b) => (Math.max(light(a), light(b)) + 0.05) / (Math.min(light(a), light(b)) + 0.05);
  const words = [], marks = [];
  for (const e of document.body.querySelectorAll('*')) {
    const told = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim());
    if (e.tagName === 'SCRIPT') continue;
    const style = getComputedStyle(e);
    if (told) words.push([ratio(parts(e.closest('svg') ? style.fill : style.color), behind(e)), e.outerHTML]);
    const seen = '[class^=m-]:is(path, circle):not(.m-guide, .m-field, .m-tolerance, .m-scale)';
    if (e.matches(seen))
      marks.push([ratio(parts(style.stroke), behind(e)), e.outerHTML]);
  }
  const least = all => all.reduce((a, b) => a[0] < b[0] ? a : b);
  return [words.length, least(words), marks.length, least(marks)];
})()
"""


@pytest.fixture
def page(chromium: Chromium, put_page: Put, whole: History, histories: dict[str, Callable[[], History]]) -> Chromium:
    """A page of three instruments, opened from the disk."""
    strung = replace(histories["strung"](), instrument="strung")
    short = replace(histories["one stage, one tap"](), instrument="short", instrument_shown="Ärmchen")
    chromium.open(put_page(whole, strung, short, attention=(SILENT,)))
    return chromium


def first_cells(page: Chromium) -> list[str]:
    return page.run("[...document.querySelectorAll('#all tbody tr')].map(row => row.cells[0].textContent)")  # type: ignore[no-any-return]


def test_it_opens_from_the_disk_in_silence_and_asks_for_nothing(page: Chromium) -> None:
    assert page.run("document.querySelectorAll('article').length") == 3
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


def test_what_is_not_known_sorts_last_whichever_way(page: Chromium) -> None:
    cells = (
        "[...document.querySelectorAll('.tables table')].flatMap(t => [...t.tHead.rows[0].cells].map((h, n) => {"
        "  h.querySelector('button').click(); const keys = () => [...t.tBodies[0].rows].map(r =>"
        "    (r.cells[n].dataset.sort ?? r.cells[n].textContent.trim()) === '');"
        "  const up = keys(); h.querySelector('button').click(); return [up, keys()]; }))"
    )
    orders = [order for pair in page.run(cells) for order in pair]
    assert any(any(order) and not all(order) for order in orders)
    assert all(order == sorted(order) for order in orders)


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
    chromium.open(put_page(whole, replace(any_history, instrument="x"), attention=(SILENT,)), width=width)
    chromium.run(OPEN)
    assert chromium.run("document.documentElement.scrollWidth") <= width
    chromium.run(f"location.hash = '#bench/{card_id('x')}'")
    chromium.until("document.body.classList.contains('bench')")
    assert chromium.run("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("dark", [False, True])
def test_all_that_is_said_and_drawn_stands_out(page: Chromium, dark: bool) -> None:
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


def test_everything_that_can_be_used_or_seen_has_a_name_for_those_who_hear(page: Chromium) -> None:
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


def test_the_bench_card_shows_the_newest_reading_large_and_alone(page: Chromium, whole: History) -> None:
    page.run("document.querySelector('#views a').click()")
    page.until("document.body.classList.contains('bench')")
    shown = "[...document.querySelectorAll('main > *')].filter(e => e.getClientRects().length)"
    assert page.run(f"{shown}.map(e => e.tagName)") == ["ARTICLE"]
    assert page.run("parseFloat(getComputedStyle(document.querySelector('.on-bench .note')).fontSize)") > 0.35 * 800
    assert page.run("document.documentElement.scrollHeight") <= 800
    page.press("Escape")
    page.until("!document.body.classList.contains('bench')")
    page.run(f"document.querySelector('#{card_id(whole.instrument)} .tobench').click()")
    page.until("document.body.classList.contains('bench')")
    assert page.run("document.querySelector('.on-bench').id") == card_id(whole.instrument)


def test_a_name_that_is_markup_stays_text(chromium: Chromium, put_page: Put, whole: History) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    stages = tuple(
        replace(s, stage_shown=evil, modes=tuple(replace(m, mode=f"{evil}{m.mode}") for m in s.modes))
        for s in whole.stages
    )
    odd = replace(whole, instrument=evil, instrument_shown=evil, stages=stages)
    chromium.open(put_page(odd, attention=(Attention(where=evil, what=evil, remedy=evil),)))
    chromium.run(OPEN)
    assert chromium.run("document.querySelector('h2').textContent") == evil
    assert chromium.run("document.querySelectorAll('img, script').length") == 1
    assert chromium.complaints == []
