"""Read a sound file's header before any sound is decoded: how long the sound should be, and when it was recorded.

Conventions: sizes are in bytes. A container is a row of chunks, each with a name and a size. The chunk that holds
the sound states how much there should be: the promised size. Writers that do not know the size beforehand put 0 or a
number near 2 or 4 GiB there; this counts as no promise. Ogg states no size, but marks its last page (RFC 3533).
Sources: RIFF/WAVE (Microsoft and IBM, 1991),
RF64 (EBU Tech 3306), the ``bext`` chunk (EBU Tech 3285), AIFF-C (1991), ISO/IEC 14496-12 for the boxes of m4a, mp4
and 3gp.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from tapbatch.listen.files import refuse_special

# Streaming writers put a size this large into a 32-bit header to mean "unknown".
_UNKNOWN_FROM = 0x7FFF_0000
_MOST_CHUNKS = 10_000
_W64_RIFF = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
_MOST_PAGE = 65307  # of an Ogg stream, RFC 3533
_FIRST_PAGE, _LAST_PAGE = 2, 4
_READ = 1 << 20
_MP4_FIRST_BOXES = (b"ftyp", b"moov", b"mdat", b"free", b"wide", b"skip")  # ISO/IEC 14496-12
_MOST_SECONDS = 6_300_000_000  # from 1904 to 2103
_DATE = re.compile(
    r"(?P<y>[0-9]{4})(?P<sep>[-:/._ ]?)(?P<m>[0-9]{2})(?P=sep)(?P<d>[0-9]{2})"
    r"(?:[T ]+(?P<H>[0-9]{2})(?P<tsep>[-:._ ]?)(?P<M>[0-9]{2})(?P=tsep)(?P<S>[0-9]{2})(?:[.,][0-9]+)?"
    r"\s*(?P<zone>Z|UTC|[+-][0-9]{2}:?[0-9]{2})?)?",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What the header says: sizes of the sound in bytes, ``None`` where none is stated, and the date, else empty.

    ``breaks_off`` is true where the format marks its end but this file has no such mark.
    """

    promised_bytes: int | None = None
    present_bytes: int | None = None
    recorded_at: str = ""
    breaks_off: bool = False

    @property
    def whole(self) -> bool:
        """Whether the file holds all the sound its header states; true where it states no size."""
        if self.breaks_off:
            return False
        if self.promised_bytes is None or self.present_bytes is None:
            return True
        return self.present_bytes >= self.promised_bytes


@dataclass(frozen=True, slots=True)
class _Chunk:
    name: bytes
    start: int
    size: int


def read_header(path: Path) -> Header:
    """Return what a file's header states; it is empty for an unknown kind of file.

    Parameters
    ----------
    path : Path
        A file, possibly still being copied.

    Returns
    -------
    Header
        For WAV, RF64, W64, AIFF, CAF, AU, Ogg and the mp4 family; empty for others.

    Raises
    ------
    OSError
        Where the file cannot be read.
    """
    refuse_special(path)
    with path.open("rb") as file:
        file_size = os.fstat(file.fileno()).st_size
        kind = file.read(16)
        if kind[:4] == b"OggS":
            return Header(breaks_off=not _ogg_ends(file, file_size))
        sound, recorded_at = _sound_and_date(file, kind, file_size)
    if sound is None or sound.size == 0:
        return Header(recorded_at=recorded_at)
    present = max(min(file_size - sound.start, sound.size), 0)
    return Header(promised_bytes=sound.size, present_bytes=present, recorded_at=recorded_at)


