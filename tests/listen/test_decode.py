"""Every form of input once, written here with the libraries' own writers, and every kind of damage."""

import math
import struct
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapbatch.listen.channels import better_channel, channel_of, clipped_mask
from tapbatch.listen.decode import decode
from tapbatch.listen.header import clean_date, read_header
from tapbatch.listen.streams import stated_date
from tapbatch.model.errors import SoundError
from tapbatch.model.notice import Notice
from tests.refusals import cause, refused

RATE_HZ = 48000


def taps(rate_hz=RATE_HZ, duration_s=1.0, gain=0.4, seed=1):
    """Two decays of 187 and 410 Hz over a little noise; peak about 1.3 times the gain."""
    time_s = np.arange(round(rate_hz * duration_s)) / rate_hz
    sound = 1e-4 * np.random.default_rng(seed).normal(size=time_s.size)
    for onset_s in (0.2 * duration_s, 0.6 * duration_s):
        since_s = np.clip(time_s - onset_s, 0, None)
        ring = np.sin(2 * np.pi * 187 * since_s) + 0.5 * np.sin(2 * np.pi * 410 * since_s)
        sound += gain * ring * np.exp(-since_s * math.log(1000) / 0.3)
    return sound


def encode(path, sound, codec, rate_hz=RATE_HZ, layout="mono", sample_format="fltp", container=None, tags=None):
    """Write sound with FFmpeg, as a phone would."""
    with av.open(str(path), "w", format=container) as out:
        out.metadata.update(tags or {})
        stream = out.add_stream(codec, rate=rate_hz)
        stream.layout = layout
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(np.atleast_2d(sound.T), np.float32), format="fltp", layout=layout
        )
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, 0, Fraction(1, rate_hz)
        fit = av.AudioResampler(sample_format, layout, rate_hz, frame_size=stream.codec_context.frame_size or 0)
        for piece in fit.resample(frame) + fit.resample(None):
            out.mux(stream.encode(piece))
        out.mux(stream.encode(None))


# ---------------------------------------------------------------- forms of input


@pytest.mark.parametrize(
    ("ending", "kind", "subtype", "error"),
    [
        ("wav", "WAV", "PCM_U8", 2**-7), ("wav", "WAV", "PCM_16", 2**-15), ("wav", "WAV", "PCM_24", 2**-23),
        ("wav", "WAV", "PCM_32", 2**-30), ("wav", "WAV", "FLOAT", 1e-7), ("wav", "WAV", "DOUBLE", 0.0),
        ("wav", "WAVEX", "PCM_24", 2**-23), ("wav", "RF64", "PCM_16", 2**-15), ("rf64", "RF64", "PCM_24", 2**-23),
        ("w64", "W64", "PCM_16", 2**-15), ("flac", "FLAC", "PCM_24", 2**-23), ("aiff", "AIFF", "PCM_16", 2**-15),
        ("aif", "AIFF", "PCM_24", 2**-23), ("caf", "CAF", "ALAC_16", 2**-15), ("au", "AU", "PCM_16", 2**-15),
    ],
)  # fmt: skip
def test_lossless_forms_come_back_to_the_step(tmp_path, ending, kind, subtype, error):
    path = tmp_path / f"tap.{ending}"
    soundfile.write(path, taps(), RATE_HZ, format=kind, subtype=subtype)
    sound = decode(path)
    assert sound.sample_rate_hz == RATE_HZ
    assert sound.samples.dtype == np.float64
    assert np.max(np.abs(sound.samples - taps())) <= error
    assert (sound.lossy, sound.clipped, sound.notices) == (False, None, ())


@pytest.mark.parametrize(
    ("kind", "subtype", "said"),
    [("OGG", "VORBIS", "vorbis"), ("OGG", "OPUS", "opus"), ("MP3", "MPEG_LAYER_III", "mp3")],
)
def test_lossy_forms_say_so(tmp_path, kind, subtype, said):
    path = tmp_path / "tap.bin"
    soundfile.write(path, taps(), RATE_HZ, format=kind, subtype=subtype)
    sound = decode(path)
    assert sound.lossy
    assert sound.notices == (Notice("lossy codec", name=said),)
    assert sound.sample_rate_hz == RATE_HZ
    assert correlation(sound.samples, taps()) > 0.99


