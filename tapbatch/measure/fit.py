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

from tapbatch.measure.geometric import Complex, Float, Samples, Sums

MOST_STEPS = 40
_NEAR, _FAR = 1e-3, 0.1  # damping of the first step, by whether little more than noise is left at the start
_MISFIT = 3.0  # residual power over the noise power
_ENOUGH = 1e-3  # remaining gain in chi-square at which the poles are within 0.03 of a standard error
_FASTEST = 2.0  # 1/sample: a faster decay cannot be told from a click
_SLOWEST = 1e-6
_LEAST_DAMPING = 1e-9
_MOST_TRUST = 0.1
_SLIGHT = 1e-12
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


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """What is known at one set of poles: the best amplitudes and what they leave."""

    log_delta: Float
    omega: Float
    poles: Complex
    weights: Complex
    chi2: float
    gram: Float
    sums: Sums
    b1: Complex


@dataclass(frozen=True, slots=True, eq=False)
class _Normal:
    """The normal equations of the poles at a point, the amplitudes following, scaled to a unit diagonal of ``J^T J``.

    ``matrix`` has shape (2K, 2K), ``slope`` and ``scale`` (2K,): a step is ``scale * matrix**-1 slope``.
    """

    matrix: Float
    slope: Float
    scale: Float


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
    return _solve_scaled(scaled, right * scale) * scale


def _solve_scaled(scaled: Float, right: Float) -> Float:
    """Solve a system with a unit diagonal, slightly damped; ``scaled`` is changed."""
    scaled.flat[:: len(scaled) + 1] += _SLIGHT
    try:
        return np.asarray(np.linalg.solve(scaled, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(scaled, right, rcond=None)[0], dtype=np.float64)


def _evaluate(samples: Samples, log_delta: Float, omega: Float, hum: Complex) -> _Point:
    poles = np.concatenate([np.exp(-np.exp(log_delta) + 1j * omega), hum])
    last, count = poles**samples.length, len(poles)
    products, tails = np.empty((2, 2, count, count), dtype=np.complex128)
    for of, table in ((poles, products), (last, tails)):
        np.multiply.outer(of, of, out=table[0])
        np.multiply.outer(of, of.conj(), out=table[1])
    sums = Sums(products, samples.length, tails)
    b0, b1 = samples.moments(poles)
    right = np.concatenate([b0.real, -b0.imag])
    gram = _linear_gram(sums.s0[0], sums.s0[1])
    solved = _solve(gram, right)
    return _Point(
        log_delta=log_delta,
        omega=omega,
        poles=poles,
        weights=solved[:count] + 1j * solved[count:],
        chi2=_chi2(samples.energy, gram, right, solved),
        gram=gram,
        sums=sums,
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


def _blocks(point: _Point, modes: int, first: Complex, second: Complex) -> tuple[Float, Float]:
    """Return ``J^T J`` of amplitudes with poles, (2K+2H, 2K), and of poles with poles, (2K, 2K), from ``S_1, S_2``.

    The columns of the poles are ``Re(u n z^n)``: ``u = -delta c`` for log delta, ``u = i c`` for omega.
    """
    count, delta = len(point.poles), np.exp(point.log_delta)
    c = point.weights[:modes]
    plus, minus = first[0, :, :modes] * c, first[1, :, :modes] * c.conj()
    both, apart = (plus + minus) * (-delta / 2), (plus - minus) / 2
    cross = np.empty((2 * count, 2 * modes))
    cross[:count, :modes], cross[count:, :modes] = both.real, -both.imag
    cross[:count, modes:], cross[count:, modes:] = -apart.imag, -apart.real
    plus = second[0, :modes, :modes] * np.multiply.outer(c, c / 2)
    minus = second[1, :modes, :modes] * np.multiply.outer(c, c.conj() / 2)
    own = np.empty((2 * modes, 2 * modes))
    own[:modes, :modes] = (plus.real + minus.real) * np.multiply.outer(delta, delta)
    own[:modes, modes:] = (plus.imag - minus.imag) * delta[:, None]
    own[modes:, :modes] = own[:modes, modes:].T
    own[modes:, modes:] = minus.real - plus.real
    return cross, own


def _information(point: _Point, modes: int) -> Float:
    """Return ``J^T J`` in the order of :class:`Fit`."""
    cross, own = _blocks(point, modes, *point.sums.all()[1:])
    linear = len(cross)
    information = np.empty((linear + 2 * modes, linear + 2 * modes))
    information[:linear, :linear], information[:linear, linear:] = point.gram, cross
    information[linear:, :linear], information[linear:, linear:] = cross.T, own
    return information


def _slope(point: _Point, modes: int, first: Complex) -> Float:
    """Return ``J^T r`` for the pole columns, from ``S_1``; it is zero for the amplitudes, which are solved for."""
    fitted = (first[0, :modes] @ point.weights + first[1, :modes] @ point.weights.conj()) / 2
    left = point.b1[:modes] - fitted
    c = point.weights[:modes]
    return np.concatenate([(-np.exp(point.log_delta) * c * left).real, (1j * c * left).real])


def _normal(point: _Point, modes: int) -> _Normal:
    _, first, second = point.sums.all()
    cross, own = _blocks(point, modes, first, second)
    amplitudes = 1.0 / np.sqrt(np.maximum(np.diagonal(point.gram), 1e-300))
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(own), 1e-300))
    cross = cross * amplitudes[:, None] * scale
    taken = cross.T @ _solve_scaled(point.gram * amplitudes[:, None] * amplitudes, cross)
    return _Normal(own * scale[:, None] * scale - taken, _slope(point, modes, first) * scale, scale)


