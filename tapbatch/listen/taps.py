"""Find taps: every transient heard, its onset, and the stretches in which nothing sounds.

Conventions: times are in seconds from the first sample. ``onset_s`` is when the mallet touches. The free decay begins
when the mallet leaves (with a small margin, which :mod:`tapbatch.measure.tap` refines) and ends before the next
transient of any kind. Levels are those of the sound above 40 Hz, below which a phone hears little.

How: a transient begins where the energy of a 1 ms block, of the sound or of its first difference, rises 9 dB over the
loudest of the 12 ms before and is well above the floor (:mod:`tapbatch.listen.envelope`). While a tap rings, a
transient is also what the ringing does not predict (:mod:`tapbatch.listen.innovation`). Its onset is then refined to
the sample. :mod:`tapbatch.listen.judging` decides which transients are taps.

When it is wrong: taps less than 0.2 s apart look like bounces and are reported as such. A knock on other ringing wood
counts as a tap where there are fewer than three taps to compare it with.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapbatch.listen.envelope import Envelope, Float, above_rumble, envelope_of, thinned
from tapbatch.listen.innovation import contact_within
from tapbatch.listen.judging import LEAST_SNR_DB, Voice, describe, judged, looks_struck, voices_of, without_unlike
from tapbatch.model.reading import Sound, Tap

_SHORTEST_S = 0.02
_RATE_FOR_QUIET_HZ = 8000
_ENOUGH_BEFORE_S = 0.2
SAME_S = 0.012
"""Onsets closer than this are one and the same."""

_RISE_DB = 9.0
_HARD_BACK = 12
_SOFT_BACK = 30
_SOFT_BLOCKS = 4
_SWELL_BLOCKS = 50
_SWELL_STEP = 5
_CALM_BLOCKS = 60
_SEARCH_BLOCKS = 12
_GAP_S = 0.0015
_OVER_CALM = 1.2
_OF_PEAK = 0.02


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
    return without_unlike(*heard_in(sound))


def heard_in(sound: Sound) -> tuple[tuple[Tap, ...], tuple[Voice, ...]]:
    """Return every transient in a sound, and what those that may be taps sound like.

    This is :func:`find_taps` without the comparison between taps: each transient is judged only by itself and by the
    one before. The caller, who knows the taps of all sections, compares them.
    """
    rate_hz = sound.sample_rate_hz
    y = above_rumble(sound)
    if len(y) < _SHORTEST_S * rate_hz or not y.any():
        return (), ()
    envelope = envelope_of(y, rate_hz)
    loud = _apart([_placed(y, start, envelope, rate_hz) for start in _rises(envelope)], rate_hz)
    hidden = _hidden(y, loud, envelope, rate_hz)
    onsets = _apart(loud + hidden, rate_hz)
    swells = _swells(envelope, onsets)
    described = [
        describe(y, onset, after, envelope, rate_hz, swells=onset in swells)
        for onset, after in _with_next(sorted({*onsets, *swells}), len(y))
    ]
    taps = judged(described, y, rate_hz)
    return taps, voices_of(described, taps, y, rate_hz)


def quiet_stretches(sound: Sound, taps: tuple[Tap, ...]) -> list[tuple[int, int]]:
    """Return stretches ``(first, last)`` in samples, last excluded, in which nothing rings, longest first.

    Before the first transient, everything up to 20 ms before its onset may be quiet. After a transient, the sound is
    quiet once its level has fallen to the floor: to within 3 dB of the recording's own floor, or within 4 dB of the
    usual level before the first transient.

    Examples
    --------
    >>> noise = 1e-3 * np.random.default_rng(1).standard_normal(8000)
    >>> quiet_stretches(Sound(samples=noise, sample_rate_hz=8000), ())
    [(80, 7920)]
    """
    # Wood rings and rooms are noisy below 4 kHz; higher frequencies would only cost time.
    factor = max(1, sound.sample_rate_hz // _RATE_FOR_QUIET_HZ)
    low = replace(sound, samples=thinned(sound.samples, factor), sample_rate_hz=sound.sample_rate_hz // factor)
    y = above_rumble(low)
    if len(y) < _SHORTEST_S * low.sample_rate_hz:
        return []
    envelope = envelope_of(y, low.sample_rate_hz)
    width = 20
    power = 10 ** (envelope.plain_db / 10)
    smooth = np.convolve(power, np.ones(width) / width, mode="same")
    level_db = 10 * np.log10(np.maximum(smooth, 1e-30))
    block = envelope.block * factor
    block_s = block / sound.sample_rate_hz
    calm = level_db < _calm_below_db(level_db, envelope.plain_floor_db, block_s, taps)
    for tap in taps:
        first = int((tap.onset_s - 0.02) / block_s)
        calm[max(first, 0) : int((tap.onset_s + 0.06) / block_s)] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], calm.astype(np.int8), [0]])))
    pairs = edges.reshape(-1, 2)
    # The smoothing lets neighbouring sound leak in by 10 ms on either side.
    stretches = [(int(a + 10) * block, int(b - 10) * block) for a, b in pairs if b - a > 60]
    return sorted(stretches, key=lambda s: (s[0] - s[1], s[0]))


def _calm_below_db(level_db: Float, floor_db: float, block_s: float, taps: tuple[Tap, ...]) -> float:
    """Return the level below which a recording is calm.

    The floor is the level of the calmest tenth. Low-frequency noise varies by more than 3 dB from one 10 ms to the
    next, so a limit 3 dB over the floor would leave out much of it. Where the median level before the first tap is
    near the floor, the limit is therefore taken from that median.
    """
    # A tap in the first 30 ms has nothing before it; a negative index would count from the end.
    before = level_db[10 : max(int((taps[0].onset_s - 0.03) / block_s), 0)] if taps else level_db[:0]
    if len(before) * block_s < _ENOUGH_BEFORE_S:
        return floor_db + 3.0
    middle_db = float(np.median(before))
    return middle_db + 4.0 if middle_db < floor_db + 4.0 else floor_db + 3.0


def _rises(envelope: Envelope) -> list[int]:
    """Return the blocks in which a transient starts.

    A hard contact rises from one block to the next. A soft contact takes 5 ms, and no block in it stands out over the
    one before. So blocks of 4 ms are compared with those that ended before the rise began. More of them are compared,
    because beating modes come out of a null just as fast, but were as loud before it.
    """
    hard, soft = np.zeros((2, len(envelope.plain_db)), dtype=bool)
    for level, floor in (
        (envelope.plain_db, envelope.plain_floor_db),
        (envelope.sharp_db, envelope.sharp_floor_db),
    ):
        smooth, loud = _smoothed(level), level > floor + LEAST_SNR_DB
        hard |= loud & (level - _loudest_before(level, floor, _HARD_BACK, 1) > _RISE_DB)
        soft |= loud & (smooth - _loudest_before(smooth, floor, _SOFT_BACK, _SOFT_BLOCKS) > _RISE_DB)
    starts = np.flatnonzero(hard & ~np.concatenate([[False], hard[:-1]])).tolist()
    # Modes that start in opposite phase may build up some 15 ms after the contact that excited them.
    for start in np.flatnonzero(soft & ~np.concatenate([[False], soft[:-1]])).tolist():
        if not any(-_SOFT_BLOCKS <= start - other <= _SOFT_BACK - _SOFT_BLOCKS for other in starts):
            starts.append(start)
    return sorted(starts)


def _loudest_before(level_db: Float, floor_db: float, back: int, gap: int) -> Float:
    """Return the loudest of the ``back`` blocks that end ``gap`` blocks earlier, but at least the floor plus 3 dB."""
    padded = np.concatenate([np.full(back + gap - 1, floor_db), level_db])
    before = np.lib.stride_tricks.sliding_window_view(padded, back)[: len(level_db)].max(axis=1)
    return np.asarray(np.maximum(before, floor_db + 3.0))


def _smoothed(level_db: Float) -> Float:
    """Return the mean level of each block and the three before it."""
    sums = np.cumsum(np.concatenate([np.zeros(_SOFT_BLOCKS), 10 ** (level_db / 10)]))
    mean = (sums[_SOFT_BLOCKS:] - sums[:-_SOFT_BLOCKS]) / _SOFT_BLOCKS
    return np.asarray(10 * np.log10(np.maximum(mean, 1e-20)))


def _placed(y: Float, start: int, envelope: Envelope, rate_hz: int) -> int:
    """Return the onset, in samples, of the transient detected in block ``start``.

    The search goes back from its first strong sample to where the sound last stayed, for 1.5 ms, at its earlier
    level. A half-sine contact rises slowly, so the detected jump began one to three milliseconds earlier. A forward
    search for the first sample over a threshold would stop at a peak of the noise.
    """
    block = envelope.block
    first = max(0, (start - _SEARCH_BLOCKS) * block)
    calm = np.abs(y[max(0, (start - _CALM_BLOCKS) * block) : max(0, (start - 4) * block)])
    stretch = np.abs(y[first : (start + 4) * block])
    peak = float(stretch.max())
    before = float(calm[-_SEARCH_BLOCKS * block :].max()) if len(calm) > 2 * block else 0.0
    threshold = min(max(_OVER_CALM * before, _OF_PEAK * peak), 0.7 * peak)
    above = np.flatnonzero(stretch > threshold)
    strong = int(np.flatnonzero(stretch >= 0.7 * peak)[0])
    above = above[above <= strong]
    # A quiet gap before a crossing means that earlier crossings did not belong to the transient.
    gaps = np.diff(above, prepend=-rate_hz) > _GAP_S * rate_hz
    return first + int(above[np.flatnonzero(gaps)[-1]])


def _hidden(y: Float, loud: list[int], envelope: Envelope, rate_hz: int) -> list[int]:
    """Return contacts within decays that cause no rise; one just before a rise is that rise, less well placed."""
    found = []
    for onset, after in _with_next(loud, len(y)):
        at = contact_within(y, onset, after, rate_hz) if looks_struck(y, onset, after, envelope) else None
        if at is not None and (after == len(y) or after - at > _SOFT_BACK * envelope.block):
            found.append(at)
    return found


def _swells(envelope: Envelope, onsets: list[int]) -> list[int]:
    """Return the samples at which sounds begin that rise without a transient, so that nothing was struck.

    A sound lasts from 15 dB over the floor until it has been under 6 dB for 50 ms. A rise within 0.4 s of a transient
    is left out, because beating modes rise too.
    """
    width = np.ones(_SWELL_BLOCKS) / _SWELL_BLOCKS
    smooth = np.convolve(10 ** (envelope.plain_db / 10), width, mode="same")
    over_db = 10 * np.log10(np.maximum(smooth[::_SWELL_STEP], 1e-20)) - envelope.plain_floor_db
    found: list[int] = []
    sounding, calm = False, _SWELL_BLOCKS
    for step, level_db in enumerate(over_db.tolist()):
        calm = calm + _SWELL_STEP if level_db < 6.0 else 0
        if calm >= _SWELL_BLOCKS:
            sounding = False
        elif level_db > 15.0 and not sounding:
            sounding = True
            begun = step * _SWELL_STEP * envelope.block
            if not any(-400 <= (onset - begun) / envelope.block <= _SWELL_BLOCKS for onset in onsets):
                found.append(begun)
    return found


def _apart(onsets: list[int], rate_hz: int) -> list[int]:
    kept: list[int] = []
    for onset in sorted(set(onsets)):
        if not kept or onset - kept[-1] >= SAME_S * rate_hz:
            kept.append(onset)
    return kept


def _with_next(onsets: list[int], end: int) -> list[tuple[int, int]]:
    return list(zip(onsets, [*onsets, end][1:], strict=True))
