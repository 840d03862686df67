"""From a sound and its taps to modes: measure one recording.

Conventions: frequencies in hertz, T60 in seconds. Amplitude and phase of a mode refer to ``Tap.free_from_s``, in full
scale of the recording. Standard errors are those of one tap: from its noise, widened by misfit and by differences
between the early and the late part of the decay (:mod:`tapbatch.measure.decay_shape`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np

from tapbatch.listen.judging import NO_TAP, UNLIKE, refused
from tapbatch.measure.agreement import explained_after_all, strange, unexplained
from tapbatch.measure.all_taps import decided
from tapbatch.measure.bending import judged
from tapbatch.measure.bound import covariance
from tapbatch.measure.candidates import UNEVEN
from tapbatch.measure.close_pairs import together
from tapbatch.measure.decay_shape import EarlyLate, early_late
from tapbatch.measure.doubtful import doubtful
from tapbatch.measure.found_together import found_together
from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.kept_taps import Fitted
from tapbatch.measure.misfit import local_excess
from tapbatch.measure.noise import Noise
from tapbatch.measure.prepare import Prepared, prepare
from tapbatch.measure.prune import TapFit
from tapbatch.measure.stretches import fits_of
from tapbatch.model.reading import LN_1000, BandSettings, Coupling, Mode, Sound, Tap, TapReading

_HUM_WIDTH_HZ = 0.7
_BEFORE_S = 0.02  # filters that look ahead reach that far
_FAINTEST_DB = 60.0  # below the loudest mode; fainter lines are of no use to a maker
_LEAST_COUPLING = 0.1  # weaker couplings change a mean by less than a hundredth of its error
# The part of a misfit that a mode absorbs is missing from the residual. A room's tail at -20 dB rings as long as the
# mode, close beside it: errors were 2.3 times the stated ones (360 modes, the benchmark's `room`), and 2.3**2 is 5.
_TAKEN_UP = 5.0
_UNLIKE_DB = 6.0
_SURELY_TWO = 1.96  # standard errors between two modes within a width
# Limits for errors of modes about which nothing is known, a factor of 400 and an octave, so that all stay finite.
UNKNOWN_LOG_SE = 3.0
_UNKNOWN_OF_FREQ = 0.35
_NOTHING_KNOWN = 0.9  # standard error of ln T60: the interval reaches from a sixth to six times
_LOUD_DB = 10.0  # below the loudest mode: a mode this loud is real, however it decays
_LEAST_Q = 3.0  # below this it is a thump, not a note: it falls 60 dB in seven periods


_Heard = tuple[Mode, Float, int, bool]
"""A mode, the correlations of its zone, its index in them, and whether all taps together decided that it is one."""


def fit_taps(
    sound: Sound, taps: tuple[Tap, ...], settings: BandSettings, *, steady: bool = True
) -> tuple[tuple[Fitted, ...], tuple[Prepared, ...]]:
    """Measure every used tap of a sound.

    Parameters
    ----------
    sound, taps
        The decoded sound, and the taps found in it.
    settings
        Band and mains frequency.
    steady
        Whether the recorder kept its gain. If not, every decay bends, whatever the instrument does.

    Returns
    -------
    tuple
        One reading per transient with its fits, in order, and the prepared zones (none if the sound is too short). A
        tap in which nothing rings is no longer ``used``.
    """
    prepared = prepare(sound, taps, settings) if any(t.used for t in taps) else ()
    if not prepared:
        return tuple(
            Fitted(TapReading(tap=refused(t, "too short to measure") if t.used else t), ()) for t in taps
        ), ()
    taps, fits = fits_of(taps, prepared, sound, asked=UNLIKE if settings.kind == "tap" else "")
    fits = [together(of_zone) for of_zone in fits]
    if settings.kind == "tap":
        taps, fits = _judged(taps, fits)
    search = steady and settings.kind == "tap"
    own, fits = fits, [_together(of_zone, z, taps, search) for of_zone, z in zip(fits, prepared, strict=True)]
    if steady and settings.kind == "tap":
        fits = judged(fits, [z.decimator.shift_hz for z in prepared])
    fitted = []
    for i, tap in enumerate(taps):
        found = [of_zone[i] for of_zone in fits]
        reading = _read(tap, found, prepared) if tap.used else TapReading(tap=tap)
        fitted.append(Fitted(reading, found))
    if settings.kind == "tap":
        kept = _without_strange([each.reading for each in fitted], own)
        fitted = [replace(each, reading=reading) for each, reading in zip(fitted, kept, strict=True)]
    return tuple(fitted), prepared


def _together(fits: list[TapFit | None], zone: Prepared, taps: tuple[Tap, ...], search: bool) -> list[TapFit | None]:
    """Let all taps decide on the modes of a zone.

    They also search for lines that none of them shows, if the gain was steady: else a decay bends and leaves lines.
    """
    shift_hz = zone.decimator.shift_hz
    if not search:
        return decided(fits, shift_hz)
    quiet = zone.whitened[: max(0, int((taps[0].onset_s - _BEFORE_S) * zone.rate_hz))]
    inside_hz = (zone.decimator.pass_low_hz, zone.decimator.pass_high_hz)
    return found_together(fits, quiet, inside_hz, shift_hz)


def added_modes(found: TapFit, zone: Prepared, at_s: float) -> list[Mode]:
    """Return the modes of a fit on which all taps decided, in physical units, as :func:`fit_taps` lists them.

    Parameters
    ----------
    found
        A fit from :func:`tapbatch.measure.all_taps.decided`.
    zone, at_s
        As for :func:`to_modes`.
    """
    modes = to_modes(found, zone, at_s)
    ringing = [m for m in modes if m.q > _LEAST_Q and zone.decimator.holds(m.freq_hz)]
    loudest_db = max((m.energy_db for m in ringing), default=0.0)
    marks = zip(modes, _decided_on(found, zone), strict=True)
    return [m for m, mark in marks if mark and m in ringing and m.energy_db > loudest_db - _FAINTEST_DB]


def _judged(
    taps: tuple[Tap, ...], fits: list[list[TapFit | None]]
) -> tuple[tuple[Tap, ...], list[list[TapFit | None]]]:
    """Refuse voices and claps before all taps decide together, or they would be given each other's modes.

    A tap that sounds unlike the others, as a soft one does or one at a node, is a tap if they explain it.
    """
    asked = [at for at, tap in enumerate(taps) if (tap.used or tap.reason == UNLIKE) and _has_modes(fits, at)]
    used = [at for at in asked if taps[at].used]
    none = set(unexplained(fits, used))
    again = set(explained_after_all(fits, [at for at in used if at not in none], sorted({*asked} - {*used})))
    if none or len(used) < len(asked):
        taps = tuple(
            refused(t, NO_TAP) if at in none else replace(t, used=True, reason="") if at in again else t
            for at, t in enumerate(taps)
        )
        fits = [[found if taps[at].used else None for at, found in enumerate(of_zone)] for of_zone in fits]
    return taps, fits


def _without_strange(readings: list[TapReading], fits: list[list[TapFit | None]]) -> list[TapReading]:
    """Refuse what rings like nothing else here. Modes are compared first, which is quick; then the sounds decide."""
    used = [at for at, reading in enumerate(readings) if reading.tap.used and _has_modes(fits, at)]
    none = set(strange(fits, used, [at for at in doubtful(readings) if at in used]))
    return [TapReading(tap=refused(r.tap, NO_TAP)) if at in none else r for at, r in enumerate(readings)]


def _has_modes(fits: list[list[TapFit | None]], tap: int) -> bool:
    return any(of_zone[tap] is not None for of_zone in fits)


def _read(tap: Tap, fits: Sequence[TapFit | None], prepared: tuple[Prepared, ...]) -> TapReading:
    heard: list[_Heard] = []
    begins: list[float] = []
    for zone, found in zip(prepared, fits, strict=True):
        if found is None:
            continue
        errors = correlations(found, zone)
        decided_on = _decided_on(found, zone)
        every = enumerate(to_modes(found, zone, tap.free_from_s))
        inside = [(m, errors, k, decided_on[k]) for k, m in every if zone.decimator.holds(m.freq_hz)]
        heard += inside
        if inside:
            begins.append(found.first / zone.rate_hz)
    # A loud thump would push ringing modes below the limit of faintness, so thumps go first.
    heard = [h for h in heard if h[0].q > _LEAST_Q]
    loudest_db = max((m.energy_db for m, *_ in heard), default=0.0)
    heard = [h for h in heard if h[0].energy_db > loudest_db - _FAINTEST_DB]
    if not heard:
        return TapReading(tap=refused(tap, "nothing rings in the band"))
    heard, unknown = _parted(heard)
    modes = beside_unknown(with_pairs([m for m, *_ in heard]), unknown)
    return TapReading(
        tap=replace(tap, free_from_s=begins[0]),
        modes=_from(modes, begins[0] - tap.free_from_s),
        couplings=_couplings([(errors, k) for _, errors, k, _ in heard]),
    )


def _decided_on(found: TapFit, zone: Prepared) -> list[bool]:
    """Tell which modes all taps decided on together, in the order of ``to_modes``."""
    marks = found.decided if len(found.decided) else np.zeros(found.fit.count, dtype=bool)
    order = np.argsort(zone.decimator.true_hz(found.fit.poles), kind="stable")
    return [bool(mark) for mark in marks[order]]


def _parted(heard: list[_Heard]) -> tuple[list[_Heard], list[Mode]]:
    """Separate the modes of a tap from those whose decay is unknown, which are only part of a misfit."""
    loudest_db = max(m.energy_db for m, *_ in heard)
    known = [m.t60_log_se < _NOTHING_KNOWN or m.energy_db > loudest_db - _LOUD_DB or sure for m, _, _, sure in heard]
    unknown = [m for (m, *_), is_known in zip(heard, known, strict=True) if not is_known]
    return [h for h, is_known in zip(heard, known, strict=True) if is_known], unknown


def beside_unknown(modes: list[Mode], unknown: list[Mode]) -> list[Mode]:
    """Flag modes ``not-exponential`` that have a mode with unknown decay beside them.

    Beside means within two widths of either, with at least a twelfth of the amplitude. Like a residual line
    (:func:`tapbatch.measure.candidates.left_beside`), that mode may be a second line, or part of a decay that is not
    even.

    Parameters
    ----------
    modes, unknown
        Modes of one tap with known and unknown decay; either may be empty.

    Returns
    -------
    list of Mode
        ``modes`` in the same order, with the flag added after their own.
    """
    flagged = []
    for mode in modes:
        reach = 2.0 * LN_1000 / np.pi
        uneven = any(
            abs(mode.freq_hz - other.freq_hz) < reach / min(mode.t60_s, other.t60_s)
            and other.energy_db > mode.energy_db + 20.0 * np.log10(UNEVEN)
            for other in unknown
        )
        flags = dict.fromkeys((*mode.flags, "not-exponential")) if uneven else mode.flags
        flagged.append(replace(mode, flags=tuple(flags)))
    return flagged


def with_pairs(modes: list[Mode]) -> list[Mode]:
    """Flag modes ``pair?`` if two lie within a line's width and may be one.

    They may be one if 1.96 standard errors exceed their distance: what looks like two may be one mode whose decay is
    not exponential. If the two differ by 6 dB or more, only the weaker is flagged, because the doubt matters little
    to the stronger.

    Parameters
    ----------
    modes
        Modes of one tap, by frequency; may be empty.

    Returns
    -------
    list of Mode
        The same modes in the same order, with the flag added after their own.
    """
    flagged = list(modes)
    for k, (lower, upper) in enumerate(pairwise(modes)):
        apart_hz = upper.freq_hz - lower.freq_hz
        width_hz = LN_1000 / (np.pi * min(lower.t60_s, upper.t60_s))
        if apart_hz < min(width_hz, _SURELY_TWO * np.hypot(lower.freq_se_hz, upper.freq_se_hz)):
            louder_db = lower.energy_db - upper.energy_db
            doubtful = [i for i, over_db in ((k, louder_db), (k + 1, -louder_db)) if over_db < _UNLIKE_DB]
            for i in doubtful:
                flagged[i] = replace(flagged[i], flags=tuple(dict.fromkeys((*flagged[i].flags, "pair?"))))
    return flagged


def _couplings(placed: list[tuple[Float, int]]) -> tuple[Coupling, ...]:
    """Return the couplings large enough to matter, given each mode's zone (as correlations) and its index in it."""
    found = []
    strongest = {id(zone): np.abs(_blocks(zone)).max(axis=(2, 3)) for zone, _ in placed}
    for (i, (zone, a)), (j, (other, b)) in combinations(enumerate(placed), 2):
        if zone is other and strongest[id(zone)][a, b] >= _LEAST_COUPLING:
            ff, ft, tf, tt = (round(float(c), 6) for c in _blocks(zone)[a, b].ravel())
            found.append(Coupling(first=i, second=j, freq_freq=ff, freq_t60=ft, t60_freq=tf, t60_t60=tt))
    return tuple(found)


