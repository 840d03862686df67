"""A box as it is known: where its resonances are, and where a changed opening takes them.

Conventions: as in :mod:`tapbatch.box.fit`, which makes a :class:`BoxModel`. Intervals hold nineteen times in twenty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from tapbatch.box.course import SHUT, Course
from tapbatch.box.modes import Floats, resonances_and_shares

_NORMAL = np.array([-1.7117, -1.0853, -0.7159, -0.4262, -0.1413, 0.1413, 0.4262, 0.7159, 1.0853, 1.7117])
"""Ten equally likely values of a normal variable whose spread is 0.93; divided by it below."""


@dataclass(frozen=True, slots=True)
class Told:
    """A value with the bounds of its 95 % interval."""

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class BoxModel:
    """What is known of a box: equally likely draws of its parameters, and the readings they rest on.

    ``top_now`` and ``air_now`` are the sensitivities of each reading for each draw, ``pull`` what the readings say
    beyond each draw, and ``precision`` the inverse of their covariance.
    """

    draws: Floats
    course: Course
    top_now: Floats
    air_now: Floats
    pull: Floats
    precision: Floats

    @classmethod
    def of(cls, draws: Floats, course: Course) -> Self:
        """Return the model of some equally likely draws."""
        means, top, air = course.means(draws)
        precision = np.asarray(np.linalg.inv(course.covariance(top, air)), float)
        pull = (precision @ (course.y - means)[..., None])[..., 0]
        return cls(draws, course, top, air, pull, precision)

    @property
    def top(self) -> Told:
        """The top alone, in hertz; the lower resonance never passes it."""
        return _told(np.exp(self.draws[:, 0]))

    @property
    def air(self) -> Told:
        """The air alone with the latest opening, in hertz."""
        return _told(np.exp(self.draws[:, 2]))

    @property
    def covered(self) -> Told:
        """What the top reads with the opening shut, in hertz."""
        return _told(np.exp(resonances_and_shares(self.draws, np.full(len(self.draws), SHUT))[0][:, 1]))

    def paths(self, openings: Sequence[tuple[float, float, float]]) -> Floats:
        """Return equally likely values of ``ln f`` of each resonance with each of some openings.

        Parameters
        ----------
        openings
            Each as its conductance in millimetres, its area in square millimetres and the speed of sound in m/s.

        Returns
        -------
        array
            Shape (paths, openings, resonances). A path is one box with one way in which the model errs.
        """
        s, now = self.course.settled, self.course.latest
        shift = np.array(
            [s.shift(c / now.conductance_mm, a / now.area_mm2, v / now.speed_m_s) for c, a, v in openings]
        )
        away = np.array([math.log(area / now.area_mm2) for _, area, _ in openings])
        means, top, air = resonances_and_shares(self.draws[:, None, :], shift[None, :])
        # Shapes below: draws, openings, resonances, readings.
        both = away[:, None, None] * self.course.away
        cross = s.top_slope**2 * top[..., None] * self.top_now[:, None, None, :] * both
        cross = cross + s.air_slope**2 * air[..., None] * self.air_now[:, None, None, :] * both
        means = means + (cross * self.pull[:, None, None, :]).sum(axis=-1)
        known = ((cross @ self.precision[:, None]) * cross).sum(axis=-1)
        gone = np.abs(away)[:, None]
        of_top = s.top_slope**2 * gone**2 + s.top_walk**2 * gone
        of_air = s.air_slope**2 * gone**2 + s.air_walk**2 * gone
        left = top**2 * of_top + air**2 * of_air + s.each**2 - known
        z = (_NORMAL / _NORMAL.std())[:, None, None, None]
        return np.asarray((means + z * np.sqrt(np.maximum(left, 0.0))).reshape(-1, *means.shape[1:]))

    def ahead(self, openings: Sequence[tuple[float, float, float]]) -> tuple[tuple[Told, ...], ...]:
        """Return where each resonance lies with each of some openings, in hertz; see :meth:`paths`."""
        quantiles = np.exp(np.quantile(self.paths(openings), (0.5, 0.025, 0.975), axis=0))
        return tuple(tuple(Told(*map(float, one)) for one in of_one.T) for of_one in np.moveaxis(quantiles, 1, 0))


def _told(values: Floats) -> Told:
    return Told(*map(float, np.quantile(values, (0.5, 0.025, 0.975))))
