"""The readings of a box as numbers: what a box would read, how far the model may err, and how likely a box is.

Conventions: as in :mod:`tapbatch.box.fit`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from tapbatch.box.modes import Floats, three_hz, two_hz

_STEP = 1e-4
_SHUT = -20.0
"""What a stiff cover leaves of the air, as a logarithm: nothing."""


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """By how much the model errs: standard deviations of natural logarithms.

    ``top_slope`` and ``air_slope`` are slopes in the logarithm of the area, ``top_walk`` and ``air_walk`` those of a
    random walk over one unit of it. ``each`` is that of each reading by itself, and ``other_work`` what other
    work does to the top.
    """

    top_slope: float = 0.02
    air_slope: float = 0.04
    top_walk: float = 0.01
    air_walk: float = 0.01
    each: float = 0.0007
    other_work: float = 0.05


def resonances_and_shares(parameters: Floats, shift: Floats, resonances: int) -> tuple[Floats, Floats, Floats]:
    """Return the resonances of boxes and by which share they follow the top and the air, each (..., resonances).

    Parameters
    ----------
    parameters
        Shape (..., 3 or 5): logarithms of the top in hertz, of coupling over top, of the air at the latest stage, and
        of the back and its coupling over the top.
    shift
        Shape (...): the logarithm of the air over that at the latest stage.
    resonances
        2 or 3.

    Returns
    -------
    tuple
        ``ln f``, ``d ln f / d ln top`` and ``d ln f / d ln air``; a top that drifts leaves coupling and back as
        they are, in hertz.
    """
    p = np.broadcast_arrays(*(parameters[..., n] for n in range(parameters.shape[-1])), shift)
    top, coupling, air = np.exp(p[0]), np.exp(p[0] + p[1]), np.exp(p[2] + p[-1])
    back = (np.exp(p[0] + p[3]), np.exp(p[0] + p[4])) if resonances > 2 else ()

    def logs(top: Floats, air: Floats) -> Floats:
        return np.asarray(np.log(three_hz(top, coupling, *back, air) if back else two_hz(top, coupling, air)))

    found = logs(top, air)
    by_top = (logs(top * math.exp(_STEP), air) - found) / _STEP
    by_air = (logs(top, air * math.exp(_STEP)) - found) / _STEP
    return found, np.asarray(by_top), np.asarray(by_air)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The readings of a box in a form to compute with: one entry for each resonance that was read.

    ``shift`` is the logarithm of the air alone over the latest stage; ``away`` that of the area; ``which`` the
    resonance; ``tau`` and ``tau_top`` what the random walks came from there to the latest stage.
    """

    y: Floats
    noise: Floats
    shift: Floats
    away: Floats
    walk_air: Floats
    walk_top: Floats
    speed: Floats
    stage: Floats
    which: tuple[int, ...]
    covered: Floats
    resonances: int
    latest: tuple[float, float, float]
    settled: Discrepancy

    @classmethod
    def of(
        cls,
        stages: Sequence[tuple[float, float, float, bool, bool]],
        hz: Sequence[Sequence[float | None]],
        errors: Sequence[Sequence[float]],
        speed_errors: Sequence[float],
        latest: tuple[float, float, float],
        settled: Discrepancy,
    ) -> Self:
        """Return the course of stages given as (conductance, area, speed of sound, covered, other work)."""
        away = [math.log(area / latest[1]) for _, area, _, _, _ in stages]
        gone = [abs(b - a) for a, b in itertools.pairwise(away)]
        air = [settled.air_walk**2 * g for g in gone]
        top = [
            settled.top_walk**2 * g + (settled.other_work**2 if after[4] else 0.0)
            for g, after in zip(gone, stages[1:], strict=True)
        ]
        to_latest = [[sum(v[n:]) for n in range(len(stages))] for v in (air, top)]
        rows = [(i, j) for i, of_stage in enumerate(hz) for j, one in enumerate(of_stage) if one]
        shifts = [0.5 * math.log(c / latest[0]) + math.log(speed / latest[2]) for c, _, speed, _, _ in stages]
        return cls(
            y=np.array([math.log(hz[i][j] or 1.0) for i, j in rows]),
            noise=np.array([errors[i][j] ** 2 + settled.each**2 for i, j in rows]),
            shift=np.array([shifts[i] for i, _ in rows]),
            away=np.array([away[i] for i, _ in rows]),
            walk_air=np.array([to_latest[0][i] for i, _ in rows]),
            walk_top=np.array([to_latest[1][i] for i, _ in rows]),
            speed=np.array([speed_errors[i] ** 2 for i, _ in rows]),
            stage=np.array([float(i) for i, _ in rows]),
            which=tuple(j for _, j in rows),
            covered=np.array([float(stages[i][3]) for i, _ in rows]),
            resonances=max(2, 1 + max(j for _, j in rows)),
            latest=latest,
            settled=settled,
        )

    def means(self, parameters: Floats) -> tuple[Floats, Floats, Floats]:
        """Return ``ln f`` of each reading and its sensitivities to top and air, each of shape (..., readings)."""
        shift = np.where(self.covered > 0, _SHUT, self.shift)
        found = resonances_and_shares(np.asarray(parameters)[..., None, :], shift, self.resonances)
        one, two, three = (np.take_along_axis(v, _index(self.which, v.shape), axis=-1)[..., 0] for v in found)
        return one, two, three

    def covariance(self, top: Floats, air: Floats) -> Floats:
        """Return the covariance of the readings for their sensitivities, shape (..., readings, readings)."""
        s = self.settled
        both = np.outer(self.away, self.away)
        of_top = s.top_slope**2 * both + np.minimum.outer(self.walk_top, self.walk_top)
        same = self.stage[:, None] == self.stage[None, :]
        of_air = s.air_slope**2 * both + np.minimum.outer(self.walk_air, self.walk_air) + same * self.speed
        return np.asarray(
            top[..., :, None] * top[..., None, :] * of_top
            + air[..., :, None] * air[..., None, :] * of_air
            + np.diag(self.noise)
        )

    def log_likelihood(self, draws: Floats) -> Floats:
        """Return the logarithm of the likelihood of each draw, up to a constant."""
        means, top, air = self.means(draws)
        root = np.linalg.cholesky(self.covariance(top, air))
        white = np.linalg.solve(root, (self.y - means)[..., None])[..., 0]
        logs = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
        return np.asarray(-0.5 * (white**2).sum(axis=-1) - logs)

    def linear(self, at: Floats) -> tuple[Floats, Floats, Floats]:
        """Return residuals, slopes and the precision of the readings at some parameters."""
        means, top, air = self.means(at)
        slope = np.stack([(self.means(at + _STEP * unit)[0] - means) / _STEP for unit in np.eye(len(at))], axis=-1)
        return self.y - means, slope, np.asarray(np.linalg.inv(self.covariance(top, air)), float)


def _index(which: Sequence[int], shape: tuple[int, ...]) -> np.ndarray:
    return np.broadcast_to(np.array(which)[:, None], (*shape[:-1], 1))
