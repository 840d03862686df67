"""Whether a mode is on a landing, and how many more taps would make that sure.

Conventions: distances and half-widths in cents; a half-width is that of a 95 % interval. A mode is *surely* on a
landing if its whole interval lies within the tolerance, and *likely* if its reading does and at least two taps in
three.

How many taps would make it sure is asked of the model that joins the taps of a stage
(:func:`tapbatch.compare.stage.join_members`), given the taps that are there, each several times: the reading stays
where it is, and the points and set-ups stay those of now. What all taps share, such as the misfit of a room, does not
shrink with their number, nor does the scatter from point to point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.compare.stage import ENOUGH_TAPS, TapAt, join_members
from tapbatch.model.history import OnTarget
from tapbatch.model.reading import Mode

LIKELY = 2.0 / 3.0
MOST_TAPS = 40
"""More taps than these are not worth a maker's time; so it is for verdicts (:mod:`tapbatch.compare.moves.ask`)."""

_TIMES = (2, 3, 5, 9, 17)


def on_target(off_cents: float, half_cents: float, tolerance_cents: float, within: int, taps: int) -> OnTarget:
    """Return whether a mode is on a landing.

    Parameters
    ----------
    off_cents
        Distance of the reading from the landing, either sign.
    half_cents, tolerance_cents
        Half-width of the interval of that distance, and what still counts as on target.
    within, taps
        How many taps lie within the tolerance, and how many there are.

    Examples
    --------
    >>> on_target(1.0, 1.5, 3.0, 5, 5), on_target(1.0, 2.5, 3.0, 4, 5), on_target(1.0, 2.5, 3.0, 3, 5)
    ('sure', 'likely', 'no')
    """
    if abs(off_cents) + half_cents <= tolerance_cents:
        return "sure"
    return "likely" if abs(off_cents) <= tolerance_cents and within >= LIKELY * taps else "no"


def taps_to_sure(members: Sequence[tuple[TapAt, Mode]], half_cents: float, wanted_cents: float) -> int | None:
    """Return how many more taps would bring a mode's half-width down to what is wanted.

    Parameters
    ----------
    members
        The taps of the mode at its stage, as :func:`tapbatch.compare.stage.members_by_mode` gives them.
    half_cents
        Its half-width now.
    wanted_cents
        The half-width that would do.

    Returns
    -------
    int or None
        1 to 40; ``None`` if 40 would not do either, which is not likely to change with more, or if there are fewer
        than three taps, because then nobody knows how well they repeat.
    """
    count = len(members)
    if count < ENOUGH_TAPS or wanted_cents <= 0:
        return None
    now = join_members(members)[0].mean.half
    before = (count, half_cents)
    for times in _TIMES:
        # Copies scatter less than as many taps of the same hand: the sum of squares grows, its divisor grows faster.
        copies = math.sqrt((times * count - 1) / (times * (count - 1)))
        after = (times * count, half_cents * copies * join_members(list(members) * times)[0].mean.half / now)
        if after[1] <= wanted_cents:
            return _least(before, after, wanted_cents, count)
        before = after
        if after[0] >= count + MOST_TAPS:
            break
    return None


def _least(before: tuple[int, float], after: tuple[int, float], wanted: float, count: int) -> int | None:
    """Return the number between two at which the half-width is what is wanted; it falls as a power of the number."""
    slope = math.log(after[1] / before[1]) / math.log(after[0] / before[0])
    taps = before[0] * (wanted / before[1]) ** (1.0 / slope)
    more = max(math.ceil(taps - 1e-9) - count, 1)
    return more if more <= MOST_TAPS else None
