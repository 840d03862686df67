"""What is sound, what is none, and what would take too much memory to find out."""

from __future__ import annotations

import resource
import struct
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
import soundfile

from tapbatch.model.errors import ShopError, SoundError
from tapbatch.run import sound_check
from tapbatch.run.sound_check import SoundCheck
from tests.shops import taps, write_wav


def refuse_unless_sound(path: Path) -> None:
    SoundCheck().refuse_unless_sound(path)


@pytest.mark.parametrize("form", ["WAV", "FLAC", "OGG", "AIFF", "CAF", "AU", "W64"])
def test_sound_is_sound_whatever_its_name(form: str, tmp_path: Path) -> None:
    # Written by another library, under an ending of another kind.
    path = tmp_path / "a.m4a"
    soundfile.write(path, taps(2, count=1), 8000, format=form)
    refuse_unless_sound(path)


def test_an_archive_of_sound_is_no_sound(tmp_path: Path) -> None:
    write_wav(tmp_path / "inner.wav", taps(2, count=1))
    for name, mode in (("plain.wav", "w"), ("packed.wav", "w:gz"), ("xz.wav", "w:xz")):
        with tarfile.open(tmp_path / name, mode) as archive:  # type: ignore[call-overload]
            archive.add(tmp_path / "inner.wav", "inner.wav")
        with pytest.raises(SoundError):
            refuse_unless_sound(tmp_path / name)


def _box(kind: bytes, *content: bytes) -> bytes:
    held = b"".join(content)
    return struct.pack(">I", 8 + len(held)) + kind + held


def _full(kind: bytes, *content: bytes) -> bytes:
    return _box(kind, bytes(4), *content)


def movie(samples: int) -> bytes:
    """Return a small MP4 (ISO/IEC 14496-12) of 16-bit samples whose tables promise so many of them."""
    matrix = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
    entry = _box(b"sowt", bytes(6), struct.pack(">H8xHHHHI", 1, 1, 16, 0, 0, 8000 << 16))
    tables = _box(
        b"stbl",
        _full(b"stsd", struct.pack(">I", 1), entry),
        # Two durations: so a decoder cannot count by chunks, and keeps each sample in a table of its own.
        _full(b"stts", struct.pack(">5I", 2, samples - 1, 2, 1, 1)),
        _full(b"stsc", struct.pack(">4I", 1, 1, samples, 1)),
        _full(b"stsz", struct.pack(">II", 2, samples)),
        _full(b"stco", struct.pack(">II", 1, 40)),
    )
    media = _box(
        b"mdia",
        _full(b"mdhd", struct.pack(">4IHH", 0, 0, 8000, 8000, 0x55C4, 0)),
        _full(b"hdlr", bytes(4), b"soun", bytes(13)),
        _box(b"minf", _full(b"smhd", bytes(4)), tables),
    )
    track = _box(b"trak", _full(b"tkhd", struct.pack(">5I16x", 0, 0, 1, 0, 8000), matrix, bytes(8)), media)
    head = _full(b"mvhd", struct.pack(">4IIH10x", 0, 0, 8000, 8000, 0x10000, 0x100), matrix, bytes(24), b"\0\0\0\2")
    start = _box(b"ftyp", b"M4A \0\0\0\0M4A ") + _box(b"free", bytes(16))
    return start + _box(b"moov", head, track) + _box(b"mdat", b"\1\2" * 8000)


def test_tables_that_promise_no_more_than_is_there_are_sound(tmp_path: Path) -> None:
    (tmp_path / "a.m4a").write_bytes(movie(8000))
    refuse_unless_sound(tmp_path / "a.m4a")


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux limits the memory of a process reliably")
def test_a_small_file_whose_tables_fill_the_memory_is_refused(tmp_path: Path) -> None:
    # 24 bytes for each of 170 million samples are 4 GB, from a file of 17 kB.
    (tmp_path / "a.m4a").write_bytes(movie(170_000_000))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(SoundError):
        refuse_unless_sound(tmp_path / "a.m4a")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024 < sound_check.MOST_BYTES


def test_a_file_that_takes_too_long_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_check, "MOST_S", 0.001)
    with pytest.raises(SoundError, match="memory and time"):
        refuse_unless_sound(write_wav(tmp_path / "a.wav", taps(2, count=1)))


@pytest.mark.parametrize(
    "does", ["import os, signal; os.kill(os.getpid(), signal.SIGTERM)", "raise SystemExit(1)", "print('[1]')"]
)
def test_a_look_that_fails_says_nothing_of_the_file(
    does: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sound_check, "_LOOK", does)
    with pytest.raises(ShopError, match="looked at"):
        refuse_unless_sound(write_wav(tmp_path / "a.wav", taps(2, count=1)))


def test_a_decoder_that_crashes_is_no_reason_to_try_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_check, "_LOOK", "import os; os.abort()")
    with pytest.raises(SoundError):
        refuse_unless_sound(write_wav(tmp_path / "a.wav", taps(2, count=1)))


def test_without_another_process_nothing_is_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.executable", str(tmp_path / "nothing"))
    with pytest.raises(ShopError, match="looked at"):
        refuse_unless_sound(write_wav(tmp_path / "a.wav", taps(2, count=1)))


def test_a_process_that_was_begun_before_says_the_same(tmp_path: Path) -> None:
    check = SoundCheck()
    sound, text = write_wav(tmp_path / "a.wav", taps(2, count=1)), tmp_path / "b.wav"
    text.write_text("no sound")
    for _ in range(2):
        check.prepare()
        check.refuse_unless_sound(sound)
    check.prepare()
    check.prepare()
    with pytest.raises(SoundError):
        check.refuse_unless_sound(text)


def test_a_process_that_ended_meanwhile_leaves_the_file_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    check = SoundCheck()
    with monkeypatch.context() as changed:
        changed.setattr(sound_check, "_LOOK", "raise SystemExit(1)")
        check.prepare()
    with pytest.raises(ShopError, match="looked at"):
        check.refuse_unless_sound(write_wav(tmp_path / "a.wav", taps(2, count=1)))
    check.refuse_unless_sound(tmp_path / "a.wav")


def test_a_process_that_is_not_needed_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[subprocess.Popen[bytes]] = []
    real = sound_check._begun
    monkeypatch.setattr(sound_check, "_begun", lambda: begun.append(real()) or begun[-1])
    check = SoundCheck()
    check.prepare()
    assert begun[0].poll() is None
    del check
    assert begun[0].poll() is not None
