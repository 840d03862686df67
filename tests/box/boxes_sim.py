"""Boxes of a finer make than the product's, whose truth is known: plain mechanics of masses, springs and air.

Conventions: metres, kilograms, seconds inside; millimetres and hertz outside. Nothing here is taken from the product.
A top, a back and the air in the opening push on one volume. What the product leaves out or does not know:

- the inner end of the opening is confined by the box (Ingard, J. Acoust. Soc. Am. 25, 1953, 1037: its end correction
  shrinks by ``1 - 1.25 xi`` with the root ``xi`` of the opening's area over that of the wall);
- outer ends of real edges differ from those of a thin wall by some per cent;
- the back pushes too, somewhere from the covered top up to twice as high;
- the top drifts as wood beside the opening goes, steadily and a little by chance at each cut;
- diameters are measured to 0.15 mm, temperatures to 0.5 K, volumes to 5 %, readings to 1.5 cents.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import eigh
from scipy.special import ellipk

DENSITY = 1.19
READING_CENTS = 1.5


@dataclass(frozen=True)
class SimBox:
    """One box as it really is."""

    volume_m3: float
    top_hz: float
    top_kg: float
    top_m2: float
    back_hz: float
    back_kg: float
    back_m2: float
    wall_m2: float
    outer: float
    edge_mm: float
    drift: float
    by_chance: float
    length_mm: float
    ratio: float

    def conductance_m(self, length_mm: float) -> float:
        """What an elliptical opening of a length really lets through."""
        a = length_mm / 2000.0
        b = a / self.ratio
        area = math.pi * a * b
        thin = math.pi * a / float(ellipk(1.0 - 1.0 / self.ratio**2))
        confined = 1.0 - 1.25 * min(math.sqrt(area / self.wall_m2), 0.45)
        return 1.0 / (0.5 * self.outer / thin + 0.5 * confined / thin + self.edge_mm / 1000.0 / area)

    def area_mm2(self, length_mm: float) -> float:
        """The area of an opening of a length."""
        return math.pi * length_mm**2 / (4.0 * self.ratio)

    def resonances_hz(
        self, length_mm: float, celsius: float = 20.0, stray: float = 0.0, covered: bool = False
    ) -> np.ndarray:
        """All resonances with an opening; ``stray`` is what the top drifted by chance, as a logarithm."""
        speed = 331.4 * math.sqrt(1.0 + celsius / 273.15) * 1.0017
        drift = self.drift * math.log(self.area_mm2(length_mm) / self.area_mm2(self.length_mm)) + stray
        top = 2.0 * math.pi * self.top_hz * math.exp(drift)
        back = 2.0 * math.pi * self.back_hz
        area = self.area_mm2(length_mm) * 1e-6
        plug = DENSITY * area**2 / self.conductance_m(length_mm)
        areas = np.array([self.top_m2, self.back_m2, area])
        springs = DENSITY * speed**2 / self.volume_m3 * np.outer(areas, areas)
        springs += np.diag([self.top_kg * top**2, self.back_kg * back**2, 0.0])
        masses = np.diag([self.top_kg, self.back_kg, plug])
        count = 2 if covered else 3
        squares = eigh(springs[:count, :count], masses[:count, :count], eigvals_only=True)
        return np.asarray(np.sqrt(np.maximum(squares, 0.0)) / (2.0 * math.pi))


def random_box(rng: np.random.Generator, ratio: float = 1.0) -> SimBox:
    """Return a box between a small cittern and a large guitar, with an opening to begin with."""
    volume = float(np.exp(rng.uniform(math.log(4.0), math.log(16.0)))) * 1e-3
    speed = 344.0
    length = float(rng.uniform(50.0, 80.0)) * (volume / 10e-3) ** (1 / 3) * math.sqrt(ratio)
    air = speed / (2.0 * math.pi) * math.sqrt(length / ratio / 1000.0 / volume)
    top_hz = air * float(rng.uniform(1.25, 1.9))
    # Coupling over top from 0.15 to 0.75.
    coupling = 2.0 * math.pi * top_hz * float(rng.uniform(0.15, 0.75))
    area = 0.022 * (volume / 10e-3) ** (2 / 3)
    kg = DENSITY * speed**2 * area**2 / volume / coupling**2
    covered = math.hypot(top_hz, coupling / (2.0 * math.pi))
    back_hz = covered * float(rng.uniform(1.0, 1.6))
    share = float(rng.uniform(0.15, 0.6))
    return SimBox(
        volume_m3=volume,
        top_hz=top_hz,
        top_kg=kg,
        top_m2=area,
        back_hz=back_hz,
        back_kg=1.5 * kg,
        back_m2=area * share * math.sqrt(1.5),
        wall_m2=area * float(rng.uniform(2.5, 5.0)),
        outer=float(rng.uniform(0.98, 1.08)),
        edge_mm=float(rng.uniform(2.0, 4.0)),
        drift=float(rng.normal(-0.008, 0.012)),
        by_chance=0.0010,
        length_mm=length,
        ratio=ratio,
    )


@dataclass(frozen=True)
class SimStage:
    """One stage as it was noted and read; ``hz`` are all resonances, ``covered`` tells that the opening was shut."""

    length_mm: float
    celsius: float | None
    hz: tuple[float, ...]
    covered: bool = False


@dataclass(frozen=True)
class SimCourse:
    """What a maker knows of a box, and the truth of a cut to ``far_mm``, at the temperature of the latest stage."""

    box: SimBox
    stages: tuple[SimStage, ...]
    volume_l: float | None
    far_mm: float
    far_hz: tuple[float, ...]
    stray: float
    celsius: float


def course_of(
    box: SimBox,
    rng: np.random.Generator,
    cuts: int = 4,
    further_mm: float = 12.0,
    covered: bool = True,
    volume: bool = True,
) -> SimCourse:
    """Return a box cut in steps of 1 to 3 mm of diameter, and its truth with a further cut."""
    length, stray, stages, celsius = box.length_mm, 0.0, [], 20.0
    for n in range(cuts):
        if n:
            length += float(rng.uniform(1.0, 3.0))
            stray += float(rng.normal(0.0, box.by_chance))
        celsius = float(rng.normal(20.0, 1.5))
        stages.append(_heard(box, rng, length, celsius, stray, covered=False))
    if covered:
        stages.append(_heard(box, rng, length, celsius, stray, covered=True))
    far = length + further_mm
    stray += float(rng.normal(0.0, box.by_chance * math.sqrt(1.0 + further_mm / 3.5)))
    truth = tuple(float(x) for x in box.resonances_hz(far, celsius, stray))
    litres = box.volume_m3 * 1e3 * float(np.exp(rng.normal(0.0, 0.05))) if volume else None
    return SimCourse(box, tuple(stages), litres, far, truth, stray, celsius)


def _heard(
    box: SimBox, rng: np.random.Generator, length_mm: float, celsius: float, stray: float, covered: bool
) -> SimStage:
    true = box.resonances_hz(length_mm, celsius, stray, covered)
    cents = rng.normal(0.0, READING_CENTS, len(true)) + (rng.normal(0.0, 3.0) if covered else 0.0)
    heard = true * 2.0 ** (cents / 1200.0)
    measured = length_mm + float(rng.normal(0.0, 0.15))
    noted = round(celsius + float(rng.normal(0.0, 0.5)), 1)
    return SimStage(round(measured, 1), noted, tuple(float(x) for x in heard), covered)


def highest_hz(course: SimCourse, times: float) -> float:
    """Return the highest that the lower resonance really gets, with an opening of up to so many times the area."""
    length = course.stages[-1].length_mm
    return max(
        float(course.box.resonances_hz(length * math.sqrt(t), course.celsius, course.stray)[0])
        for t in np.geomspace(1.0, times, 25)
    )


def without_back(box: SimBox) -> SimBox:
    """Return the same box with a back that is far away and pushes nothing."""
    return replace(box, back_m2=1e-9, back_hz=5000.0)
