"""Whatever is dropped in: each file ends in a reading or in one line that says what to do, and the rest goes on."""

from __future__ import annotations

import io
import os
import random
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapbatch.listen.decode import decode
from tapbatch.listen.files import hash_file
from tapbatch.measure.recording import measure_recording
from tapbatch.model.errors import SoundError
from tapbatch.model.notice import Notice
from tapbatch.model.reading import BandSettings
from tests.listen.test_decode import encode
from tests.refusals import cause, refused
from tests.shops import RATE_HZ, Result, bytes_below, make_shop, rows_of, tapbatch, taps, write_wav

# What libsndfile writes, by ending, and what FFmpeg does: codec, format of samples, rate and container.
SNDFILE = {
    "wav": ("WAV", "PCM_16"), "u8.wav": ("WAV", "PCM_U8"), "float.wav": ("WAV", "FLOAT"),
    "ex.wav": ("WAVEX", "PCM_24"), "ima.wav": ("WAV", "IMA_ADPCM"), "gsm.wav": ("WAV", "GSM610"),
    "rf64": ("RF64", "PCM_16"), "w64": ("W64", "PCM_16"), "flac": ("FLAC", "PCM_16"), "aiff": ("AIFF", "PCM_16"),
    "caf": ("CAF", "PCM_16"), "au": ("AU", "PCM_16"), "ogg": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS"),
    "mp3": ("MP3", "MPEG_LAYER_III"),
}  # fmt: skip
FFMPEG = {
    "m4a": ("aac", "fltp", 16000, None), "mp4": ("aac", "fltp", 16000, None), "aac": ("aac", "fltp", 16000, "adts"),
    "alac.m4a": ("alac", "s16p", 8000, None), "webm": ("libopus", "flt", 48000, None),
    "mka": ("flac", "s16", 8000, "matroska"), "mov": ("pcm_s16le", "s16", 8000, None),
    "amr": ("libopencore_amrnb", "s16", 8000, None), "3gp": ("libopencore_amrnb", "s16", 8000, None),
}  # fmt: skip


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The bytes of two thirds of a second with a tap, in every form that can be written here."""
    folder = tmp_path_factory.mktemp("whole")
    sound = taps(1, count=1)[round(0.35 * RATE_HZ) : round(1.0 * RATE_HZ)]
    for ending, (kind, subtype) in SNDFILE.items():
        soundfile.write(folder / f"a.{ending}", sound, RATE_HZ, format=kind, subtype=subtype)
    for ending, (codec, sample_format, rate_hz, container) in FFMPEG.items():
        held = np.repeat(sound, rate_hz // RATE_HZ)
        try:
            encode(folder / f"a.{ending}", held, codec, rate_hz, sample_format=sample_format, container=container)
        except av.codec.codec.UnknownCodecError:
            (folder / f"a.{ending}").unlink(missing_ok=True)
    files = {p.name.removeprefix("a."): p.read_bytes() for p in sorted(folder.iterdir())}
    assert {*SNDFILE, "m4a", "aac", "mov"} <= set(files)
    return files


SIZES = (b"\xff" * 4, b"\0" * 4, b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x80\0\0\0", b"\xff" * 8)
HOW = ("cut", "header bits", "header bytes", "any bytes", "a size", "zeros", "a hole", "more", "another's end")


def damaged(whole: bytes, other: bytes, how: str, rng: random.Random) -> bytes:
    """Return a file damaged in one of the ways that cables, cards and programs have."""
    raw, at = bytearray(whole), rng.randrange(len(whole))
    match how:
        case "cut":
            return bytes(raw[:at])
        case "header bits":
            for _ in range(3):
                raw[rng.randrange(min(len(raw), 60))] ^= 1 << rng.randrange(8)
        case "header bytes":
            for _ in range(rng.randrange(1, 5)):
                raw[rng.randrange(min(len(raw), 400))] = rng.randrange(256)
        case "any bytes":
            for _ in range(rng.randrange(1, 30)):
                raw[rng.randrange(len(raw))] = rng.randrange(256)
        case "a size":
            size, at = rng.choice(SIZES), rng.randrange(min(len(raw) - 8, 200))
            raw[at : at + len(size)] = size
        case "zeros":
            raw[at : at + 2000] = bytes(len(raw[at : at + 2000]))
        case "a hole":
            del raw[at : at + rng.randrange(1, 500)]
        case "more":
            raw += rng.randbytes(rng.randrange(5000))
        case _:
            raw[at:] = other[rng.randrange(len(other)) :]
    return bytes(raw)


@pytest.mark.slow
@given(data=st.data())
@settings(max_examples=400, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_damage_ends_in_a_reading_or_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], whole_files: dict[str, bytes], data: st.DataObject
) -> None:
    names = st.sampled_from(sorted(whole_files))
    ending, other, how = data.draw(names), data.draw(names), data.draw(st.sampled_from(HOW))
    rng = random.Random(data.draw(st.integers(0, 2**32)))
    # Now and then under another's name.
    path = tmp_path / f"a.{other if rng.random() < 0.2 else ending}"
    path.write_bytes(damaged(whole_files[ending], whole_files[other], how, rng))
    try:
        reading = measure_recording(path, "", BandSettings())
    except SoundError as error:
        said, fault = str(error), type(error.__cause__).__name__
    else:
        said = fault = ""
        # Bits that are lost can double a length, and no more: nothing promised is made up.
        assert 0 < reading.duration_s < 60
        for tap in reading.taps:
            assert all(np.isfinite([m.freq_hz, m.freq_se_hz, m.t60_s, m.amplitude]).all() for m in tap.modes)
    finally:
        path.unlink()
    assert "\n" not in said
    # A fault of the tool's own is named by its type; damage must not come to that.
    assert not fault or f"({fault}: " not in said
    # Libraries that complain on the terminal would spoil what a person reads there.
    assert capfd.readouterr() == ("", "")


CHILD = """
import resource, runpy, sys
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (300, 300))
sys.argv = ["tapbatch", "run", sys.argv[1]]
try:
    runpy.run_module("tapbatch", run_name="__main__")
