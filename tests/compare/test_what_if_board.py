"""What if a board were planed: modes go nearly with its thickness, mass with it, stiffness with its cube."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tapbatch.compare import what_if
from tapbatch.compare.blank import with_wood
from tapbatch.compare.step_forecast import Elders
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Answer, Asked
from tests.compare.test_blank import MODE, note, stage
from tests.wood.test_figures import SIZES, heard


def board(**asked: float) -> Answer:
    modes = tuple(
        replace(MODE, mode=name, freq_hz=tone.freq_hz, freq_low_hz=tone.freq_hz * 0.999,
                freq_high_hz=tone.freq_hz * 1.001, lead=n == 0)
        for n, (name, tone) in enumerate(heard())
    )  # fmt: skip
    sizes = {
        "length_mm": SIZES.length_mm, "width_mm": SIZES.width_mm, "thickness_mm": SIZES.thickness_mm,
        "mass_g": SIZES.mass_g,
    }  # fmt: skip
    history = History(
        instrument="b", instrument_shown="b", drifts=(), stages=(stage("a", note("a", **sizes), modes=modes),)
    )
    settings = InstrumentSettings()
    seen = what_if.seen_of(with_wood(history, settings), settings, Elders())
    assert seen is not None
    return what_if.answer(seen, Asked(**asked))


@pytest.fixture(scope="module")
def thickness() -> float:
    return sum(SIZES.thickness_mm) / len(SIZES.thickness_mm)


@pytest.mark.slow
def test_frequencies_of_a_free_board_go_nearly_with_its_thickness(thickness: float) -> None:
    # Thin plate theory: f ~ h (Leissa, Vibration of Plates, 1969); the air takes some more as the board gets thinner.
    told = board(thickness_mm=0.9 * thickness)
    cents = 1200.0 * math.log2(0.9)
    known = {r.aimed: r.moved for r in told.rests if r.aimed}
    assert set(known) == {"along", "across", "twist"}
    for moved in known.values():
        assert moved is not None
        assert moved.cents == pytest.approx(cents, abs=12.0)
        assert moved.low < moved.cents < moved.high
    assert {r.effects[0].unknown for r in told.rests if not r.aimed} <= {"not aimed"}


def test_mass_goes_with_thickness_and_stiffness_with_its_cube(thickness: float) -> None:
    now, then = board(thickness_mm=0.999 * thickness).board, board(thickness_mm=0.9 * thickness).board
    assert now is not None
    assert then is not None
    assert then.mass_g / now.mass_g == pytest.approx(0.9 / 0.999)
    assert now.along_n_m is not None
    assert then.along_n_m is not None
    assert then.along_n_m.value / now.along_n_m.value == pytest.approx((0.9 / 0.999) ** 3)


def test_grams_come_off_evenly(thickness: float) -> None:
    assert SIZES.mass_g is not None
    by_mass, by_thickness = board(take_off_g=0.1 * SIZES.mass_g), board(thickness_mm=0.9 * thickness)
    for one, other in zip(by_mass.rests, by_thickness.rests, strict=True):
        if one.moved is not None and other.moved is not None:
            assert one.moved.cents == pytest.approx(other.moved.cents, abs=1e-3)


def test_half_of_the_thickness_is_not_foreseen(thickness: float) -> None:
    told = board(thickness_mm=0.4 * thickness)
    assert {r.effects[0].unknown for r in told.rests} == {"too thin"}
