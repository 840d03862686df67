"""Fit modes whose damping and pitch depend on their amplitude, and state them at small amplitude.

Conventions: those of :mod:`tapbatch.measure.by_amplitude`. With ``d = exp(-delta n)`` and
``L = log(1 + kappa (1 - d))`` the law ``delta (1 + kappa x)``, ``omega (1 + epsilon x)`` has the exact solution

    c z**n exp(-L + i nu L/kappa),      nu = epsilon omega/delta,

with ``c`` the amplitude at the first sample and ``x`` the momentary one over it. Each mode thus has six unknowns.
What is known of ``kappa`` and ``nu`` beforehand enters as an observation with a standard deviation. All unknowns are
moved together by Levenberg-Marquardt steps on the samples themselves. This takes ten times as long as steps in closed
form, and is done only where the decays of a recording bend.

A decay that bends is often fitted as a mode with *satellites*: weaker modes within two widths. They are left out at
the start (:func:`without_satellites`). Those that are then missed come back (:func:`with_restored`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.bound import damped_inverse, damped_solution
from tapbatch.measure.by_amplitude import passing_poles
from tapbatch.measure.geometric import Complex, Float, Samples, powers
from tapbatch.measure.misfit import local_excess, widened
from tapbatch.measure.prune import TapFit, mode_energy

_SATELLITE_DB = 8.0
_TWICE, _TWICE_DB = (1.4, 3.5), 2.0
_WIDTHS, _HALF = 2.0, 0.5
_STEPS = 12
_ENOUGH = 0.01
_MISSED = 25.0  # twice the normalised power of a line in the residual: chance gives it once in 300,000
_LARGEST = 0.9  # of kappa, either way
_PER_MODE = 6
_DAMPING = 1e-10  # of the diagonal of an information matrix, which may have no inverse otherwise


@dataclass(frozen=True, slots=True, eq=False)
class Bent:
    """A fit at small amplitude, and ``kappa`` and ``nu`` of its K modes, (2K,), with their covariance.

    ``kept`` has the poles of the modes before they were fitted.
    """

    tap: TapFit
    bend: Float
    cov: Float
    kept: Complex

    @property
    def left(self) -> float:
        """Power of the residual over that of the noise, at least 1."""
        return max(1.0, float(np.mean(self.tap.residual**2)))


def without_satellites(tap: TapFit) -> TapFit:
    """Return a fit without the modes that are probably the misfit of a stronger one; the same object if none is."""
    stay = ~satellites(tap)
    return tap if stay.all() else _with(tap, stay)


def satellites(tap: TapFit, *, of_second_order: bool = False) -> NDArray[np.bool_]:
    """Tell which modes are probably the misfit of a stronger one within two of its widths, (K,).

    They are weaker by 8 dB, or by 2 dB if they decay about twice as fast, as the second order of a mode does; with
    ``of_second_order`` only these, and only within half a width.
    """
    fit = tap.fit
    energy_db = 10 * np.log10(np.maximum(mode_energy(fit), 1e-300))
    omega, width = np.angle(fit.poles), -2.0 * np.log(np.abs(fit.poles))
    weaker_db = energy_db[None] - energy_db[:, None]
    faster = width[:, None] / width[None]
    twice = (faster > _TWICE[0]) & (faster < _TWICE[1]) & (weaker_db > _TWICE_DB)
    apart = np.abs(omega[:, None] - omega[None]) / width[None]
    if of_second_order:
        return np.asarray(((apart < _HALF) & twice).any(axis=1))
    near = apart < _WIDTHS
    return np.asarray((near & (twice | (weaker_db > _SATELLITE_DB))).any(axis=1))


def with_restored(whole: TapFit, found: Bent) -> TapFit:
    """Return the fit ``whole`` without the satellites that are not missed; the same object if all are missed.

    Parameters
    ----------
    whole
        The fit with all its modes.
    found
        A bent fit of the same tap without satellites.
    """
    stay = np.isin(whole.fit.poles, found.kept)
    power = np.abs(Samples(found.tap.residual).moments(whole.fit.poles)[0]) ** 2
    size = np.abs(whole.fit.poles) ** 2
    missed = 2.0 * power * (1.0 - size) > _MISSED * (1.0 - size**whole.fit.length) * found.left
    stay |= missed
    return whole if stay.all() else _with(whole, stay)


def _with(tap: TapFit, stay: NDArray[np.bool_]) -> TapFit:
    fit = tap.fit
    still = np.concatenate([stay, np.ones(len(fit.hum_poles), dtype=bool)])
    kept = np.concatenate([still, still, stay, stay])
    less = replace(
        fit, poles=fit.poles[stay], weights=fit.weights[stay], information=fit.information[np.ix_(kept, kept)]
    )
    pair, uneven, decided = (m[stay] if len(m) else m for m in (tap.pair, tap.uneven, tap.decided))
    return replace(tap, fit=less, excess=tap.excess[stay], pair=pair, uneven=uneven, decided=decided)


def bent(tap: TapFit, mean: Float, sd: Float, shift_hz: float = 0.0) -> Bent:
    """Fit a tap with two more unknowns for each mode.

    Parameters
    ----------
    tap
        A fit with at least one mode.
    mean, sd
        What is known of ``kappa`` of all modes and then of ``nu``, shape (2K,); ``sd`` above 0.
    shift_hz
        How much lower its frequencies are than in the recording, 0 by default.
    """
    fit = tap.fit
    count = fit.count
    lines = np.concatenate([fit.hum_poles, passing_poles(tap.rate_hz, shift_hz)])
    table = powers(lines, fit.length) if len(lines) else np.zeros((fit.length, 0), dtype=np.complex128)
    still = np.concatenate([table.real, -table.imag], axis=1)
    known, weight = np.concatenate([np.zeros(4 * count), mean]), np.concatenate([np.zeros(4 * count), sd**-2.0])
    # The amplitude at the start falls with the damping there; to first order c stays what the fit found.
    unknown = np.concatenate([fit.weights.real, fit.weights.imag, np.log(-np.log(np.abs(fit.poles))),
                              np.angle(fit.poles), np.clip(mean, -_LARGEST, None)])  # fmt: skip
    amplitudes = np.zeros(still.shape[1])
    model, ringing = _model(unknown, count, fit.length)
    if still.shape[1]:
        amplitudes = np.linalg.lstsq(still, tap.samples - model, rcond=None)[0]

    def cost(model: Float, amplitudes: Float, unknown: Float) -> tuple[float, Float]:
        residual = tap.samples - model - still @ amplitudes
        return float(residual @ residual + weight @ (unknown - known) ** 2), residual

    at, residual = cost(model, amplitudes, unknown)
    damping = 1e-3
    slopes = ringing.slopes()
    normal = _normal(slopes, still, weight)
    for _ in range(_STEPS):
        right = np.concatenate([slopes.T @ residual - weight * (unknown - known), still.T @ residual])
        damped = normal.copy()
        damped.flat[:: len(damped) + 1] *= 1.0 + damping
        step = damped_solution(damped, right, _DAMPING)
        if float(right @ step) < _ENOUGH:
            break
        tried = _within(unknown, step[: len(unknown)], count)
        model, ringing = _model(tried, count, fit.length)
        tried_at, tried_residual = cost(model, amplitudes + step[len(unknown) :], tried)
        if tried_at < at:
            unknown, amplitudes = tried, amplitudes + step[len(unknown) :]
            at, residual, slopes = tried_at, tried_residual, ringing.slopes()
            damping = max(damping / 10, 1e-9)
            normal = _normal(slopes, still, weight)
        else:
            damping *= 10
            if damping > 1e4:
                break
    return _as_fit(tap, unknown, amplitudes, residual, normal)


def _within(unknown: Float, step: Float, count: int) -> Float:
    moved = unknown + step
    moved[2 * count : 3 * count] = unknown[2 * count : 3 * count] + np.clip(step[2 * count : 3 * count], -0.7, 0.7)
    moved[4 * count : 5 * count] = np.clip(moved[4 * count : 5 * count], -_LARGEST, 20.0)
    moved[3 * count : 4 * count] = np.clip(moved[3 * count : 4 * count], 1e-4, np.pi - 1e-4)
    return np.asarray(moved)


@dataclass(frozen=True, slots=True, eq=False)
class _Ringing:
    """The modes sample by sample, and what their derivatives need: arrays of shape (n, K) or (K,)."""

    free: Complex
    mode: Complex
    dying: Float
    more: Float
    logged: Float
    delta: Float
    kappa: Float
    nu: Float

    def slopes(self) -> Float:
        """Return the derivatives of the samples, (n, 6K), in the order of the unknowns."""
        n = np.arange(len(self.free))[:, None]
        mode, dying, more, logged, kappa, nu = self.mode, self.dying, self.more, self.logged, self.kappa, self.nu
        of_kappa = (1.0 - dying) / more
        return np.concatenate(
            [
                self.free.real,
                -self.free.imag,
                (mode * (self.delta * n * (-1.0 + (-kappa + 1j * nu) * dying / more))).real,
                -(mode * n).imag,
                (mode * (-of_kappa + 1j * nu * (of_kappa * kappa - logged) / kappa**2)).real,
                -(mode * logged / kappa).imag,
            ],
            axis=1,
        )


def _model(unknown: Float, count: int, length: int) -> tuple[Float, _Ringing]:
    """Return the samples of the modes, (n,), and each of them."""
    real, imag, log_delta, omega, kappa, nu = unknown.reshape(_PER_MODE, count)
    delta, n = np.exp(log_delta), np.arange(length)[:, None]
    dying = np.exp(-delta * n)
    kappa = np.where(np.abs(kappa) < 1e-6, 1e-6, kappa)
    more = 1.0 + kappa * (1.0 - dying)
    logged = np.log(more)
    free = powers(np.exp(-delta + 1j * omega), length) * np.exp((-1.0 + 1j * nu / kappa) * logged)
    mode = free * (real + 1j * imag)
    return mode.real.sum(axis=1), _Ringing(free, mode, dying, more, logged, delta, kappa, nu)


def _normal(slopes: Float, still: Float, weight: Float) -> Float:
    every = np.concatenate([slopes, still], axis=1)
    normal = every.T @ every
    normal.flat[:: len(normal) + 1] += np.concatenate([weight, np.zeros(still.shape[1])])
    return np.asarray(normal)


def _as_fit(tap: TapFit, unknown: Float, amplitudes: Float, residual: Float, normal: Float) -> Bent:
    fit = tap.fit
    count, hum = fit.count, len(fit.hum_poles)
    real, imag, log_delta, omega, _, _ = unknown.reshape(_PER_MODE, count)
    covariance = damped_inverse(normal, _DAMPING)
    lines = len(amplitudes) // 2
    first = 6 * count
    order = np.concatenate([np.arange(count), first + np.arange(hum), count + np.arange(count),
                            first + lines + np.arange(hum), 2 * count + np.arange(2 * count)])  # fmt: skip
    errors = covariance[np.ix_(order, order)]
    poles: Complex = np.exp(-np.exp(log_delta) + 1j * omega)
    chi2 = float(residual @ residual)
    changed = replace(
        fit,
        poles=poles,
        weights=real + 1j * imag,
        hum_weights=amplitudes[:hum] + 1j * amplitudes[lines : lines + hum],
        information=damped_inverse((errors + errors.T) / 2.0, _DAMPING),
        chi2=chi2,
    )
    excess = widened(local_excess(residual, poles, tap.rate_hz))
    found = replace(tap, fit=changed, residual=residual, excess=excess)
    bend = slice(4 * count, 6 * count)
    return Bent(found, unknown[bend], covariance[bend, bend], fit.poles)
