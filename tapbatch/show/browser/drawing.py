"""What the drawings of the page share: one width that a telephone shows without shrinking, words and strokes.

Conventions: lengths are CSS pixels of a drawing :data:`WIDTH` wide, from its top left corner, y downwards. Strokes
and fills are classes, whose colours the page's style sheet gives for light and dark. A drawing is an image with a
name and a description for those who hear the page; what it shows stands in the tables as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from tapbatch.model.history import Stage
from tapbatch.show.browser.markup import Markup, joined, number, tag
from tapbatch.show.draw.charts import Point, stage_places

WIDTH = 320.0
LETTER = 6.1
"""The mean width of a letter of 11 px, for cutting names that have no room."""

NAMES_HEIGHT = 102.0


def drawing(name: str, description: str, height: float, pieces: Iterable[str], width: float = WIDTH) -> Markup:
    """Return a drawing as an SVG element, an image with a name."""
    # ``aria-label`` and no ``title``: a browser would show that as a tip wherever the pointer rests.
    label = f"{name}: {description}" if description else name
    box = f"0 0 {number(width)} {number(height)}"
    return tag("svg", *pieces, viewBox=Markup(box), role="img", aria_label=label)


def line(x0: float, y0: float, x1: float, y1: float, class_: str) -> Markup:
    """Return a straight line."""
    return tag("line", x1=x0, y1=y0, x2=x1, y2=y1, class_=class_)


def path(points: Sequence[tuple[float, float]], class_: str) -> Markup:
    """Return a line through points; nothing where there are fewer than two."""
    if len(points) < 2:
        return Markup()
    d = "M" + "L".join(f"{number(x)},{number(y)}" for x, y in points)
    return tag("path", d=Markup(d), class_=class_)


def dot(x: float, y: float, class_: str, radius: float = 3.5) -> Markup:
    """Return a round dot."""
    return tag("circle", cx=x, cy=y, r=radius, class_=class_)


def say(x: float, y: float, text: str, class_: str = "", *, upright: bool = False) -> Markup:
    """Return one line of text on a baseline; ``upright`` runs it upwards."""
    turn = Markup(f"rotate(-90 {number(x)} {number(y)})") if upright else None
    return tag("text", text, x=x, y=y, class_=class_ or None, transform=turn)


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


def name_stages(left: float, right: float, top: float, stages: Sequence[Stage]) -> Markup:
    """Return the names of the stages, upright below a drawing, as many as have room, the latest always."""
    places = stage_places(left, right, len(stages))
    every = math.ceil(13.0 * len(stages) / (right - left))
    return joined(
        say(x + 4.0, top + 6.0, cut(stage.stage_shown, NAMES_HEIGHT - 8.0), "end" if n < len(stages) - 1 else "end b",
            upright=True)
        for n, (x, stage) in enumerate(zip(places, stages, strict=True))
        if (len(stages) - 1 - n) % every == 0
    )  # fmt: skip


def bar(x: float, point: Point, y_of: Sequence[float]) -> Markup:
    """Return the upright interval of a reading from its two ends; nothing where it is not known."""
    if not (math.isfinite(point.low) and math.isfinite(point.high)):
        return Markup()
    return line(x, y_of[0], x, y_of[1], "bar pale" if point.unsure else "bar")
