"""The phone's page in a real browser, as it is seen, heard and reached: size, contrast, names, keyboard, text."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.show.browser.contrast import WORDS_AND_EDGES
from tests.watch.phones import IN_A_BROWSER, WIDTH, Phone, no_sound, put_on_the_bench, recording
from tests.watch.program import Watch

pytestmark = IN_A_BROWSER

WORDS, EDGES = 7.0, 4.5
"""The least contrast, as bright sun asks for: WCAG 2.2, 1.4.6 for words, and more than 1.4.11 for edges."""


def test_the_keyboard_goes_down_the_page(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "step")
    phone.choose(recording(tmp_path, "a.wav", 91))
    phone.until_says("#last", "a.wav")
    phone.until_says("#reading", "C4")
    # A page that was loaded anew begins at its top.
    phone.driver.refresh()
    phone.until_says("#last", "a.wav")
    phone.until_says("#reading", "C4")
    reached: list[str] = []
    while not reached or "Fetch" not in reached[-1]:
        phone.tab()
        element = "document.activeElement"
        reached.append(phone.run(f"{element}.ariaLabel ?? {element}.labels?.[0]?.innerText ?? {element}.innerText"))
        # What has the focus can be seen to have it.
        ring = f"{element}.matches('input') ? {element}.labels[0] : {element}"
        assert phone.run(f"getComputedStyle({ring}).outlineStyle") == "solid", reached
        assert len(reached) < 30
    up_to_cut = ["Skip to the reading", "Change what is on the bench", "Record or choose sound", "I have cut"]
    end = ["Give a.wav to another place", "Take out a.wav", "Notes of instrument-1, 01-voicing step 1"]
    assert [name for name in reached if name in up_to_cut] == up_to_cut
    assert reached[-4:-1] == end


def test_names_that_are_markup_stay_text(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.choose(recording(tmp_path, "<img src=x onerror=alert(1)>.wav", 91))
    phone.until_says("#reading", "C4")
    phone.until_says("#last", "img src=x")
    assert phone.complaints == []
    # What the phone itself calls a file is shown as it is.
    phone.choose(no_sound(tmp_path).rename(tmp_path / "phone" / "<b onclick=alert(1)>no sound.wav"))
    phone.until_says("#sendings", "<b onclick=alert(1)>no sound")
    phone.until_says("#sendings", "not sent")
    assert phone.run("document.images.length + document.querySelectorAll('[onclick]').length") == 0


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_fits_a_small_screen_stands_out_and_can_be_heard(
    watch: Watch, phone: Phone, tmp_path: Path, dark: bool
) -> None:
    phone.light(dark=dark)
    phone.open(watch.link)
    phone.until_says("#bench", "Nothing yet")
    look_at(phone, dark)
    phone.press("Say what is on the bench")
    look_at(phone, dark)
    phone.press("step", within="//dialog")
    phone.press("Put it on the bench")
    phone.choose(recording(tmp_path, f"{'long-name-' * 12}.wav", 91))
    phone.until_says("#reading", "C4")
    phone.until_says("#last", "long-name")
    assert phone.complaints == []
    phone.choose(no_sound(tmp_path))
    phone.until_says("#sendings", "not sent")
    phone.press("Notes of")
    phone.until("document.getElementById('note-work')")
    phone.field("#note-mass_g").send_keys("heavy", "\t")
    phone.until_says("#told-mass_g", "not a number")
    look_at(phone, dark)
    phone.press("I have cut")
    look_at(phone, dark)


def look_at(phone: Phone, dark: bool) -> None:
    """Check what is on the screen, once in its size and once with text twice as large."""
    paper = phone.run("getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)")
    assert (sum(paper) < 300) is dark
    small = (
        "[...document.querySelectorAll('button, .button, .choice, select, summary, input[type=text]')]"
        ".filter(e => e.getClientRects().length && e.getBoundingClientRect().height < 48).map(e => e.outerHTML)"
    )
    wide = "[...document.querySelectorAll('body, dialog[open], .form')].map(e => e.scrollWidth - e.clientWidth)"
    for size in ("", "200%"):
        phone.driver.execute_script(f"document.documentElement.style.fontSize = '{size}'")
        assert phone.run("document.documentElement.scrollWidth") <= WIDTH
        assert max(phone.run(wide)) <= 0
        assert phone.run(small) == []
    phone.driver.execute_script("document.documentElement.style.fontSize = ''")
    with_text = "document.body.querySelectorAll(':not(script, [type=radio], [type=checkbox], [type=file])')"
    assert min(phone.run(f"[...{with_text}].map(e => parseFloat(getComputedStyle(e).fontSize))")) >= 16
    words, least_word, edges, least_edge = phone.run(WORDS_AND_EDGES)
    assert words > 10
    assert edges > 2
    assert least_word[0] >= WORDS, least_word
    assert least_edge[0] >= EDGES, least_edge
    used = {"button", "link", "textbox", "radio", "checkbox", "combobox", "progressbar", "dialog", "region",
            "DisclosureTriangle", "listbox", "group", "radiogroup"}  # fmt: skip
    told = phone.named()
    assert [pair for pair in told if pair[0] in used and not pair[1].strip()] == []
    assert sum(role in used for role, _ in told) > 2