def correlation(one, other):
    shortest = min(len(one), len(other))
    return float(np.corrcoef(one[:shortest], other[:shortest])[0, 1])


@pytest.mark.parametrize(
    ("ending", "codec", "rate_hz", "sample_format", "container", "lossy"),
    [
        ("m4a", "aac", 44100, "fltp", None, True), ("mp4", "aac", 48000, "fltp", None, True),
        ("aac", "aac", 48000, "fltp", "adts", True), ("webm", "libopus", 48000, "flt", None, True),
        ("3gp", "libopencore_amrnb", 8000, "s16", None, True), ("amr", "libopencore_amrnb", 8000, "s16", None, True),
        ("m4a", "alac", 48000, "s16p", None, False), ("caf", "alac", 96000, "s32p", "caf", False),
        ("mka", "flac", 48000, "s16", "matroska", False), ("mov", "pcm_s16le", 48000, "s16", None, False),
    ],
)  # fmt: skip
def test_what_phones_make(tmp_path, ending, codec, rate_hz, sample_format, container, lossy):
    path = tmp_path / f"New Recording 3.{ending}"
    try:
        encode(path, taps(rate_hz), codec, rate_hz, sample_format=sample_format, container=container)
    except av.codec.codec.UnknownCodecError:
        pytest.skip(f"this build of FFmpeg cannot write {codec}")
    sound = decode(path)
    assert sound.sample_rate_hz == rate_hz
    assert sound.lossy is lossy
    assert len(sound.notices) == int(lossy)
    if lossy:
        assert len(sound.samples) == pytest.approx(rate_hz, abs=2500)
        assert np.max(np.abs(sound.samples)) == pytest.approx(np.max(np.abs(taps(rate_hz))), rel=0.4)
    else:
        assert np.max(np.abs(sound.samples - taps(rate_hz))) <= 2**-15


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000])
def test_native_rate_is_kept(tmp_path, rate_hz):
    soundfile.write(tmp_path / "tap.wav", taps(rate_hz), rate_hz)
    sound = decode(tmp_path / "tap.wav")
    assert (sound.sample_rate_hz, len(sound.samples), sound.notices) == (rate_hz, rate_hz, ())
    assert sound.duration_s == 1.0


@pytest.mark.parametrize(
    "name", ["Mándola – Ä 1.wav", "a b'\"&%.wav", "натюрморт.WAV", "x.wav.wav", "no ending", "🎻.wav"]
)
def test_odd_names(tmp_path, name):
    soundfile.write(tmp_path / name, taps(), RATE_HZ, format="WAV")
    assert decode(tmp_path / name).duration_s == 1.0


def test_a_wrong_ending_does_not_matter(tmp_path):
    encode(tmp_path / "tap.m4a", taps(), "aac")
    (tmp_path / "tap.m4a").rename(tmp_path / "tap.wav")
    assert decode(tmp_path / "tap.wav").notices == (Notice("lossy codec", name="aac"),)


# ---------------------------------------------------------------- channels


@pytest.mark.parametrize("better", [0, 1])
def test_stereo_takes_the_clearer_channel_and_says_so(tmp_path, better):
    noise = 0.01 * np.random.default_rng(5).normal(size=RATE_HZ)
    both = [taps(gain=0.2) + noise, taps(gain=0.2) + noise]
    both[better] = taps(gain=0.1)
    soundfile.write(tmp_path / "tap.wav", np.stack(both, axis=1), RATE_HZ, subtype="DOUBLE")
    sound = decode(tmp_path / "tap.wav")
    assert sound.notices == (Notice("channel", number=better + 1, count=2),)
    np.testing.assert_array_equal(sound.samples, both[better])


