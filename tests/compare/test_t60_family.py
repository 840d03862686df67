"""Decays that only a new set-up shifted are not called longer or shorter, however many modes there are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tapbatch.compare.moves.belief import believe
from tapbatch.compare.moves.between import whole_moves
from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.moves.judge import FIRM, Interval
from tapbatch.compare.moves.priors import T60

STAGES = 150


def _moves(rng: np.random.Generator, modes: int, common: float, own: float, longer: float = 0.0) -> list[Interval]:
    """Return the moves of decays, in per cent, of which the first is longer, after a new set-up on both sides."""
    sides = []
    for late in (0.0, longer):
        shift = rng.normal(0.0, common) + rng.normal(0.0, own, modes)
        shift[0] += late
        read = shift + rng.normal(0.0, 1.0, (5, 1)) + rng.normal(0.0, 3.0, (5, modes))
        sides.append(TapSet(read, np.ones((5, modes)), np.zeros(5)))
    return whole_moves(sides[:1], sides[1:], T60, believe([], T60))


@pytest.mark.parametrize("modes", [3, 8])
@pytest.mark.parametrize(("common", "own"), [(0.0, 0.0), (4.0, 3.7), (8.0, 7.0)])
def test_a_stage_that_was_only_set_up_anew_has_no_mode_that_rings_longer(
    modes: int, common: float, own: float
) -> None:
    rng = np.random.default_rng([46, modes, int(common)])
    found = [_moves(rng, modes, common, own) for _ in range(STAGES)]
    false = sum(any(m.excludes_zero and (m.chance or 0.0) < FIRM for m in of_stage) for of_stage in found)
    # One in twenty; more than this comes by chance in less than one run in a thousand.
    assert false <= stats.binom.ppf(0.999, STAGES, 0.05)


def test_a_decay_that_doubled_is_told_among_eight() -> None:
    # ln 2 is 69 hundredths of a logarithm.
    rng = np.random.default_rng(47)
    first = [_moves(rng, 8, 2.0, 2.0, 69.0)[0] for _ in range(40)]
    assert np.mean([m.excludes_zero and m.chance is not None and m.chance < FIRM for m in first]) > 0.9


def test_a_chance_is_never_smaller_among_more_modes() -> None:
    read = np.random.default_rng(48).normal(0.0, 3.0, (2, 5, 6))
    read[1] += 25.0
    sides = [TapSet(r, np.ones((5, 6)), np.zeros(5)) for r in read]
    for move in whole_moves(sides[:1], sides[1:], T60, believe([], T60)):
        # By Holm's rule the adjusted value is at least the plain one: outside the interval of 95 % means below 5 %.
        assert move.chance is not None
        assert 0.0 <= move.chance <= 1.0
        assert move.excludes_zero or move.chance >= 0.05
