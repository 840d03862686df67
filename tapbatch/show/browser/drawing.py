"""Names of the list of all instruments, cut to the room that they have.

Conventions: room in CSS pixels.
"""

from __future__ import annotations

LETTER = 6.1
"""The mean width of a letter of 11 px, for cutting names that have no room."""


def cut(text: str, room: float) -> str:
    """Return text as far as it has room: its beginning and its end, for names of stages differ in either.

    Examples
    --------
    >>> cut("02-top-thinned", 60), cut("air", 60)
    ('02-to…ned', 'air')
    """
    most = max(int(room / LETTER + 1e-9), 1)
    if len(text) <= most:
        return text
    tail = most // 3
    return f"{text[: most - 1 - tail].rstrip()}…{text[len(text) - tail :].lstrip()}"
