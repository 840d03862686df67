"""Finding taps: every transient heard, which of them are taps, and the stretch of free decay behind each.

Conventions: times in seconds from the first sample; ``onset_s`` is when the mallet touches; the free decay begins
when it leaves (a little is added, and :mod:`tapbatch.measure.tap` looks closer) and ends before the next transient
of any kind. Levels are those of the sound above 40 Hz, where a phone hears something.

How: energy in blocks of one millisecond, of the sound and of its first difference (which favours the wide-band
contact over what still rings). A transient is where either rises 9 dB over the loudest block of the 12 ms before,
well above the floor. It is then placed on the samples. It is a tap if it rises at once, then falls, but not as fast
as a click, and, where there are enough of them, if it sounds like the others.

When it is wrong: taps closer together than 0.25 s with falling level look like bounces and are named so; a single
recorded knock on wood that rings is a tap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.values import Sound, Tap

Float = NDArray[np.float64]

_BLOCK_S = 0.001
_RISE_DB = 9.0
_LOOK_BACK = 12
_LEAST_SNR_DB = 12.0
_REFRACTORY_S = 0.012
_BOUNCE_S = 0.25
_SLOWEST_RISE_S = 0.020
_AT_ONCE_DB = 10.0
_CLICK_FALL_DB = 30.0
_LEAST_RING_DB = 6.0
_LIKENESS_S = 0.12
_LEAST_LIKENESS = 0.55
_LEAST_DECAY_S = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class _Envelope:
    """Energy in blocks of 1 ms, in decibels, of the sound and of its difference; the floor of each."""

    block: int
    plain_db: Float
    sharp_db: Float
    plain_floor_db: float
    sharp_floor_db: float


def find_taps(sound: Sound) -> tuple[Tap, ...]:
    """Return every transient in a sound, in order, with those that are taps marked ``used``.

    Parameters
    ----------
    sound
        As decoded, at any rate from 4 kHz.

    Returns
    -------
    tuple of Tap
        Numbered from 1. Empty where nothing is heard.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> t = np.arange(8000) / 8000
    >>> quiet = 1e-4 * rng.standard_normal(8000)
    >>> quiet[4000:] += 0.5 * np.exp(-20 * t[:4000]) * np.sin(2 * np.pi * 200 * t[:4000])
    >>> [(round(tap.onset_s, 2), tap.used) for tap in find_taps(Sound(samples=quiet, sample_rate_hz=8000))]
    [(0.5, True)]
    """
    y = _above_rumble(sound)
    if len(y) < 0.02 * sound.sample_rate_hz or not y.any():
        return ()
    envelope = _envelope(y, sound.sample_rate_hz)
    onsets = [_placed(y, start, envelope, sound.sample_rate_hz) for start in _rises(envelope)]
    onsets = _apart(onsets, int(_REFRACTORY_S * sound.sample_rate_hz))
    described = [_describe(y, onset, after, envelope, sound) for onset, after in _with_next(onsets, len(y))]
    return _judged(described, y, sound.sample_rate_hz)


def quiet_stretches(sound: Sound, taps: tuple[Tap, ...]) -> list[tuple[int, int]]:
    """Return stretches ``(first, last)`` in samples, last excluded, in which nothing rings, longest first.

    Before the first transient all but 20 ms counts; after one, what follows once the level has come down to the
    floor: the blocks at or under the recording's own floor plus 3 dB.
    """
    y = _above_rumble(sound)
    if len(y) < 0.02 * sound.sample_rate_hz:
        return []
    envelope = _envelope(y, sound.sample_rate_hz)
    floor = envelope.plain_floor_db
    width = 20
    power = 10 ** (envelope.plain_db / 10)
    smooth = np.convolve(power, np.ones(width) / width, mode="same")
    calm = 10 * np.log10(np.maximum(smooth, 1e-30)) < floor + 3.0
    for tap in taps:
        first = int((tap.onset_s - 0.02) / _BLOCK_S)
        calm[max(first, 0) : int((tap.onset_s + 0.06) / _BLOCK_S)] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], calm.astype(np.int8), [0]])))
    pairs = edges.reshape(-1, 2)
    # The smoothing lets 10 ms of a neighbour leak in on either side.
    stretches = [(int(a + 10) * envelope.block, int(b - 10) * envelope.block) for a, b in pairs if b - a > 60]
    return sorted(stretches, key=lambda s: (s[0] - s[1], s[0]))


def _above_rumble(sound: Sound) -> Float:
    """Return the sound above 40 Hz; causal, so that nothing sounds before it is struck."""
    from scipy.signal import butter, sosfilt

    sos = butter(2, 40.0, "highpass", fs=sound.sample_rate_hz, output="sos")
    return np.asarray(sosfilt(sos, sound.samples), dtype=np.float64)


def _envelope(y: Float, rate_hz: int) -> _Envelope:
    block = max(1, round(_BLOCK_S * rate_hz))
    count = len(y) // block
    shaped = y[: count * block].reshape(count, block)
    difference = np.diff(y, prepend=y[0])[: count * block].reshape(count, block)
    plain = 10 * np.log10(np.maximum(np.einsum("ij,ij->i", shaped, shaped) / block, 1e-20))
    sharp = 10 * np.log10(np.maximum(np.einsum("ij,ij->i", difference, difference) / block, 1e-20))
    return _Envelope(block, plain, sharp, _floor(plain), _floor(sharp))


def _floor(level_db: Float) -> float:
    """Return the level of the floor: the mean power of the calmest tenth of 20 ms stretches, never digital silence."""
    power = 10 ** (level_db / 10)
    width = min(20, len(power))
    means = np.convolve(power, np.ones(width) / width, mode="valid")[:: max(width // 2, 1)]
    calm = np.sort(means)[: max(1, len(means) // 10)]
    return float(10 * np.log10(max(calm.mean(), 1e-12)))


def _rises(envelope: _Envelope) -> list[int]:
    """Return the blocks in which a transient starts."""
    found = np.zeros(len(envelope.plain_db), dtype=bool)
    for level, floor in (
        (envelope.plain_db, envelope.plain_floor_db),
        (envelope.sharp_db, envelope.sharp_floor_db),
    ):
        padded = np.concatenate([np.full(_LOOK_BACK, floor), level])
        before = np.lib.stride_tricks.sliding_window_view(padded, _LOOK_BACK)[:-1].max(axis=1)
        rise = level - np.maximum(before, floor + 3.0)
        found |= (rise > _RISE_DB) & (level > floor + _LEAST_SNR_DB)
    return np.flatnonzero(found & ~np.concatenate([[False], found[:-1]])).tolist()


def _placed(y: Float, start: int, envelope: _Envelope, rate_hz: int) -> int:
    """Return the sample at which the transient that shows in block ``start`` begins.

    Looking back from its first loud moment to where the sound last was as it had been before: a half-sine contact
    rises slowly, and what shows as a jump began a millisecond or three earlier.
    """
    block = envelope.block
    first = max(0, (start - 8) * block)
    calm = y[max(0, (start - 24) * block) : max(1, (start - 6) * block)]
    stretch = np.abs(y[first : min(len(y), (start + 4) * block)])
    if len(stretch) == 0:
        return start * block
    before = float(np.abs(calm).max()) if len(calm) > block else 0.0
    peak = float(stretch.max())
    threshold = max(1.15 * before, 0.03 * peak)
    above = np.flatnonzero(stretch > threshold)
    return int(first + above[0]) if len(above) else start * block


def _apart(onsets: list[int], least: int) -> list[int]:
    kept: list[int] = []
    for onset in sorted(set(onsets)):
        if not kept or onset - kept[-1] >= least:
            kept.append(onset)
    return kept


def _with_next(onsets: list[int], end: int) -> list[tuple[int, int]]:
    return list(zip(onsets, [*onsets[1:], end], strict=True))


@dataclass(frozen=True, slots=True)
class _Described:
    onset: int
    after: int
    peak_dbfs: float
    snr_db: float
    rise_s: float
    ring_db: float
    ring_over_floor_db: float
    contact_s: float


def _describe(y: Float, onset: int, after: int, envelope: _Envelope, sound: Sound) -> _Described:
    rate_hz, block = sound.sample_rate_hz, envelope.block
    stretch = y[onset : min(after, onset + int(0.4 * rate_hz))]
    count = max(1, len(stretch) // block)
    power = (stretch[: count * block].reshape(count, -1) ** 2).mean(axis=1) if len(stretch) >= block else stretch**2
    # Averaging over 5 ms so that a period of a low mode does not look like a rise.
    smooth = np.convolve(power, np.ones(5) / 5, mode="same") if len(power) >= 5 else power
    peak_at = int(smooth.argmax())
    early = float(smooth[:12].max())
    ring = smooth[15:40] if len(smooth) > 25 else smooth[-1:]
    ring_db = 10 * float(np.log10(max(ring.mean(), 1e-20)))
    peak_db = 10 * float(np.log10(max(smooth.max(), 1e-20)))
    near = np.abs(np.diff(y[onset : onset + int(0.010 * rate_hz)], prepend=0.0))
    loudest = float(np.abs(stretch).max()) if len(stretch) else 1e-12
    return _Described(
        onset=onset,
        after=after,
        peak_dbfs=20 * float(np.log10(max(loudest, 1e-12))),
        snr_db=peak_db - envelope.plain_floor_db,
        rise_s=_BLOCK_S * peak_at if early < 10 ** (-_AT_ONCE_DB / 10) * float(smooth.max()) else 0.0,
        ring_db=ring_db - peak_db,
        ring_over_floor_db=ring_db - envelope.plain_floor_db,
        contact_s=float(np.clip(1.6 * (near.argmax() if len(near) else 0) / rate_hz, 0.001, 0.006)),
    )


def _judged(described: list[_Described], y: Float, rate_hz: int) -> tuple[Tap, ...]:
    reasons = [_reason(d, described[i - 1] if i else None, rate_hz) for i, d in enumerate(described)]
    good = [i for i, r in enumerate(reasons) if not r]
    for i in _unlike(y, [described[i] for i in good], rate_hz):
        reasons[good[i]] = "sounds unlike the other taps"
    taps = []
    for number, (d, reason) in enumerate(zip(described, reasons, strict=True), start=1):
        onset_s = d.onset / rate_hz
        taps.append(
            Tap(
                number=number,
                onset_s=onset_s,
                peak_dbfs=d.peak_dbfs,
                snr_db=d.snr_db,
                used=not reason,
                reason=reason,
                free_from_s=onset_s + d.contact_s,
                free_until_s=d.after / rate_hz - (_BLOCK_S if d.after < len(y) else 0.0),
            )
        )
    return tuple(taps)


def _reason(d: _Described, before: _Described | None, rate_hz: int) -> str:
    """Say why a transient is not a tap; empty where it is one."""
    if before is not None and (d.onset - before.onset) / rate_hz < _BOUNCE_S and d.peak_dbfs < before.peak_dbfs - 1.5:
        return "bounce of the mallet"
    if d.rise_s > _SLOWEST_RISE_S:
        return "swells instead of striking: voice or handling"
    if d.ring_db < -_CLICK_FALL_DB or d.ring_over_floor_db < _LEAST_RING_DB:
        return "gone at once: a click or a dull knock"
    if d.snr_db < _LEAST_SNR_DB:
        return "too faint above the noise"
    if (d.after - d.onset) / rate_hz < _LEAST_DECAY_S:
        return "cut off by the next sound"
    return ""


def _unlike(y: Float, good: list[_Described], rate_hz: int) -> list[int]:
    """Return which of the taps sound unlike most others: the likeness of their spectra in the first 120 ms.

    Needs three or more. A mallet that lands elsewhere changes levels, not frequencies, so the spectra of taps on one
    thing stay alike; a voice or a foot on the floor does not share them.
    """
    if len(good) < 3:
        return []
    length = int(_LIKENESS_S * rate_hz)
    window = np.hanning(2 * length)[length:]
    top = int(min(6000.0, 0.45 * rate_hz) * 2 * length / rate_hz)
    shapes = []
    for d in good:
        piece = y[d.onset + int(d.contact_s * rate_hz) :][:length]
        piece = piece[: d.after - d.onset]
        power = np.abs(np.fft.rfft(piece * window[: len(piece)], 2 * length))[8:top]
        power = np.convolve(np.sqrt(power), np.ones(3) / 3, mode="same")
        shapes.append(power / max(float(np.sqrt(power @ power)), 1e-30))
    likeness = np.array(shapes) @ np.array(shapes).T
    np.fill_diagonal(likeness, -1)
    # The likeness to the best half of the others: two kinds of taps may share a recording.
    best = np.sort(likeness, axis=1)[:, -max(1, (len(good) - 1) // 2) :].mean(axis=1)
    return np.flatnonzero(best < min(_LEAST_LIKENESS, 0.75 * float(np.median(best)))).tolist()
