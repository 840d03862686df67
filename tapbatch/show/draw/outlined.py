"""Words whose letters change beside each other: written from right to left, joined, or with marks above and below.

The type has letters of such scripts, and to set them takes more than one letter after the other. The plotting library
knows how, as far as it was built to; it is asked for such words alone, since to start it takes longer than a report.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Any

from tapbatch.show.draw.marks import Word

# From the first combining mark on; below it stand Latin letters, each with its accents in one.
_FIRST_MARK = "\u0300"


def needs_shaping(text: str) -> bool:
    """Tell whether a text is more than one letter after the other, from left to right.

    Examples
    --------
    >>> needs_shaping("Größe"), needs_shaping("Жалейка"), needs_shaping("עוד")
    (False, False, True)
    """
    return any(
        c >= _FIRST_MARK
        and (unicodedata.bidirectional(c) in ("R", "AL", "AN") or unicodedata.category(c) in ("Mn", "Mc", "Me"))
        for c in text
    )


def trace_outline(path: Any, word: Word, font: Path) -> bool:
    """Trace a word's shapes on a canvas's path, in points from the start of its baseline; tell if there are any."""
    from matplotlib import rc_context, rcParamsDefault
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path as Outline
    from matplotlib.textpath import TextPath

    steps = {Outline.MOVETO: path.moveTo, Outline.LINETO: path.lineTo, Outline.CURVE4: path.curveTo}
    x, y = 0.0, 0.0
    empty = True
    # By the library's own defaults, whatever the user's are; and no text is a formula.
    rules: dict[Any, Any] = {k: v for k, v in rcParamsDefault.items() if not k.startswith("backend")}
    with rc_context({**rules, "text.parse_math": False}):
        face = FontProperties(fname=str(font))
        shape: Any = TextPath((0.0, 0.0), word.text, size=word.size_pt, prop=face, usetex=False)
    for points, code in shape.iter_segments(curves=True):
        empty = False
        if code == Outline.CLOSEPOLY:
            path.close()
            continue
        if code == Outline.CURVE3:
            # A quadratic curve as a cubic one: its handles lie two thirds of the way to the one it had.
            cx, cy, ex, ey = points
            handles = (x + 2 / 3 * (cx - x), y + 2 / 3 * (cy - y), ex + 2 / 3 * (cx - ex), ey + 2 / 3 * (cy - ey))
            points, code = (*handles, ex, ey), Outline.CURVE4
        places = [round(float(v), 2) for v in points]
        steps[code](*places)
        x, y = places[-2:]
    return not empty
