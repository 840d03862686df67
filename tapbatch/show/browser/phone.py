"""The phone's page: what is on the bench, the newest reading, and a button that sends a recording.

Conventions: one HTML file with style and script in it, the same for every shop. It holds nothing of a shop: whatever
it shows it asks its server for, with the key that stands in the link behind ``#`` and so never reaches a log. The
server makes all sentences about readings; the page only lays them out, as text. Its content security policy names
style and script by their hashes, lets it ask its own server, and allows nothing else. It opens with its sections
empty, and the script fills them.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from tapbatch.show.browser.markup import Markup, tag

STYLE = "phone.css"
SCRIPTS = (
    "phone_asking.js",
    "phone_choosing.js",
    "phone_sending.js",
    "phone_notes.js",
    "phone_state.js",
    "phone_recordings.js",
    "phone.js",
)
"""The parts of the script, in the order in which they are joined; the last one begins."""

NO_SCRIPT = "This page needs JavaScript. Allow it for this address, then open the link again."


@cache
def phone_page() -> bytes:
    """Return the phone's page, for every shop the same bytes.

    Examples
    --------
    >>> phone_page()[:15], b"://" in phone_page()
    (b'<!DOCTYPE html>', False)
    """
    body = tag(
        "body",
        tag("a", "Skip to the reading", href="#reading", class_="skip"),
        tag(
            "header",
            tag("h1", "At the bench", id="shop"),
            tag("p", "connecting", id="line", role="status"),
        ),
        tag("p", "", id="said", role="status", class_="hear"),
        tag("div", tag("p", "", role="alert"), tag("button", "Close", type="button"), id="warned", hidden=True),
        tag("main", *_sections(), id="all", hidden=True),
        _no_key(),
        tag("noscript", tag("p", NO_SCRIPT)),
        _dialog("chooser"),
        _dialog("question"),
        Markup(f"<script>{_script()}</script>"),
    )
    return f"<!DOCTYPE html>\n{tag('html', _head(), body, lang='en')}\n".encode()


def phone_policy() -> str:
    """Return the content security policy of the page, for the header of the answer that carries it.

    Examples
    --------
    >>> phone_policy().split("; ")[0]
    "default-src 'none'"
    """
    return f"{_policy()}; frame-ancestors 'none'"


def _sections() -> tuple[Markup, ...]:
    return (
        _section("bench", "On the bench"),
        _section("reading", "Reading", tabindex=-1),
        tag(
            "section",
            tag("h2", "Send a recording", class_="hear"),
            _file_field("files", "Record or choose sound", multiple=True),
            _file_field("recorder", "Open the phone's recorder", capture=True, hidden=True),
            tag("p", "", id="room"),
            tag("ul", id="sendings", aria_label="Recordings being sent"),
            id="send",
            aria_label="Send a recording",
        ),
        _section("cut", "Cutting"),
        _section("asked", "A question about the last recording", hidden=True),
        _section("last", "Last recordings"),
        tag(
            "section",
            tag(
                "details",
                tag("summary", tag("h2", "Notes of the stage")),
                tag("div", id="fields"),
                id="notes",
                aria_label="Notes",
            ),
            aria_label="Notes of the stage",
        ),
        _section("reports", "Report"),
    )


def _section(name: str, title: str, **attributes: str | float | bool) -> Markup:
    """Return a section whose heading stays and whose content the script fills in."""
    heading = tag("h2", title, id=f"{name}-title")
    return tag("section", heading, tag("div"), id=name, aria_labelledby=f"{name}-title", **attributes)


def _file_field(name: str, said: str, *, hidden: bool = False, **attributes: bool) -> Markup:
    """Return a file field that looks like a button: the field has the focus and the name, the label is pressed.

    It takes nothing before the page knows where a recording belongs.
    """
    field = tag("input", type="file", id=name, accept="audio/*", class_="hear", disabled=True, **attributes)
    return tag("div", field, tag("label", said, for_=name, class_="button strong"), class_="field", hidden=hidden)


def _no_key() -> Markup:
    return tag(
        "section",
        tag("h2", "This page needs its key"),
        tag("p", "", id="key-why"),
        tag(
            "p",
            "Scan the code in the terminal again: it stands where ",
            tag("code", "tapbatch watch --serve --phone"),
            " was started. Or type the whole link that stands below it, with everything behind the #.",
        ),
        id="no-key",
        aria_label="This page needs its key",
        hidden=True,
    )


def _dialog(name: str) -> Markup:
    return tag("dialog", id=name, aria_labelledby=f"{name}-title")


def _head() -> Markup:
    return tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=Markup(_policy())),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", "At the bench"),
        # No icon: without this a browser asks its server for one.
        tag("link", rel="icon", href="data:,"),
        Markup(f"<style>{_part(STYLE)}</style>"),
    )


def _policy() -> str:
    return (
        f"default-src 'none'; style-src '{_hash(_part(STYLE))}'; script-src '{_hash(_script())}'; img-src data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'"
    )


@cache
def _script() -> str:
    """Return the parts as one script: a block keeps their names to themselves."""
    return '"use strict";\n{\n' + "".join(map(_part, SCRIPTS)) + "}\n"


@cache
def _part(name: str) -> str:
    return (files("tapbatch.show.browser") / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"
