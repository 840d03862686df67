"""The phone's page as a file: nothing from outside, a policy that names its style and script, and its rules."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from datetime import timedelta
from importlib.resources import files
from typing import Any

import pytest

from tapbatch.model.bench_log import IDLE, NIGHT_ENDS, is_of_one_recording
from tapbatch.model.names import AIMS, KINDS, STATES
from tapbatch.shop.notes_file import FIELDS
from tapbatch.show.browser.phone import SCRIPTS, STYLE, phone_page, phone_policy
from tests.show.browser.chromium import Chromium
from tests.show.browser.parsed import parse

PARTS = {name: (files("tapbatch.show.browser") / name).read_text(encoding="utf-8") for name in (STYLE, *SCRIPTS)}
HOUR_MS = 3_600_000


def test_the_policy_names_style_and_script_by_their_hashes_and_allows_nothing_else() -> None:
    page = phone_page().decode()
    for kind, element in (("style", "style"), ("script", "script")):
        (told,) = re.findall(rf"<{element}>(.*?)</{element}>", page, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(told.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in phone_policy()
        assert f"{kind}-src 'sha256-{digest}'" in page
    assert phone_policy().startswith("default-src 'none'; ")
    assert "unsafe" not in phone_policy()
    # A browser complains of this one where it stands in the page itself.
    assert "frame-ancestors 'none'" in phone_policy()
    assert "frame-ancestors" not in page


def test_it_holds_nothing_from_outside_and_is_always_the_same() -> None:
    page = phone_page().decode()
    assert "://" not in page
    assert not re.search(r'(src|href)="(?!#|data:)', page)
    assert phone_page() == phone_page()


@pytest.mark.parametrize("name", SCRIPTS)
def test_text_is_never_put_in_as_markup(name: str) -> None:
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|DOMParser", PARTS[name])


@pytest.mark.parametrize("name", PARTS)
def test_its_parts_stay_small(name: str) -> None:
    assert len(PARTS[name].splitlines()) < 450
    assert max(map(len, PARTS[name].splitlines())) <= 118


def test_every_section_has_a_name_and_every_field_a_label() -> None:
    page = phone_page().decode()
    named = set(re.findall(r' id="([^"]+)"', page))
    assert set(re.findall(r'aria-labelledby="([^"]+)"', page)) - named == {"chooser-title", "question-title"}
    fields = set(re.findall(r'<input[^>]* id="([^"]+)"', page))
    assert fields == set(re.findall(r'<label[^>]* for="([^"]+)"', page)) == {"files", "recorder"}
    assert parse(phone_page()) is not None


def rule(chromium: Chromium, expression: str) -> object:
    """Return what an expression gives where the page's own functions are known."""
    told = "".join(PARTS[name] for name in SCRIPTS if name != "phone.js")
    # Of the last part only the functions: what it begins with, and not its last line, which begins the page.
    told += PARTS["phone.js"].removesuffix("begin();\n")
    chromium.open("about:blank#rules")
    return chromium.run(f"(() => {{ {told}\n return {expression}; }})()")


def test_no_recording_is_taken_before_the_page_knows_where_it_belongs() -> None:
    fields = [field for field in parse(phone_page()).all("input") if field.attributes.get("type") == "file"]
    assert len(fields) == 2
    assert all("disabled" in field.attributes for field in fields)


@pytest.mark.parametrize(
    ("typed", "kind", "kept"),
    [
        ("21,5", "number", "21.5"),
        (" 0.4 ", "number", "0.4"),
        ("\u22122", "number", "-2"),
        ("", "number", ""),
        ("heavy", "number", None),
        ("2 3", "number", None),
        ("1e3", "number", None),
        ("2,8  3.1 2,9", "numbers", "2.8 3.1 2.9"),
        ("2,8 thin", "numbers", None),
        ("scraped, at the edge", "text", "scraped, at the edge"),
    ],
)
def test_numbers_are_kept_with_a_point(chromium: Chromium, typed: str, kind: str, kept: str | None) -> None:
    assert rule(chromium, f"tidied({json.dumps(typed)}, '{kind}')") == kept


