"""General methods, measured on the same sounds as this project's; each is given the start of the free decay.

Conventions: a peer gets the sound of one recording and one tap, and returns modes as an array of shape (K, 2):
frequency in hertz, T60 in seconds. All work on the sound resampled to about 4 kHz by a linear-phase filter. None is
given the noise: like the estimator, they may use the quiet before the first tap. Of the modes that ``esprit`` and
``harminv`` return, those inside the band are kept if their T60 is from 0.02 to 5 s and their energy at least 20 dB
over the noise density, which a lone mode needs to be distinguished from noise in nearly every tap. ``fft`` and
``envelope`` take peaks 12 dB over the floor.

- ``fft``: Hann window, eight-fold zero padding, peaks by a parabola on the logarithm, half-power width.
- ``envelope``: each such peak band-passed, and a line fitted to the logarithm of its envelope.
- ``esprit``: sub-bands of 200 Hz, the order by ESTER (Badeau, David & Richard, IEEE Trans. SP 54, 2006), poles by
  ESPRIT: the method published for guitars and their workshops (Ege, Boutillon & David, JSV 325, 2009; Elie, Gautier &
  David, JASA 132, 2012).
- ``harminv``: filter diagonalisation (Mandelshtam & Taylor, J. Chem. Phys. 107, 1997), the program of that name.
- ``lscf``: the least-squares complex frequency-domain method of sdypy-EMA. It leaves the choice of poles to its
  user, who looks at a chart; here it is given the true frequencies, so it cannot find false modes.
"""

from __future__ import annotations

import importlib.util
import itertools
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import LN_1000

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
NONE = np.zeros((0, 2))

BAND_HZ = (50.0, 1500.0)
LEAST_DB = 20.0
MOST_S = 1.0
_SUB_BAND_HZ = 200.0
_SUB_BAND_S = 0.5
_MOST_ORDER = 16
_LSCF_ORDER = 60


@dataclass(frozen=True, eq=False)
class Decay:
    """The free decay of a tap at a low rate, and the quiet before it."""

    samples: Float
    quiet: Float
    rate_hz: float
    true_hz: Float


Peer = Callable[[Decay], Float]


def lowered(samples: Float, rate_hz: int, free_s: tuple[float, float], quiet_s: float, true_hz: Float) -> Decay:
    """Resample a recording to about 4 kHz and cut out a decay."""
    from scipy.signal import resample_poly

    factor = max(1, rate_hz // 4000)
    low = resample_poly(samples, 1, factor, window=("kaiser", 8.0)) if factor > 1 else samples
    rate = rate_hz / factor
    first, last = int(np.ceil(free_s[0] * rate)), int(min(free_s[1], free_s[0] + MOST_S) * rate)
    return Decay(low[first:last], low[int(0.02 * rate) : int((quiet_s - 0.02) * rate)], rate, true_hz)


def density(decay: Decay, freq_hz: Float) -> Float:
    """Return the two-sided density of the noise around each frequency, in units of one sample's variance."""
    from scipy.signal import welch

    at, psd = welch(decay.quiet, decay.rate_hz, nperseg=min(512, len(decay.quiet)))
    return np.interp(freq_hz, at, psd) * decay.rate_hz / 2


def thinned(decay: Decay, freq_hz: Float, t60_s: Float, amplitude: Float) -> Float:
    """Keep the modes that the common rule allows."""
    energy = amplitude**2 * t60_s * decay.rate_hz / (4 * LN_1000)
    good = (freq_hz > BAND_HZ[0]) & (freq_hz < BAND_HZ[1]) & (t60_s > 0.02) & (t60_s < 5.0)
    good &= energy > 10 ** (LEAST_DB / 10) * density(decay, freq_hz)
    return np.stack([freq_hz, t60_s], axis=1)[good]


# --------------------------------------------------------------------- fft


def _peaks(decay: Decay) -> list[tuple[float, float]]:
    """Return (frequency, half-power width) of the peaks of the spectrum, in hertz."""
    y, rate_hz = decay.samples, decay.rate_hz
    length = 1 << int(np.ceil(np.log2(8 * len(y))))
    window = np.hanning(len(y))
    power = np.abs(np.fft.rfft(y * window, length)) ** 2
    step = rate_hz / length
    floor = density(decay, np.arange(len(power)) * step) * (window @ window)
    high = (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:])
    # Twelve decibels over the floor, and over the side lobes of the strongest line.
    high &= power[1:-1] > np.maximum(16 * floor[1:-1], 1e-6 * power.max())
    found = []
    for k in (np.flatnonzero(high) + 1).tolist():
        if not BAND_HZ[0] < k * step < BAND_HZ[1]:
            continue
        a, b, c = np.log(power[k - 1 : k + 2])
        shift = 0.5 * (a - c) / (a - 2 * b + c)
        half = np.exp(b - 0.25 * (a - c) * shift) / 2
        left, right = _crossing(power, k, -1, half), _crossing(power, k, 1, half)
        if left is not None and right is not None:
            found.append(((k + shift) * step, (right - left) * step))
    return found


