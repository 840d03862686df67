"""Two stages of simulated sounds, from samples to verdicts: nothing moved but the set-up, and a cut of 20 cents."""

from __future__ import annotations

import pytest

from tests.benchmarks.moves_sounds import hear
from tests.compare.moves_count import TOLD


@pytest.mark.slow
def test_an_instrument_that_was_set_up_anew_did_not_move_and_a_cut_is_told() -> None:
    still, cut = hear("dry", 0.0, 2), hear("dry", 20.0, 2)
    assert len(still.still) > 0.8 * still.modes
    assert "steady" in still.still
    assert all(still.holds)
    assert all(v in TOLD for v in cut.moved)
    assert cut.wrong_sign == 0
