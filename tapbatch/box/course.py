"""The readings of a box as numbers: what a box would read, by how much the model may err, how likely a box is.

Conventions: as in :mod:`tapbatch.box.fit`. Arrays have an entry for each resonance that was read at each stage.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.modes import Floats, resonances_and_shares

_STEP = 1e-4
SHUT = -20.0
"""What a stiff cover leaves of the air, as a logarithm: nothing."""


@dataclass(frozen=True, slots=True)
class BoxReading:
    """What was read of a box at one stage, in the order of the stages.

    ``hz`` are the lower resonance, the higher one and perhaps a third; ``None`` where not read, and shorter where
    nothing follows. ``errors`` are their standard errors. ``conductance_mm`` and ``area_mm2`` are those of the
    opening as it was. ``speed_m_s`` is that of sound; ``air_error`` is the standard error of the air alone, from a
    temperature and sizes that are not quite known. With ``covered`` the opening was shut, and ``hz`` has what the
    top reads in the second place. ``other_work`` tells that something besides the opening was worked on to get
    there.
    """

    conductance_mm: float
    area_mm2: float
    hz: tuple[float | None, ...]
    errors: tuple[float, ...]
    speed_m_s: float = speed_of_sound_m_s(20.0, 50.0)
    air_error: float = 0.0
    covered: bool = False
    other_work: bool = False


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """By how much the model errs, in natural logarithms.

    ``air_mean`` is the mean slope of the air in the logarithm of the area that comes from the inner end of an
    opening; the others are standard deviations: ``top_slope`` and ``air_slope`` of slopes in that logarithm,
    ``top_walk`` and ``air_walk`` of random walks over one unit of it, ``each`` of each reading, and ``other_work``
    of what other work does to the top.
    """

    air_mean: float = 0.039
    top_slope: float = 0.02
    air_slope: float = 0.02
    top_walk: float = 0.006
    air_walk: float = 0.004
    each: float = 0.0003
    other_work: float = 0.05

    def shift(self, conductance: float, area: float, speed: float) -> float:
        """Return the logarithm by which the air alone rises, for these three over those at the latest stage."""
        return 0.5 * math.log(conductance) + self.air_mean * math.log(area) + math.log(speed)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The readings of a box in a form to compute with.

    ``y`` is the logarithm of what was read, ``noise`` and ``of_air`` are variances of that and of the air alone.
    ``shift`` is the logarithm of the air alone over that at the latest stage, ``away`` that of the area. ``walk_top``
    and ``walk_air`` are the variances of the random walks from there to the latest stage. ``which`` is the resonance,
    0 to 2, and ``stage`` counts the stages. ``latest`` is the reading at the latest stage.
    """

    y: Floats
    noise: Floats
    of_air: Floats
    shift: Floats
    away: Floats
    walk_top: Floats
    walk_air: Floats
    stage: Floats
    which: tuple[int, ...]
    latest: BoxReading
    settled: Discrepancy

    @classmethod
    def of(cls, readings: Sequence[BoxReading], latest: BoxReading, settled: Discrepancy) -> Self:
        """Return the course of readings in their order, ``latest`` being the last one with the opening open."""
        away = [math.log(r.area_mm2 / latest.area_mm2) for r in readings]
        gone = [abs(b - a) for a, b in itertools.pairwise(away)]
        air = [settled.air_walk**2 * g for g in gone]
        top = [
            settled.top_walk**2 * g + settled.other_work**2 * after.other_work
            for g, after in zip(gone, readings[1:], strict=True)
        ]
        rows = [(n, j) for n, r in enumerate(readings) for j, hz in enumerate(r.hz) if hz]
        stages = [n for n, _ in rows]
        shifts = [SHUT if r.covered else _shift(r, latest, settled) for r in readings]
        return cls(
            y=np.array([math.log(readings[n].hz[j] or 1.0) for n, j in rows]),
            noise=np.array([readings[n].errors[j] ** 2 + settled.each**2 for n, j in rows]),
            of_air=np.array([readings[n].air_error ** 2 for n in stages]),
            shift=np.array([shifts[n] for n in stages]),
            away=np.array([away[n] for n in stages]),
            walk_top=np.array([sum(top[n:]) for n in stages]),
            walk_air=np.array([sum(air[n:]) for n in stages]),
            stage=np.array(stages, dtype=float),
            which=tuple(j for _, j in rows),
            latest=latest,
            settled=settled,
        )

    def means(self, parameters: Floats) -> tuple[Floats, Floats, Floats]:
        """Return ``ln f`` of each reading and its sensitivities to top and air, each of shape (..., readings)."""
        found = resonances_and_shares(np.asarray(parameters)[..., None, :], self.shift)
        at = np.broadcast_to(np.array(self.which)[:, None], (*found[0].shape[:-1], 1))
        logs, top, air = (np.take_along_axis(values, at, axis=-1)[..., 0] for values in found)
        return logs, top, air

    def covariance(self, top: Floats, air: Floats) -> Floats:
        """Return the covariance of the readings for their sensitivities, shape (..., readings, readings)."""
        s = self.settled
        both = np.outer(self.away, self.away)
        same = self.stage[:, None] == self.stage[None, :]
        of_top = s.top_slope**2 * both + np.minimum.outer(self.walk_top, self.walk_top)
        of_air = s.air_slope**2 * both + np.minimum.outer(self.walk_air, self.walk_air) + same * self.of_air
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


def _shift(reading: BoxReading, latest: BoxReading, settled: Discrepancy) -> float:
    return settled.shift(
        reading.conductance_mm / latest.conductance_mm,
        reading.area_mm2 / latest.area_mm2,
        reading.speed_m_s / latest.speed_m_s,
    )