def fit_modes(
    samples: Samples,
    poles: Complex,
    hum: NDArray[np.complex128] | None = None,
    most_steps: int = MOST_STEPS,
    on_misfit: int = MOST_STEPS,
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
    on_misfit
        The same while more than noise is left (:func:`mostly_noise`): the poles would follow a misfit without end.

    Returns
    -------
    Fit
        At the nearest maximum of the likelihood, or after as many steps as allowed (see ``converged``).

    Examples
    --------
    >>> from tapbatch.measure.geometric import decays
    >>> true = np.exp(np.array([-0.005 + 0.3j]))
    >>> fit = fit_modes(Samples(decays(true, np.array([100.0 + 0j]), 2000)), true * np.exp(0.002j))
    >>> round(float(np.angle(fit.poles[0])), 6), round(float(abs(fit.weights[0])), 2)
    (0.3, 100.0)
    """
    hum_poles = np.zeros(0, dtype=np.complex128) if hum is None else np.asarray(hum, dtype=np.complex128)
    modes = len(poles)
    log_delta = np.log(np.clip(-np.log(np.abs(poles)), _SLOWEST, _FASTEST))
    point = _evaluate(samples, log_delta, np.angle(poles), hum_poles)
    point, converged = _descended(samples, point, hum_poles, most_steps, on_misfit) if modes else (point, True)
    count = len(point.poles)
    return Fit(
        poles=point.poles[:modes],
        weights=point.weights[:modes],
        hum_poles=hum_poles,
        hum_weights=point.weights[modes:count],
        chi2=max(point.chi2, 0.0),
        information=_information(point, modes),
        length=samples.length,
        energy=samples.energy,
        converged=converged,
    )


def mostly_noise(fit: Fit) -> bool:
    """Tell whether a fit leaves little more than noise."""
    return fit.chi2 <= _MISFIT * fit.length


def _descended(
    samples: Samples, point: _Point, hum_poles: Complex, most_steps: int, on_misfit: int
) -> tuple[_Point, bool]:
    """Take steps, rejected ones included, and tell whether hardly anything remains to be gained.

    The damping follows how well the linear model foretold each gain (Nielsen, Report IMM-REP-1999-05, Technical
    University of Denmark), so that few steps are tried in vain.
    """
    modes = len(point.log_delta)
    misfit = _MISFIT * samples.length
    normal: _Normal | None = None
    raised = 2.0
    damping = _FAR if point.chi2 > misfit else _NEAR
    for taken in range(most_steps):
        if taken >= on_misfit and point.chi2 > misfit:
            break
        if normal is None:
            normal = _normal(point, modes)
        step = _step(normal, damping)
        if step @ normal.slope < _ENOUGH and damping > _LEAST_DAMPING and raised == 2.0:
            # Damping hides what remains to be gained where lines overlap.
            damping = _LEAST_DAMPING
            step = _step(normal, damping)
        if step @ normal.slope < _ENOUGH:
            return point, True
        tried = _evaluate(samples, *_moved(point, step * normal.scale, modes), hum_poles)
        if tried.chi2 < point.chi2:
            share = min((point.chi2 - tried.chi2) / _foretold(normal, point, tried), 1.0)
            damping = max(damping * min(max(_MOST_TRUST, 1.0 - (2.0 * share - 1.0) ** 3), 2.0), _LEAST_DAMPING)
            point, raised, normal = tried, 2.0, None
        else:
            damping *= raised
            raised *= 2.0
            if damping > 1e6:
                break
    return point, False


def _step(normal: _Normal, damping: float) -> Float:
    """Return the damped Gauss-Newton step of the poles, scaled; with the slope it gives the gain promised."""
    damped = normal.matrix.copy()
    damped.flat[:: len(damped) + 1] += damping
    return _solve_scaled(damped, normal.slope)


def _foretold(normal: _Normal, point: _Point, tried: _Point) -> float:
    """Return by how much chi-square should have fallen by the linear model, for the step that was taken."""
    moved = np.concatenate([tried.log_delta - point.log_delta, tried.omega - point.omega]) / normal.scale
    return max(float(moved @ (2.0 * normal.slope - normal.matrix @ moved)), 1e-300)


def _moved(point: _Point, step: Float, modes: int) -> tuple[Float, Float]:
    """Move the poles, at most as far as the linear model holds: a factor e in decay, a few line widths."""
    log_delta = _within(-1.0, step[:modes], 1.0) + point.log_delta
    width = 3 * np.exp(point.log_delta) + 1e-3
    omega = _within(-width, step[modes:], width) + point.omega
    return _within(_LOG_SLOWEST, log_delta, _LOG_FASTEST), _within(1e-4, omega, np.pi - 1e-4)


def _within(low: Float | float, x: Float, high: Float | float) -> Float:
    """Clip, in a third of the time that ``numpy.clip`` takes for a dozen numbers."""
    return np.asarray(np.minimum(np.maximum(x, low), high), dtype=np.float64)
