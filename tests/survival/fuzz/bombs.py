"""Make files that arrive: simulated taps, and files made to take long, to use memory, or to break a decoder.

Conventions: :func:`make` writes a file of a given kind; the same kind and number give the same bytes. Hours of
silence are a few megabytes of FLAC. "Promises" are headers without the sound. No file is larger than 10 MB.
"""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np

from tests.shops import taps, write_wav


def make(path: Path, kind: str, number: int) -> None:
    """Write a file of a kind, replacing what is at the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_symlink() or path.exists():
        path.unlink()
    KINDS[kind](path, number)


def _taps(path: Path, number: int) -> None:
    write_wav(path, taps(number, count=2, cents=number % 40 - 20))


# ------------------------------------------------------------ hours


@lru_cache(maxsize=4)
def _silence(minutes: int, rate_hz: int) -> bytes:
    import io

    import soundfile

    out = io.BytesIO()
    block = np.zeros(rate_hz * 60, dtype=np.int16)
    with soundfile.SoundFile(out, "w", rate_hz, 1, "PCM_16", format="FLAC") as file:
        for _ in range(minutes):
            file.write(block)
    return out.getvalue()


def _silent_hours(path: Path, number: int) -> None:
    path.write_bytes(_silence((60, 120, 240)[number % 3], (8000, 48000)[number % 2]))


def _faint_hours(path: Path, number: int) -> None:
    """Write 20 minutes of noise, one quantisation step high, with taps in the middle."""
    rng = np.random.default_rng(number)
    sound = rng.integers(-1, 2, 20 * 60 * 8000).astype(float) / 32768
    sound[len(sound) // 2 :][:16000] += taps(number, count=2)[:16000]
    write_wav(path, sound)


def _quick_taps(path: Path, number: int) -> None:
    """Write 800 to 2400 decays, 0.07 to 0.25 s apart, at 8 or 16 kHz: up to 10 MB."""
    rng = np.random.default_rng(number)
    rate_hz = int(rng.choice([8000, 16000]))
    count, gap_samples = int(rng.integers(800, 2400)), int(rng.uniform(0.07, 0.25) * rate_hz)
    count = min(count, 5_000_000 // gap_samples)
    t_s = np.arange(gap_samples) / rate_hz
    one = np.exp(-t_s / 0.0375) * np.sin(2 * np.pi * 764 * t_s)
    sound = np.concatenate([one * level for level in rng.uniform(0.4, 0.9, count)])
    write_wav(path, sound + rng.normal(0, 1e-4, len(sound)), rate_hz)


# ---------------------------------------------------------- headers


def wav(
    data: bytes, *, rate_hz: int, channels: int = 1, bits: int = 16, tag: int = 1, promised: int | None = None
) -> bytes:
    """Return a WAV file whose header may say anything (RIFF WAVE, Microsoft 1994)."""
    size = len(data) if promised is None else promised
    align = max(channels * bits // 8, 1) & 0xFFFF
    form = struct.pack("<HHIIHH", tag, channels, rate_hz, min(rate_hz * align, 2**32 - 1), align, bits)
    whole = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", min(len(whole), 2**32 - 1)) + whole


def _pcm(number: int) -> bytes:
    return np.clip(np.rint(taps(number, count=2) * 32768), -32768, 32767).astype("<i2").tobytes()


def _promises(path: Path, number: int) -> None:
    data = _pcm(number)
    flac = b"fLaC\x80\0\0\x22\x10\0\x10\0" + bytes(6) + (96000 << 44 | 15 << 36 | (2**36 - 1)).to_bytes(8, "big")
    path.write_bytes(
        [
            lambda: wav(data, rate_hz=8000, promised=2**32 - 1),
            lambda: wav(data, rate_hz=8000, promised=2**31),
            lambda: flac + bytes(16),
            lambda: flac + bytes(16) + random.Random(number).randbytes(5000),
            lambda: b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0" + struct.pack("<QQQI", 2**60, 2**60, 2**59, 0)
            + wav(data, rate_hz=8000, promised=2**32 - 1)[12:],
            lambda: b"FORM\x7f\xff\xff\xffAIFFCOMM\0\0\0\x12" + struct.pack(">HIH", 1, 2**32 - 1, 16)
            + b"\x40\x0b\xfa\0\0\0\0\0\0\0SSND\x7f\xff\xff\xf7" + bytes(8) + data,
            lambda: b".snd" + struct.pack(">IIIII", 24, 2**32 - 2, 3, 8000, 1) + data,
            lambda: b"caff\0\1\0\0desc" + struct.pack(">Qd4sIIIII", 32, 8000.0, b"lpcm", 2, 2, 1, 1, 16)
            + b"data" + struct.pack(">qI", -1 if number % 2 else 2**62, 0) + data,
        ][number % 8]()
    )  # fmt: skip


def _odd_rate(path: Path, number: int) -> None:
    rate_hz = (4, 1_000_000, 1, 0, 2**32 - 1, 192_000, 100, 3999)[number % 8]
    path.write_bytes(wav(_pcm(number), rate_hz=rate_hz))


def _odd_form(path: Path, number: int) -> None:
    data = _pcm(number)
    forms = [
        {"channels": 65535}, {"channels": 0}, {"channels": 64}, {"bits": 0}, {"bits": 65535}, {"bits": 64, "tag": 3},
        {"tag": 0xFFFE}, {"tag": 0x55}, {"bits": 32, "tag": 3}, {"bits": 24}, {"tag": 17, "bits": 4}, {"bits": 8},
    ]  # fmt: skip
    path.write_bytes(wav(data, rate_hz=8000, **forms[number % len(forms)]))  # type: ignore[arg-type]


def _not_finite(path: Path, number: int) -> None:
    sound = taps(number, count=2).astype("<f4")
    rng = np.random.default_rng(number)
    sound[rng.integers(0, len(sound), 500)] = rng.choice([np.nan, np.inf, -np.inf, 1e38, -1e-45], 500)
    path.write_bytes(wav(sound.tobytes(), rate_hz=8000, bits=32, tag=3))


# ------------------------------------------------------ garbage


def _random_bytes(path: Path, number: int) -> None:
    rng = random.Random(number)
    heads = (b"", b"RIFF", b"RIFF\xff\xff\xff\xffWAVEfmt ", b"fLaC", b"\0\0\0\x20ftypM4A ", b"OggS\0\2", b"ID3\4\0\0",
             b"\xff\xfb\x90\0", b"#!AMR\n", b"\x1aE\xdf\xa3")  # fmt: skip
    path.write_bytes(rng.choice(heads) + rng.randbytes(rng.randrange(1, 60_000)))


def _damaged(path: Path, number: int) -> None:
    rng, raw = random.Random(number), bytearray(wav(_pcm(number), rate_hz=8000))
    for _ in range(rng.randrange(1, 40)):
        raw[rng.randrange(60 if rng.random() < 0.5 else len(raw))] = rng.randrange(256)
    path.write_bytes(raw[: rng.randrange(1, len(raw))] if rng.random() < 0.5 else raw)


def _no_file(path: Path, number: int) -> None:
    """Put something other than a plain file with sound at the path."""
    match number % 5:
        case 0:
            path.write_bytes(b"")
        case 1:
            os.mkfifo(path)
        case 2:
            path.symlink_to("nowhere.wav")
        case 3:
            path.symlink_to(path.name)
        case _:
            path.symlink_to("/dev/zero")


def _flat(path: Path, number: int) -> None:
    """Write a sound that never decays: full scale, steps, one value, or a tone."""
    count = 8000 * 30
    t_s = np.arange(count) / 8000
    rng = np.random.default_rng(number)
    write_wav(path, [np.ones(count), np.sign(np.sin(2 * np.pi * 110 * t_s)), np.full(count, -1.0),
                     rng.uniform(-1, 1, count), np.sin(2 * np.pi * 440 * t_s)][number % 5])  # fmt: skip


KINDS: dict[str, Callable[[Path, int], None]] = {
    "taps": _taps,
    "silent hours": _silent_hours,
    "faint hours": _faint_hours,
    "quick taps": _quick_taps,
    "promises": _promises,
    "odd rate": _odd_rate,
    "odd form": _odd_form,
    "not finite": _not_finite,
    "random bytes": _random_bytes,
    "damaged": _damaged,
    "no file": _no_file,
    "flat": _flat,
}
"""How each kind is written."""

HEAVY = ("silent hours", "faint hours", "quick taps")
"""Kinds that take more than a moment to measure; a round has one at most."""