def _blocks(zone: Float) -> Float:
    """Return the correlations of a zone as blocks for pairs of modes, shape (K, K, 2, 2)."""
    count = len(zone) // 2
    return zone.reshape(2, count, 2, count).transpose(1, 3, 0, 2)


def _from(modes: list[Mode], later_s: float) -> tuple[Mode, ...]:
    """Return modes with amplitude, phase and energy as they are ``later_s`` after their reference time."""
    moved = []
    for m in modes:
        fall = LN_1000 / m.t60_s * later_s
        turn = m.phase_rad + 2 * np.pi * m.freq_hz * later_s
        moved.append(
            replace(
                m,
                amplitude=float(m.amplitude * np.exp(-fall)),
                phase_rad=float((turn + np.pi) % (2 * np.pi) - np.pi),
                energy_db=float(m.energy_db - 20 * fall / np.log(10)),
            )
        )
    return tuple(moved)


def correlations(found: TapFit, zone: Prepared) -> Float:
    """Return the correlations of the errors of ``ln f`` and ``ln T60``, (2K, 2K), in the order of ``to_modes``."""
    pole_cov, _ = covariance(found.fit)
    count = found.fit.count
    order = np.argsort(zone.decimator.true_hz(found.fit.poles), kind="stable")
    # ln T60 = const - ln delta, hence the sign.
    sign = np.concatenate([np.ones(count), -np.ones(count)])
    at = np.concatenate([count + order, order])
    sd = np.sqrt(np.abs(np.diagonal(pole_cov)))[at]
    return np.asarray(pole_cov[np.ix_(at, at)] * np.outer(sign, sign) / np.outer(sd, sd), dtype=np.float64)


