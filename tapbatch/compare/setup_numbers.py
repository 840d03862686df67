"""Which set-up of a stage each tap belongs to: by the words ``again``, ``resets`` and ``spot-NAME``.

Conventions: set-ups are counted from 0. The recordings of one spot that have neither word belong to its first set-up.
Each recording marked ``again`` is another one. A recording marked ``resets`` holds several: a new one begins where
:data:`PAUSE_S` or more passed since the tap before. Another spot always means another set-up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise

from tapbatch.compare.order import grouped, in_sequence
from tapbatch.model.history import Heard

PAUSE_S = 5.0
"""From the touch of one used tap to that of the next; taps of one set-up follow one another more quickly."""


def setup_numbers(heard: Sequence[Heard]) -> tuple[tuple[int, ...], ...]:
    """Return which set-up each used tap of a place belongs to.

    At each point of a spot, the set-ups after the first are counted in the order of take, else of time, else of name.
    The second set-up at one point is taken to be the second at every other point of that spot, and so on.

    Parameters
    ----------
    heard : sequence of Heard
        The recordings of one place.

    Returns
    -------
    tuple of tuples of int
        One tuple for each recording, with a number for each of its used taps.

    Examples
    --------
    >>> setup_numbers([])
    ()
    """
    found: list[tuple[int, ...]] = [()] * len(heard)
    before = 0
    for at_spot in _by(heard, range(len(heard)), lambda h: h.recording.spot):
        most = 0
        for at_point in _by(heard, at_spot, lambda h: h.recording.point):
            numbers = _numbers([heard[i] for i in at_point])
            most = max([most, *(n for of_one in numbers for n in of_one)])
            for i, of_one in zip(at_point, numbers, strict=True):
                found[i] = tuple(before + n for n in of_one)
        before += most + 1
    return tuple(found)


def taps_of_setups(heard: Heard) -> tuple[int, ...]:
    """Return how many used taps each set-up within one recording has; one entry unless it is marked ``resets``.

    Examples
    --------
    >>> from tapbatch.model.reading import Reading, Recording
    >>> recording = Recording(
    ...     path="a.wav", sha256="", instrument="c", instrument_shown="c", stage="s", stage_shown="s")
    >>> reading = Reading(sha256="", method="", duration_s=9.0, sample_rate_hz=48000, recorded_at="", lossy=False,
    ...                   notices=(), taps=())
    >>> taps_of_setups(Heard(recording=recording, reading=reading, part="top", state="free"))
    (0,)
    """
    parts = _parts(heard)
    return tuple(parts.count(n) for n in range(max(parts, default=0) + 1))


def _by(heard: Sequence[Heard], which: Sequence[int], key: Callable[[Heard], str]) -> list[list[int]]:
    groups = grouped(which, lambda i: key(heard[i]))
    return [groups[name] for name in sorted(groups)]


def _numbers(heard: Sequence[Heard]) -> list[tuple[int, ...]]:
    """Return the set-up of each used tap of the recordings of one point and spot."""
    anew = [i for i, h in enumerate(heard) if h.recording.again or h.recording.resets]
    numbers = [(0,) * len(h.reading.used_taps) for h in heard]
    last: int | None = None
    for i in in_sequence(anew, lambda i: heard[i]):
        # The first recording marked `resets` begins with the first set-up, every later one with a new one.
        first = 0 if last is None and not heard[i].recording.again else (last or 0) + 1
        numbers[i] = tuple(first + n for n in _parts(heard[i]))
        last = max(numbers[i], default=first)
    return numbers


def _parts(heard: Heard) -> tuple[int, ...]:
    """Return which set-up within its recording each used tap belongs to, from 0."""
    taps = heard.reading.used_taps
    if not heard.recording.resets or not taps:
        return (0,) * len(taps)
    return parted_by_pauses([tap.tap.onset_s for tap in taps])


def parted_by_pauses(onsets_s: Sequence[float]) -> tuple[int, ...]:
    """Return for each tap how many pauses of :data:`PAUSE_S` or more come before it.

    Parameters
    ----------
    onsets_s : sequence of float, shape (n,)
        When the taps of one recording begin, in seconds, in order.

    Examples
    --------
    >>> parted_by_pauses([0.5, 1.5, 6.5, 7.0, 20.0])
    (0, 0, 1, 1, 2)
    """
    pauses = (later - earlier >= PAUSE_S for earlier, later in pairwise(onsets_s))
    return tuple(accumulate(pauses, initial=0))[: len(onsets_s)]