def _crossing(power: Float, k: int, way: int, level: float) -> float | None:
    """Walk from a peak down to a level; return ``None`` if a neighbour comes first."""
    while 0 < k < len(power) - 1 and power[k] > level:
        if power[k + way] > power[k]:
            return None
        k += way
    upper, lower = power[k - way], power[k]
    return k - way * float((level - lower) / max(upper - lower, 1e-300))


def fft(decay: Decay) -> Float:
    peaks = _peaks(decay)
    if not peaks:
        return NONE
    freq_hz, width_hz = np.array(peaks).T
    # A line's half-power width is delta/pi.
    return np.stack([freq_hz, LN_1000 / (np.pi * width_hz)], axis=1)


# ---------------------------------------------------------------- envelope


def envelope(decay: Decay) -> Float:
    from scipy.signal import butter, hilbert, sosfiltfilt

    found = []
    for freq_hz, _ in _peaks(decay):
        edges = [max(freq_hz - 15, 10.0), min(freq_hz + 15, 0.49 * decay.rate_hz)]
        sections = butter(2, edges, "bandpass", fs=decay.rate_hz, output="sos")
        signal = hilbert(sosfiltfilt(sections, decay.samples))
        noise = float(np.std(sosfiltfilt(sections, decay.quiet)))
        level_db = 20 * np.log10(np.maximum(np.abs(signal), 1e-30))
        top = int(level_db[: int(0.1 * decay.rate_hz)].argmax())
        floor_db = 20 * np.log10(noise) + 10
        below = np.flatnonzero(level_db[top:] < floor_db)
        end = top + (int(below[0]) if len(below) else len(level_db) - top)
        if end - top < 0.02 * decay.rate_hz:
            continue
        n = np.arange(top, end)
        slope_db = np.polyfit(n / decay.rate_hz, level_db[top:end], 1)[0]
        turn = np.polyfit(n / decay.rate_hz, np.unwrap(np.angle(signal[top:end])), 1)[0]
        if slope_db < 0:
            found.append((turn / (2 * np.pi), -60 / slope_db))
    return np.array(found) if found else NONE


# ------------------------------------------------------------------ esprit


def esprit(decay: Decay) -> Float:
    found = [
        _of_band(decay, middle)
        for middle in np.arange(BAND_HZ[0] + _SUB_BAND_HZ / 2, BAND_HZ[1] + 50, _SUB_BAND_HZ).tolist()
    ]
    return np.concatenate(found) if found else NONE


