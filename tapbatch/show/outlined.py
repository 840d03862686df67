"""Words whose letters change beside each other: written from right to left, joined, or with marks above and below.

The type has letters of such scripts, and to set them takes more than one letter after the other. The plotting library
knows how, as far as it was built to; it is asked for such words alone, since to start it takes longer than a report.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Any

from tapbatch.show.lettering import Word

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


def outlined(word: Word, font: Path) -> str:
    """Return a word as filled shapes in the words of a PDF, from the start of its baseline, in points."""
    from matplotlib.path import Path as Outline

    shape = _shape(word, font)
    out: list[str] = []
    here: tuple[float, float] = (0.0, 0.0)
    for points, code in shape.iter_segments(curves=True):
        values: list[Any] = [float(v) for v in points]
        if code == Outline.CLOSEPOLY:
            out.append("h")
            continue
        if code == Outline.CURVE3:
            # A quadratic curve as a cubic one: its handles lie two thirds of the way to the one it had.
            (x, y), (cx, cy, ex, ey) = here, values
            values = [
                x + 2 / 3 * (cx - x),
                y + 2 / 3 * (cy - y),
                ex + 2 / 3 * (cx - ex),
                ey + 2 / 3 * (cy - ey),
                ex,
                ey,
            ]
        operator = {Outline.MOVETO: "m", Outline.LINETO: "l"}.get(code, "c")
        out.append(f"{' '.join(f'{v:.2f}' for v in values)} {operator}")
        here = values[-2], values[-1]
    return " ".join([*out, "f"]) if out else ""


def _shape(word: Word, font: Path) -> Any:
    import matplotlib
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    # By the library's own defaults, whatever the user's are; and no text is a formula.
    rules: dict[Any, Any] = {k: v for k, v in matplotlib.rcParamsDefault.items() if not k.startswith("backend")}
    with matplotlib.rc_context({**rules, "text.parse_math": False}):
        return TextPath((0.0, 0.0), word.text, size=word.size_pt, prop=FontProperties(fname=str(font)), usetex=False)