def to_modes(found: TapFit, zone: Prepared, at_s: float) -> list[Mode]:
    """Return the modes of a zone in physical units, by frequency, with errors widened by misfit and decay shape.

    Parameters
    ----------
    found
        The fit of one tap in the zone.
    zone
        The zone it was fitted in.
    at_s
        Time to which amplitude and phase refer, in seconds from the start of the recording.
    """
    fit, rate_hz = found.fit, found.rate_hz
    halves = early_late(found, zone.decimator.shift_hz)
    pole_cov, _ = covariance(fit)
    delta = -np.log(np.abs(fit.poles)) * rate_hz
    freq_hz = zone.decimator.true_hz(fit.poles)
    gain = zone.noise.gain(fit.poles) * zone.decimator.gain(fit.poles)
    # Shifting a zone down turns every phase by the shift; time zero of the zone is that of the recording.
    turned = np.exp(2j * np.pi * (zone.decimator.shift_hz * found.first / rate_hz % 1.0))
    back_s = at_s - found.first / rate_hz
    amplitude = fit.weights / (found.scale * gain) * turned * np.exp((-delta + 2j * np.pi * freq_hz) * back_s)
    order = np.argsort(freq_hz, kind="stable")
    return [_mode(int(k), found, pole_cov, halves, amplitude, delta, freq_hz, zone.noise) for k in order]