def _sound_and_date(file: BinaryIO, kind: bytes, file_size: int) -> tuple[_Chunk | None, str]:
    if kind[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and kind[8:12] == b"WAVE":
        return _wav(file, kind[:4], file_size)
    if kind == _W64_RIFF:
        return _last(_w64_chunks(file, file_size), b"data"), ""
    if kind[:4] == b"FORM" and kind[8:12] in (b"AIFF", b"AIFC"):
        return _last(_chunks(file, 12, file_size, ">"), b"SSND"), ""
    if kind[:4] == b"caff":
        return _caf(file, file_size), ""
    if kind[:4] == b".snd":
        start, size = struct.unpack(">II", kind[4:12].ljust(8, b"\0"))
        return (None if size >= _UNKNOWN_FROM else _Chunk(b"data", start, size)), ""
    if kind[4:8] in _MP4_FIRST_BOXES:
        return _longest_beyond(_mp4_boxes(file, 0, file_size), file_size), ""
    return None, ""


def _last(chunks: Iterator[_Chunk], name: bytes) -> _Chunk | None:
    """Return the first chunk of that name, or ``None`` where its size means "unknown"."""
    found = next((c for c in chunks if c.name == name), None)
    return None if found is None or found.size in range(_UNKNOWN_FROM, 0x1_0000_0000) else found


def _chunks(file: BinaryIO, start: int, file_size: int, order: str) -> Iterator[_Chunk]:
    """Walk chunks of a four-letter name and a 32-bit size, padded to even length."""
    for _ in range(_MOST_CHUNKS):
        file.seek(start)
        head = file.read(8)
        if len(head) < 8:
            return
        name, size = struct.unpack(f"{order}4sI", head)
        yield _Chunk(name, start + 8, size)
        start += 8 + size + size % 2
        if start >= file_size:
            return


def _wav(file: BinaryIO, kind: bytes, file_size: int) -> tuple[_Chunk | None, str]:
    sound, recorded_at, long_size = None, "", 0
    for chunk in _chunks(file, 12, file_size, ">" if kind == b"RIFX" else "<"):
        if chunk.name == b"ds64":
            file.seek(chunk.start + 8)
            long_size = int.from_bytes(file.read(8), "little")
        elif chunk.name == b"bext":
            file.seek(chunk.start + 320)
            text = file.read(18).decode("latin-1")
            recorded_at = clean_date(f"{text[:10]} {text[10:]}") or clean_date(text[:10])
        elif chunk.name == b"data" and sound is None:
            sound = _Chunk(chunk.name, chunk.start, long_size) if chunk.size == 0xFFFF_FFFF else chunk
    if sound is not None and sound.size >= _UNKNOWN_FROM and not long_size:
        sound = None
    return sound, recorded_at


def recorded_at(path: Path) -> str:
    """Return when a file says that it was recorded, without decoding anything; empty where it does not say.

    The mp4 family says so in its movie header (ISO/IEC 14496-12, box ``mvhd``, seconds of UTC since 1904), broadcast
    WAV in its ``bext`` chunk (EBU Tech 3285, local time).

    Parameters
    ----------
    path
        A file of any kind.

    Returns
    -------
    str
        ISO 8601, as :func:`clean_date` writes it.

    Raises
    ------
    OSError
        Where the file cannot be read.
    """
    stated = read_header(path).recorded_at
    if stated:
        return stated
    with path.open("rb") as file:
        file_size = os.fstat(file.fileno()).st_size
        if file.read(8)[4:] not in _MP4_FIRST_BOXES:
            return ""
        movie = next((b for b in _mp4_boxes(file, 0, file_size) if b.name == b"moov"), None)
        inside = _mp4_boxes(file, movie.start, movie.start + movie.size) if movie else iter(())
        head = next((b for b in inside if b.name == b"mvhd"), None)
        if head is None:
            return ""
        file.seek(head.start)
        told = file.read(12)
    seconds = int.from_bytes(told[4:12] if told[:1] == b"\1" else told[4:8], "big")
    if seconds >= _MOST_SECONDS:
        return ""
    return clean_date((datetime(1904, 1, 1) + timedelta(seconds=seconds)).isoformat() + "Z")


def device_of(path: Path) -> str:
    """Return the originator named in the header of a broadcast WAV (EBU Tech 3285), or empty where there is none.

    Recorders write their own name there.
    """
    with path.open("rb") as file:
        kind = file.read(12)
        if kind[:4] not in (b"RIFF", b"RIFX", b"RF64", b"BW64") or kind[8:12] != b"WAVE":
            return ""
        chunks = _chunks(file, 12, path.stat().st_size, ">" if kind[:4] == b"RIFX" else "<")
        told = next((c for c in chunks if c.name == b"bext" and c.size >= 288), None)
        if told is None:
            return ""
        file.seek(told.start + 256)
        return clean_device(file.read(32).split(b"\0")[0].decode("latin-1"))


def clean_device(text: str) -> str:
    """Return the name of a recorder on one line, at most 60 characters of it.

    Examples
    --------
    >>> clean_device("  field   recorder ")
    'field recorder'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:60]


def _w64_chunks(file: BinaryIO, file_size: int) -> Iterator[_Chunk]:
    """Walk chunks of a 16-byte name and a 64-bit size that counts its own head, padded to eight bytes."""
    start = 40
    for _ in range(_MOST_CHUNKS):
        file.seek(start)
        head = file.read(24)
        if len(head) < 24:
            return
        name, size = head[:4], int.from_bytes(head[16:24], "little")
        yield _Chunk(name, start + 24, max(size - 24, 0))
        start += max((size + 7) // 8 * 8, 24)
        if start >= file_size:
            return


def _caf(file: BinaryIO, file_size: int) -> _Chunk | None:
    start = 8
    for _ in range(_MOST_CHUNKS):
        file.seek(start)
        head = file.read(12)
        if len(head) < 12:
            return None
        name, size = struct.unpack(">4sq", head)
        if name == b"data":
            return None if size < 0 else _Chunk(name, start + 12, size)
        if size < 0:
            return None
        start += 12 + size
        if start >= file_size:
            return None
    return None


def _mp4_boxes(file: BinaryIO, start: int, end: int) -> Iterator[_Chunk]:
    """Walk the boxes between two places of a file."""
    for _ in range(_MOST_CHUNKS):
        file.seek(start)
        head = file.read(16)
        if len(head) < 8:
            return
        size, name, head_size = int.from_bytes(head[:4], "big"), head[4:8], 8
        if size == 1:
            size, head_size = int.from_bytes(head[8:16], "big"), 16
        if size < head_size:  # 0 means "to the end of the file"
            return
        yield _Chunk(name, start + head_size, size - head_size)
        start += size
        if start >= end:
            return


def _longest_beyond(boxes: Iterator[_Chunk], file_size: int) -> _Chunk | None:
    """Return the box that reaches past the end of the file, else the one that holds the sound."""
    every = list(boxes)
    beyond = next((b for b in every if b.start + b.size > file_size), None)
    return beyond or next((b for b in every if b.name == b"mdat"), None)


def _ogg_ends(file: BinaryIO, file_size: int) -> bool:
    """Tell whether the last page of an Ogg file is whole and says that it is the last."""
    start = max(0, file_size - 2 * _MOST_PAGE)
    file.seek(start)
    tail = file.read(file_size - start)
    at = tail.rfind(b"OggS\0")
    if at < 0 or len(tail) < at + 27:
        return False
    segments = tail[at + 27 : at + 27 + tail[at + 26]]
    whole = len(segments) == tail[at + 26] and len(tail) >= at + 27 + len(segments) + sum(segments)
    return whole and bool(tail[at + 5] & _LAST_PAGE)


def is_chained(path: Path) -> bool:
    """Tell whether one Ogg stream follows another in a file, as after a pause in recording (RFC 3533, chaining).

    The pages that begin streams come before all others, so a later one begins the next stream of a chain.

    Raises
    ------
    OSError
        Where the file cannot be read.
    """
    others, kept = False, b""
    with path.open("rb") as file:
        while piece := file.read(_READ):
            piece, kept = kept + piece, piece[-5:]
            at = piece.find(b"OggS\0")
            while 0 <= at < len(piece) - 5:
                if not piece[at + 5] & _FIRST_PAGE:
                    others = True
                elif others:
                    return True
                at = piece.find(b"OggS\0", at + 5)
    return False


def clean_date(text: str) -> str:
    """Return a date in ISO 8601, to the second where a time is given; empty where the text is not a valid date.

    The time zone stays as written: local time stays local, ``Z`` stays ``Z``. A year before 1990 means that the clock
    was never set (phones and computers count from 1904 or 1970); a year after 2100 is refused too.

    Examples
    --------
    >>> clean_date("2026-03-14T10:11:12.000000Z"), clean_date("2026:03:14 10:11:12"), clean_date("2026-03-14")
    ('2026-03-14T10:11:12Z', '2026-03-14T10:11:12', '2026-03-14')
    >>> clean_date("1904-01-01T00:00:00Z"), clean_date("2026-02-30"), clean_date("2026")
    ('', '', '')
    """
    match = _DATE.fullmatch(text.replace("\0", " ").strip())
    if match is None:
        return ""
    clock = (int(match["H"]), int(match["M"]), int(match["S"])) if match["H"] else (0, 0, 0)
    try:
        moment = datetime(int(match["y"]), int(match["m"]), int(match["d"]), *clock)
    except ValueError:
        return ""
    if not 1990 <= moment.year <= 2100:
        return ""
    if not match["H"]:
        return moment.date().isoformat()
    zone = (match["zone"] or "").replace("UTC", "Z")
    return moment.isoformat() + (f"{zone[:3]}:{zone[-2:]}" if len(zone) > 1 else zone)
