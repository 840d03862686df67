"""What an opening has to be, said to a person from the near end, and what is known of a box.

Conventions: sizes as a maker measures them, of one opening if several are alike: the diameter of a round one, length
by width of the others, in millimetres. The smallest opening that may do is rounded down and the largest that may be
needed is rounded up, so that nobody cuts too far for a rounding.
"""

from __future__ import annotations

import math

from tapbatch.model.history import Landing
from tapbatch.model.opening import BoxTold, OpeningNeeded, Size, WhyNoBox, Within
from tapbatch.show.say.figures import chance_text, change_text
from tapbatch.show.say.lists import count_text, joined_text

WHY_NO_BOX: dict[WhyNoBox, str] = {
    "opening": "no opening is in the settings",
    "air": "label one mode of the body, and no more, as kind air",
    "order": "the labelled modes change places",
    "held": "the latest stage is not that of a closed box without strings",
    "sizes": "the notes of the latest stage do not give the size of the opening",
    "little": "two openings, a tap with the opening covered or the box's volume is needed",
}
"""Why nothing is told of a box, and what would mend it."""

_FINE_MM = 20.0


def opening_text(landing: Landing) -> str:
    """Say which opening a landing needs, told from the near end; empty where that is not known or the mode is there.

    Examples
    --------
    >>> needed = OpeningNeeded(shape="round", count=1, now=Size(78.0, 0.0, 4778.4), stop=Size(81.6, 0.0, 5229.6),
    ...                        likely=Size(83.5, 0.0, 5476.0), most=Size(85.2, 0.0, 5701.2))
    >>> needed_text(needed, rises=True)
    'opening now 78 mm: stop at 81 mm and tap; it may need up to 86 mm'
    """
    if landing.opening is None or landing.on_target != "no":
        return ""
    return needed_text(landing.opening, rises=landing.cents_to_go > 0)


def needed_text(needed: OpeningNeeded, *, rises: bool) -> str:
    """Say which opening is needed for a mode that has to rise, or to fall; see :func:`opening_text`."""
    now = f"opening now {size_text(needed.now)}{' each' if needed.count > 1 else ''}"
    if not rises:
        smaller = "" if needed.likely is None else f", about {size_text(needed.likely)}"
        return f"{now}: only a smaller one{smaller} leads there" if not needed.out_of_reach else f"{now}: {NOT_DOWN}"
    if needed.out_of_reach:
        return f"{now}: {NO_OPENING}"
    most = f"up to {size_text(needed.most, up=True)}" if needed.most else "more than four times the area"
    doubt = f"; {chance_text(1.0 - needed.reach)} chance that no opening gets there" if needed.reach < _ALL else ""
    if needed.stop is None or needed.stop.area_mm2 <= needed.now.area_mm2 * 1.005:
        return f"{now}: tap again before you cut; it may be there, or need {most}{doubt}"
    return f"{now}: stop at {size_text(needed.stop, up=False)} and tap; it may need {most}{doubt}"


NO_OPENING = "no opening gets there"
NOT_DOWN = "no opening of a quarter of the area or more leads there"
_ALL = 0.975


def opening_cell(landing: Landing) -> str:
    """Say which opening is needed in a few words, such as ``opening 81 to 86 mm``; empty as :func:`opening_text`."""
    needed = landing.opening
    if needed is None or landing.on_target != "no" or landing.cents_to_go <= 0:
        return ""
    if needed.out_of_reach:
        return NO_OPENING
    if needed.stop is None or needed.most is None:
        return ""
    least = max(needed.stop, needed.now, key=lambda size: size.area_mm2)
    low, high = size_text(least, up=False), size_text(needed.most, up=True)
    return f"opening {low.removesuffix(' mm')} to {high}"


def meanwhile_text(landing: Landing) -> str:
    """Say what the other modes do with that opening, such as ``with 84 mm: top +9 c (+4 to +15)``; empty if none."""
    needed = landing.opening
    if not needed or needed.likely is None or not needed.meanwhile or not opening_cell(landing):
        return ""
    moved = ", ".join(f"{m.mode} {change_text(m.cents, m.low, m.high, 1, 'c')}" for m in needed.meanwhile)
    return f"with {size_text(needed.likely)}: {moved}"


def size_text(size: Size, *, up: bool | None = None) -> str:
    """Return a size as it is measured, rounded up, down, or to the nearest.

    Examples
    --------
    >>> size_text(Size(81.6, 0.0, 0.0), up=False), size_text(Size(70.0, 6.31, 0.0), up=True)
    ('81 mm', '70 x 6.4 mm')
    """
    both = (size.length_mm, size.width_mm) if size.width_mm else (size.length_mm,)
    return f"{' x '.join(_millimetres(one, up) for one in both)} mm"


def _millimetres(value: float, up: bool | None) -> str:
    step = 1.0 if value >= _FINE_MM else 0.1
    steps = value / step
    # A hair beyond a whole step is that step.
    whole = round(steps) if up is None else math.ceil(steps - 1e-6) if up else math.floor(steps + 1e-6)
    return f"{whole * step:.{0 if step == 1.0 else 1}f}"


def box_text(box: BoxTold) -> str:
    r"""Say what is known of a box: its air alone, its top alone, and how far an opening can take the air.

    Examples
    --------
    >>> told = BoxTold(part="body", stage="s", air_hz=Within(176.2, 172.0, 180.3), top_hz=Within(270.1, 266.0, 276.4),
    ...                covered_hz=Within(294.0, 292.6, 296.7), stages=4, covered=5)
    >>> print(box_text(told).replace("; ", "\n"))
    the box, from 4 stages and 5 covered taps: air alone 176 Hz (172 to 180), top alone 270 Hz (266 to 276)
    no opening takes the air past the top alone
    """
    if box.why_not:
        return f"nothing is told of the box: {WHY_NO_BOX[box.why_not]}"
    if box.air_hz is None or box.top_hz is None:
        return ""
    grounds = [count_text(box.stages, "stage")]
    grounds += [count_text(box.covered, "covered tap")] if box.covered else []
    grounds += [f"{box.volume_l:g} l"] if box.volume_l else []
    air, top = _hz(box.air_hz), _hz(box.top_hz)
    limit = "no opening takes the air past the top alone"
    return f"the box, from {joined_text(grounds)}: air alone {air}, top alone {top}; {limit}"


def _hz(one: Within) -> str:
    return f"{one.value:.0f} Hz ({one.low:.0f} to {one.high:.0f})"