def _mode(
    k: int,
    found: TapFit,
    pole_cov: Float,
    halves: EarlyLate,
    amplitude: Complex,
    delta: Float,
    freq_hz: Float,
    noise: Noise,
) -> Mode:
    rate_hz, count, excess = found.rate_hz, found.fit.count, _excess_of(found, k)
    var_log, var_omega = pole_cov[k, k] * excess, pole_cov[count + k, count + k] * excess
    cross = pole_cov[k, count + k] * excess
    bent_log, bent_omega = (float(b[k]) if len(b) else 0.0 for b in (found.bend_log_delta, found.bend_omega))
    log_se = min(float(np.hypot(np.hypot(np.sqrt(var_log), halves.extra_log_delta[k]), bent_log)), UNKNOWN_LOG_SE)
    most = _UNKNOWN_OF_FREQ * 2 * np.pi * float(freq_hz[k]) / rate_hz
    omega_se = min(float(np.hypot(np.hypot(np.sqrt(var_omega), halves.extra_omega[k]), bent_omega)), most)
    size, t60_s = float(abs(amplitude[k])), float(LN_1000 / delta[k])
    return Mode(
        freq_hz=float(freq_hz[k]),
        freq_se_hz=omega_se * rate_hz / (2 * np.pi),
        t60_s=t60_s,
        t60_log_se=log_se,
        # ln T60 = const - ln delta, hence the sign.
        freq_t60_corr=float(np.clip(-cross / max(log_se * omega_se, 1e-300), -1.0, 1.0)),
        amplitude=size,
        phase_rad=float(np.angle(amplitude[k])),
        energy_db=float(10 * np.log10(max(size**2 / (4 * delta[k]), 1e-30))),
        freq_misfit_hz=float(np.sqrt(max(omega_se**2 - pole_cov[count + k, count + k], 0.0))) * rate_hz / (2 * np.pi),
        t60_log_misfit=float(np.sqrt(max(log_se**2 - pole_cov[k, k], 0.0))),
        flags=_flags(k, float(freq_hz[k]), t60_s, found, halves, noise),
    )