def test_a_dead_or_clipped_channel_is_not_taken():
    dead, clipped, good = np.zeros(RATE_HZ), np.clip(taps(gain=3.0), -1, 1), taps(gain=0.01)
    known = [channel_of(c, RATE_HZ, lossy=False) for c in (dead, clipped, good)]
    assert [c.clipped is not None for c in known] == [False, True, False]
    assert better_channel(known) == 2
    assert better_channel(known[:2]) == 1


def test_equal_channels_leave_the_left_and_many_channels_are_counted(tmp_path):
    soundfile.write(tmp_path / "tap.wav", np.stack([taps()] * 2, axis=1), RATE_HZ)
    assert decode(tmp_path / "tap.wav").notices == (Notice("channel", number=1, count=2),)
    quiet = 1e-3 * np.random.default_rng(2).normal(size=RATE_HZ)
    soundfile.write(tmp_path / "tap.wav", np.stack([quiet] * 4 + [taps()] + [quiet], axis=1), RATE_HZ)
    assert decode(tmp_path / "tap.wav").notices == (Notice("channel", number=5, count=6),)


def test_stereo_through_ffmpeg(tmp_path):
    encode(
        tmp_path / "tap.m4a", np.stack([0 * taps(), taps()], axis=1), "alac", layout="stereo", sample_format="s16p"
    )
    sound = decode(tmp_path / "tap.m4a")
    assert sound.notices == (Notice("channel", number=2, count=2),)
    assert np.max(np.abs(sound.samples - taps())) <= 2**-15


# ---------------------------------------------------------------- clipping


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("level", [1.0, 0.5])
def test_clipping_is_found_where_it_is(tmp_path, subtype, level):
    sound = taps(gain=1.5)
    soundfile.write(tmp_path / "tap.wav", level * np.clip(sound, -1, 1 - 2**-15), RATE_HZ, subtype=subtype)
    read = decode(tmp_path / "tap.wav")
    truly = np.abs(sound) >= 1
    assert read.notices == (Notice("clipped"),)
    assert np.count_nonzero(truly) > 300
    # With 8 bits a top just touched is as round as one just not.
    share = 0.9 if subtype == "PCM_U8" else 0.99
    assert np.count_nonzero(read.clipped & truly) >= share * np.count_nonzero(truly)
    assert np.count_nonzero(read.clipped & ~truly) <= 0.05 * np.count_nonzero(truly)


@pytest.mark.parametrize("codec", ["MPEG_LAYER_III", "VORBIS", "OPUS"])
def test_clipping_is_noticed_through_a_lossy_codec(tmp_path, codec):
    kind = "MP3" if codec.startswith("MPEG") else "OGG"
    for gain, clips in ((1.5, True), (0.7, False), (0.3, False)):
        soundfile.write(tmp_path / "x.bin", np.clip(taps(gain=gain), -1, 1), RATE_HZ, format=kind, subtype=codec)
        assert (Notice("clipped") in decode(tmp_path / "x.bin").notices) is clips


