"""Markup, HTML and SVG alike, in which all text is data.

Conventions: what is a plain ``str`` is escaped wherever it is put, as content or as the value of an attribute; only
what was made here is a :class:`Markup` and goes in as it is. So a file called ``<script>`` stays text without anybody
having to think of it. Characters that do not print, and those that turn the direction of writing, become U+FFFD.
"""

from __future__ import annotations

import html
import os
from collections.abc import Iterable
from urllib.parse import quote

# HTML's elements without content; SVG's are written with an end tag, which HTML reads the same.
_VOID = frozenset({"meta", "link", "br", "input"})


class Markup(str):
    """Text that is already markup."""

    __slots__ = ()


def escaped(text: str) -> Markup:
    r"""Return text escaped, as markup.

    Examples
    --------
    >>> escaped("top\x1b[31m\u202e")
    'top�[31m�'
    >>> escaped("<script>alert('top')</script>")
    '&lt;script&gt;alert(&#x27;top&#x27;)&lt;/script&gt;'
    """
    if isinstance(text, Markup):
        return text
    if not text.isprintable():
        text = "".join(c if c.isprintable() else " " if c.isspace() else "\ufffd" for c in text)
    return Markup(html.escape(text))


def joined(pieces: Iterable[str]) -> Markup:
    """Join pieces, escaping those that are plain text."""
    return Markup("".join(map(escaped, pieces)))


def tag(name: str, /, *content: str, **attributes: str | float | bool | None) -> Markup:
    """Return an element with its content, in order, and its attributes; plain text is escaped.

    In the name of an attribute an underscore stands for a hyphen, one at the end is dropped (``class_``). ``None``
    and ``False`` leave the attribute out, ``True`` gives it no value; numbers keep one decimal.

    Examples
    --------
    >>> tag("p", "a < b", class_="note", data_x=1.25, hidden=None)
    '<p class="note" data-x="1.2">a &lt; b</p>'
    """
    told = ""
    for key, value in attributes.items():
        if value is not None and value is not False:
            told += f" {key.rstrip('_').replace('_', '-')}"
            if value is not True:
                told += f'="{escaped(value) if isinstance(value, str) else number(value)}"'
    if name in _VOID:
        return Markup(f"<{name}{told}>")
    return Markup(f"<{name}{told}>{joined(content)}</{name}>")


def number(value: float) -> str:
    """Return a number as drawings take it, with one decimal at most.

    Examples
    --------
    >>> number(3.0), number(2.25), number(-0.01)
    ('3', '2.2', '0')
    """
    return f"{value:z.1f}".removesuffix(".0")


def link_to(*parts: str) -> Markup:
    """Return a relative link to a file below the page, from the names of its folders and its own.

    Examples
    --------
    >>> link_to("lute #3", "report.pdf")
    'lute%20%233/report.pdf'
    """
    return Markup("/".join(quote(os.fsencode(part), safe="") for part in parts))