finally:
    try:
        # What getrusage says on Linux may be the peak of the process that started this one.
        print(int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) / 2**10)
    except OSError:
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10))
"""


@pytest.mark.slow
def test_a_shop_full_of_bad_files(tmp_path: Path, whole_files: dict[str, bytes]) -> None:
    """Every way of damage on every form at once, in a process whose time and memory are bounded."""
    pytest.importorskip("resource", reason="this system does not bound what a process uses")
    shop = make_shop(tmp_path / "shop", {"sound-1_top.wav": taps(9)})
    folder, rng, endings = shop / "recordings", random.Random(11), sorted(whole_files)
    for ending in endings:
        for n, how in enumerate(HOW):
            raw = damaged(whole_files[ending], whole_files[rng.choice(endings)], how, rng)
            (
                folder / f"bad-{n}_{ending.replace('.', '')} {how.replace(chr(39), '')}_.{ending}".replace("_.", ".")
            ).write_bytes(raw)
    for name, raw in {
        "empty": b"", "zeros": bytes(9000), "text": b"Ha! " * 999, "noise": rng.randbytes(9000),
        "bits": b"\xff" * 9000,
    }.items():  # fmt: skip
        for ending in ("wav", "flac", "m4a", "mp3", "ogg", "aac", "amr", "caf", "aiff", "webm", "wma", "ape", "ac3"):
            (folder / f"not-sound_{name} {ending}.{ending}").write_bytes(raw)
    before = bytes_below(folder)
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(shop)], capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 1, done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    assert float(done.stdout.split()[-1]) < 400
    assert bytes_below(folder) == before
    read = {row["recording"] for table in shop.glob("results/*/recordings.csv") for row in rows_of(table)}
    refused = rows_of(shop / "results" / "attention.csv")
    named = {row["where"] for row in refused}
    assert "sound-1_top.wav" in read
    assert read | named >= set(before)
    assert {n for n in before if n.startswith("not-sound")} <= named
    assert all(row["problem"] and row["remedy"] for row in refused)


# ---------------------------------------------------------------- headers that lie


def wav(*, rate_hz: int = RATE_HZ, channels: int = 1, bits: int = 16, size: int | None = None, tag: int = 1) -> bytes:
    sound = np.rint(taps(1, count=1) * 32767).astype("<i2").tobytes()
    block = channels * bits // 8
    form = struct.pack(
        "<HHIIHH", tag, channels & 0xFFFF, rate_hz, (rate_hz * block) & 0xFFFFFFFF, block & 0xFFFF, bits
    )
    size = len(sound) if size is None else size
    return b"RIFF" + struct.pack("<I", 36 + len(sound)) + b"WAVEfmt \x10\0\0\0" + form + b"data" + struct.pack(
        "<I", size
    ) + sound  # fmt: skip


@pytest.mark.parametrize(
    "lie",
    [
        {"rate_hz": 0}, {"rate_hz": 1}, {"rate_hz": 0xFFFFFFFF}, {"rate_hz": 0x7FFFFFFF}, {"channels": 0},
        {"channels": 0xFFFF}, {"channels": 255}, {"bits": 0}, {"bits": 1}, {"bits": 0xFFFF}, {"bits": 64},
        {"tag": 0}, {"tag": 0xFFFF}, {"tag": 0x11}, {"tag": 3}, {"tag": 0xFFFE}, {"channels": 1000, "bits": 8},
    ],
)  # fmt: skip
def test_headers_that_make_no_sense(tmp_path: Path, capfd: pytest.CaptureFixture[str], lie: dict[str, int]) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(**lie))
    try:
        sound = decode(path)
    except SoundError as error:
        said = str(error)
    else:
        said = ""
        assert np.isfinite(sound.samples).all()
        assert len(sound.samples) <= 10 * RATE_HZ
    assert "\n" not in said
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("size", [10**6, 0x7FFE0000])
def test_a_header_that_promises_more_is_told_as_a_cut(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(size=size))
    cut = decode(path).notices[0]
    assert (cut.kind, cut.there_s) == ("cut", pytest.approx(1.45, abs=0.005))


def test_a_header_that_promises_less_gives_what_it_promises(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(size=2 * 4000))
    assert (len(decode(path).samples), decode(path).notices) == (4000, ())


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_a_cut_ogg_is_noticed(tmp_path: Path, subtype: str) -> None:
    """Its last page is marked (RFC 3533); it states no length anywhere."""
    path = tmp_path / "a.ogg"
    soundfile.write(path, np.tile(taps(1), 4), RATE_HZ, format="OGG", subtype=subtype)
    whole = path.read_bytes()
    assert "cut" not in {n.kind for n in decode(path).notices}
    pages = [at for at in range(len(whole)) if whole.startswith(b"OggS\0", at)]
    for end in (len(whole) // 2, pages[-1], len(whole) - 1, pages[-1] + 20):
        path.write_bytes(whole[:end])
        sound = decode(path)
        assert sound.notices[0] == Notice("cut", there_s=sound.duration_s)
    path.write_bytes(whole[:60])
    with refused(SoundError, "a.ogg"):
        decode(path)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_a_paused_recorder_chains_ogg_and_all_of_it_is_read(tmp_path: Path, subtype: str) -> None:
    """RFC 3533, 4: streams may follow one another; what comes behind a pause is not to be lost."""
    pieces = []
    for n in (1, 2):
        soundfile.write(tmp_path / "a.ogg", taps(n), RATE_HZ, format="OGG", subtype=subtype)
        pieces.append((tmp_path / "a.ogg").read_bytes())
    (tmp_path / "a.ogg").write_bytes(b"".join(pieces))
    sound = decode(tmp_path / "a.ogg")
    assert sound.duration_s == pytest.approx(2 * len(taps(1)) / RATE_HZ, abs=0.1)
    assert not {"cut", "damaged"} & {n.kind for n in sound.notices}
    assert len([t for t in measure_recording(tmp_path / "a.ogg", "", BandSettings()).taps if t.tap.used]) == 6


def test_a_hole_in_an_mp3_costs_the_hole_and_nothing_is_printed(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.mp3"
    soundfile.write(path, taps(1, count=8), RATE_HZ, format="MP3")
    whole = bytearray(path.read_bytes())
    half = len(whole) // 2
    for end in (half, int(0.9 * len(whole))):
        path.write_bytes(whole[:end])
        assert decode(path).notices[0].kind == "cut"
    del whole[half : half + 700]
    path.write_bytes(whole)
    assert decode(path).duration_s > 5.5
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("ending", ["wav", "m4a", "mp3"])
@pytest.mark.parametrize(
    "names",
    [
        b"ffconcat version 1.0\nfile b.wav\n",
        b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nb.wav\n#EXT-X-ENDLIST\n",
    ],
)
def test_a_list_of_other_files_is_not_followed(tmp_path: Path, ending: str, names: bytes) -> None:
    write_wav(tmp_path / "b.wav", taps(1))
    path = tmp_path / f"a.{ending}"
    path.write_bytes(names + b"#\xff\xfe\xfd\0\1" + bytes(range(128, 256)) * 20)
    # it is refused like bytes that are nothing at all, not for what it names
    assert why_refused(path) == why_refused(nothing(tmp_path))


def nothing(folder: Path) -> Path:
    """Return a file of bytes that no format begins with."""
    path = folder / "a.raw"
    path.write_bytes(bytes(range(200, 256)) * 50)
    return path


def why_refused(path: Path) -> str:
    with refused(SoundError, path.name) as caught:
        decode(path)
    return cause(caught.value)


def test_bare_samples_by_name_only_are_read_by_what_is_in_them(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.raw", taps(1))
    assert decode(tmp_path / "a.raw").sample_rate_hz == RATE_HZ
    with refused(SoundError, "a.raw"):
        decode(nothing(tmp_path))


# ------------------------------------------------- what is no file, and what may not be read


def run(shop: Path) -> tuple[Result, dict[str, str]]:
    result = tapbatch("run", shop)
    return result, {row["where"]: row["problem"] for row in rows_of(shop / "results" / "attention.csv")}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipes_sockets_and_devices_are_not_waited_for(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"a_01 x.wav": taps(1)})
    os.mkfifo(shop / "recordings" / "b_01 pipe.wav")
    (shop / "recordings" / "b_02 zero.wav").symlink_to("/dev/zero")
    # The path of a socket may be 100 bytes long at most, wherever the tests lie.
    with tempfile.TemporaryDirectory() as short, socket.socket(socket.AF_UNIX) as door:
        door.bind(f"{short}/s")
        (shop / "recordings" / "b_03 socket.wav").symlink_to(f"{short}/s")
        result, attention = run(shop)
    assert result.status == 1
    assert set(attention) == {"b_01 pipe.wav", "b_02 zero.wav", "b_03 socket.wav"}
    # all three for the same reason, which is another than that of a file that is not there
    assert len(set(attention.values())) == 1
    for read in (hash_file, decode):
        with refused(SoundError, "b_01 pipe.wav") as caught:
            read(shop / "recordings" / "b_01 pipe.wav")
        assert caught.value.what in attention.values()
    with refused(SoundError, "b_04 gone.wav") as caught:
        hash_file(shop / "recordings" / "b_04 gone.wav")
    assert caught.value.what not in attention.values()


def test_links_and_folders_named_like_sound(tmp_path: Path) -> None:
    outside = write_wav(tmp_path / "elsewhere" / "voice.wav", taps(2))
    shop = make_shop(tmp_path / "shop", {"a_01 x.wav": taps(1)})
    folder = shop / "recordings"
    try:
        (folder / "a_02 y.wav").symlink_to(outside)
    except OSError:
        pytest.skip("links cannot be made here")
    (folder / "a_03 nowhere.wav").symlink_to(tmp_path / "nothing")
    (folder / "a_04 itself.wav").symlink_to(folder / "a_04 itself.wav")
    (folder / "a_05 folder.wav").symlink_to(folder, target_is_directory=True)
    (folder / "round").symlink_to(folder, target_is_directory=True)
    (folder / "b.wav" / "01 z.wav").mkdir(parents=True)
    write_wav(folder / "b.wav" / "01 z.wav" / "take.wav", taps(3))
    result, attention = run(shop)
    assert result.status == 1
    assert {"a_03 nowhere.wav", "a_04 itself.wav"} <= set(attention) <= {
        "a_03 nowhere.wav", "a_04 itself.wav", "a_05 folder.wav",
    }  # fmt: skip
    read = [row["stage"] for row in rows_of(shop / "results" / "a" / "recordings.csv")]
    assert read == ["01 x", "02 y"]
    assert [row["stage"] for row in rows_of(shop / "results" / "b.wav" / "recordings.csv")] == ["01 z.wav"]
    assert outside.exists()


def test_what_may_not_be_read_is_named(tmp_path: Path) -> None:
    """Nothing is forbidden to root, so the tool runs without that privilege then."""
    shop = make_shop(tmp_path / "shop", {"a_01 x.wav": taps(1), "a_02 y.wav": taps(2)})
    forbidden = shop / "recordings" / "a_02 y.wav"
    forbidden.chmod(0)
    command = [sys.executable, "-m", "tapbatch", "run", str(shop)]
    if os.access(forbidden, os.R_OK):
        if shutil.which("setpriv") is None:
            pytest.skip("root may read everything, and there is no setpriv (util-linux) to forbid it")
        command = ["setpriv", "--inh-caps=-all", "--bounding-set=-dac_override,-dac_read_search", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "setpriv:" in done.stderr:
        pytest.skip("root may read everything, and setpriv may not forbid it here")
    assert done.returncode == 1, done.stderr
    (row,) = rows_of(shop / "results" / "attention.csv")
    assert row["where"] == "a_02 y.wav"
    assert "Permission denied" in row["problem"]
    assert [r["recording"] for r in rows_of(shop / "results" / "a" / "recordings.csv")] == ["a_01 x.wav"]


def test_long_and_climbing_names_stay_where_they_belong(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"a_01 x.wav": taps(1)})
    names = [
        "b" * 240 + "_s.wav",
        "c_" + "t" * 240 + ".wav",
        "..\\..\\d_s.wav",
        "%2e%2e%2fe_s.wav",
        "f..\N{FRACTION SLASH}.._s.wav",
        "-rf_s.wav",
        "con_s.wav",
    ]
    for n, name in enumerate(names):
        try:
            write_wav(shop / "recordings" / name, taps(10 + n))
        except OSError:
            continue
    everything = {p for p in tmp_path.rglob("*") if (shop / "results") not in p.parents}
    result, attention = run(shop)
    assert result.status == 1
    assert set(attention) <= {names[0]}
    assert {p for p in tmp_path.rglob("*") if (shop / "results") not in p.parents} - everything <= {shop / "results"}
    assert all(len(p.name.encode()) <= 255 for p in (shop / "results").rglob("*"))
    assert [row["stage"] for row in rows_of(shop / "results" / "a" / "recordings.csv")] == ["01 x"]


def test_the_bytes_of_a_file_decide_and_not_its_name(tmp_path: Path) -> None:
    raw = io.BytesIO()
    soundfile.write(raw, taps(1), RATE_HZ, format="FLAC", subtype="PCM_16")
    for ending in ("wav", "mp3", "m4a", "ogg", "amr", "caf", "ac3", "ape"):
        (tmp_path / f"a.{ending}").write_bytes(raw.getvalue())
        assert decode(tmp_path / f"a.{ending}").notices == ()


def _print_table() -> None:
    """Print what becomes of each form of file under each way of damage, five times each."""

    class Folder:
        def mktemp(self, _name: str) -> Path:
            return Path(tempfile.mkdtemp())

    whole = whole_files.__wrapped__(Folder())
    print(
        "| damage | read, nothing noticed | read, with a notice | refused, with a line |\n| --- | --- | --- | --- |"
    )
    folder = Path(tempfile.mkdtemp())
    for how in HOW:
        rng, counts = random.Random(how), {"silent": 0, "notice": 0, "refused": 0}
        for ending in sorted(whole):
            for _ in range(5):
                path = folder / f"a.{ending}"
                path.write_bytes(damaged(whole[ending], whole[rng.choice(sorted(whole))], how, rng))
                try:
                    notices = measure_recording(path, "", BandSettings()).notices
                except SoundError:
                    counts["refused"] += 1
                else:
                    told = [n for n in notices if n.kind != "lossy codec"]
                    counts["notice" if told else "silent"] += 1
        print(f"| {how} | {counts['silent']} | {counts['notice']} | {counts['refused']} |")


if __name__ == "__main__":
    _print_table()
