"""Chances in noise: the closed form by a general library (SciPy)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtrc

from tapbatch.measure.chance import chance_beyond


@given(st.floats(0.0, 1e4), st.integers(1, 4200))
def test_the_chance_is_that_of_a_general_library(statistic: float, pairs: int) -> None:
    assert chance_beyond(statistic, pairs) == pytest.approx(float(chdtrc(2 * pairs, statistic)), rel=1e-8, abs=1e-300)


@given(st.floats(allow_nan=False), st.integers(1, 50))
def test_it_is_a_chance(statistic: float, pairs: int) -> None:
    assert 0.0 <= chance_beyond(statistic, pairs) <= 1.0


def test_rounding_below_0_and_infinity_are_understood() -> None:
    for pairs in (1, 2, 50):
        assert chance_beyond(-1e-12, pairs) == 1.0
        assert chance_beyond(np.inf, pairs) == float(chdtrc(2 * pairs, np.inf)) == 0.0
