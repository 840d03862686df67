"""Second order in closed form: the same as least squares over columns written out, and chi-square in noise."""

import numpy as np
import pytest
from scipy.stats import kstest

from tapbatch.measure.by_amplitude import estimate, left_with, of_lines, passing_poles, second_order
from tests.measure.bent_taps import LENGTH, RATE_HZ, fitted, pole

POLES = [pole(210.0, 0.4), pole(228.0, 0.3), pole(530.0, 0.25)]
AMPLITUDES = [200.0, 60.0, 120.0]


def _tap(rng: np.random.Generator):
    n = np.arange(LENGTH)
    parts = [a * p**n * np.exp(2j * np.pi * rng.random()) for a, p in zip(AMPLITUDES, POLES, strict=True)]
    return fitted(np.sum(parts, axis=0).real + rng.standard_normal(LENGTH), POLES)


def _columns(tap) -> np.ndarray:
    """Return the derivatives of the model with second order, written out: those of ``q`` come last."""
    n, fit = np.arange(LENGTH)[:, None], tap.fit
    free = fit.poles[None] ** n
    mode, delta = free * fit.weights, -np.log(np.abs(fit.poles))
    passing = passing_poles(RATE_HZ, 0.0)[None] ** n
    twice = mode * np.abs(fit.poles)[None] ** n
    return np.concatenate(
        [
            *(free.real, -free.imag, (-delta * n * mode).real, (1j * n * mode).real),
            *(passing.real, -passing.imag, twice.real, -twice.imag),
        ],
        axis=1,
    )


def test_it_is_least_squares_over_all_columns() -> None:
    tap = _tap(np.random.default_rng(1))
    said, columns = second_order(tap), _columns(tap)
    solved = np.linalg.lstsq(columns, tap.residual, rcond=None)[0]
    q, cov = estimate(said, sd=np.full(6, 1e6))
    errors = np.linalg.inv(columns.T @ columns)[-6:, -6:]
    # The fit stops where a thousandth of chi-square is left to be gained: 0.03 of a standard error.
    assert np.all(np.abs(q - solved[-6:]) < 0.05 * np.sqrt(np.diagonal(errors)))
    assert np.allclose(cov, errors, rtol=1e-3, atol=1e-3 * errors.max())
    moved = said.freed - said.shift @ q
    # Those of the fit come in the order amplitudes, poles, and the passing lines after them.
    assert np.allclose(left_with(tap, said, q), tap.residual - columns @ np.concatenate([moved, q]), atol=1e-6)


def test_added_lines_are_judged_as_least_squares_does() -> None:
    tap = _tap(np.random.default_rng(2))
    line = np.array([pole(219.0, 0.35)])
    information, slope = of_lines(tap, second_order(tap), line)
    column = line[None] ** np.arange(LENGTH)[:, None]
    without = np.linalg.lstsq(_columns(tap)[:, :-6], tap.residual, rcond=None)[0]
    both = np.concatenate([_columns(tap)[:, :-6], column.real, -column.imag], axis=1)
    left = [
        float(np.sum((tap.residual - c @ s) ** 2))
        for c, s in (
            (_columns(tap)[:, :-6], without),
            (both, np.linalg.lstsq(both, tap.residual, rcond=None)[0]),
        )
    ]
    assert np.isclose(slope @ np.linalg.solve(information, slope), left[0] - left[1], atol=0.1)


@pytest.mark.slow
def test_in_noise_it_is_chi_square() -> None:
    score = []
    for seed in range(150):
        q, cov = estimate(second_order(_tap(np.random.default_rng([3, seed]))), sd=np.full(6, 1e3))
        score.append(float(q[[0, 3]] @ np.linalg.solve(cov[np.ix_([0, 3], [0, 3])], q[[0, 3]])))
    # The distribution function of chi-square with two degrees of freedom. Chance fails this once in a thousand seeds.
    assert kstest(score, lambda x: 1 - np.exp(-np.asarray(x) / 2)).pvalue > 1e-3
