"""Close pairs of several taps: judged together they come out where all taps together are most likely."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from tapbatch.measure.bound import covariance
from tapbatch.measure.close_pairs import together
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.prune import TapFit

RATE_HZ = 2000.0
LENGTH = 900
FREQS_HZ = (299.0, 301.0)
T60_S = 0.4


def _poles(freqs_hz: tuple[float, ...]) -> np.ndarray:
    return np.exp((-np.log(1000) / T60_S + 2j * np.pi * np.array(freqs_hz)) / RATE_HZ)


def _tap(rng: np.random.Generator, freqs_hz: tuple[float, ...] = FREQS_HZ, excess: float = 1.0) -> TapFit:
    """Return a tap of two equal modes in noise of variance 1, fitted from the truth, phases random."""
    poles = _poles(freqs_hz)
    samples = decays(poles, 100.0 * np.exp(2j * np.pi * rng.random(len(poles))), LENGTH)
    samples = samples + rng.standard_normal(LENGTH)
    fit = fit_modes(Samples(samples), poles)
    residual = samples - decays(fit.poles, fit.weights, LENGTH)
    return TapFit(fit, samples, residual, np.full(len(poles), excess), 0, RATE_HZ)


def _joined(taps: list[TapFit | None]) -> np.ndarray:
    """Return ``log delta`` and ``omega``, (4,), weighed by the information of each tap."""
    said = []
    for tap in taps:
        assert tap is not None
        order = np.argsort(np.angle(tap.fit.poles))
        at = np.concatenate([order, 2 + order])
        poles = tap.fit.poles[order]
        values = np.concatenate([np.log(-np.log(np.abs(poles))), np.angle(poles)])
        said.append((values, np.linalg.inv(covariance(tap.fit)[0][np.ix_(at, at)])))
    total = np.sum([info for _, info in said], axis=0)
    return np.linalg.solve(total, np.sum([info @ x for x, info in said], axis=0))


def _most_likely(taps: list[TapFit]) -> tuple[np.ndarray, np.ndarray]:
    """Return where the squares of all taps are least, amplitudes solved for, and its errors: by SciPy's search."""
    n = np.arange(LENGTH)

    def residuals(unknowns: np.ndarray) -> np.ndarray:
        powers = np.exp(n[:, None] * (-np.exp(unknowns[:2]) + 1j * unknowns[2:])[None])
        basis = np.hstack([powers.real, -powers.imag])
        return np.concatenate([t.samples - basis @ np.linalg.lstsq(basis, t.samples, rcond=None)[0] for t in taps])

    true = _poles(FREQS_HZ)
    start = np.concatenate([np.log(-np.log(np.abs(true))), np.angle(true)])
    found = least_squares(residuals, start, x_scale=[0.05, 0.05, 5e-4, 5e-4], xtol=1e-12, ftol=1e-14, gtol=1e-12)
    return found.x, np.sqrt(np.diagonal(np.linalg.inv(found.jac.T @ found.jac)))


def test_their_mean_is_where_all_taps_together_are_most_likely() -> None:
    rng = np.random.default_rng(31)
    off = []
    for _ in range(8):
        taps = [_tap(rng) for _ in range(5)]
        best, errors = _most_likely(taps)
        off.append([(_joined(t) - best) / errors for t in (list(taps), together(taps))])
    alone, joined = np.sqrt(np.mean(np.square(off), axis=(0, 2)))
    # In standard errors of the mean; a third would cost it a twentieth of its accuracy.
    assert alone > 0.25
    assert joined < 0.15


def test_what_is_left_explains_the_samples() -> None:
    rng = np.random.default_rng(32)
    for tap in together([_tap(rng) for _ in range(3)]):
        assert tap is not None
        np.testing.assert_allclose(
            tap.residual, tap.samples - decays(tap.fit.poles, tap.fit.weights, LENGTH), atol=1e-9
        )
        assert np.mean(tap.residual**2) == pytest.approx(1.0, abs=0.2)


def test_errors_that_cannot_be_inverted_leave_the_taps_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(34)
    taps = [_tap(rng) for _ in range(2)]
    monkeypatch.setattr("tapbatch.measure.close_pairs.covariance", lambda _: (np.zeros((4, 4)), np.zeros((2, 2, 2))))
    assert all(a is b for a, b in zip(together(taps), taps, strict=True))


def test_what_has_nothing_in_common_stays_as_it_is() -> None:
    rng = np.random.default_rng(33)
    one, none = _tap(rng), None
    wide = [_tap(rng, (299.0, 320.0)) for _ in range(2)]
    wandering = [_tap(rng, (299.0 + k, 301.0 + k)) for k in (0.0, 1.5)]
    misfit = [_tap(rng, excess=9.0) for _ in range(2)]
    far = [_tap(rng), _tap(rng, (399.0, 401.0))]
    for taps in ([], [one], [one, none], wide, wandering, misfit, far):
        assert all(a is b for a, b in zip(together(taps), taps, strict=True))
    again = together([none, one, _tap(rng), none])
    assert again[0] is again[3] is None
    assert again[1] is not one