def _of_band(decay: Decay, middle_hz: float) -> Float:
    from scipy.signal import firwin, upfirdn

    factor = max(1, int(decay.rate_hz / (1.6 * _SUB_BAND_HZ)))
    rate_hz = decay.rate_hz / factor
    y = decay.samples[: int((_SUB_BAND_S + 0.1) * decay.rate_hz)]
    turned = y * np.exp(-2j * np.pi * middle_hz / decay.rate_hz * np.arange(len(y)))
    taps = firwin(16 * factor + 1, 0.55 * _SUB_BAND_HZ, fs=decay.rate_hz)
    # Only where the filter lies entirely within the decay.
    x = upfirdn(taps, turned, 1, factor)[17 : len(y) // factor]
    x = x[: int(_SUB_BAND_S * rate_hz)]
    poles = esprit_poles(x)
    freq_hz = np.angle(poles) * rate_hz / (2 * np.pi) + middle_hz
    good = (np.abs(poles) < 1) & (np.abs(freq_hz - middle_hz) <= _SUB_BAND_HZ / 2)
    if not good.any():
        return NONE
    basis = poles[None] ** np.arange(len(x))[:, None]
    weights = np.linalg.lstsq(basis, x, rcond=None)[0]
    t60_s = LN_1000 / (-np.log(np.abs(poles[good])) * rate_hz)
    began = 17 * factor - 8 * factor
    amplitude = 2 * np.abs(weights[good]) * np.exp(LN_1000 / t60_s * began / decay.rate_hz)
    return thinned(decay, freq_hz[good], t60_s, amplitude)


def esprit_poles(x: Complex) -> Complex:
    """Return poles by ESPRIT, the order being the largest at which ESTER's criterion has its minimum.

    Examples
    --------
    >>> z = np.exp(np.array([-0.01 + 0.3j, -0.02 - 0.5j]))
    >>> noise = np.random.default_rng(1).standard_normal((2, 150))
    >>> x = (z[None] ** np.arange(150)[:, None]).sum(axis=1) + 0.001 * (noise[0] + 1j * noise[1])
    >>> sorted(np.angle(esprit_poles(x)).round(2).tolist())
    [-0.5, 0.3]
    """
    rows = len(x) // 2
    hankel = np.lib.stride_tricks.sliding_window_view(x, len(x) - rows + 1)
    vectors = np.linalg.svd(hankel, full_matrices=False)[0]
    best: tuple[float, Complex] = (np.inf, np.zeros((0, 0), dtype=np.complex128))
    for order in range(1, min(_MOST_ORDER, rows - 2) + 1):
        w = vectors[:, :order]
        turn = np.linalg.lstsq(w[:-1], w[1:], rcond=None)[0]
        error = float(np.linalg.norm(w[1:] - w[:-1] @ turn, 2))
        if error <= best[0]:
            best = (error, turn)
    return np.linalg.eigvals(best[1])


# ----------------------------------------------------------------- harminv


def harminv(decay: Decay) -> Float:
    y = decay.samples[: int(0.5 * decay.rate_hz)]
    edges = np.linspace(BAND_HZ[0] - 10, BAND_HZ[1] + 10, 8)
    bands = [f"{a:.0f}-{b:.0f}" for a, b in itertools.pairwise(edges)]
    command = ["harminv", "-t", f"{1 / decay.rate_hz:.12g}", "-F", *bands]
    run = subprocess.run(
        command, input="\n".join(f"{v:.9g}" for v in y), capture_output=True, text=True, check=True, timeout=60
    )
    rows = [
        [float(v) for v in line.split(",")]
        for line in run.stdout.splitlines()
        if line and not line.startswith(("frequency", "#"))
    ]
    if not rows:
        return NONE
    freq_hz, delta, _, amplitude, _, error = np.array(rows).T
    good = (delta > 0) & (freq_hz > 0) & (error < 1e-2)
    # In a real signal each line has half the amplitude.
    return thinned(decay, freq_hz[good], LN_1000 / delta[good], 2 * amplitude[good])


# -------------------------------------------------------------------- lscf


def lscf(decay: Decay) -> Float:
    from sdypy import EMA

    y = decay.samples
    length = 1 << int(np.ceil(np.log2(len(y))))
    model = EMA.Model(
        frf=np.fft.rfft(y, length)[None],
        freq=np.fft.rfftfreq(length, 1 / decay.rate_hz),
        lower=BAND_HZ[0],
        upper=0.45 * decay.rate_hz,
        pol_order_high=_LSCF_ORDER,
        frf_form="receptance",
    )
    model.get_poles(method="lscf", show_progress=False)
    # The upper half of the orders, where poles have become stable. Growing poles belong to conjugates or noise.
    poles = np.concatenate(model.all_poles[_LSCF_ORDER // 2 :])
    freq_hz, delta = np.abs(poles.imag) / (2 * np.pi), -poles.real
    found = []
    for true_hz in decay.true_hz:
        near = (np.abs(freq_hz - true_hz) < 3.0) & (delta > 0)
        if near.any():
            found.append((np.median(freq_hz[near]), LN_1000 / np.median(delta[near])))
    return np.array(found) if found else NONE


PEERS: dict[str, Peer] = {"fft": fft, "envelope": envelope, "esprit": esprit, "harminv": harminv, "lscf": lscf}


def missing() -> dict[str, str]:
    """Return the peers that cannot run here, and why."""
    reasons = {}
    if shutil.which("harminv") is None:
        reasons["harminv"] = "the program harminv is not installed (Debian: apt install harminv)"
    if importlib.util.find_spec("sdypy") is None or importlib.util.find_spec("sdypy.EMA") is None:
        reasons["lscf"] = "the package sdypy-EMA is not installed"
    return reasons
