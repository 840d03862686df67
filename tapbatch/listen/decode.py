"""A file of any common kind becomes one channel of sound at its native rate; nothing is ever resampled.

Conventions: full scale is 1.0; time runs from the first sample of the file. WAV, RF64, W64, AIFF, CAF, AU, FLAC, Ogg,
Opus and MP3 are read with libsndfile, all else that a phone makes, and what libsndfile gives up on, with FFmpeg. What
was noticed on the way is said in short phrases, ``Sound.notices``; what cannot be used is a
:class:`~tapbatch.errors.SoundError`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from tapbatch.errors import SoundError
from tapbatch.listen.channels import Channels, better_channel, clipped_mask, dbfs, make_finite
from tapbatch.listen.header import Header, clean_date, read_header
from tapbatch.values import Sound

if TYPE_CHECKING:
    from collections.abc import Iterator

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1000, 768_000
LOW_RATE_HZ = 8000
MOST_CHANNELS = 64
SILENCE_DBFS = -90.0
# 2 GiB of float64, 93 minutes of one channel at 48 kHz: a longer file would not fit beside the measuring.
MOST_SAMPLES = 2**28

_BLOCK_FRAMES = 1 << 16
_LOSSY_SUBTYPES = ("MPEG", "VORBIS", "OPUS", "ADPCM", "ULAW", "ALAW", "GSM", "G72", "NMS", "VOX", "DWVW", "DPCM")
_LOSSLESS_CODECS = (
    "pcm_s",
    "pcm_u",
    "pcm_f",
    "flac",
    "alac",
    "wavpack",
    "ape",
    "tta",
    "wmalossless",
    "truehd",
    "mlp",
)
_SCALE_OF_DTYPE = {"u1": 2.0**-7, "i2": 2.0**-15, "i4": 2.0**-31, "i8": 2.0**-63}


def decode(path: Path) -> Sound:
    """Return the sound of a file: its better channel, at its native rate.

    Parameters
    ----------
    path : Path
        WAV (8 to 32 bit, float, extensible, RF64, W64), FLAC, AIFF, Ogg, Opus, MP3, m4a, mp4, aac, 3gp, amr, caf,
        webm and what else FFmpeg reads.

    Returns
    -------
    Sound
        Finite samples at 1000 to 768000 Hz. ``recorded_at`` is what the file itself says, never the file system.
        A notice begins with ``the file is cut``, ``stereo`` or the number of channels, ``lossy codec``,
        ``low sample rate``, ``non-finite samples``, ``silence`` or ``clipped``.

    Raises
    ------
    SoundError
        Where the file is missing, empty, not sound, without a single sample, or with a rate or number of channels
        that no recorder makes.

    Examples
    --------
    >>> decode(Path("nowhere.wav"))
    Traceback (most recent call last):
    ...
    tapbatch.errors.SoundError: nowhere.wav: there is no such file; check the name and the folder
    """
    header = _checked_header(path)
    heard = _read(path, header)
    samples, replaced = make_finite(heard.samples)
    masks = [clipped_mask(channel, lossy=heard.lossy) for channel in samples.T]
    used = better_channel(samples, heard.sample_rate_hz, [m is not None for m in masks])
    mono = np.ascontiguousarray(samples[:, used])
    notices = [
        _cut_notice(header, heard),
        _channel_notice(used, samples.shape[1]),
        f"lossy codec ({heard.codec})" if heard.lossy else "",
        f"low sample rate ({heard.sample_rate_hz} Hz)" if heard.sample_rate_hz < LOW_RATE_HZ else "",
        f"non-finite samples ({replaced[used]} set to 0)" if replaced[used] else "",
        "silence" if dbfs(mono) < SILENCE_DBFS else "",
        "clipped" if masks[used] is not None else "",
    ]
    return Sound(
        samples=mono,
        sample_rate_hz=heard.sample_rate_hz,
        recorded_at=next((d for d in (header.recorded_at, *map(clean_date, heard.dates)) if d), ""),
        lossy=heard.lossy,
        clipped=masks[used],
        notices=tuple(n for n in notices if n),
    )


def _cut_notice(header: Header, heard: Channels) -> str:
    there_s = len(heard.samples) / heard.sample_rate_hz
    promised_s = heard.promised_s
    if not header.whole and header.present_bytes and header.promised_bytes:
        promised_s = max(promised_s, there_s * header.promised_bytes / header.present_bytes)
    # A length stated of a lossy stream counts what encoders add in front, up to some thousand samples.
    missing_from_s = 8192 / heard.sample_rate_hz if heard.lossy and header.whole else 0.01
    return (
        f"the file is cut: {there_s:.2f} of {promised_s:.2f} s are there"
        if promised_s - there_s > missing_from_s
        else ""
    )


def _channel_notice(used: int, channels: int) -> str:
    if channels == 1:
        return ""
    if channels == 2:
        return f"stereo: the {('left', 'right')[used]} channel is used"
    return f"{channels} channels: channel {used + 1} is used"


# ---------------------------------------------------------------- the file


def _checked_header(path: Path) -> Header:
    """Refuse what is certainly no sound before a decoder guesses at it."""
    try:
        with path.open("rb") as file:
            beginning = file.read(4096)
        header = read_header(path)
    except FileNotFoundError as error:
        raise SoundError(path.name, "there is no such file", "check the name and the folder") from error
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise SoundError(
            path.name, f"cannot be read ({reason})", "check that it is a file and may be read"
        ) from error
    if not beginning:
        raise SoundError(path.name, "the file is empty", "copy it again from the recorder")
    if not beginning.strip(b"\0"):
        raise SoundError(path.name, "the file holds nothing but zeros", "copy it again from the recorder")
    if _is_text(beginning):
        raise SoundError(path.name, "the file holds text, not sound", "export the recording again, as WAV if offered")
    return header


def _is_text(beginning: bytes) -> bool:
    try:
        text = beginning.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(beginning) - 4:
            return False
        text = beginning[: error.start].decode("utf-8")
    return all(c.isprintable() or c in "\r\n\t\f\ufeff" for c in text)


def _read(path: Path, header: Header) -> Channels:
    with path.open("rb") as file:
        kind = file.read(12)
    heard = _read_with_libsndfile(path) if _libsndfile_knows(kind) else None
    if heard is None or not len(heard.samples):
        heard = _read_with_ffmpeg(path, header)
    if not len(heard.samples):
        raise SoundError(
            path.name, "there is no sound in the file", "copy it again from the recorder, or record again"
        )
    return heard


def _libsndfile_knows(kind: bytes) -> bool:
    """Tell by the first bytes: left to guess, libsndfile tries any .mp3 as one and complains on the terminal."""
    if kind[:3] == b"ID3" or (len(kind) > 1 and kind[0] == 0xFF and kind[1] >= 0xE0 and kind[1] & 6):
        return True
    return kind[:4] in (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM", b"fLaC", b"OggS", b"caff", b".snd")


def _check_shape(path: Path, sample_rate_hz: int, channels: int, frames: int = 0) -> None:
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise SoundError(
            path.name,
            f"the sample rate is {sample_rate_hz} Hz",
            f"expected {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz; export the recording again",
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise SoundError(
            path.name, f"there are {channels} channels", f"expected 1 to {MOST_CHANNELS}; export it again"
        )
    if frames * channels > MOST_SAMPLES:
        minutes = MOST_SAMPLES / channels / sample_rate_hz / 60
        raise SoundError(
            path.name, f"the sound is longer than {minutes:.0f} minutes", "cut it into shorter recordings"
        )


# ---------------------------------------------------------------- libsndfile


def _read_with_libsndfile(path: Path) -> Channels | None:
    """Return what libsndfile reads, as far as it gets, or ``None`` where it does not know the file."""
    try:
        with soundfile.SoundFile(path) as file:
            _check_shape(path, file.samplerate, file.channels)
            samples = np.concatenate([np.empty((0, file.channels)), *_blocks(path, file)])
            return Channels(
                samples=samples,
                sample_rate_hz=int(file.samplerate),
                codec="mp3" if file.subtype.startswith("MPEG_LAYER") else file.subtype.lower().replace("_", " "),
                lossy=any(name in file.subtype for name in _LOSSY_SUBTYPES),
                promised_s=_promised_frames(path, file) / file.samplerate,
                dates=(file.copy_metadata().get("date", ""),),
            )
    except (soundfile.SoundFileError, UnicodeDecodeError):
        return None


def _blocks(path: Path, file: soundfile.SoundFile) -> Iterator[NDArray[np.float64]]:
    """Read block by block: what a header promises is not allocated, and what precedes damage is kept."""
    frames = 0
    while True:
        block = np.zeros((_BLOCK_FRAMES, file.channels))
        try:
            block = file.read(out=block)
        except soundfile.SoundFileError:
            yield block[: max(file.tell() - frames, 0)]
            return
        if not len(block):
            return
        frames += len(block)
        _check_shape(path, file.samplerate, file.channels, frames)
        yield block


def _promised_frames(path: Path, file: soundfile.SoundFile) -> int:
    """Return the length that the stream states of itself: FLAC, and MP3 where it has a header for it; else 0."""
    if file.format == "FLAC":
        return int(file.frames) if file.frames < 2**36 else 0
    if file.format == "MP3":
        with path.open("rb") as raw:
            beginning = raw.read(1 << 16)
        return int(file.frames) if b"Xing" in beginning or b"Info" in beginning else 0
    return 0


# ---------------------------------------------------------------- FFmpeg


def _read_with_ffmpeg(path: Path, header: Header) -> Channels:
    import av

    try:
        with av.open(str(path), metadata_errors="replace") as container:
            return _first_audio(path, container)
    except (av.FFmpegError, OSError, ValueError, LookupError) as error:
        raise _not_sound(path, header) from error


def _not_sound(path: Path, header: Header) -> SoundError:
    if not header.whole:
        return SoundError(
            path.name,
            f"the file is cut: {header.present_bytes} of {header.promised_bytes} bytes of sound are there",
            "copy it again from the recorder",
        )
    return SoundError(path.name, "no decoder understands the file", "export the recording again, as WAV if offered")


def _first_audio(path: Path, container: Any) -> Channels:
    stream = container.streams.best("audio")
    if stream is None:
        raise SoundError(
            path.name, "there is no sound in the file", "choose the recording itself, not a picture or film"
        )
    if stream.codec_context is None:
        raise SoundError(path.name, "no decoder knows its codec", "export the recording again, as WAV if offered")
    codec = stream.codec_context.name
    lossless = codec.startswith(_LOSSLESS_CODECS)
    tags = {key.lower(): text for key, text in (container.metadata | stream.metadata).items()}
    blocks, rate_hz = _frames(path, container, stream)
    return Channels(
        samples=np.concatenate(blocks) if blocks else np.empty((0, 1)),
        sample_rate_hz=rate_hz,
        codec=codec.removeprefix("lib").removesuffix("float"),
        lossy=not lossless,
        promised_s=_stated_s(container, stream),
        dates=tuple(tags.get(k, "") for k in ("com.apple.quicktime.creationdate", "creation_time", "date")),
    )


def _stated_s(container: Any, stream: Any) -> float:
    """Return the length that the container states, 0 where it would only be guessed from the bit rate."""
    if container.format.name.startswith(("mov", "caf", "asf")) and stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.format.name.startswith("matroska") and container.duration:
        return float(container.duration) / 1e6
    return 0.0


def _frames(path: Path, container: Any, stream: Any) -> tuple[list[NDArray[np.float64]], int]:
    """Return the blocks of a stream, and its rate; what precedes damage is kept."""
    import av

    blocks: list[NDArray[np.float64]] = []
    rate_hz, frames, channels = int(stream.rate or 0), 0, 0
    try:
        for frame in container.decode(stream):
            block = _scaled(frame)
            if blocks and (int(frame.sample_rate), block.shape[1]) != (rate_hz, channels):
                what = "the sample rate or the number of channels changes within the file"
                raise SoundError(path.name, what, "export the recording again, as WAV if offered")
            rate_hz, channels, frames = int(frame.sample_rate), block.shape[1], frames + len(block)
            _check_shape(path, rate_hz, channels, frames)
            blocks.append(block)
    except av.FFmpegError:
        if not blocks:
            raise
    return blocks, rate_hz


def _scaled(frame: Any) -> NDArray[np.float64]:
    """Return a frame as float samples of shape (n, channels), full scale 1.0."""
    raw = frame.to_ndarray()
    if not frame.format.is_planar:
        raw = raw.reshape(-1, len(frame.layout.channels)).T
    samples: NDArray[np.float64] = raw.T.astype(np.float64)
    scale = _SCALE_OF_DTYPE.get(raw.dtype.str[1:], 1.0)
    return (samples - 128.0 if raw.dtype == np.uint8 else samples) * scale
