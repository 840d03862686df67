"""Maximum likelihood fit of all modes of a tap at once.

Conventions: noise has been whitened to variance 1, and n counts samples from the first one of the window. Model::

    y[n] = sum_k Re(c_k z_k**n) + sum_h Re(d_h e**(i w_h n)) + noise,    n = 0 .. N-1
    z_k  = exp(-delta_k + i omega_k)          delta in 1/sample, omega in rad/sample

The unknowns are ``log delta``, ``omega``, ``Re c`` and ``Im c`` of every mode, and the amplitudes of the mains lines,
whose frequencies ``w_h`` are known from the noise. The amplitudes are linear and are solved for at each step
(variable projection: Golub & Pereyra, Inverse Problems 19, 2003). The poles move by Levenberg-Marquardt steps with
the analytic Jacobian. Because the unknown is the logarithm of the decay, a mode cannot grow.

The information matrix ``F = J^T J`` of the same unknowns gives the errors (see :mod:`tapbatch.measure.bound`).

It fails if the start lacks a mode (the fit then bends its neighbours), if two modes are closer than about
``1/(3 T60)`` at low level, or if decays are not exponential. The callers test for each case.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Complex, Float, Samples, power_sums

MOST_STEPS = 40
_ENOUGH = 1e-3  # remaining gain in chi-square at which the poles are within 0.03 of a standard error
_FASTEST = 2.0  # 1/sample: a faster decay cannot be told from a click
_SLOWEST = 1e-6
_MOST_CANCELLED = 1e6  # times the energy of the samples; rounding then costs 1e-10 of it
_LOG_FASTEST, _LOG_SLOWEST = float(np.log(_FASTEST)), float(np.log(_SLOWEST))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fit of K modes and H mains lines.

    ``poles`` and ``weights`` (complex amplitudes) have shape (K,), ``hum_weights`` (H,). ``chi2`` is the residual
    energy and ``energy`` that of the samples, both over the noise variance. ``converged`` tells whether at most a
    thousandth of chi-square remains to be gained. ``information`` has shape (4K+2H, 4K+2H), ordered
    ``Re c, Re d, Im c, Im d, log delta, omega``.
    """

    poles: Complex
    weights: Complex
    hum_poles: Complex
    hum_weights: Complex
    chi2: float
    information: Float
    length: int
    energy: float
    converged: bool

    @property
    def count(self) -> int:
        """Number of modes."""
        return len(self.poles)


@dataclass(slots=True, eq=False)
class _Point:
    """All values at one set of poles that the next step needs."""

    log_delta: Float
    omega: Float
    poles: Complex
    weights: Complex
    chi2: float
    gram: Float
    plus: tuple[Complex, Complex, Complex]
    minus: tuple[Complex, Complex, Complex]
    b1: Complex


def _linear_gram(plus: Complex, minus: Complex) -> Float:
    count = len(plus)
    gram = np.empty((2 * count, 2 * count))
    gram[:count, :count] = (plus.real + minus.real) / 2
    gram[:count, count:] = (minus.imag - plus.imag) / 2
    gram[count:, :count] = gram[:count, count:].T
    gram[count:, count:] = (minus.real - plus.real) / 2
    return gram


