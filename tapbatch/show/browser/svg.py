"""A chart as a drawing in SVG: its marks as shapes, their roles as classes.

Conventions: a drawing is measured in CSS pixels of 1/96 inch, from its top left corner, y downwards. A class is the
role with a hyphen for a space, after ``m-``; the style sheet ``page.css`` gives it colour, width and dashes for light
and dark, since the page's content security policy allows no style elsewhere. A drawing is an image with a name and a
description for those who hear the page; what it shows stands in the tables as well.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tapbatch.show.browser.markup import Markup, number, tag
from tapbatch.show.draw.chart import Chart
from tapbatch.show.draw.marks import Mark, Places, Role, Word

PX_PER_MM = 96 / 25.4
_ANCHORS = {"left": "", "center": " mid", "right": " end"}


def svg_of(chart: Chart, name: str, *over: Markup) -> Markup:
    """Return a chart as an SVG element, an image with a name and a description; ``over`` is drawn on top of it."""
    pieces = [piece for mark in chart.marks for piece in _shapes(mark)] + [_text(word) for word in chart.words]
    box = f"0 0 {px(chart.width_mm)} {px(chart.height_mm)}"
    # ``aria-label`` and no ``title``: a browser would show that as a tip wherever the pointer rests.
    label = f"{name}: {chart.description}" if chart.description else name
    return tag("svg", *pieces, *over, viewBox=Markup(box), role="img", aria_label=label)


def class_of(role: Role) -> str:
    """Return the class of a role.

    Examples
    --------
    >>> class_of("unsure reading")
    'm-unsure-reading'
    """
    return f"m-{role.replace(' ', '-')}"


def px(value_mm: float) -> str:
    """Return a length in millimetres as drawings take it."""
    return number(value_mm * PX_PER_MM)


def _shapes(mark: Mark) -> Iterable[Markup]:
    class_ = class_of(mark.role)
    if mark.shape == "dots":
        radius, places = mark.radius_mm * PX_PER_MM, np.concatenate(mark.pieces) * PX_PER_MM
        return [tag("circle", cx=x, cy=y, r=radius, class_=class_) for x, y in places.tolist()]
    d = "".join(map(_line, mark.pieces)) + ("Z" if mark.shape == "area" else "")
    return [tag("path", d=Markup(d), class_=class_)]


def _line(places: Places) -> str:
    return "M" + "L".join(f"{number(x)},{number(y)}" for x, y in (places * PX_PER_MM).tolist())


def _text(word: Word) -> Markup:
    x, y = word.x_mm * PX_PER_MM, word.y_mm * PX_PER_MM
    turn = Markup(f"rotate(-90 {number(x)} {number(y)})") if word.upright else None
    class_ = f"{class_of(word.role)}{_ANCHORS[word.anchor]}{' b' if word.bold else ''}"
    return tag("text", word.text, x=x, y=y, class_=class_, transform=turn)
