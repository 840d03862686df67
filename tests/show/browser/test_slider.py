"""The slider in a real browser: it moves a mark, says where modes would come to rest, and asks nobody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import History
from tests.show.browser.chromium import Chromium
from tests.show.slides import ACROSS, slide_of_air

SLIDER = "document.querySelector('.whatif input')"


@pytest.fixture
def opened(chromium: Chromium, put_page: Callable[..., str], whole: History) -> Callable[[History], Chromium]:
    def show(history: History) -> Chromium:
        chromium.open(put_page(history, own=True), width=390)
        return chromium

    return show


def slid(page: Chromium, to: int) -> None:
    page.run(f"{SLIDER}.value = {to}; {SLIDER}.dispatchEvent(new Event('input', {{ bubbles: true }}))")


def items(page: Chromium) -> list[str]:
    return page.run("[...document.querySelectorAll('.whatif li')].map(li => li.textContent)")  # type: ignore[no-any-return]


def mark(page: Chromium) -> list[float]:
    found = "document.querySelector('.whatif .mark .dot')"
    return [float(page.run(f"{found}.getAttribute('{name}')")) for name in ("cx", "cy")]


def test_it_begins_where_the_opening_is_and_moves_with_it(
    opened: Callable[[History], Chromium], whole: History
) -> None:
    page = opened(replace(whole, slide=slide_of_air()))
    assert page.run("document.querySelector('.whatif output').textContent") == "40 mm across, as it is now"
    began = mark(page)
    slid(page, len(ACROSS) - 1)
    assert page.run("document.querySelector('.whatif output').textContent") == "44 mm across"
    ended = mark(page)
    # It goes right and, as the air rises, up.
    assert ended[0] > began[0]
    assert ended[1] < began[1]
    # 80 cents above A3 less 40, between 55 and 105 above where it was.
    assert items(page)[0].startswith("air A3 +40 c, +80 c (+55 to +105); target A3: 40 c above it (+15 to +65)")
    assert items(page)[1].startswith("top E4")
    assert page.complaints == []
    assert [url for url in page.requested if not url.startswith("data:")] == [page.run("location.href")]


def test_the_keyboard_moves_it_and_those_who_hear_are_told(
    opened: Callable[[History], Chromium], whole: History
) -> None:
    page = opened(replace(whole, slide=slide_of_air()))
    page.run(f"{SLIDER}.focus()")
    page.press("ArrowRight")
    heard = page.run(f"{SLIDER}.getAttribute('aria-valuetext')")
    assert heard.startswith("41 mm across; air A3 -20 c")
    # Only what is drawn is read out each time.
    assert "top" not in heard
    assert page.run(f"{SLIDER}.labels[0].textContent").startswith("Opening")


def test_where_nobody_can_say_the_mark_of_the_mode_goes(
    opened: Callable[[History], Chromium], whole: History
) -> None:
    page = opened(replace(whole, slide=slide_of_air(known=3)))
    slid(page, 4)
    assert page.run("getComputedStyle(document.querySelector('.whatif .mark .dot')).display") == "none"
    assert items(page)[0] == "air: farther than all steps so far together"
    slid(page, 2)
    assert page.run("getComputedStyle(document.querySelector('.whatif .mark .dot')).display") != "none"


def test_nothing_hangs_out_of_a_telephone(opened: Callable[[History], Chromium], whole: History) -> None:
    page = opened(replace(whole, slide=slide_of_air()))
    for n in (0, len(ACROSS) - 1):
        slid(page, n)
        assert page.run("document.documentElement.scrollWidth") <= 390


def test_without_a_slide_there_is_no_slider(opened: Callable[[History], Chromium], whole: History) -> None:
    page = opened(replace(whole, slide=None))
    assert page.run("document.querySelectorAll('.whatif').length") == 0