def _solve(matrix: Float, right: Float) -> Float:
    """Solve a symmetric positive system, scaled to a unit diagonal, with slight damping so that it stays solvable."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(matrix), 1e-300))
    scaled = matrix * scale[:, None] * scale
    scaled.flat[:: len(scaled) + 1] += 1e-12
    try:
        return np.asarray(np.linalg.solve(scaled, right * scale) * scale, dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(scaled, right * scale, rcond=None)[0] * scale, dtype=np.float64)


def _evaluate(samples: Samples, log_delta: Float, omega: Float, hum: Complex) -> _Point:
    poles = np.concatenate([np.exp(-np.exp(log_delta) + 1j * omega), hum])
    last = poles**samples.length
    products = np.stack([np.multiply.outer(poles, poles), np.multiply.outer(poles, poles.conj())])
    tails = np.stack([np.multiply.outer(last, last), np.multiply.outer(last, last.conj())])
    s0, s1, s2 = power_sums(products, samples.length, tails)
    b0, b1 = samples.moments(poles)
    right = np.concatenate([b0.real, -b0.imag])
    gram = _linear_gram(s0[0], s0[1])
    solved = _solve(gram, right)
    count = len(poles)
    weights = solved[:count] + 1j * solved[count:]
    return _Point(
        log_delta=log_delta,
        omega=omega,
        poles=poles,
        weights=weights,
        chi2=_chi2(samples.energy, gram, right, solved),
        gram=gram,
        plus=(s0[0], s1[0], s2[0]),
        minus=(s0[1], s1[1], s2[1]),
        b1=b1,
    )


def _chi2(energy: float, gram: Float, right: Float, solved: Float) -> float:
    """Return the residual energy for the amplitudes ``solved``, which need not be exactly optimal.

    Nearly equal poles can cancel with huge amplitudes, and their difference is then mostly rounding error. In that
    case nothing counts as explained, so that no step of the poles leads there.
    """
    if float(solved**2 @ np.diagonal(gram)) > _MOST_CANCELLED * energy:
        return energy
    return energy - float(solved @ (2.0 * right - gram @ solved))


def _information(point: _Point, modes: int) -> Float:
    """Return ``J^T J`` in the order of :class:`Fit`."""
    count = len(point.poles)
    size = 2 * count + 2 * modes
    info = np.empty((size, size))
    info[: 2 * count, : 2 * count] = point.gram
    # u for the pole columns: d/d(log delta) = -delta n c z^n, d/d(omega) = i n c z^n.
    c = point.weights[:modes]
    u = np.concatenate([-np.exp(point.log_delta) * c, 1j * c])
    ones = np.ones(count)
    v = np.concatenate([ones, 1j * ones])
    cross = _products(v, u, point.plus[1][:, :modes], point.minus[1][:, :modes])
    info[: 2 * count, 2 * count :] = cross
    info[2 * count :, : 2 * count] = cross.T
    info[2 * count :, 2 * count :] = _products(u, u, point.plus[2][:modes, :modes], point.minus[2][:modes, :modes])
    return info


def _products(left: Complex, right: Complex, plus: Complex, minus: Complex) -> Float:
    """Return the inner products of ``Re(left n^p z_i^n)`` and ``Re(right n^q z_j^n)``, two of each kind per mode."""
    a, b = left.reshape(2, -1)[:, :, None, None], right.reshape(2, -1)[None, None]
    table = (a * (b * plus[None, :, None, :] + b.conj() * minus[None, :, None, :])).real / 2
    return np.asarray(table.reshape(len(left), len(right)), dtype=np.float64)


def _slope(point: _Point, modes: int) -> Float:
    """Return ``J^T r`` for the pole columns; it is zero for the amplitudes, which are solved for."""
    fitted = (point.plus[1][:modes] @ point.weights + point.minus[1][:modes] @ point.weights.conj()) / 2
    left = point.b1[:modes] - fitted
    c = point.weights[:modes]
    return np.concatenate([(-np.exp(point.log_delta) * c * left).real, (1j * c * left).real])


def fit_modes(
    samples: Samples, poles: Complex, hum: NDArray[np.complex128] | None = None, most_steps: int = MOST_STEPS
) -> Fit:
    """Fit damped modes to whitened samples.

    Parameters
    ----------
    samples
        Whitened samples: noise of variance 1.
    poles
        Start values, shape (K,), ``0 < |z| < 1``, arguments in (0, pi).
    hum
        Poles of mains lines on the unit circle, shape (H,); none by default.
    most_steps
        Most steps of the poles, 40 by default; fewer are enough to see which modes are worth keeping.

    Returns
    -------
    Fit
        At the nearest maximum of the likelihood, or after ``most_steps`` (see ``converged``).

    Examples
    --------
    >>> from tapbatch.measure.geometric import decays
    >>> true = np.exp(np.array([-0.005 + 0.3j]))
    >>> fit = fit_modes(Samples(decays(true, np.array([100.0 + 0j]), 2000)), true * np.exp(0.002j))
    >>> round(float(np.angle(fit.poles[0])), 6), round(float(abs(fit.weights[0])), 3)
    (0.3, 100.0)
    """
    hum_poles = np.zeros(0, dtype=np.complex128) if hum is None else np.asarray(hum, dtype=np.complex128)
    modes = len(poles)
    log_delta = np.log(np.clip(-np.log(np.abs(poles)), _SLOWEST, _FASTEST))
    point = _evaluate(samples, log_delta, np.angle(poles), hum_poles)
    damping, converged = 1e-3, modes == 0
    info, slope = _information(point, modes), _slope(point, modes)
    for _ in range(most_steps if modes else 0):
        step, gain = _step(info, slope, modes, damping)
        if gain < _ENOUGH:
            converged = True
            break
        tried = _evaluate(samples, *_moved(point, step, modes), hum_poles)
        if tried.chi2 < point.chi2:
            damping = max(damping / 10, 1e-9)
            point = tried
            info, slope = _information(point, modes), _slope(point, modes)
        else:
            damping *= 10
            if damping > 1e6:
                break
    count = len(point.poles)
    return Fit(
        poles=point.poles[:modes],
        weights=point.weights[:modes],
        hum_poles=hum_poles,
        hum_weights=point.weights[modes:count],
        chi2=max(point.chi2, 0.0),
        information=info,
        length=samples.length,
        energy=samples.energy,
        converged=converged,
    )


def _step(info: Float, slope: Float, modes: int, damping: float) -> tuple[Float, float]:
    """Return the damped Gauss-Newton step of the poles, and the gain in chi-square that it promises."""
    size = len(info)
    right = np.concatenate([np.zeros(size - 2 * modes), slope])
    damped = info.copy()
    damped.flat[(size + 1) * (size - 2 * modes) :: size + 1] *= 1.0 + damping
    step = _solve(damped, right)[-2 * modes :]
    return step, float(slope @ step)


def _moved(point: _Point, step: Float, modes: int) -> tuple[Float, Float]:
    """Move the poles, at most as far as the linear model holds: a factor e in decay, a few line widths."""
    log_delta = _within(-1.0, step[:modes], 1.0) + point.log_delta
    width = 3 * np.exp(point.log_delta) + 1e-3
    omega = _within(-width, step[modes:], width) + point.omega
    return _within(_LOG_SLOWEST, log_delta, _LOG_FASTEST), _within(1e-4, omega, np.pi - 1e-4)


def _within(low: Float | float, x: Float, high: Float | float) -> Float:
    """Clip, in a third of the time that ``numpy.clip`` takes for a dozen numbers."""
    return np.asarray(np.minimum(np.maximum(x, low), high), dtype=np.float64)
