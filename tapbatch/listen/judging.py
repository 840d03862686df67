"""Decide which transients are taps, and say what the others are.

Conventions: positions are in samples; levels are in decibels relative to full scale unless a name says otherwise. A
tap rises at once, then rings: the sound after it is louder than the sound before it, and decays more slowly than a
click or a dull knock. Where there are three taps or more, its spectrum is also like that of the others. The reason
why a transient is not a tap is a few words for the maker; it is empty for a tap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.listen.envelope import BLOCK_S, Envelope, Float, thinned
from tapbatch.model.reading import Tap

LEAST_SNR_DB = 12.0
BOUNCE_S = 0.2

_SLOWEST_RISE_S = 0.020
_AT_ONCE_DB = 10.0
_LEAST_ATTACK_DB = 6.0
_CLICK_FALL_DB = 30.0
_LEAST_RING_DB = 6.0
_LEAST_ADDED_DB = 3.0
_BOUNCE_DB = 1.0
_LEAST_DECAY_S = 0.025
# A contact hidden in the ringing may be found up to 3 ms late.
_BEFORE_NEXT_S = 0.003
LONGEST_PLUCK_S = 40.0
"""How long the ringing of a pluck is followed, in seconds; no open string rings longer, and memory grows with it."""
_BEGIN_S = 0.006
_BEGIN_SHARE = 0.2
_LIKENESS_S = (0.12, 0.06, 0.03)
_LIKENESS_LOW_HZ = 33.0
_THINNED_HZ = 12000.0
_LEAST_LIKENESS = 0.55
_LIKENESS_OF_DOUBTFUL = 0.9
_WEAK_DB = 15.0
_BLOW_DB = 20.0
_MOST_COMPARED = 500

RINGING = "already ringing when the recording begins"
BOUNCE = "bounce of the mallet"
NO_TAP = "the modes of the other taps do not explain it: a voice, a clap or a step"
UNLIKE = "sounds unlike the other taps"
SWELLS = "builds up slowly: a voice or handling noise"
FAINT = "too faint against the noise"
CUT_OFF = "cut off by the next sound"


@dataclass(frozen=True, slots=True)
class Described:
    """The features of a transient.

    ``onset`` and ``after`` are samples, ``contact_s`` is in seconds, levels are in decibels. ``attack_db`` is the
    level of the first 12 ms relative to the loudest 5 ms of the 40 ms before. ``ring_db`` is the level from 20 to
    45 ms after the onset, relative to the peak; ``ring_added_db`` is the same level relative to the 15 ms before the
    onset, ``ring_over_floor_db`` relative to the floor. ``swells`` means a slow rise; ``begun`` means that the start
    is missing from the recording.
    """

    onset: int
    after: int
    peak_dbfs: float
    snr_db: float
    attack_db: float
    ring_db: float
    ring_added_db: float
    ring_over_floor_db: float
    contact_s: float
    begun: bool
    swells: bool


def describe(y: Float, onset: int, after: int, envelope: Envelope, rate_hz: int, *, swells: bool) -> Described:
    """Return the features of a transient.

    Parameters
    ----------
    y
        Sound above its rumble, shape (n,).
    onset, after
        Samples: its onset, and the onset of the next transient or the end of the sound.
    envelope
        Envelope of ``y``.
    rate_hz
        Sample rate in hertz.
    swells
        Whether the sound rises so slowly that it has no sharp onset.
    """
    block = envelope.block
    stretch = y[onset : min(after, onset + int(0.4 * rate_hz))]
    count = max(1, len(stretch) // block)
    power = (stretch[: count * block].reshape(count, -1) ** 2).mean(axis=1) if len(stretch) >= block else stretch**2
    # Average over 5 ms, so that one period of a low mode does not look like a rise.
    smooth = np.convolve(power, np.ones(5) / 5, mode="same") if len(power) >= 5 else power
    peak_at = int(smooth.argmax())
    early = float(smooth[:12].max())
    ring_db = _db(float((smooth[20:45] if len(smooth) > 30 else smooth[-1:]).mean()))
    peak_db = _db(float(smooth.max()))
    before = y[max(0, onset - 15 * block) : onset]
    before_db = max(_db(float(before @ before) / len(before)) if len(before) else -200.0, envelope.plain_floor_db)
    near = np.abs(np.diff(y[onset : onset + int(0.010 * rate_hz)], prepend=0.0))
    loudest = float(np.abs(stretch).max()) if len(stretch) else 0.0
    rise_s = BLOCK_S * peak_at if early < 10 ** (-_AT_ONCE_DB / 10) * float(smooth.max()) else 0.0
    attack_db = _db(early) - _loudest_before_db(onset, envelope)
    return Described(
        onset=onset,
        after=after,
        peak_dbfs=_db(loudest**2),
        snr_db=peak_db - envelope.plain_floor_db,
        attack_db=attack_db,
        ring_db=ring_db - peak_db,
        ring_added_db=ring_db - before_db,
        ring_over_floor_db=ring_db - envelope.plain_floor_db,
        contact_s=float(np.clip(1.6 * (near.argmax() if len(near) else 0) / rate_hz, 0.001, 0.006)),
        begun=onset < _BEGIN_S * rate_hz and _sounds_at_once(y, rate_hz),
        swells=swells or attack_db < _LEAST_ATTACK_DB or (rise_s > _SLOWEST_RISE_S and attack_db < _BLOW_DB),
    )


def _db(power: float) -> float:
    return 10 * float(np.log10(max(power, 1e-20)))


def _loudest_before_db(onset: int, envelope: Envelope) -> float:
    """Return the level of the loudest 5 ms of the 40 ms that end 2 ms before a transient."""
    end = max(0, onset // envelope.block - 2)
    power = 10 ** (envelope.plain_db[max(0, end - 40) : end] / 10)
    loudest = float(np.convolve(power, np.ones(5) / 5, mode="valid").max()) if len(power) >= 5 else 0.0
    return max(_db(loudest), envelope.plain_floor_db)


def _sounds_at_once(y: Float, rate_hz: int) -> bool:
    """Tell whether the first 0.25 ms is already about as loud, or as steep, as what follows.

    If the mallet touches later, even by 0.5 ms, the first samples are quiet.
    """
    few, many = max(2, round(0.00025 * rate_hz)), round(0.012 * rate_hz)
    # Take the slope over several samples: noise would dominate the step from one sample to the next.
    level, slope = np.abs(y[:many]), np.abs(y[few : many + few] - y[: len(y[few : many + few])])
    shares = [float(of[:few].max(initial=0.0)) / max(float(of.max(initial=0.0)), 1e-20) for of in (level, slope)]
    return max(shares) > _BEGIN_SHARE


def looks_struck(y: Float, onset: int, after: int, envelope: Envelope) -> bool:
    """Tell whether something rings after a transient, so that the ringing could hide a second contact."""
    block = envelope.block
    ring = y[onset + 20 * block : min(after, onset + 45 * block)]
    return len(ring) > 0 and _db(float(ring @ ring) / len(ring)) > envelope.plain_floor_db + _LEAST_RING_DB


@dataclass(frozen=True, slots=True, eq=False)
class Voice:
    """What a tap sounds like, to compare it with others.

    ``shapes`` holds the shape of its spectrum over 120, 60 and 30 ms, one row each. ``tap`` is its index among the
    transients, from 0; ``room_s`` is how long it sounds before the next one.
    """

    tap: int
    room_s: float
    attack_db: float
    peak_dbfs: float
    shapes: NDArray[np.floating]


def judged(described: list[Described], y: Float, rate_hz: int) -> tuple[Tap, ...]:
    """Return the transients as taps, each used or with a reason, judged by itself and by the tap before it."""
    reasons: list[str] = []
    struck: Described | None = None
    for d in described:
        reasons.append(_reason(d, struck, rate_hz))
        if reasons[-1] in ("", RINGING):
            struck = d
    return tuple(
        Tap(
            number=number,
            onset_s=0.0 if d.begun else d.onset / rate_hz,
            peak_dbfs=d.peak_dbfs,
            snr_db=d.snr_db,
            used=not reason,
            reason=reason,
            free_from_s=d.onset / rate_hz + d.contact_s,
            free_until_s=d.after / rate_hz - (_BEFORE_NEXT_S if d.after < len(y) else 0.0),
        )
        for number, (d, reason) in enumerate(zip(described, reasons, strict=True), start=1)
    )


def from_ringing(taps: tuple[Tap, ...]) -> tuple[Tap, ...]:
    """Return transients with the first one used if the recording begins in its ringing and nothing else is a tap.

    The blow is missing, but the decay is as free as any other. Whether it is one, only its modes can tell.
    """
    if not taps or taps[0].reason != RINGING or any(tap.used for tap in taps):
        return taps
    return (replace(taps[0], used=True, reason=""), *taps[1:])


def as_plucks(taps: tuple[Tap, ...], duration_s: float) -> tuple[Tap, ...]:
    """Return transients judged as plucks: strings need not sound alike, and each rings until the next is plucked.

    A slow swell may be two strings beating, so it does not end a pluck. Its ringing is followed for
    ``LONGEST_PLUCK_S`` at most.
    """
    plucked = [replace(t, used=True, reason="") if t.reason == UNLIKE else t for t in taps]
    result = []
    for i, tap in enumerate(plucked):
        later = next((t.onset_s - _BEFORE_NEXT_S for t in plucked[i + 1 :] if t.reason != SWELLS), duration_s)
        until_s = min(later, tap.free_from_s + LONGEST_PLUCK_S)
        result.append(replace(tap, free_until_s=until_s) if tap.used else tap)
    return tuple(result)


def _reason(d: Described, struck: Described | None, rate_hz: int) -> str:
    """Say why a transient is not a tap; empty where it is one. ``struck`` is the tap before, if any."""
    if d.begun:
        return RINGING
    soon = struck is not None and (d.onset - struck.onset) / rate_hz < BOUNCE_S
    if soon and struck is not None and d.peak_dbfs < struck.peak_dbfs + _BOUNCE_DB:
        return BOUNCE
    if d.swells:
        return SWELLS
    if d.ring_db < -_CLICK_FALL_DB or d.ring_over_floor_db < _LEAST_RING_DB or d.ring_added_db < _LEAST_ADDED_DB:
        return "dies away at once: a click or a dull knock"
    if d.snr_db < LEAST_SNR_DB:
        return FAINT
    if (d.after - d.onset) / rate_hz < _LEAST_DECAY_S:
        return CUT_OFF
    return ""


def voices_of(described: list[Described], taps: tuple[Tap, ...], y: Float, rate_hz: int) -> tuple[Voice, ...]:
    """Return what each used tap sounds like, in order."""
    factor = max(1, round(rate_hz / _THINNED_HZ))
    thin = thinned(y, factor) if any(tap.used for tap in taps) else y[:0]
    return tuple(
        Voice(
            tap=at,
            room_s=(d.after - d.onset) / rate_hz - d.contact_s,
            attack_db=d.attack_db,
            peak_dbfs=d.peak_dbfs,
            shapes=np.array([_shape(thin, d, length_s, factor, rate_hz / factor) for length_s in _LIKENESS_S]),
        )
        for at, (d, tap) in enumerate(zip(described, taps, strict=True))
        if tap.used
    )


def unlike(voices: Sequence[Voice]) -> list[int]:
    """Return the indices of the taps that sound unlike most others, judged by the spectra of their first 120 ms.

    Fewer than three taps give an empty list. Striking another spot changes levels, not frequencies, so the spectra
    of taps on one object stay alike; a voice or a footstep has a different one. A tap cut short by a bounce is
    compared with an equally short stretch of the others. The limit depends on how alike the others are. It is
    stricter for a tap that is weak beside them, or that does not stand out sharply from the sound before it. Where
    there are more than 500 taps, each is compared with 500 spread over the recording.
    """
    if len(voices) < 3:
        return []
    likeness = _likeness(voices)
    # Use the likeness to the most similar half of the others: one recording may hold two kinds of taps.
    best: Float = np.sort(likeness, axis=1)[:, -max(1, (likeness.shape[1] - 1) // 2) :].mean(axis=1)
    typical = float(np.median(best))
    usual_dbfs = float(np.median([v.peak_dbfs for v in voices]))
    doubtful = [v.attack_db < _BLOW_DB or v.peak_dbfs < usual_dbfs - _WEAK_DB for v in voices]
    limit = np.where(doubtful, _LIKENESS_OF_DOUBTFUL, _LEAST_LIKENESS) * min(typical, 1.0)
    return [voices[k].tap for k in np.flatnonzero(best < limit).tolist()]


def refused(tap: Tap, reason: str = UNLIKE) -> Tap:
    """Return a tap marked as not used; by default because it sounds unlike the others."""
    return replace(tap, used=False, reason=reason)


def without_unlike(taps: tuple[Tap, ...], voices: Sequence[Voice]) -> tuple[Tap, ...]:
    """Return taps with those refused that sound unlike most others (:func:`unlike`)."""
    others = set(unlike(voices))
    return tuple(refused(tap) if at in others else tap for at, tap in enumerate(taps))


def _likeness(voices: Sequence[Voice]) -> Float:
    """Return the likeness of each to each of at most 500, 1 for the same spectrum; -1 of each to itself."""
    others = np.unique(np.linspace(0, len(voices) - 1, min(len(voices), _MOST_COMPARED)).astype(int))
    room_s = np.array([v.room_s for v in voices])
    likeness = np.full((len(voices), len(others)), np.nan)
    for row, length_s in enumerate(_LIKENESS_S):
        both = np.minimum.outer(room_s, room_s[others]) >= (length_s if length_s != _LIKENESS_S[-1] else 0.0)
        if not np.isnan(likeness[both]).any():
            continue
        shapes = np.array([v.shapes[row] for v in voices], dtype=voices[0].shapes.dtype)
        if shapes.dtype == np.float16:
            shapes = shapes.astype(np.float32)
        alike = shapes @ (shapes if len(others) == len(voices) else shapes[others]).T
        likeness = np.where(np.isnan(likeness) & both, alike, likeness)
    likeness[others, np.arange(len(others))] = -1.0
    return likeness


def _shape(thin: Float, d: Described, length_s: float, factor: int, rate_hz: float) -> Float:
    """Return what a tap added to the spectrum: its magnitude times the root of frequency, centred, of unit length.

    Twice the power of the stretch before is subtracted. Otherwise earlier ringing and hum would make a knock
    elsewhere look like a tap on the ringing body. The weight favours high modes over rumble, which has no content
    there.
    """
    length, padded = int(length_s * rate_hz), int(2 * _LIKENESS_S[0] * rate_hz)
    onset, first = d.onset // factor, (d.onset + int(d.contact_s * factor * rate_hz)) // factor
    added = _power(thin[first : min(first + length, d.after // factor)], length, padded)
    before = thin[max(0, onset - length) : onset]
    if len(before) > length // 8:
        added = np.maximum(added - 2.0 * _power(before, length, padded), 0.0)
    low, high = int(_LIKENESS_LOW_HZ * padded / rate_hz), int(min(6000.0, 0.45 * rate_hz) * padded / rate_hz)
    shape = np.sqrt(added[low:high] * np.arange(low, high))
    shape -= shape.mean()
    return np.asarray(shape / max(float(np.sqrt(shape @ shape)), 1e-30))


def _power(piece: Float, length: int, padded: int) -> Float:
    window = np.hanning(2 * length)[length:]
    power = np.abs(np.fft.rfft(piece * window[: len(piece)], padded)) ** 2 / max(len(piece), 1)
    return np.convolve(power, np.ones(3) / 3, mode="same")
