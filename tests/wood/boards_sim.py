"""Simulated boards, read as a maker reads them: the truth comes from a model finer than the one that is fitted.

A board with the proportions of spruce, cedar, maple, rosewood or mahogany (ratios and scatter of the Wood Handbook)
is uneven in thickness, stiffness and density. It is measured with tape, caliper (whose error all its readings share)
and scales, and its modes with the scatter of a set-up. Some are not heard, and now and then a tone is no mode of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapbatch.model.history import History, Note, Stage, StageMode
from tapbatch.simulate.boards import TrueMode, Unevenness, board_modes, field_at
from tapbatch.wood.board import Board, Wood
from tapbatch.wood.figures import Sizes
from tapbatch.wood.fit import Tone

BOARD = Board(length_mm=550, width_mm=210, thickness_mm=4.1, mass_g=206)
SPRUCE = Wood(e_along_gpa=11.5, e_across_gpa=0.95, g_gpa=0.85, poisson=0.37, g_along_gpa=0.72, g_across_gpa=0.1)
"""A half board and its wood, for tests that need no other."""

# mean density, c in m/s; then E_R/E_L, G_LR/E_L with the handbook's means of softwoods and hardwoods
KINDS = ((410.0, 5300.0, 0.085, 0.078), (370.0, 5000.0, 0.095, 0.085), (640.0, 4300.0, 0.135, 0.11),
         (820.0, 4200.0, 0.12, 0.10), (530.0, 4500.0, 0.105, 0.085))  # fmt: skip
SIZES = ((550.0, 210.0, 4.5), (550.0, 410.0, 3.5), (420.0, 180.0, 5.0), (400.0, 120.0, 4.0), (520.0, 200.0, 8.0))
SPOTS = ((0.0, 0.9), (0.0, -0.9), (0.9, 0.0), (-0.9, 0.0), (0.9, 0.9))


@dataclass(frozen=True)
class Simulated:
    """A board: its truth, and what the maker read."""

    board: Board
    wood: Wood
    modes: tuple[TrueMode, ...]
    sizes: Sizes
    tones: tuple[tuple[str, Tone], ...]
    names: dict[float, tuple[int, int] | None]

    def truth(self) -> dict[str, float]:
        """Return the true figures, by the names of the table's columns."""
        density, thick = self.board.density_kg_m3, self.board.thickness_mm
        return {
            "density_kg_m3": density,
            "e_along_gpa": self.wood.e_along_gpa,
            "e_across_gpa": self.wood.e_across_gpa,
            "g_gpa": self.wood.g_gpa,
            "speed_along_m_s": self.wood.speed_along_m_s(density),
            "radiation_m4_kg_s": self.wood.radiation_m4_kg_s(density),
            "stiffness_along_n_m": self.wood.e_along_gpa * thick**3 / 12.0,
            "stiffness_across_n_m": self.wood.e_across_gpa * thick**3 / 12.0,
        }

    def aimed(self) -> dict[str, float]:
        """Return the tones of the three modes that words aim at, where they were heard."""
        words = {(2, 0): "along", (0, 2): "across", (1, 1): "twist"}
        return {words[name]: freq for freq, name in self.names.items() if name in words}


LOSSES = (0.007, 0.02, 0.016)


def simulate(
    rng: np.random.Generator, *, missing: int | None = None, caliper: float | None = None, count: int = 16
) -> Simulated:
    """Draw a board; ``missing`` of its first eight modes are not heard, by default each mode by a chance of .1."""
    board, wood, uneven = _drawn(rng)
    modes = board_modes(board, wood, LOSSES, uneven, count=count)
    wrong = 0.02 * rng.standard_normal() if caliper is None else caliper * board.thickness_mm
    return _read(rng, board, wood, uneven, modes, wrong, missing)


def planed(rng: np.random.Generator, steps: int, count: int = 12) -> list[Simulated]:
    """Draw a board and plane it by hand in steps of 3 to 10 %: its wood stays, and where it is thick changes anew.

    One caliper reads all its thicknesses.
    """
    board, wood, uneven = _drawn(rng)
    wrong = 0.02 * rng.standard_normal()
    found = []
    for step in range(steps + 1):
        if step:
            board = board.planed_to(board.thickness_mm * rng.uniform(0.90, 0.97))
            fresh = Unevenness.drawn(rng, 0.012, 0.0, 0.0).thickness
            uneven = Unevenness(thickness=fresh, stiffness=uneven.stiffness, density=uneven.density)
        modes = board_modes(board, wood, LOSSES, uneven, count=count)
        found.append(_read(rng, board, wood, uneven, modes, wrong, None))
    return found


