"""Two microphones at unlike distances from the instrument: take off what both hear of the room.

Conventions: *near* is the louder channel, *far* the softer; the lag is by how many samples the far one is later, and
the channels have equal gain, as in one stereo recording. Sound travels at 343 m/s.

The direct sound falls with distance, the room's does not: in a diffuse field both microphones receive the same power,
and at low frequencies nearly the same signal. The best estimate of one from the other is the coherence
``sin(kd) / (kd)`` times it, where ``d`` is the distance between them (source at :func:`without_room`). In time, that
factor is a running mean over twice the lag. So ``near - mean of far`` keeps most of the direct sound and little of
the room's below ``c / (2 d)``, 1.7 kHz for 10 cm; above, it is the near channel.

Poles are those of the near channel, because far and mean are linear; amplitudes are lower. Whether this is better
than the near channel alone is not decided here: where there is little room, it only adds noise.

When it is wrong: where the two microphones differ in gain or are processed apart, the room does not cancel. A
recorder that makes stereo from one microphone shows no lag and is left alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]

SOUND_M_S = 343.0
"""Speed of sound in air at 20 °C, a handbook value."""

_FRAME_S = 0.01
_RISE_DB = 10.0
_BELOW_LOUDEST_DB = 20.0
_MOST_ONSETS = 12
_MOST_LAG_S = 0.0012  # 40 cm
_LEAST_LAG_S = 0.00004  # 1.4 cm, two samples at 48 kHz
_LEAST_LIKENESS = 0.4
_LEAST_LOUDER_DB = 1.0
_AGREE = 2 / 3


@dataclass(frozen=True, slots=True)
class InLine:
    """Two channels in line with the instrument: which is near, 0 or 1, and how much later the far one is."""

    near: int
    lag: int

    @property
    def far(self) -> int:
        """The number of the far channel, 0 or 1."""
        return 1 - self.near


def in_line(channels: tuple[Float, Float], sample_rate_hz: int) -> InLine | None:
    """Tell whether one channel hears sudden sounds both louder and earlier than the other.

    Parameters
    ----------
    channels
        Two channels of equal length, full scale 1.0.
    sample_rate_hz
        Their rate in hertz.

    Returns
    -------
    InLine or None
        ``None`` if two thirds of the loud onsets do not agree on a lag of 0.04 to 1.2 ms, to a sample, or if the
        earlier channel is not louder by 1 dB.

    Examples
    --------
    >>> knock = np.zeros(48000)
    >>> knock[24000:24200] = np.random.default_rng(1).standard_normal(200)
    >>> in_line((0.5 * np.roll(knock, 14), knock), 48000)
    InLine(near=1, lag=14)
    >>> in_line((knock, knock), 48000) is None
    True
    """
    frame = max(1, round(_FRAME_S * sample_rate_hz))
    found = [_lag_at(channels, at, frame, sample_rate_hz) for at in _onsets(channels, frame)]
    known = [one for one in found if one is not None]
    if not known:
        return None
    lag, louder_db = (float(np.median([one[k] for one in known])) for k in (0, 1))
    # A positive lag says that the first channel is earlier; then it must be louder too.
    louder_db *= math.copysign(1.0, lag)
    agreeing = sum(abs(one[0] - lag) <= 1.0 for one in known)
    apart = _LEAST_LAG_S <= abs(lag) / sample_rate_hz <= _MOST_LAG_S
    if agreeing < _AGREE * len(found) or not apart or louder_db < _LEAST_LOUDER_DB:
        return None
    return InLine(near=0 if lag > 0 else 1, lag=round(abs(lag)))


def without_room(channels: tuple[Float, Float], pair: InLine) -> Float:
    """Return the near channel less what the far one tells of the room, shape (n,).

    The coherence of a diffuse field between two points: R. K. Cook et al., "Measurement of correlation coefficients
    in reverberant sound fields", J. Acoust. Soc. Am. 27 (1955) 1072-1077, cited from memory.

    Parameters
    ----------
    channels
        Two channels of equal length.
    pair
        Which is near, and the lag.

    Examples
    --------
    What both hear alike and slowly is gone:

    >>> slow = np.cos(0.001 * np.arange(1000))
    >>> bool(np.abs(without_room((slow, slow), InLine(near=0, lag=5))[10:-10]).max() < 1e-4)
    True
    """
    from scipy.ndimage import uniform_filter1d

    far = uniform_filter1d(channels[pair.far], 2 * pair.lag + 1, mode="nearest")
    return np.asarray(channels[pair.near] - far, dtype=np.float64)


def _onsets(channels: tuple[Float, Float], frame: int) -> list[int]:
    """Return the first samples of the loudest frames that stand out from the one before."""
    count = len(channels[0]) // frame
    power = np.zeros(count)
    for samples in channels:
        frames = samples[: count * frame].reshape(count, frame)
        power += np.einsum("ij,ij->i", frames, frames)
    if not count or power.max() == 0.0:
        return []
    rises = np.zeros(count, dtype=bool)
    rises[1:] = power[1:] > 10 ** (_RISE_DB / 10) * power[:-1]
    loud = np.flatnonzero(rises & (power > 10 ** (-_BELOW_LOUDEST_DB / 10) * power.max()))
    return sorted(int(at) * frame for at in loud[np.argsort(-power[loud], kind="stable")][:_MOST_ONSETS])


def _lag_at(channels: tuple[Float, Float], at: int, frame: int, sample_rate_hz: int) -> tuple[float, float] | None:
    """Return the lag of the second channel in samples and by how much the first is louder, around an onset."""
    a, b = max(0, at - frame // 2), at + 3 * frame // 2
    first, second = (samples[a:b] for samples in channels)
    # Differences weigh all frequencies more evenly: the blow itself tells the time, not the ringing.
    one, two = np.diff(first), np.diff(second)
    size = math.sqrt(float(one @ one) * float(two @ two))
    most = round(_MOST_LAG_S * sample_rate_hz)
    if size == 0.0 or len(one) < 2 * most:
        return None
    likeness = np.correlate(two, one, mode="full")[len(one) - 1 - most : len(one) + most]
    best = int(likeness.argmax())
    if likeness[best] < _LEAST_LIKENESS * size:
        return None
    return float(best - most), 10 * math.log10(float(first @ first) / float(second @ second))
