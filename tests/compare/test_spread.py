"""Mixtures of normals: quantiles by another library, and that chance and quantile are each other's inverse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from tapbatch.compare.spread import Spread


@given(st.floats(-500.0, 500.0), st.floats(1e-3, 100.0), st.floats(1e-3, 0.999))
def test_one_normal_has_the_quantiles_of_a_general_library(mean: float, sd: float, share: float) -> None:
    one = Spread(np.array([mean]), np.array([sd**2]), np.array([1.0]))
    assert one.quantile(share) == pytest.approx(stats.norm.ppf(share, mean, sd), abs=1e-6 * sd)


normals = st.tuples(st.floats(-100.0, 100.0), st.floats(0.1, 20.0), st.floats(0.1, 1.0))


@given(st.lists(normals, min_size=1, max_size=6), st.floats(0.01, 0.99))
def test_the_chance_to_exceed_a_quantile_is_the_rest(found: list[tuple[float, float, float]], share: float) -> None:
    means, sds, weights = np.array(found).T
    mixed = Spread(means, sds**2, weights / weights.sum())
    assert mixed.chance_above(mixed.quantile(share)) == pytest.approx(1.0 - share, abs=1e-6)
    assert mixed.quantile(0.4) <= mixed.middle <= mixed.quantile(0.6)


def test_a_search_that_would_go_round_in_circles_ends() -> None:
    """Steps by Newton's method alone never end here: a narrow normal stands on the shoulder of a wide one."""
    sds, weights = np.array([0.6, 10.2, 7.5]), np.array([0.1, 0.7, 0.4]) / 1.2
    mixed = Spread(np.array([91.0, 92.0, -28.0]), sds**2, weights)
    found = optimize.brentq(lambda x: weights @ stats.norm.cdf(x, mixed.means, sds) - 0.64, -500.0, 500.0, xtol=1e-12)
    assert mixed.quantile(0.64) == pytest.approx(found, abs=1e-7)
