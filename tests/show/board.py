"""A board whose taps tell its wood, for the pages: its figures are worked out once for all tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.wood import WoodFigures
from tapbatch.wood.figures import Sizes, wood_figures
from tapbatch.wood.fit import Tone
from tapbatch.wood.loss import LOSS_OF_T60, parts_of
from tapbatch.wood.plate import plate_modes
from tests.wood.boards_sim import BOARD, LOSSES, SPRUCE


@cache
def tones() -> tuple[tuple[str, float, float], ...]:
    """Return its modes: name, frequency and T60."""
    modes = plate_modes(BOARD, SPRUCE)[:9]
    return tuple(
        (f"r{k}", m.freq_hz, float(LOSS_OF_T60 / m.freq_hz / (parts_of(m) @ LOSSES))) for k, m in enumerate(modes, 1)
    )


@cache
def figures() -> WoodFigures:
    """Return what its taps tell, at one thickness reading."""
    sizes = Sizes(length_mm=550, width_mm=210, thickness_mm=(4.1,), mass_g=206)
    heard = [(name, Tone(freq, 0.001, LOSS_OF_T60 / freq / t60_s)) for name, freq, t60_s in tones()]
    return wood_figures(sizes, heard)


def history(
    mode: Callable[..., StageMode], stage: Callable[..., Stage], history_of: Callable[..., History]
) -> History:
    """Return the board on the day it was bought, by the makers of modes, stages and histories."""
    modes = [mode(name, freq, t60_s, lead=name == "r2") for name, freq, t60_s in tones()]
    return history_of([replace(stage("blank", "free", "bought", 1, modes), wood=figures())], "board-07")
