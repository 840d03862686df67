"""Codecs: what FFmpeg's encoders leave of a sound, through the libraries that PyAV brings.

Conventions: what comes back has the length of what went in and is in step with it to a sample: encoders put silence
in front, which is found by correlation and cut.
"""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]

ENCODERS = {"aac": ("aac", "mp4", "fltp"), "opus": ("libopus", "ogg", "flt"), "mp3": ("libmp3lame", "mp3", "fltp")}
"""By name: FFmpeg's encoder, container and sample format."""

_MOST_LATE = 8192


def missing(codec: str) -> str:
    """Return why a codec cannot be used here, or an empty string; no codec never fails."""
    if not codec:
        return ""
    try:
        import av
    except ImportError as error:
        return f"PyAV, which brings FFmpeg, is not installed ({error})"
    name = ENCODERS[codec][0]
    try:
        av.codec.Codec(name, "w")
    except (ValueError, av.FFmpegError) as error:
        return f"FFmpeg has no encoder {name} here ({error})"
    return ""


def encoded(samples: Float, sample_rate_hz: int, codec: str, kbps: int) -> bytes:
    """Return a file of one channel."""
    import av

    name, container, sample_format = ENCODERS[codec]
    held = io.BytesIO()
    with av.open(held, "w", format=container) as file:
        stream = file.add_stream(name, rate=sample_rate_hz, layout="mono")
        stream.bit_rate = kbps * 1000
        resampler = av.AudioResampler(format=sample_format, layout="mono", rate=sample_rate_hz)
        frame = av.AudioFrame.from_ndarray(samples.astype(np.float32)[None], format="fltp", layout="mono")
        frame.sample_rate, frame.pts = sample_rate_hz, 0
        for piece in resampler.resample(frame):
            file.mux(stream.encode(piece))
        file.mux(stream.encode(None))
    return held.getvalue()


def decoded(content: bytes) -> tuple[Float, int]:
    """Return the first channel of a file, and its sample rate."""
    import av

    with av.open(io.BytesIO(content)) as file:
        resampler = av.AudioResampler(format="fltp", layout="mono")
        frames = [piece for frame in file.decode(audio=0) for piece in resampler.resample(frame)]
        rate_hz = frames[0].sample_rate
    return np.concatenate([f.to_ndarray()[0] for f in frames]).astype(np.float64), rate_hz


def through(samples: Float, sample_rate_hz: int, codec: str, kbps: int) -> Float:
    """Return a sound as it comes back from a codec, in step with what went in."""
    from scipy.signal import correlate

    back, rate_hz = decoded(encoded(samples, sample_rate_hz, codec, kbps))
    assert rate_hz == sample_rate_hz, "phones record at a rate that their codec knows"
    loudest = int(np.argmax(np.abs(samples)))
    part = slice(max(loudest - 4096, 0), loudest + 16384)
    first = max(part.start - _MOST_LATE, 0)
    likeness = correlate(back[first : part.stop + _MOST_LATE], samples[part], mode="valid", method="fft")
    lead = first + int(np.argmax(likeness)) - part.start
    back = back[lead:] if lead >= 0 else np.concatenate([np.zeros(-lead), back])
    return np.concatenate([back, np.zeros(len(samples))])[: len(samples)]
