"""How each role looks on paper: its colour, and the width and dashes of its lines.

Conventions: colours are an ink, three greys, a dark blue and a burnt orange, which differ in lightness: they survive
black-and-white print and colour blindness, and none of them means good or bad. Widths are points (1/72 inch).
"""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.show.draw.marks import Role

_INK, _SOFT, _PALE, _HAIR, _SHADE = "#1b1b1b", "#666666", "#a9a9a9", "#dddddd", "#f0f0f0"
_MARK, _MARK_PALE, _WARN = "#1f4e79", "#9db4ca", "#a85400"


@dataclass(frozen=True, slots=True)
class Ink:
    """A colour, and how wide a line of it is and whether it is dashed."""

    colour: str
    width_pt: float = 0.6
    dashed: bool = False


INKS: dict[Role, Ink] = {
    "text": Ink(_INK),
    "soft text": Ink(_SOFT),
    "caution": Ink(_WARN),
    "heading": Ink(_INK, 0.8),
    "scale": Ink(_PALE, 0.5),
    "guide": Ink(_HAIR, 0.4),
    "field": Ink(_SHADE),
    "tolerance": Ink(_HAIR),
    "reading": Ink(_MARK, 1.4),
    "unsure reading": Ink(_MARK_PALE, 1.4),
    "earlier reading": Ink(_MARK_PALE, 1.4),
    "expected reading": Ink(_MARK_PALE, 1.4),
    "link": Ink(_MARK_PALE, 0.9),
    "cautious link": Ink(_MARK_PALE, 0.9, dashed=True),
    "thread": Ink(_MARK_PALE, 0.6),
    "spectrum": Ink(_INK, 0.5),
    "sound": Ink("#8c8c8c", 0.5),
    "noise": Ink(_PALE, 0.4),
    "fit": Ink(_MARK, 1.1),
    "floor": Ink(_SOFT, 0.5, dashed=True),
    "target": Ink(_INK, 1.6),
    "next note": Ink(_INK, 0.7),
}
