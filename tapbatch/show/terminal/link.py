"""The link to a served page, and its code for a phone's camera, at the terminal.

Conventions: the code is drawn in half blocks, light on dark, with colours that no theme changes, so it reads alike on
dark and light terminals. Around it is the quiet zone of four modules that the standard for QR codes (ISO/IEC 18004)
asks for. It is drawn only where a terminal shows it; the link is always printed.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from itertools import zip_longest
from typing import TextIO

_QUIET = 4
# White and black of the cube of 256 colours, which themes leave alone.
_LIGHT_ON_DARK, _PLAIN = "\x1b[38;5;231m\x1b[48;5;16m", "\x1b[0m"
_BLOCKS = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}

NOT_ENCRYPTED = (
    "who has this link can send and see; the connection is not encrypted: use it in the workshop's own network only"
)


def code_lines(link: str) -> list[str]:
    """Return the QR code of a link in half blocks, without colours.

    Examples
    --------
    >>> lines = code_lines("http://192.168.0.7:8017/phone#" + "a" * 22)
    >>> len(lines), {len(line) for line in lines}, set("".join(lines)) <= set("█▀▄ ")
    (21, {41}, True)
    """
    import segno

    code = segno.make(link, error="m", micro=False, boost_error=False)
    rows = [[bool(module) for module in row] for row in code.matrix_iter(border=_QUIET)]
    light = [False] * len(rows[0])
    return [_line(upper, lower) for upper, lower in zip_longest(rows[::2], rows[1::2], fillvalue=light)]


def _line(upper: Sequence[bool], lower: Sequence[bool]) -> str:
    return "".join(_BLOCKS[pair] for pair in zip(upper, lower, strict=True))


def print_page_link(url: str, *, file: TextIO | None = None) -> None:
    """Print where the served page is."""
    stream = file or sys.stdout
    print(f"the page is at {url}; its bench card at {url}#bench", file=stream, flush=True)


def print_phone_link(link: str, *, file: TextIO | None = None) -> None:
    """Print the link for a phone, its code if this is a terminal that can show it, and where the other page is."""
    stream = file or sys.stdout
    lines = [f"the phone's page is at {link}", NOT_ENCRYPTED]
    if _shows_blocks(stream):
        lines += ["scan this with the phone's camera:", "", *_coloured(code_lines(link)), ""]
    lines.append(f"on this machine, the page of all instruments is at {link.partition('phone#')[0]}")
    print("\n".join(lines), file=stream, flush=True)


def _coloured(lines: Sequence[str]) -> list[str]:
    return [f"{_LIGHT_ON_DARK}{line}{_PLAIN}" for line in lines]


def _shows_blocks(stream: TextIO) -> bool:
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        return False
    try:
        "█▀▄".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
