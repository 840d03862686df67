"""Whether two stages were recorded at the same place, so that the error of the room cancels in their difference.

Conventions: correlations between 0 and 1. The error that a room adds to a mode at one place is one draw
(:mod:`tapbatch.compare.spots`). It counts in full on both sides of a difference, unless the recordings of both stages
show that instrument and phone stood at the same place: what the modes leave of their taps resembles one another
(:mod:`tapbatch.measure.resemblance`) by :data:`SAME_FROM` or more.

Error rates, from 25 simulated rooms with the phone at 30, 10 and 5 cm: 140 of 150 pairs of recordings from one place,
or 2 cm away, were taken for the same; so were 137 of 150 with a cut between them, 3 of 75 moved by 30 cm, and
3 of 225 from places a metre or more apart. Of 36 with only the phone moved by 10 cm, 23 were; their intervals held 92
to 100 %. The threshold was set on these rooms (``tests/benchmarks/PLACES.md`` has a table). In five others, 31 of 33
pairs from one place were taken for the same, and 0 of 22 from two.

It is wrong where the instrument itself leaves much and the room little. A plate whose damping depends on the
amplitude, carried, was taken for the same in 1 of 47 pairs. Hardly any room was heard in that one; a room that is not
heard on both sides now counts as another.

At the same place, the variance of a difference is ``2 s^2 (1 - rho)``. Two readings there are not quite alike: each
time, the hand excites the modes, and so the room, a little differently. In those rooms, intervals of 95 % held 88 %
(frequency) and 74 % (decay time) if the error was left out, and 97 % each with ``rho`` of :data:`SAME_FREQ` and
:data:`SAME_T60`.

A room answers alike only within its correlation bandwidth, 2.2/RT60 hertz (Schroeder, JASA 34, 1962). For a mode
that moved by ``d`` hertz, the errors of a tail that dies away exponentially correlate ``1/(1 + (d RT60/2.2)^2)``
times as much. RT60 is not measured but taken to be that of a lively workshop, :data:`RT60_S`. Between 0.15 and 0.95,
the simulated rooms agree with this within 0.2.

If nothing is kept of the taps, a spot that both stages name is believed to be the same place. Without a name, it is
taken for another place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

import numpy as np

from tapbatch.compare.absence import KeptOf
from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.moves.priors import Floats
from tapbatch.compare.spots import is_heard
from tapbatch.compare.tap_sets import Members
from tapbatch.measure.resemblance import Left, left_of, resemblance
from tapbatch.model.history import Stage

SAME_FROM = 0.75
"""From which resemblance on two stages count as recorded at the same place."""

SAME_FREQ, SAME_T60 = 0.98, 0.9
"""Correlation of the room's errors at the same place, of frequency and of decay time."""

RT60_S = 0.8


@dataclass(frozen=True, slots=True)
class SharedRoom:
    """The spots at which the room of two stages is the same, and how far each mode moved, in hertz."""

    same: frozenset[str]
    moved_hz: Mapping[str, float]

    def in_sets(self, sets: Sequence[TapSet], names: Sequence[str], same: float) -> list[TapSet]:
        """Return the taps of a stage with what of the room's error does not cancel.

        Parameters
        ----------
        sets : sequence of TapSet
            The taps of either stage.
        names : sequence of str
            The modes, in the order of their columns.
        same : float
            :data:`SAME_FREQ` or :data:`SAME_T60`.

        Examples
        --------
        >>> at_door = TapSet(np.zeros((1, 1)), np.ones((1, 1)), np.zeros(1), spot="door", room=np.ones(1))
        >>> [one] = SharedRoom(frozenset({"door"}), {"air": 0.0}).in_sets([at_door], ["air"], SAME_T60)
        >>> one.room.round(3)
        array([0.316])
        """
        shares = same_share(np.array([self.moved_hz[name] for name in names]))
        left = np.sqrt(1.0 - same * shares)
        return [
            one if one.room is None or one.spot not in self.same else replace(one, room=one.room * left)
            for one in sets
        ]


def same_share(moved_hz: Floats) -> Floats:
    """Return the part of the correlation that is left for modes that moved, same shape.

    Examples
    --------
    >>> same_share(np.array([0.0, 2.2 / RT60_S]))
    array([1. , 0.5])
    """
    return np.asarray(1.0 / (1.0 + (moved_hz * RT60_S / 2.2) ** 2))


class Places:
    """Tells where the stages of a part were recorded, from what is kept of their taps.

    What is left of the taps of a place is worked out once.

    Parameters
    ----------
    kept_of : KeptOf, optional
        What is kept of a recording; by default nothing is.
    """

    def __init__(self, kept_of: KeptOf | None) -> None:
        self._kept_of = kept_of
        self._left: dict[tuple[str, ...], tuple[Left, ...]] = {}

    def alike(self, stages: tuple[Stage, Stage], members: tuple[Members, Members]) -> SharedRoom:
        """Return how far the room of two stages is the same, given the taps of the modes that both have."""
        # Where hardly any room is heard, what the modes leave is the instrument's, and alike at any place.
        heard = all(any(is_heard(t.direct_db) for taps in side.values() for t, _ in taps) for side in members)
        at = [{t.spot for taps in side.values() for t, _ in taps} for side in members] if heard else [set(), set()]
        moved_hz = {name: _moved_hz(members, name) for name in members[0]}
        return SharedRoom(frozenset(spot for spot in at[0] & at[1] if self._is_same(stages, spot)), moved_hz)

    def _is_same(self, stages: tuple[Stage, Stage], spot: str) -> bool:
        before, after = (self._left_at(stage, spot) for stage in stages)
        found = resemblance(before, after)
        return spot != "" if found is None else found >= SAME_FROM

    def _left_at(self, stage: Stage, spot: str) -> tuple[Left, ...]:
        if self._kept_of is None:
            return ()
        taken = [h.recording for h in stage.heard if h.recording.kind == "tap" and h.recording.spot == spot]
        key = tuple(r.path for r in taken)
        if key not in self._left:
            kept = [self._kept_of(r) for r in taken]
            self._left[key] = left_of([k for k in kept if k is not None])
        return self._left[key]


def _moved_hz(members: tuple[Members, Members], name: str) -> float:
    logs = [fmean(math.log(m.freq_hz) for _, m in side[name]) for side in members]
    return math.exp(logs[0]) * math.expm1(logs[1] - logs[0])
