"""Published density and stiffness of some woods, as a pale field behind the boards of a shop.

Conventions: specific gravity at 12 % moisture and bending modulus in gigapascals, all from memory of the *Wood
Handbook* (USDA Forest Products Laboratory, FPL-GTR-282, tables 5-3 and 5-5) and not looked up again. Density at 12 %
is 1120 times specific gravity, and Young's modulus along the grain 1.1 times that of bending, as the handbook says.
The scatter within a species is that of its table 5-6: 10 % of specific gravity, 22 % of the modulus, one standard
deviation.
"""

from __future__ import annotations

from dataclasses import dataclass

SPECIES: dict[str, tuple[float, float]] = {
    "engelmann spruce": (0.35, 8.9),
    "sitka spruce": (0.40, 10.8),
    "western redcedar": (0.32, 7.7),
    "redwood": (0.40, 9.2),
    "sugar pine": (0.36, 8.2),
    "bigleaf maple": (0.48, 10.0),
    "black maple": (0.57, 11.2),
    "red maple": (0.54, 11.3),
    "sugar maple": (0.63, 12.6),
    "black walnut": (0.55, 11.6),
    "black cherry": (0.50, 10.3),
    "honduras mahogany": (0.45, 10.3),
}
GRAVITY_SCATTER, MODULUS_SCATTER = 0.10, 0.22
"""Standard deviations within a species, as parts of the mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """One standard deviation about the mean of a species."""

    name: str
    density_kg_m3: tuple[float, float]
    e_along_gpa: tuple[float, float]


def published_of(species: str) -> Published | None:
    """Return the published range of the first species that a text names, or ``None``.

    Examples
    --------
    >>> published_of("Sitka spruce, Alaska").density_kg_m3
    (403.2, 492.8)
    >>> published_of("spruce") is None
    True
    """
    said = f" {' '.join(species.lower().replace(',', ' ').split())} "
    for name, (gravity, modulus) in SPECIES.items():
        if f" {name} " in said:
            density, e_gpa = 1120.0 * gravity, 1.1 * modulus
            return Published(
                name=name,
                density_kg_m3=_range(density, GRAVITY_SCATTER),
                e_along_gpa=_range(e_gpa, MODULUS_SCATTER),
            )
    return None


def _range(mean: float, scatter: float) -> tuple[float, float]:
    return round(mean * (1.0 - scatter), 2), round(mean * (1.0 + scatter), 2)
