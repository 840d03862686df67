"""Sums in closed form, held to sums written out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.measure.geometric import Samples, decays, power_sums, powers

POLES = st.builds(
    lambda decay, angle: complex(np.exp(-decay + 1j * angle)),
    st.one_of(st.just(0.0), st.floats(1e-9, 3.0)),
    st.floats(-np.pi, np.pi),
)


@given(st.lists(POLES, min_size=1, max_size=5), st.integers(1, 3000))
def test_power_sums_are_the_sums(poles: list[complex], length: int) -> None:
    w = np.array(poles)
    n = np.arange(length)
    terms = np.exp(np.multiply.outer(n, np.log(w)))
    for p, got in enumerate(power_sums(w, length)):
        want = (n[:, None] ** p * terms).sum(axis=0)
        # Terms of mixed sign may cancel: the error is held against the sum of their sizes.
        size = (n[:, None] ** p * np.abs(terms)).sum(axis=0)
        np.testing.assert_array_less(np.abs(got - want), 1e-6 * size + 1e-9)


@pytest.mark.parametrize("length", [1, 2, 3, 50, 2047])
def test_moments_are_the_moments(length: int) -> None:
    y = np.random.default_rng(length).standard_normal(length)
    z = np.exp(np.array([-0.01 + 0.3j, -0.2 + 2.0j, -1e-5 + 1e-3j]))
    n = np.arange(length)
    table = z[None] ** n[:, None]
    b0, b1 = Samples(y).moments(z)
    np.testing.assert_allclose(b0, y @ table, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(b1, (n * y) @ table, rtol=1e-9, atol=1e-7)


def test_powers_agree_with_the_power_operator() -> None:
    z = np.exp(np.array([-0.003 + 1.1j, -0.5 - 2.0j]))
    np.testing.assert_allclose(powers(z, 777), z[None] ** np.arange(777)[:, None], rtol=1e-11)


@given(st.integers(1, 500))
def test_decays_add_up(length: int) -> None:
    z, c = np.exp(np.array([-0.02 + 0.4j, -0.01 + 1.4j])), np.array([1.0 - 2.0j, 0.5j])
    want = (c * z[None] ** np.arange(length)[:, None]).real.sum(axis=1)
    np.testing.assert_allclose(decays(z, c, length), want, atol=1e-12)
