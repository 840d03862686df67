"""How forecasts of planing came out, against plates whose thickness is known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tapbatch.compare.blank_scores import planings_came
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings, TargetSetting
from tapbatch.wood.figures import Sizes
from tapbatch.wood.fit import Tone
from tapbatch.wood.plate import plate_modes
from tests.wood.boards_sim import BOARD, LOSSES, SPRUCE, Simulated, planed_history

PLAIN = InstrumentSettings()


def at(thickness_mm: float, told_mm: float | None = None) -> Simulated:
    """An even board at a thickness, heard without error; ``told_mm`` is what the caliper said."""
    board = BOARD.planed_to(thickness_mm)
    tones = tuple(
        (f"r{k}", Tone(m.freq_hz, 0.0005, LOSSES[0])) for k, m in enumerate(plate_modes(board, SPRUCE)[:9], 1)
    )
    told = thickness_mm if told_mm is None else told_mm
    sizes = Sizes(length_mm=550, width_mm=210, thickness_mm=(told,) * 5, mass_g=board.mass_g)
    return Simulated(board, SPRUCE, (), sizes, tones, {})


def history(*thicknesses_mm: float) -> History:
    return planed_history([at(t) for t in thicknesses_mm])


@pytest.mark.slow
def test_an_even_board_does_as_was_said() -> None:
    """Frequencies of a free plate go with its thickness (less the air): 3.6 of 4.1 mm are 225 cents."""
    rows = planings_came(history(4.1, 3.6), PLAIN)
    assert [row.mode for row in rows] == ["along", "across", "twist"]
    for row in rows:
        assert (row.part, row.stage, row.work) == ("blank", "02-planed", "planing")
        assert row.basis == "from 4.10 to 3.60 mm"
        assert row.step_cents == pytest.approx(row.came_cents, abs=2.0)
        assert row.came_cents == pytest.approx(1200 * math.log2(3.6 / 4.1), abs=12.0)
        assert row.came_within
        assert 20.0 < row.step_high_cents - row.step_cents < 60.0
        # The next note is a semitone away at most, and the board went past two.
        assert row.came_over
        assert row.overshoot > 0.97


def test_a_board_that_lost_stiffness_is_a_miss() -> None:
    """The caliper says 3.9 mm, but the board is 3.6 mm thick."""
    rows = planings_came(planed_history([at(4.1), at(3.6, 3.9)]), PLAIN)
    assert rows
    assert not any(row.came_within for row in rows)


@pytest.mark.slow
def test_what_comes_later_changes_no_row() -> None:
    early = planings_came(history(4.1, 3.9), PLAIN)
    late = planings_came(history(4.1, 3.9, 3.5), PLAIN)
    assert late[: len(early)] == early
    assert len(late) == 2 * len(early)


def test_a_target_is_where_a_step_is_to_end() -> None:
    along = next(m.freq_hz for m in plate_modes(BOARD, SPRUCE) if m.name == (2, 0))
    target = TargetSetting(mode="along", hz=0.97 * along, tolerance_cents=5.0)
    rows = {row.mode: row for row in planings_came(history(4.1, 3.9), InstrumentSettings(target=(target,)))}
    assert rows["along"].came_over
    assert 0.95 < rows["along"].overshoot <= 1.0
    far = InstrumentSettings(target=(target.model_copy(update={"hz": 0.9 * along}),))
    rows = {row.mode: row for row in planings_came(history(4.1, 3.9), far)}
    assert not rows["along"].came_over
    assert rows["along"].overshoot < 0.05


@pytest.mark.parametrize("then", [4.1, 4.06, 4.3])
def test_a_board_that_was_not_planed_has_no_row(then: float) -> None:
    assert planings_came(history(4.1, then), PLAIN) == ()


def test_a_board_that_was_cut_shorter_has_no_row() -> None:
    shorter = at(3.6)
    cut = replace(shorter, sizes=replace(shorter.sizes, length_mm=500.0))
    assert planings_came(planed_history([at(4.1), cut]), PLAIN) == ()


def test_a_cut_counts_once() -> None:
    """The forecast of a step of the same stage gives way; those of other parts and stages stay."""
    other = ForecastCame(
        part="blank", mode="r2", stage="02-planed", work="planing", step_cents=0.0, step_low_cents=-1.0,
        step_high_cents=1.0, overshoot=0.5, came_cents=0.0, came_over=False, basis="3 steps",
    )  # fmt: skip
    rows = planings_came(history(4.1, 3.6), PLAIN, [other])
    assert {row.mode for row in rows} == {"along", "across", "twist"}
    assert planings_came(history(4.1), PLAIN, [other]) == (other,)
    assert planings_came(history(4.1, 3.6), InstrumentSettings(reference=True), [other]) == (other,)
