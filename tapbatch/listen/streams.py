"""Open a sound file as a stream: one block of samples after another, whichever library reads it.

Conventions: full scale is 1.0; a block has shape (n, channels), float64, at the native rate. libsndfile reads WAV,
RF64, W64, AIFF, CAF, AU, FLAC, Ogg and Opus. FFmpeg reads MP3, the other formats of phones, and files that libsndfile
cannot read. Memory is never allocated by the length a header states, and samples before a damaged place are kept. So
memory is limited to one block, and time depends on the samples actually present.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from tapbatch.listen.files import refuse_special
from tapbatch.listen.header import Header, clean_date, clean_device, device_of, is_chained, read_header, recorded_at
from tapbatch.model.errors import SoundError

Block = NDArray[np.float64]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1000, 768_000
MOST_CHANNELS = 64

_BLOCK_SAMPLES = 1 << 16
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
# A playlist may name other files, or network addresses, to play in its place.
_THIS_FILE_ONLY = {"protocol_whitelist": "file"}
_LISTS = ("concat", "hls", "dash", "sdp", "rtsp", "imf", "image2")
_SCALE_OF_DTYPE = {"u1": 2.0**-7, "i2": 2.0**-15, "i4": 2.0**-31, "i8": 2.0**-63}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stream:
    """A file being read.

    ``blocks`` gives the samples, once. ``likely_s`` is the probable length, for a progress bar; ``promised_s`` is the
    length that the stream states, 0 where it states none. ``dates`` are as written, most trusted first. ``skipped``
    grows by one for each piece that cannot be decoded.
    """

    header: Header
    sample_rate_hz: int
    channels: int
    codec: str
    lossy: bool
    likely_s: float
    promised_s: float
    dates: tuple[str, ...]
    device: str
    blocks: Iterator[Block]
    skipped: list[str]


@contextmanager
def open_stream(path: Path) -> Iterator[Stream]:
    """Open a sound file of any kind.

    Raises
    ------
    SoundError
        Where the file is missing, empty, not sound or without a single sample, or where no recorder makes such a rate
        or number of channels. Also while blocks are read, where the rate or the number of channels changes.
    """
    header = _checked_header(path)
    with path.open("rb") as file:
        kind = file.read(12)
    # libsndfile reads only the first of several chained Ogg streams.
    if _libsndfile_knows(kind) and not (kind[:4] == b"OggS" and is_chained(path)):
        with _libsndfile(path) as file:
            found = None if file is None else _sndfile_stream(path, file, header)
            if found is not None:
                yield found
                return
    import av

    try:
        container = av.open(str(path), metadata_errors="replace", options=_THIS_FILE_ONLY)
    except (av.FFmpegError, OSError, ValueError, LookupError) as error:
        raise _not_sound(path, header) from error
    with container:
        try:
            stream = _ffmpeg_stream(path, container, header)
        except (av.FFmpegError, OSError, ValueError, LookupError) as error:
            raise _not_sound(path, header) from error
        yield stream


def stated_date(path: Path) -> str:
    """Return when a file says that it was recorded, without decoding it; empty where it does not say.

    What is asked is its header (:func:`tapbatch.listen.header.recorded_at`), and else its tag for the date if
    libsndfile reads its format: FLAC, Ogg, WAV, AIFF and others.

    Parameters
    ----------
    path
        A file of any kind.

    Returns
    -------
    str
        ISO 8601, as :func:`tapbatch.listen.header.clean_date` writes it.

    Raises
    ------
    OSError
        Where the file cannot be read.
    """
    stated = recorded_at(path)
    with path.open("rb") as beginning:
        kind = beginning.read(12)
    if stated or not _libsndfile_knows(kind):
        return stated
    with _libsndfile(path) as file:
        return "" if file is None else clean_date(_date_tag(file))


# ---------------------------------------------------------------- the file


def _checked_header(path: Path) -> Header:
    """Refuse a file that is certainly not sound, before a decoder guesses at it."""
    try:
        refuse_special(path)
        with path.open("rb") as file:
            beginning = file.read(4096)
        header = read_header(path)
    except FileNotFoundError as error:
        raise SoundError(path.name, "there is no such file", "check the name and the folder") from error
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise SoundError(
            path.name, f"cannot be read ({reason})", "check that it is a file and that you may read it"
        ) from error
    if not beginning:
        raise SoundError(path.name, "the file is empty", "copy it again from the recorder")
    if not beginning.strip(b"\0"):
        raise SoundError(path.name, "the file contains nothing but zeros", "copy it again from the recorder")
    if _is_text(beginning):
        raise SoundError(
            path.name, "the file contains text, not sound", "export the recording again, as WAV if offered"
        )
    return header


def _is_text(beginning: bytes) -> bool:
    try:
        text = beginning.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(beginning) - 4:
            return False
        text = beginning[: error.start].decode("utf-8")
    return all(c.isprintable() or c in "\r\n\t\f\ufeff" for c in text)


def _libsndfile_knows(kind: bytes) -> bool:
    """Tell by the first bytes whether libsndfile can read the file.

    Left to guess, libsndfile takes any file named .mp3 for MP3 and prints complaints on the terminal. FFmpeg reads
    real MP3 too: its samples agree to 1e-6 of full scale, and it prints nothing about a truncated file.
    """
    return kind[:4] in (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM", b"fLaC", b"OggS", b"caff", b".snd")


def _check_shape(path: Path, sample_rate_hz: int, channels: int) -> None:
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


def _no_sound(path: Path) -> SoundError:
    return SoundError(path.name, "there is no sound in the file", "copy it again from the recorder, or record again")


# ---------------------------------------------------------------- libsndfile


@contextmanager
def _libsndfile(path: Path) -> Iterator[soundfile.SoundFile | None]:
    """Open a file with libsndfile; yield ``None`` where it does not know the format."""
    try:
        # As bytes, because a name on Linux need not be text.
        file = soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
    except (soundfile.SoundFileError, UnicodeDecodeError, TypeError):
        # TypeError: libsndfile takes a name that ends in .raw for headerless samples, whatever the file contains.
        yield None
        return
    with file:
        yield file


def _sndfile_stream(path: Path, file: soundfile.SoundFile, header: Header) -> Stream | None:
    """Return the stream, or ``None`` where libsndfile cannot read a single sample."""
    _check_shape(path, file.samplerate, file.channels)
    blocks = _sndfile_blocks(file)
    first = next(blocks, None)
    if first is None:
        return None
    frames = int(file.frames) if 0 < file.frames < 2**36 else 0
    return Stream(
        header=header,
        sample_rate_hz=int(file.samplerate),
        channels=int(file.channels),
        codec=file.subtype.lower().replace("_", " "),
        lossy=any(name in file.subtype for name in _LOSSY_SUBTYPES),
        likely_s=frames / file.samplerate,
        promised_s=frames / file.samplerate if file.format == "FLAC" else 0.0,
        dates=(_date_tag(file),),
        device=device_of(path),
        blocks=chain((first,), blocks),
        skipped=[],
    )


def _date_tag(file: soundfile.SoundFile) -> str:
    try:
        return str(file.copy_metadata().get("date", ""))
    except UnicodeDecodeError:
        return ""


def _sndfile_blocks(file: soundfile.SoundFile) -> Iterator[Block]:
    """Read block by block; never allocate by the header's stated length, and keep what precedes damage."""
    frames, most = 0, max(_BLOCK_SAMPLES // file.channels, 1)
    while True:
        block = np.zeros((most, file.channels))
        try:
            block = file.read(out=block)
        except soundfile.SoundFileError:
            block = block[: max(file.tell() - frames, 0)]
            if len(block):
                yield block
            return
        if not len(block):
            return
        frames += len(block)
        yield block


# ---------------------------------------------------------------- FFmpeg


def _not_sound(path: Path, header: Header) -> SoundError:
    if not header.whole:
        return SoundError(
            path.name,
            "the file is cut: it has no end"
            if header.breaks_off
            else f"the file is cut: {header.present_bytes} of {header.promised_bytes} bytes of sound are there",
            "copy it again from the recorder",
        )
    return SoundError(path.name, "no decoder understands the file", "export the recording again, as WAV if offered")


def _ffmpeg_stream(path: Path, container: Any, header: Header) -> Stream:
    if container.format.name.split(",")[0] in _LISTS:
        raise _not_sound(path, header)
    stream = container.streams.best("audio")
    if stream is None:
        raise SoundError(
            path.name, "there is no sound in the file", "choose the recording itself, not a picture or film"
        )
    if stream.codec_context is None:
        raise SoundError(path.name, "its codec is unknown", "export the recording again, as WAV if offered")
    codec = stream.codec_context.name
    tags = {key.lower(): text for key, text in (container.metadata | stream.metadata).items()}
    skipped: list[str] = []
    frames = _ffmpeg_frames(path, container, stream, skipped)
    first = next(frames, None)
    if first is None:
        raise _not_sound(path, header) if skipped else _no_sound(path)
    return Stream(
        header=header,
        sample_rate_hz=first[1],
        channels=first[0].shape[1],
        codec="mp3" if codec.startswith("mp3") else codec.removeprefix("lib").removesuffix("float"),
        lossy=not codec.startswith(_LOSSLESS_CODECS),
        likely_s=max(float(container.duration or 0) / 1e6, 0.0),
        promised_s=_stated_s(path, container, stream),
        dates=tuple(tags.get(k, "") for k in ("com.apple.quicktime.creationdate", "creation_time", "date")),
        device=_device(tags) or device_of(path),
        blocks=_gathered(block for block, _ in chain((first,), frames)),
        skipped=skipped,
    )


def _device(tags: dict[str, str]) -> str:
    """Return the recorder named in the tags: its maker, then its model; a tag may carry its maker's prefix."""
    told = [next((t for key, t in tags.items() if key.rpartition(".")[2] == k), "") for k in ("make", "model")]
    maker = told[0] or next((t for key, t in tags.items() if key.endswith(".manufacturer")), "")
    return clean_device(f"{maker} {told[1]}")


def _stated_s(path: Path, container: Any, stream: Any) -> float:
    """Return the length that the container states, or 0 where it would only be a guess from the bit rate."""
    if container.format.name.startswith(("mov", "caf", "asf")) and stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.format.name.startswith("matroska") and container.duration:
        return float(container.duration) / 1e6
    if container.format.name == "mp3" and container.duration:
        with path.open("rb") as raw:
            beginning = raw.read(1 << 16)
        return float(container.duration) / 1e6 if b"Xing" in beginning or b"Info" in beginning else 0.0
    return 0.0


def _ffmpeg_frames(path: Path, container: Any, stream: Any, skipped: list[str]) -> Iterator[tuple[Block, int]]:
    """Yield the frames of a stream, each with its rate; damaged pieces are left out and counted."""
    shape = None
    for frame in _decoded(container, stream, skipped):
        block = _scaled(frame)
        if not len(block):
            continue
        if shape is None:
            shape = (int(frame.sample_rate), block.shape[1])
            _check_shape(path, *shape)
        elif shape != (int(frame.sample_rate), block.shape[1]):
            what = "the sample rate or the number of channels changes within the file"
            raise SoundError(path.name, what, "export the recording again, as WAV if offered")
        yield block, shape[0]


def _decoded(container: Any, stream: Any, skipped: list[str]) -> Iterator[Any]:
    import av

    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets, None)
        except av.FFmpegError as error:
            # The container is damaged from here on; keep what came before.
            skipped.append(str(error))
            return
        if packet is None:
            return
        try:
            frames = packet.decode()
        except av.EOFError:
            return
        except av.FFmpegError as error:
            skipped.append(str(error))
            continue
        yield from frames


def _gathered(frames: Iterator[Block]) -> Iterator[Block]:
    """Yield frames joined into blocks; one frame may be as short as 20 ms."""
    held: list[Block] = []
    samples = 0
    for frame in frames:
        held.append(frame)
        samples += frame.size
        if samples >= _BLOCK_SAMPLES:
            yield np.concatenate(held)
            held, samples = [], 0
    if held:
        yield np.concatenate(held)


def _scaled(frame: Any) -> Block:
    """Return a frame as float samples of shape (n, channels), full scale 1.0."""
    raw = frame.to_ndarray()
    if not frame.format.is_planar:
        raw = raw.reshape(-1, len(frame.layout.channels)).T
    samples: Block = raw.T.astype(np.float64)
    scale = _SCALE_OF_DTYPE.get(raw.dtype.str[1:], 1.0)
    return (samples - 128.0 if raw.dtype == np.uint8 else samples) * scale
