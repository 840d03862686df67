"""The slider of an instrument's page: an opening to come, and where the modes would come to rest with it.

Conventions: the drawing is that of :mod:`tapbatch.show.draw.what_if`, with a mark over it. All that the slider shows
is worked out beforehand and stands in the page, so that nothing is fetched: for each of its places the opening, where
each mode would come to rest, and where the mark lies. The script puts these where they belong. Without a script the
drawing and the first of the places remain, as it is now.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

from tapbatch.model.what_if import Slide, SlideLine
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.svg import px, svg_of
from tapbatch.show.draw.chart import SCREEN
from tapbatch.show.draw.what_if import SlideDrawing, cents_of, slide_chart
from tapbatch.show.say.what_if import SLIDE_MARKS, SLIDE_NAME, place_text, size_text, slide_basis


def slide_section(slide: Slide, here: str) -> Markup:
    """Return the slider over its drawing, as a section; ``here`` is the identity of its instrument on the page."""
    drawing = slide_chart(slide, SCREEN)
    places = [_place(slide, drawing, n) for n in range(len(slide.extents))]
    range_id = f"{here}-opening"
    first = places[0]
    slider = tag(
        "input",
        type="range",
        id=range_id,
        min=0,
        max=len(places) - 1,
        step=1,
        value=0,
        aria_valuetext=first.heard,
        data_places=json.dumps([asdict(place) for place in places], separators=(",", ":")),
    )
    caption = tag("figcaption", tag("b", "What if"), " the opening were wider: opening against notes")
    picture = svg_of(drawing.chart, SLIDE_NAME, _mark(drawing, first))
    label = tag("label", "Opening ", tag("output", first.size, for_=range_id), for_=range_id)
    told = tag("ul", *(tag("li", text) for text in first.said))
    notes = [tag("p", text) for text in (SLIDE_MARKS, slide_basis(slide))]
    figure = tag("figure", caption, picture, tag("div", label, slider, class_="slide"), told, *notes)
    return tag("section", figure, class_="whatif", aria_label=SLIDE_NAME)


@dataclass(frozen=True, slots=True)
class _Place:
    """A place of the slider: what is read, what a screen reader says, and where the mark lies, as drawings take it.

    ``y`` has the low end, the middle and the high end for each mode that is drawn; nothing where nobody can say.
    """

    size: str
    heard: str
    said: list[str]
    x: str
    y: list[list[str]]


def _place(slide: Slide, drawing: SlideDrawing, n: int) -> _Place:
    drawn = [line for line in slide.lines if line.is_drawn]
    size = size_text(slide, n)
    return _Place(
        size=size,
        heard="; ".join([size, *(place_text(slide, line, n) for line in drawn)]),
        said=[place_text(slide, line, n) for line in slide.lines],
        x=px(float(drawing.panel.x_mm(slide.extents[n]))),
        y=[_heights(slide, drawing, line, n) for line in drawn],
    )


def _heights(slide: Slide, drawing: SlideDrawing, line: SlideLine, n: int) -> list[str]:
    """Return the heights of the ends of the interval and of its middle; none where nobody can say."""
    place = line.places_hz[n]
    cents = [cents_of(hz, slide.concert_pitch_hz) for hz in place or ()]
    return [px(float(drawing.panel.y_mm(c))) for c in cents]


def _mark(drawing: SlideDrawing, place: _Place) -> Markup:
    """Return the mark as it stands first: an upright line, and a bar and a dot for each mode."""
    x = Markup(place.x)
    top, bottom = Markup(px(drawing.panel.top_mm)), Markup(px(drawing.panel.bottom_mm))
    pieces = [tag("line", x1=x, x2=x, y1=top, y2=bottom, class_="at")]
    for heights in place.y:
        low, middle, high = map(Markup, heights)
        pieces.append(tag("line", x1=x, x2=x, y1=low, y2=high, class_="bar"))
        pieces.append(tag("circle", cx=x, cy=middle, r=5, class_="dot"))
    return tag("g", *pieces, class_="mark")
