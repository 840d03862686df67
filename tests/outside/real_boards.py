"""Three real boards of spruce: sizes, mass, published constants, and the tones of their taps.

Source: Badiane, Malvermi, Gonzalez, Antonacci, Sarti, on a data-driven characterization of tonewood plates, J.
Acoust. Soc. Am., and the files geomParams.csv and paramsEstimations.xlsx of the repository with their data
("published": sizes, mass, constants with their scatter, from finite elements without air). "measured": resonances
and T60 that were measured from their hammer taps, five a board, with an accelerometer, by envelope and phase and by
matrix pencil. Three boards out of ten; the others are kept aside.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from tapbatch.wood.figures import Sizes
from tapbatch.wood.fit import Tone
from tapbatch.wood.loss import LOSS_OF_T60

_FILE = Path(__file__).with_name("real_boards.csv")


@dataclass(frozen=True)
class RealBoard:
    """A board; published constants in GPa with their scatter in per cent."""

    name: str
    sizes: Sizes
    tones: tuple[tuple[str, Tone], ...]
    constants: dict[str, tuple[float, float]]


COLUMN = {"E along": "e_along_gpa", "E across": "e_across_gpa", "G in the plane": "g_gpa"}


def real_boards() -> list[RealBoard]:
    with _FILE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [_board(name, [r for r in rows if r["board"] == name]) for name in dict.fromkeys(r["board"] for r in rows)]


def _board(name: str, rows: list[dict[str, str]]) -> RealBoard:
    values = {r["quantity"]: float(r["value"]) for r in rows if r["quantity"] != "resonance"}
    tones = []
    for k, freq in enumerate(sorted(float(r["value"]) for r in rows if r["quantity"] == "resonance"), 1):
        t60 = values.get(f"T60 at {freq:g} Hz")
        tones.append((f"r{k}", Tone(freq, 0.001, None if t60 is None else LOSS_OF_T60 / freq / t60)))
    return RealBoard(
        name=name,
        sizes=Sizes(
            length_mm=values["length"],
            width_mm=values["width"],
            thickness_mm=(values["thickness, mean of five"],) * 5,
            mass_g=values["mass"],
        ),
        tones=tuple(tones),
        constants={
            COLUMN[r["quantity"]]: (float(r["value"]), float(r["spread"].split()[0]))
            for r in rows
            if r["quantity"] in COLUMN
        },
    )
