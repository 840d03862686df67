"""One parameter more for a mode: how its damping and pitch depend on its own amplitude, to first order.

Conventions: those of :mod:`tapbatch.measure.fit`. Let ``x`` be the momentary amplitude of a mode over that at the
first sample of the window, ``x = exp(-delta n)`` to first order. If damping and frequency are

    delta (1 + kappa x),        omega (1 + epsilon x),

they tend to ``delta`` and ``omega`` as the mode dies away, and the mode is

    c z**n (1 + q |z|**n),      q = kappa - i epsilon omega/delta,

times a constant: a second line beside the first that decays twice as fast. ``q`` has two real parts, and the model is
linear in them. :func:`second_order` returns the information on the ``q`` of all modes together, with everything else
free, in closed form; the cost is that of one step of the fit.

Four lines below 100 Hz that decay within 17 or 46 ms are free too. There a phone's high-pass filter still rings after
the blow, and what it leaves would be taken for a mode whose decay bends.

A missing neighbour within a few line widths, or a second line within one, also gives a ``q``. What it means is
decided over all modes and taps (:mod:`tapbatch.measure.bending`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.measure.bound import damped_inverse
from tapbatch.measure.fit import Fit
from tapbatch.measure.geometric import Complex, Float, Samples, decays, power_sums
from tapbatch.measure.prune import TapFit

_UNKNOWN_SD = 5.0  # of q where nothing is known: a mode that changes six times as much is no mode
_PASSING = ((150.0, 20.0), (150.0, 60.0), (400.0, 20.0), (400.0, 80.0))  # decay in 1/s and frequency in hertz
_DAMPING = 1e-9  # of the diagonal of an information matrix, which may have no inverse otherwise
_Sums = tuple[Complex, Complex, Complex]


@dataclass(frozen=True, slots=True, eq=False)
class SecondOrder:
    """What a tap says about the ``q`` of its K modes, all real parts first, then all imaginary ones.

    ``information`` has shape (2K, 2K), ``slope`` (2K,): without other knowledge ``q`` is ``information**-1 slope``.
    ``shift``, (T, 2K), says by how much the other unknowns fall for each unit of ``q``: those of the fit and the
    amplitudes of the lines at ``passing``. ``freed``, (T,), is where they are for ``q = 0``, and ``errors``, (T, T),
    their covariance there.
    """

    information: Float
    slope: Float
    shift: Float
    freed: Float
    errors: Float
    passing: Complex


def second_order(tap: TapFit, shift_hz: float = 0.0) -> SecondOrder:
    """Return what a tap says about the second order of its modes.

    Parameters
    ----------
    tap
        A fit with at least one mode.
    shift_hz
        How much lower its frequencies are than in the recording, 0 by default.

    Examples
    --------
    A mode whose damping is 20 % higher at the beginning:

    >>> from tapbatch.measure.prune import pruned
    >>> n = np.arange(3000)
    >>> die = np.exp(-0.004 * n)
    >>> ring = 300 * die / (1 + 0.2 * (1 - die)) * np.cos(0.5 * n) + np.random.default_rng(1).standard_normal(3000)
    >>> tap = pruned(ring, 0, 3000, 4000.0, np.zeros(0, dtype=np.complex128), np.exp(np.array([-0.004 + 0.5j])))
    >>> q, cov = estimate(second_order(tap))
    >>> round(float(q[0]), 1), round(float(q[1]), 1), bool(cov[0, 0] < 0.05**2)
    (0.2, -0.0, True)
    """
    fit = tap.fit
    count, length, weights = fit.count, fit.length, fit.weights
    faster = fit.poles * np.abs(fit.poles)
    of_q = np.concatenate([weights, 1j * weights])
    passing = passing_poles(tap.rate_hz, shift_hz)
    first = np.concatenate([fit.poles, fit.hum_poles])
    cross = np.concatenate([_with_tangent(fit, first, faster, of_q), _with_lines(passing, faster, of_q, length)])
    inner = _inner(of_q, of_q, _sums(faster, faster, length), 0)
    errors = damped_inverse(_with_passing(fit, first, passing), _DAMPING)
    shift = errors @ cross
    moments = Samples(tap.residual).moments(np.concatenate([faster, passing]))[0]
    beyond = np.zeros(len(errors))
    beyond[len(fit.information) :] = _slope(_both(len(passing)), moments[count:])
    slope = _slope(of_q, moments[:count]) - shift.T @ beyond
    return SecondOrder(inner - cross.T @ shift, slope, shift, errors @ beyond, errors, passing)


def estimate(said: SecondOrder, mean: Float | None = None, sd: Float | None = None) -> tuple[Float, Float]:
    """Return ``q`` and its covariance, (2K,) and (2K, 2K), given what is known of it beforehand.

    Parameters
    ----------
    said
        What the tap says.
    mean, sd
        What is known, shape (2K,); default: 0, and 5 for lack of knowledge.
    """
    size = len(said.slope)
    weight = 1.0 / (np.full(size, _UNKNOWN_SD) if sd is None else sd) ** 2
    known = np.zeros(size) if mean is None else mean
    cov = np.linalg.inv(said.information + np.diag(weight))
    return np.asarray(cov @ (said.slope + weight * known)), np.asarray(cov)


def left_with(tap: TapFit, said: SecondOrder, q: Float) -> Float:
    """Return what a model with ``q`` leaves of the samples, to first order in it, shape (n,)."""
    fit = tap.fit
    count, size = fit.count, len(fit.information)
    linear, half = size - 2 * count, size // 2 - count
    moved = said.freed - said.shift @ q
    still = moved[:half] + 1j * moved[half:linear]
    passed = moved[size : size + len(said.passing)] + 1j * moved[size + len(said.passing) :]
    delta = -np.log(np.abs(fit.poles))
    rising = fit.weights * (-delta * moved[linear : linear + count] + 1j * moved[linear + count : size])
    poles = np.concatenate([fit.poles, fit.hum_poles, said.passing, fit.poles * np.abs(fit.poles)])
    weights = np.concatenate([still, passed, fit.weights * (q[:count] + 1j * q[count:])])
    added = decays(poles, weights, fit.length)
    added += np.arange(fit.length) * decays(fit.poles, rising, fit.length)
    return np.asarray(tap.residual - added)


def of_common(tap: TapFit, said: SecondOrder, lines: Complex) -> tuple[float, float]:
    """Return the factor by which added lines, (K,), follow the amplitudes of the modes, and its chi-square."""
    weights = np.concatenate([tap.fit.weights, 1j * tap.fit.weights])
    information, slope = _added(tap, said, lines, weights)
    count = len(lines)
    known, pull = float(information[:count, :count].sum()), float(slope[:count].sum())
    return (pull / known, pull**2 / known) if known > 0 else (0.0, 0.0)


def of_lines(tap: TapFit, said: SecondOrder, lines: Complex) -> tuple[Float, Float]:
    """Return the information on the amplitudes of added lines, (2M, 2M), and the slope there, (2M,).

    Parameters
    ----------
    tap, said
        The fit of a tap, and what :func:`second_order` says of it.
    lines
        Poles of lines that the fit lacks, shape (M,).
    """
    return _added(tap, said, lines, _both(len(lines)))


def _added(tap: TapFit, said: SecondOrder, lines: Complex, of_line: Complex) -> tuple[Float, Float]:
    fit, count = tap.fit, len(lines)
    first = np.concatenate([fit.poles, fit.hum_poles])
    cross = np.concatenate(
        [_with_tangent(fit, first, lines, of_line), _with_lines(said.passing, lines, of_line, fit.length)]
    )
    moved = said.errors @ cross
    moments = Samples(tap.residual).moments(np.concatenate([lines, said.passing]))[0]
    beyond = np.zeros(len(said.errors))
    beyond[len(fit.information) :] = _slope(_both(len(said.passing)), moments[count:])
    inner = _inner(of_line, of_line, _sums(lines, lines, fit.length), 0)
    return np.asarray(inner - cross.T @ moved), np.asarray(_slope(of_line, moments[:count]) - moved.T @ beyond)


# ---------------------------------------------------------------- inner products


def passing_poles(rate_hz: float, shift_hz: float) -> Complex:
    """Return the poles of what passes right after the blow; none in a zone that does not reach down there."""
    if shift_hz > 0.0:
        return np.zeros(0, dtype=np.complex128)
    return np.exp(np.array([-decay + 2j * np.pi * hz for decay, hz in _PASSING]) / rate_hz)


def _both(count: int) -> Complex:
    return np.concatenate([np.ones(count), 1j * np.ones(count)])


def _sums(left: Complex, right: Complex, length: int) -> tuple[_Sums, _Sums]:
    """Return the power sums at ``z_i z_j`` and at ``z_i conj(z_j)``."""
    ends = left**length, right**length
    return (
        power_sums(np.multiply.outer(left, right), length, np.multiply.outer(*ends)),
        power_sums(np.multiply.outer(left, right.conj()), length, np.multiply.outer(ends[0], ends[1].conj())),
    )


def _inner(u: Complex, v: Complex, sums: tuple[_Sums, _Sums], power: int) -> Float:
    """Return the inner products of ``Re(u n^power z_i^n)`` and ``Re(v z_j^n)``, two of each kind a line."""
    plus, minus = sums[0][power], sums[1][power]
    a, b = u.reshape(2, -1)[:, :, None, None], v.reshape(2, -1)[None, None]
    table = (a * (b * plus[None, :, None, :] + b.conj() * minus[None, :, None, :])).real / 2
    return np.asarray(table.reshape(len(u), len(v)), dtype=np.float64)


def _with_tangent(fit: Fit, first: Complex, lines: Complex, of_lines: Complex) -> Float:
    """Return the inner products of the derivatives of a fit with lines, in the order of its information."""
    sums = _sums(first, lines, fit.length)
    delta, count = -np.log(np.abs(fit.poles)), fit.count
    amplitudes = _inner(_both(len(first)), of_lines, sums, 0)
    of_modes = (
        (sums[0][0][:count], sums[0][1][:count], sums[0][2][:count]),
        (sums[1][0][:count], sums[1][1][:count], sums[1][2][:count]),
    )
    poles = _inner(np.concatenate([-delta * fit.weights, 1j * fit.weights]), of_lines, of_modes, 1)
    return np.concatenate([amplitudes, poles])


def _with_lines(left: Complex, right: Complex, of_right: Complex, length: int) -> Float:
    return _inner(_both(len(left)), of_right, _sums(left, right, length), 0)


def _with_passing(fit: Fit, first: Complex, passing: Complex) -> Float:
    """Return the information of a fit with the amplitudes of passing lines as further unknowns."""
    if not len(passing):
        return fit.information
    both = _both(len(passing))
    cross = _with_tangent(fit, first, passing, both)
    own = _inner(both, both, _sums(passing, passing, fit.length), 0)
    return np.block([[fit.information, cross], [cross.T, own]])


def _slope(u: Complex, moments: Complex) -> Float:
    """Return the inner products of ``Re(u z^n)`` with the residual from its moments."""
    return np.asarray((u.reshape(2, -1) * moments).real.reshape(-1))