@pytest.mark.parametrize(
    ("said", "now", "lapsed"),
    [
        ("2026-11-30T10:00", "2026-11-30T13:59", False),
        ("2026-11-30T10:00", "2026-11-30T14:01", True),
        ("2026-11-30T03:59", "2026-11-30T04:01", True),
        ("2026-11-30T01:00", "2026-11-30T03:59", False),
        ("2026-11-30T23:30", "2026-12-01T01:00", False),
    ],
)
def test_what_was_said_lapses_as_it_does_for_the_terminal(
    chromium: Chromium, said: str, now: str, lapsed: bool
) -> None:
    """Four idle hours, or four in the morning: docs/inbox.md."""
    when = f"new Date('{said}').getTime(), new Date('{now}').getTime()"
    assert rule(chromium, f"hasLapsed({when})") is lapsed


def test_its_words_and_times_are_those_of_the_shop(chromium: Chromium) -> None:
    assert rule(chromium, "AIMS") == list(AIMS)
    assert rule(chromium, "Object.keys(HELD)") == list(STATES)
    assert rule(chromium, "Object.keys(KINDS)") == list(KINDS)
    assert rule(chromium, "NOTES.map(([name]) => name).sort()") == sorted(FIELDS)
    assert rule(chromium, "[LAPSE_HOURS, NIGHT_HOUR]") == [IDLE / timedelta(hours=1), NIGHT_ENDS.hour]
    words = ["again", "resets", "at-bridge", "spot-window", "closed", "top", "att", "step"]
    kept = rule(chromium, f"{json.dumps(words)}.filter((word) => !OF_ONE_RECORDING.test(word))")
    # The page's own word for a series without a number is none of the names' words.
    assert kept == [word for word in words if not is_of_one_recording(word) and word != "step"]


def test_names_are_offered_so_that_none_must_be_typed(chromium: Chromium) -> None:
    assert rule(chromium, "nextName('instrument-', ['Instrument-1', 'lyre'])") == "instrument-2"
    assert rule(chromium, "newStages([])[0]") == "01-voicing"
    assert rule(chromium, "newStages(['05-closed', 'first', '06-voicing']).every(s => s.startsWith('07-'))") is True


def test_a_draft_gives_back_the_destination_that_it_was_made_of(chromium: Chromium) -> None:
    state = {"parts": ["body", "top"], "states": ["free", "closed"], "kinds": ["tap", "pluck", "room"]}
    place: dict[str, Any] = {
        "instrument": "cittern-12", "stage": "06-voicing", "step": 3, "on": ["air"],
        "words": ["top", "closed", "at-bridge", "spot-window", "resets"],
    }  # fmt: skip
    same = f"destinationOf(draftOf({json.dumps(place)}, {json.dumps(state)}))"
    assert rule(chromium, same) == {**place, "words": [*place["words"], "step"]}


@pytest.mark.parametrize(
    ("words", "same"), [(["Closed", "resets"], True), (["closed", "at-bridge"], True), (["free"], False)]
)
def test_a_series_is_the_same_at_every_point_and_spot(chromium: Chromium, words: list[str], same: bool) -> None:
    """As ``OnBench.series``."""
    one, other = ({"instrument": "Lute-3", "stage": "voicing", "words": w} for w in (["closed"], words))
    assert rule(chromium, f"isSameSeries({json.dumps(one)}, {json.dumps(other)})") is same


def test_a_hundred_per_cent_are_said_only_of_what_has_arrived(chromium: Chromium) -> None:
    assert rule(chromium, "percentOf({ sent: 10, size: 10, state: 'sends' })") == 99
    assert rule(chromium, "percentOf({ sent: 10, size: 10, state: 'arrived' })") == 100
    assert rule(chromium, "percentOf({ sent: 0, size: 0, state: 'sends' })") == 0