def _excess_of(found: TapFit, k: int) -> float:
    """Return the factor by which the variances of a mode exceed those of the fit.

    Very loud taps were fitted as if the noise were louder (``scale``), because hardly any decay is exponential to
    that accuracy. If the residual shows that this one is, the true noise counts.
    """
    if found.excess[k] > 1.0:
        return float(found.excess[k]) * _TAKEN_UP
    loud = found.scale < 1.0
    clean = loud and local_excess(found.residual / found.scale, found.fit.poles[[k]], found.rate_hz)[0] == 1.0
    return found.scale**2 if clean else 1.0


def _flags(k: int, freq_hz: float, t60_s: float, found: TapFit, halves: EarlyLate, noise: Noise) -> tuple[str, ...]:
    flags = []
    near_line = any(abs(freq_hz - line) < _HUM_WIDTH_HZ for line in noise.hum_hz)
    near_mains = any(abs(freq_hz / m - round(freq_hz / m)) * m < 0.004 * freq_hz for m in (50.0, 60.0))
    if t60_s > 4.0 and (near_line or (near_mains and noise.quiet_s == 0.0 and t60_s > 10.0)):
        flags.append("hum")
    if found.pair[k]:
        flags.append("pair?")
    if halves.bent[k] or found.uneven[k]:
        flags.append("not-exponential")
    if halves.glides[k]:
        flags.append("glides")
    if found.bend:
        flags += found.bend[k]
    return tuple(dict.fromkeys(flags))