@given(
    st.floats(25.0, 4000.0),
    st.sampled_from([8000, 44100, 192000]),
    st.sampled_from([7, 15, 23]),
    st.floats(0.05, 0.99),
)
@settings(max_examples=100)
def test_a_pure_tone_is_never_clipped(freq_hz, rate_hz, bits, gain):
    """Its top may be flat for want of bits, at 25 Hz and 192 kHz for dozens of samples."""
    tone = gain * np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(rate_hz // 10))
    assert clipped_mask(np.round(tone * 2**bits) / 2**bits, lossy=False) is None


@given(st.floats(25.0, 1500.0), st.floats(1.2, 4.0))
@settings(max_examples=50)
def test_a_clipped_tone_always_is(freq_hz, gain):
    tone = (
        np.round(np.clip(gain * np.sin(2 * np.pi * freq_hz / RATE_HZ * np.arange(RATE_HZ // 5)), -1, 1) * 32767)
        / 32768
    )
    mask = clipped_mask(tone, lossy=False)
    assert mask is not None
    assert np.all(np.abs(tone[mask]) > 0.999)


# ---------------------------------------------------------------- damage


def test_a_cut_wav_is_noticed(tmp_path):
    path = tmp_path / "tap.wav"
    for kind in ("WAV", "RF64", "W64", "AIFF", "CAF", "AU"):
        soundfile.write(path, taps(), RATE_HZ, format=kind, subtype="PCM_16")
        whole = path.read_bytes()
        assert read_header(path).whole
        path.write_bytes(whole[: len(whole) // 2])
        assert not read_header(path).whole
        sound = decode(path)
        there_s = len(sound.samples) / RATE_HZ
        assert there_s == pytest.approx(0.5, abs=0.03), kind  # half the bytes, of which some are header
        assert sound.notices == (Notice("cut", there_s=there_s, promised_s=pytest.approx(1.0, abs=1e-3)),), kind
        assert np.max(np.abs(sound.samples - taps()[: len(sound.samples)])) <= 2**-15


@pytest.mark.parametrize(("kind", "subtype"), [("FLAC", "PCM_16"), ("MP3", "MPEG_LAYER_III")])
def test_a_cut_stream_is_noticed(tmp_path, kind, subtype):
    path = tmp_path / "tap.bin"
    soundfile.write(path, taps(duration_s=4.0), RATE_HZ, format=kind, subtype=subtype)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    sound = decode(path)
    assert sound.notices[0].kind == "cut"
    assert sound.notices[0].promised_s == pytest.approx(4.0, abs=0.005)
    assert 1.0 < sound.duration_s < 3.0
    assert correlation(sound.samples, taps(duration_s=4.0)) > 0.99


def test_a_cut_m4a_without_its_index_is_refused(tmp_path):
    path = tmp_path / "tap.m4a"
    encode(path, taps(), "aac")
    whole = path.read_bytes()
    assert read_header(path).whole
    path.write_bytes(whole[: len(whole) // 2])
    assert not read_header(path).whole
    header = read_header(path)
    with refused(SoundError, "tap.m4a", header.present_bytes, header.promised_bytes):
        decode(path)


NOT_SOUND = {
    "empty": b"",
    "zeros": b"\0" * 5000,
    "text": "Dies ist kein Klang, sondern Text mit ä. ".encode() * 300,
    "anything": bytes(range(256)) * 40,
}


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000])
@pytest.mark.parametrize("riff_size", [0, 0xFFFFFFFF])
def test_sizes_that_streaming_writers_leave_open(tmp_path, size, riff_size):
    path = tmp_path / "tap.wav"
    soundfile.write(path, taps(), RATE_HZ, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    struct.pack_into("<I", raw, 4, riff_size)
    struct.pack_into("<I", raw, raw.index(b"data") + 4, size)
    path.write_bytes(raw)
    sound = decode(path)
    assert sound.notices == ()
    assert len(sound.samples) == RATE_HZ
    assert np.max(np.abs(sound.samples - taps())) <= 2**-15


def test_non_finite_samples_become_zero(tmp_path):
    sound = taps()
    sound[100:103] = [np.nan, np.inf, -np.inf]
    sound[200] = 1e30
    soundfile.write(tmp_path / "tap.wav", sound, RATE_HZ, subtype="FLOAT")
    read = decode(tmp_path / "tap.wav")
    assert read.notices == (Notice("non-finite samples", count=4),)
    np.testing.assert_array_equal(read.samples[[100, 101, 102, 200]], 0.0)
    np.testing.assert_allclose(
        np.delete(read.samples, [100, 101, 102, 200]), np.delete(taps(), [100, 101, 102, 200]), atol=1e-7
    )


def test_silence_and_low_rates_are_noticed(tmp_path):
    path = tmp_path / "tap.wav"
    soundfile.write(path, np.zeros(1000), RATE_HZ)
    assert decode(path).notices == (Notice("silence"),)
    soundfile.write(path, 3e-5 * np.sin(np.arange(1000)), RATE_HZ, subtype="PCM_24")
    assert decode(path).notices == (Notice("silence"),)
    soundfile.write(path, 4e-5 * np.sin(np.arange(1000)), RATE_HZ, subtype="PCM_24")
    assert decode(path).notices == ()
    soundfile.write(path, taps(6000), 6000)
    assert decode(path).notices == (Notice("low sample rate", rate_hz=6000),)


@pytest.mark.parametrize(
    "content",
    [*NOT_SOUND.values(), b"RIFF\x24\0\0\0WAVEfmt ", b"\x89PNG\r\n\x1a\n" + bytes(range(200)) * 4],
)
@pytest.mark.parametrize("ending", ["wav", "mp3", "m4a", "aac", "opus"])
def test_what_is_not_sound_is_refused(tmp_path, capfd, content, ending):
    path = tmp_path / f"cittern-07_top.{ending}"
    path.write_bytes(content)
    with refused(SoundError, path.name) as caught:
        decode(path)
    assert caught.value.where == path.name
    assert capfd.readouterr() == ("", "")


def test_each_reason_is_told_from_the_others_whatever_the_ending(tmp_path):
    causes = {}
    for name, content in NOT_SOUND.items():
        for ending in ("wav", "mp3", "m4a"):
            path = tmp_path / f"a.{ending}"
            path.write_bytes(content)
            with refused(SoundError, path.name) as caught:
                decode(path)
            causes.setdefault(name, set()).add(cause(caught.value))
    assert [len(found) for found in causes.values()] == [1] * len(NOT_SOUND)
    assert len(set.union(*causes.values())) == len(NOT_SOUND)


def test_a_missing_file_a_folder_and_no_sample_are_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(0), RATE_HZ)
    causes = set()
    for path in (tmp_path / "no.wav", tmp_path, tmp_path / "a.wav"):
        with refused(SoundError, path.name) as caught:
            decode(path)
        causes.add(caught.value.what)
    assert len(causes) == 3


@pytest.mark.parametrize(("rate_hz", "channels", "value"), [(500, 1, 500), (2**22, 1, 4194304), (8000, 80, 80)])
def test_absurd_rates_and_channels_are_refused(tmp_path, rate_hz, channels, value):
    soundfile.write(tmp_path / "a.wav", np.zeros((100, channels)), rate_hz)
    with refused(SoundError, "a.wav", value):
        decode(tmp_path / "a.wav")


def test_a_picture_in_a_film_is_no_sound(tmp_path):
    path = tmp_path / "film.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 32, 32, "yuv420p"
        out.mux(stream.encode(av.VideoFrame(32, 32, "yuv420p")))
        out.mux(stream.encode(None))
    with refused(SoundError, "film.mp4"):
        decode(path)


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory):
    """Give the bytes of a short file of each kind."""
    folder = tmp_path_factory.mktemp("whole")
    for ending, subtype in (
        ("wav", "PCM_16"),
        ("flac", "PCM_16"),
        ("aiff", "PCM_16"),
        ("w64", "PCM_16"),
        ("ogg", "VORBIS"),
    ):
        soundfile.write(folder / f"a.{ending}", taps(8000, 0.5), 8000, subtype=subtype)
    encode(folder / "a.m4a", taps(8000, 0.5), "aac", 8000)
    encode(folder / "a.caf", taps(8000, 0.5), "alac", 8000, sample_format="s16p", container="caf")
    return {p.suffix: p.read_bytes() for p in sorted(folder.iterdir())}


@given(data=st.data())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_is_sound_or_a_sound_error(tmp_path, whole_files, data):
    suffix = data.draw(st.sampled_from(sorted(whole_files)))
    raw = bytearray(whole_files[suffix])
    for _ in range(data.draw(st.integers(0, 4))):
        raw[data.draw(st.integers(0, min(len(raw) - 1, 400)))] = data.draw(st.integers(0, 255))
    path = tmp_path / f"a{suffix}"
    path.write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
    try:
        sound = decode(path)
    except SoundError as error:
        outcome = str(error)
    else:
        outcome = "sound"
        assert np.all(np.isfinite(sound.samples))
        assert len(sound.samples)
    assert "\n" not in outcome


# ---------------------------------------------------------------- when it was recorded


def test_date_of_a_broadcast_wav(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, taps(), RATE_HZ, subtype="PCM_16")
    raw = path.read_bytes()
    bext = bytearray(602)
    bext[320:338] = b"2026-03-14" + b"10:11:12"
    path.write_bytes(raw[:12] + b"bext" + struct.pack("<I", len(bext)) + bext + raw[12:])
    assert decode(path).recorded_at == stated_date(path) == "2026-03-14T10:11:12"


@pytest.mark.parametrize(("kind", "subtype"), [("WAV", "PCM_16"), ("FLAC", "PCM_16"), ("OGG", "VORBIS")])
def test_date_tag(tmp_path, kind, subtype):
    path = tmp_path / "a.bin"
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype, format=kind) as file:
        file.date = "2026-03-14"
        file.write(taps())
    assert decode(path).recorded_at == stated_date(path) == "2026-03-14"


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("2026-03-14T10:11:12.000000Z", "2026-03-14T10:11:12Z"),
        ("1904-01-01T00:00:00.000000Z", ""),
        ("1970-01-01T00:00:00.000000Z", ""),
    ],
)
def test_creation_time_of_m4a(tmp_path, written, read):
    encode(tmp_path / "a.m4a", taps(), "aac", tags={"creation_time": written})
    assert decode(tmp_path / "a.m4a").recorded_at == read
    # The same without decoding: FFmpeg wrote the movie header.
    assert stated_date(tmp_path / "a.m4a") == read


def test_a_file_that_says_no_time(tmp_path):
    encode(tmp_path / "a.m4a", taps(), "aac")
    soundfile.write(tmp_path / "a.wav", taps(), RATE_HZ)
    (tmp_path / "b.m4a").write_bytes((tmp_path / "a.m4a").read_bytes()[:40])
    assert [stated_date(tmp_path / name) for name in ("a.m4a", "a.wav", "b.m4a")] == ["", "", ""]


def test_recorder_of_a_broadcast_wav(tmp_path):
    """EBU Tech 3285: a description of 256 bytes, then the originator's name in 32."""
    path = tmp_path / "a.wav"
    soundfile.write(path, taps(), RATE_HZ, subtype="PCM_16")
    assert decode(path).device == ""
    raw = path.read_bytes()
    bext = bytearray(602)
    bext[256:273] = b"Field Recorder 7\0"
    path.write_bytes(raw[:12] + b"bext" + struct.pack("<I", len(bext)) + bext + raw[12:])
    assert decode(path).device == "Field Recorder 7"


def test_recorder_of_an_m4a(tmp_path):
    """The tags of a QuickTime file: maker and model."""
    encode(tmp_path / "a.mov", taps(), "aac", tags={"make": "Maker", "model": "Pocket\n 5"})
    assert decode(tmp_path / "a.mov").device == "Maker Pocket 5"


def test_the_file_system_says_nothing(tmp_path):
    soundfile.write(tmp_path / "2026-03-14.wav", taps(), RATE_HZ)
    assert decode(tmp_path / "2026-03-14.wav").recorded_at == ""


@pytest.mark.parametrize(
    ("text", "date"),
    [
        ("2026-03-14T10:11:12+0100", "2026-03-14T10:11:12+01:00"), ("20260314", "2026-03-14"),
        ("2026-03-14 10:11:12 UTC", "2026-03-14T10:11:12Z"), ("2026-03-14 10-11-12\0", "2026-03-14T10:11:12"),
        ("2026-13-14", ""), ("2026-03-14T25:00:00", ""), ("yesterday", ""), ("", ""), ("0000-00-00", ""),
        ("2026", ""),
    ],
)  # fmt: skip
def test_dates_are_kept_as_written_or_ignored(text, date):
    assert clean_date(text) == date