def _drawn(rng: np.random.Generator) -> tuple[Board, Wood, Unevenness]:
    density, c, across, twist = KINDS[rng.integers(len(KINDS))]
    density *= math.exp(0.08 * rng.standard_normal())
    e_along = density * (c * math.exp(0.05 * rng.standard_normal())) ** 2 / 1e9
    e_across = e_along * across * math.exp(0.25 * rng.standard_normal())
    g = e_along * twist * math.exp(0.2 * rng.standard_normal())
    wood = Wood(
        e_along_gpa=e_along,
        e_across_gpa=e_across,
        g_gpa=g,
        poisson=float(np.clip(0.367 + 0.06 * rng.standard_normal(), 0.2, 0.5)),
        g_along_gpa=g * 0.85 * math.exp(0.25 * rng.standard_normal()),
        g_across_gpa=e_across * 0.11 * math.exp(0.55 * rng.standard_normal()),
    )
    length, width, thick = (size * rng.uniform(0.9, 1.1) for size in SIZES[rng.integers(len(SIZES))])
    board = Board(length_mm=length, width_mm=width, thickness_mm=thick, mass_g=density * length * width * thick / 1e6)
    return board, wood, Unevenness.drawn(rng, 0.012, 0.025, 0.015)


def _read(
    rng: np.random.Generator, board: Board, wood: Wood, uneven: Unevenness, modes: tuple[TrueMode, ...],
    wrong: float, missing: int | None,
) -> Simulated:  # fmt: skip
    """Read a board as a maker does; ``wrong`` is by how many mm the caliper reads too much."""
    length, width, thick = board.length_mm, board.width_mm, board.thickness_mm
    at = [thick * (1.0 + float(field_at(uneven.thickness, np.array(x), np.array(y)))) for x, y in SPOTS]
    sizes = Sizes(
        length_mm=round(length + 0.5 * rng.standard_normal(), 1),
        width_mm=round(width + 0.5 * rng.standard_normal(), 1),
        thickness_mm=tuple(round(t + wrong, 2) for t in at),
        mass_g=round(board.mass_g * (1.0 + 0.002 * rng.standard_normal()) + 0.5 * rng.standard_normal(), 1),
    )
    return Simulated(board, wood, modes, sizes, *_heard(rng, modes, missing))


def _heard(
    rng: np.random.Generator, modes: tuple[TrueMode, ...], missing: int | None
) -> tuple[tuple[tuple[str, Tone], ...], dict[float, tuple[int, int] | None]]:
    lost = rng.random(len(modes)) < 0.1 if missing is None else np.zeros(len(modes), dtype=bool)
    if missing:
        lost[rng.choice(8, missing, replace=False)] = True
    found: list[tuple[float, float | None, tuple[int, int] | None]] = []
    for mode, gone in zip(modes, lost, strict=True):
        if not gone:
            freq = mode.freq_hz * math.exp(0.001 * rng.standard_normal())
            found.append((freq, mode.loss * math.exp(0.1 * rng.standard_normal()), mode.name))
    low, high = math.log(modes[0].freq_hz / 1.5), math.log(modes[-1].freq_hz)
    strange = rng.uniform(low, high, rng.poisson(0.2 * (high - low)))
    found += [(math.exp(log), None, None) for log in strange]
    found.sort(key=lambda item: item[0])
    tones = tuple((f"r{k}", Tone(freq, 0.001, loss)) for k, (freq, loss, _) in enumerate(found, 1))
    return tones, {freq: name for freq, _, name in found}


def planed_history(boards: list[Simulated]) -> History:
    """Return the history of a board that was planed in steps: a stage for each, with its notes and readings."""
    stages = []
    for n, each in enumerate(boards, 1):
        name = f"{n:02}-planed"
        sizes = each.sizes
        note = Note(
            instrument="board", stage=name, length_mm=sizes.length_mm, width_mm=sizes.width_mm,
            thickness_mm=sizes.thickness_mm, mass_g=sizes.mass_g,
        )  # fmt: skip
        modes = tuple(
            StageMode(
                mode=mode, lead=mode == "r1", freq_hz=tone.freq_hz, freq_low_hz=tone.freq_hz * 0.9995,
                freq_high_hz=tone.freq_hz * 1.0005, note="", cents=0.0, t60_s=None, t60_low_s=None, t60_high_s=None,
                level_db=0.0, taps=5, within_cents=0.5, between_cents=0.5,
            )
            for mode, tone in each.tones
        )  # fmt: skip
        stages.append(
            Stage(
                part="blank", state="free", stage=name, stage_shown=name, order=n, concert_pitch_hz=440.0, heard=(),
                modes=modes, decays=(), note=note,
            )
        )  # fmt: skip
    return History(instrument="board", instrument_shown="board", stages=tuple(stages), drifts=())
