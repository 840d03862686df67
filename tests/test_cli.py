"""The commands as a person at the bench uses them: exit status, one clear line each, no file written unannounced.

A message must say what is wrong, where, and how to mend it. No traceback may reach the terminal:
``tests.shops.tapbatch`` fails on one, and passes on any exception but ``SystemExit``.
"""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import typer

from tapbatch import cli
from tapbatch.cli import app
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.show.say.cautions import PARTED_BY
from tapbatch.show.say.notices import notice_text
from tapbatch.show.view.answers import WHAT_TO_DO
from tapbatch.simulate import taps as sim
from tests.refusals import cause, check, misses
from tests.shops import BODY, RATE_HZ, Result, bytes_below, make_shop, rows_of, tapbatch, taps, write_wav

# 1200 log2(440/431): at a lower concert pitch the same sound reads higher on the scale (common practice of the trade)
CENTS_440_TO_431 = 35.779


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return taps(11)


@pytest.fixture(scope="module")
def recording(sound: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_wav(tmp_path_factory.mktemp("bench") / "rebec-1_01 belly - top.wav", sound)


def lines_of(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.strip()]


# ------------------------------------------------------------------- help


def test_help_and_version_answer_without_the_heavy_libraries() -> None:
    code = (
        "import sys\nfrom tapbatch.cli import main\nsys.argv = ['tapbatch', *sys.argv[1:]]\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert stop.code == 0, stop.code\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'librosa', 'av', 'soundfile', 'pydantic'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    for word in ("--help", "--version"):
        done = subprocess.run([sys.executable, "-c", code, word], capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")
        assert "tapbatch" in done.stdout


@pytest.mark.slow
def test_what_is_printed_of_a_shop_fits_80_columns_and_is_plain_in_a_pipe(sample_shop: Path) -> None:
    recording = sample_shop / "recordings" / "kantele-03_11-settled_strung_at-centre_1.wav"
    told = [
        (sample_shop.parent / "said.txt").read_text(encoding="utf-8"),
        tapbatch("compare", "kantele-03", "10-strung", "11-settled", sample_shop).out,
        tapbatch("read", recording).out,
    ]
    for text in told:
        lines = text.splitlines()
        assert len(lines) > 5
        assert [line for line in lines if len(line) > 80] == []
        assert "\x1b" not in text


def test_every_command_explains_itself_with_an_example_in_80_columns() -> None:
    known = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    assert {"init", "run", "watch", "read", "compare", "forget"} <= set(known)
    for command in known:
        result = tapbatch(command, "--help")
        assert result.status == 0
        assert f"Example: tapbatch {command} " in result.said
        assert max(map(len, result.out.splitlines())) <= 80
        options = {option for param in known[command].params for option in param.opts}
        for example in re.findall(rf"^(?:  Example:| {{10}})  (tapbatch {command} .*)$", result.out, re.MULTILINE):
            assert {word for word in example.split() if word.startswith("--")} <= options
    assert "..." not in tapbatch("--help").out.partition("Commands:")[2]
    assert tapbatch().said.count("Usage: tapbatch") == 1


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["measure"], "'measure'"),
        (["read"], "'FILE'"),
        (["read", "--concert-pitch", "300", "a.wav"], "380"),
        (["read", "--concert-pitch", "nan", "a.wav"], "'--concert-pitch'"),
        (["read", "--concert-pitch", "A", "a.wav"], "'--concert-pitch'"),
        (["run", "--jobs", "0"], "'--jobs'"),
        (["watch", "--poll", "0"], "'--poll'"),
        (["run", "--quick"], "--quick"),
    ],
)
def test_what_is_no_command_cannot_run(arguments: list[str], named: str) -> None:
    result = tapbatch(*arguments)
    assert result.status == 2
    assert named in lines_of(result.err)[-1]


# ------------------------------------------------------------------- init, then run


def test_init_makes_a_shop_that_runs_empty_and_then_full(sound: np.ndarray, tmp_path: Path) -> None:
    shop = tmp_path / "my shop"
    made = tapbatch("init", shop)
    assert (made.status, made.err) == (0, "")
    assert tomllib.loads((shop / "shop.toml").read_text(encoding="utf-8")) == {}
    empty = tapbatch("run", shop)
    assert (empty.status, empty.counts) == (0, [0, 0])
    assert notice_text(Notice("no recordings", path=str(shop / "recordings"))) in empty.said
    assert rows_of(shop / "results" / "attention.csv") == []

    write_wav(shop / "recordings" / "rebec-1_01 belly_top_free_1.wav", sound)
    full = tapbatch("run", shop)
    assert (full.status, full.err, full.counts) == (0, "", [1, 1])
    (line,) = (line for line in lines_of(full.out) if line.startswith("rebec-1"))
    assert misses(line, "top", "01 belly") == []
    assert "C4 +4" in line
    # 268 Hz is 41.7 cents over C4: 1200 log2(268/261.6256)
    lead = next(r for r in rows_of(shop / "results" / "rebec-1" / "modes.csv") if r["lead"] == "true")
    assert lead["note"] == "C4"
    assert float(lead["cents"]) == pytest.approx(41.7, abs=1.0)


def test_init_overwrites_nothing(tmp_path: Path) -> None:
    assert tapbatch("init", tmp_path).status == 0
    (tmp_path / "shop.toml").write_text("mains_hz = 60\n")
    before = bytes_below(tmp_path)
    check_refused(tapbatch("init", tmp_path), "shop.toml")
    assert bytes_below(tmp_path) == before


def test_the_shop_is_this_folder_unless_said(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert tapbatch("init").status == 0
    assert tapbatch("run").status == 0
    assert (tmp_path / "results" / "attention.csv").exists()
    assert tapbatch("forget", "nothing.wav").status == 1


# ------------------------------------------------------------------- what cannot run: status 2


def check_refused(result: Result, *values: object) -> None:
    """Check that a command could not run, and that it printed one line that names the values."""
    assert (result.status, result.out) == (2, "")
    (line,) = lines_of(result.err)
    assert misses(line, *values) == []
    # program, place, what was found; what to do
    assert re.fullmatch(r"tapbatch: .+: .+; .+", line)


@pytest.mark.parametrize(
    ("files", "values"),
    [
        (None, ("tapbatch init",)),
        ({}, (Path("shop", "recordings"),)),
        ({"shop.toml": "concert_pitch_hz = 4400"}, ("shop.toml", "line 1", "concert_pitch_hz", 4400, 380, 470)),
        ({"shop.toml": "mains_hz = 50\nspelling = sharp\n"}, ("shop.toml", "line 2")),
        ({"shop.toml": "recordings = 'gone'"}, ("gone",)),
    ],
)
def test_a_shop_that_cannot_be_run_is_one_line_and_nothing_is_written(
    files: dict[str, str] | None, values: tuple[object, ...], tmp_path: Path
) -> None:
    shop = tmp_path / "shop"
    for name, text in (files or {}).items():
        shop.mkdir(exist_ok=True)
        (shop / name).write_text(text)
        if "gone" not in text:
            (shop / "recordings").mkdir(exist_ok=True)
    if files == {}:
        shop.mkdir()
    for command in (["run", shop], ["forget", "a.wav", shop] if shop.is_dir() else ["run", shop]):
        check_refused(tapbatch(*command), *values)
    assert not (shop / "results").exists()


def test_results_that_cannot_be_written_are_one_line(sound: np.ndarray, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"rebec-1_01 belly.wav": sound}, {"results": "a file, not a folder"})
    check_refused(tapbatch("run", shop), shop / "results")


# ------------------------------------------------------------------- what needs attention: status 1


@pytest.fixture(scope="module")
def untidy(sound: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """A shop with one good recording among everything that can be wrong, and what its run printed."""
    shop = make_shop(
        tmp_path_factory.mktemp("untidy") / "shop",
        {
            "rebec-1_01 belly_top.wav": sound,
            "fiddle-9_01 belly_top.wav": taps(12),
            "IMG 20240302 1015.wav": taps(13),
            "rebec-1_02 carved_tpo.wav": taps(14),
        },
        {
            "recordings/rebec-1_03 a_top.wav": "dear diary, " * 40,
            "recordings/notes on how I tap.txt": "not sound, and not meant to be",
            "instruments/fiddle-9.toml": "steady_cents = 0\n",
            "notes.csv": "instrument,stage,temperature_c,remark\nrebec-1,01 belly,warm,\nrebec-1,02 carved,20,\n",
        },
    )
    (shop / "recordings" / "rebec-1_04 b_top.wav").write_bytes(b"")
    whole = (shop / "recordings" / "rebec-1_01 belly_top.wav").read_bytes()
    (shop / "recordings" / "crwth-4_01 c_top.wav").write_bytes(whole[: len(whole) // 2])
    (shop / "recordings" / "rebec-1_06 d_top.m4a").write_bytes(bytes(range(256)) * 20)
    (shop / "recordings" / "rebec-1_07 e_top.wav").symlink_to(shop / "nowhere.wav")
    result = tapbatch("run", shop)
    assert result.status == 1
    return shop, result


WRONG: list[tuple[str, tuple[object, ...]]] = [
    ("crwth-4_01 c_top.wav", (1.52, 3.05)),
    ("rebec-1_03 a_top.wav", ()),
    ("rebec-1_04 b_top.wav", ()),
    ("rebec-1_06 d_top.m4a", ()),
    ("rebec-1_07 e_top.wav", (os.strerror(errno.ENOENT),)),
    ("rebec-1_02 carved_tpo.wav", ("'tpo'", "'top'")),
    ("IMG 20240302 1015.wav", ("INSTRUMENT_STAGE.wav",)),
    ("instruments/fiddle-9.toml", ("line 1", "steady_cents", 0)),
    ("notes.csv", ("row 2", "temperature_c", "'warm'")),
]


def attention_at(shop: Path, where: str) -> Attention:
    """Return the one row of the table of what needs attention for a file."""
    (row,) = (row for row in rows_of(shop / "results" / "attention.csv") if row["where"].startswith(where))
    return Attention(where=row["where"], what=row["problem"], remedy=row["remedy"])


@pytest.mark.parametrize(("where", "values"), WRONG, ids=[where for where, _ in WRONG])
def test_each_wrong_thing_is_said_once_with_its_remedy(
    untidy: tuple[Path, Result], where: str, values: tuple[object, ...]
) -> None:
    shop, result = untidy
    told = attention_at(shop, where)
    check(told, where)
    assert misses(f"{told.where}: {told.what}; {told.remedy}", *values) == []
    assert result.said.count(f"{told.where}: {told.what}; {told.remedy}") == 1


def test_no_two_wrong_things_are_said_in_the_same_words(untidy: tuple[Path, Result]) -> None:
    told = [attention_at(untidy[0], where) for where, _ in WRONG]
    # bad settings and bad notes share one form of message; the place tells them apart
    assert len({cause(each) for each in told if not each.where.startswith(("instruments", "notes"))}) == 7


def test_nothing_else_needs_attention_and_the_rest_is_measured(untidy: tuple[Path, Result]) -> None:
    shop, result = untidy
    assert result.attention == [row["where"] for row in rows_of(shop / "results" / "attention.csv")]
    assert len(result.attention) == len(WRONG)
    assert [r["recording"] for r in rows_of(shop / "results" / "rebec-1" / "recordings.csv")] == [
        "rebec-1_01 belly_top.wav"
    ]
    assert len(rows_of(shop / "results" / "rebec-1" / "modes.csv")) == len(BODY)
    # a cut file is measured as far as it goes, with a notice
    (cut,) = rows_of(shop / "results" / "crwth-4" / "recordings.csv")
    said = notice_text(Notice("cut", there_s=1.52, promised_s=3.05))
    assert (cut["taps_used"], cut["notice"].split(PARTED_BY)[0]) == ("2", said)
    # an instrument whose settings are not understood is left out, not measured with other settings
    assert not (shop / "results" / "fiddle-9").exists()


def test_a_mended_shop_needs_no_attention(untidy: tuple[Path, Result], tmp_path: Path) -> None:
    from shutil import copytree

    shop = Path(copytree(untidy[0], tmp_path / "shop", symlinks=True))
    for where, *_ in WRONG:
        if where.startswith(("rebec", "IMG", "crwth")):
            (shop / "recordings" / where).unlink()
    (shop / "notes.csv").unlink()
    (shop / "instruments" / "fiddle-9.toml").write_text("steady_cents = 2\n")
    result = tapbatch("run", shop)
    assert (result.status, result.err) == (0, "")
    assert rows_of(shop / "results" / "attention.csv") == []


def test_silence_and_noise_are_recordings_with_no_tap_and_a_notice(tmp_path: Path) -> None:
    # a file that holds nothing to measure gets a notice and no modes
    quiet = sim.white_noise(2 * RATE_HZ, np.random.default_rng(5), rms=1e-3)
    shop = make_shop(
        tmp_path / "shop", {"rebec-1_01 a_top.wav": quiet, "rebec-1_02 b_top.wav": np.zeros(2 * RATE_HZ)}
    )
    result = tapbatch("run", shop)
    assert result.status == 0
    rows = rows_of(shop / "results" / "rebec-1" / "recordings.csv")
    assert [row["taps_used"] for row in rows] == ["0", "0"]
    assert all(notice_text(Notice("no tap")) in row["notice"].split(PARTED_BY) for row in rows)
    assert rows_of(shop / "results" / "rebec-1" / "modes.csv") == []


# ------------------------------------------------------------------- read


def test_read_prints_a_reading_in_80_columns_and_writes_nothing(
    recording: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    before = bytes_below(recording.parent, hidden=True)
    result = tapbatch("read", recording)
    assert (result.status, result.err) == (0, "")
    assert max(map(len, result.out.splitlines())) <= 80
    assert recording.name in result.out
    # the four modes that were struck, by note: F#3, C4, A4, E5 at A4 = 440 Hz
    rows = [line for line in result.out.splitlines() if line.endswith("/3")]
    notes = [line.split()[1] if line.startswith("strongest") else line.split()[0] for line in rows]
    assert sorted(notes) == ["A4", "C4", "E5", "F#3"]
    assert notes[0] == "C4"
    assert bytes_below(recording.parent, hidden=True) == before
    assert list(tmp_path.iterdir()) == []


def test_read_json_is_for_programs_and_tells_the_same(recording: Path) -> None:
    result = tapbatch("read", "--json", recording)
    assert (result.status, result.err) == (0, "")
    (line,) = lines_of(result.out)
    told = json.loads(line)
    assert told["recordings"][0]["taps_used"] == 3
    found = sorted(mode["freq_hz"] for mode in told["modes"])
    assert found == pytest.approx([mode.freq_hz for mode in BODY], rel=5e-4)
    for mode in told["modes"]:
        assert mode["freq_low_hz"] < mode["freq_hz"] < mode["freq_high_hz"]
    assert [mode["lead"] for mode in told["modes"]].count(True) == 1


def test_read_at_another_concert_pitch_moves_the_notes_and_not_the_hertz(recording: Path) -> None:
    at_440, at_431 = (
        json.loads(tapbatch("read", "--json", *pitch, recording).out)["modes"]
        for pitch in ([], ["--concert-pitch", "431"])
    )
    for low, high in zip(at_440, at_431, strict=True):
        assert high["freq_hz"] == low["freq_hz"]
        assert high["concert_pitch_hz"] == 431
        moved = high["cents"] - low["cents"] + 100 * (high["note"] != low["note"])
        assert moved == pytest.approx(CENTS_440_TO_431, abs=0.011)


def test_read_goes_on_past_what_it_cannot_read(recording: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty.wav"
    empty.write_bytes(b"")
    unread = [empty, tmp_path / "gone.wav", tmp_path]
    result = tapbatch("read", *unread, recording)
    assert result.status == 1
    lines = lines_of(result.err)
    for line, path in zip(lines, unread, strict=True):
        assert line.partition(": ")[2].startswith((f"{path}: ", f"{path.name}: "))
    # each has a different reason; for a folder, another command is named
    assert len({line.partition(": ")[2].partition(": ")[2].partition(";")[0] for line in lines}) == 3
    assert "tapbatch run" in lines[2]
    assert recording.name in result.out


def test_read_of_no_tap_says_what_to_do(tmp_path: Path) -> None:
    noise = sim.white_noise(2 * RATE_HZ, np.random.default_rng(6), rms=1e-3)
    result = tapbatch("read", write_wav(tmp_path / "quiet.wav", noise))
    assert result.status == 0
    assert WHAT_TO_DO in result.said
    told = json.loads(tapbatch("read", "--json", tmp_path / "quiet.wav").out)
    assert told["modes"] == []


@pytest.mark.slow
def test_any_terminal_can_print_any_name(sound: np.ndarray, tmp_path: Path) -> None:
    # in a real process, since only there can a stream have an encoding that lacks letters of the name
    encoding = "cp1252"
    path = write_wav(tmp_path / "Säge - 琴 01 - top.wav", sound)
    for arguments in (["read", "--json", str(path)], ["read", str(path), str(path) + "x"]):
        done = subprocess.run(
            [sys.executable, "-m", "tapbatch", *arguments],
            capture_output=True,
            env={**os.environ, "PYTHONIOENCODING": encoding},
            cwd=Path(__file__).parent.parent,
            check=False,
        )
        assert b"Traceback" not in done.stderr
        assert done.returncode == (1 if arguments[-1].endswith("x") else 0)
        assert b"01 - top.wav" in done.stdout
        if "--json" in arguments:
            assert json.loads(done.stdout.decode(encoding))["recordings"][0]["recording"] == path.name


# ------------------------------------------------------------------- forget


def test_forget_takes_several_and_the_shop_last(sound: np.ndarray, tmp_path: Path) -> None:
    names = [f"rebec-1_0{n} s_top.wav" for n in (1, 2, 3)]
    shop = make_shop(tmp_path / "shop", {name: taps(20 + n) for n, name in enumerate(names)})
    tapbatch("run", shop)
    for name in names[:2]:
        (shop / "recordings" / name).unlink()
    result = tapbatch("forget", f"recordings/{names[0]}", names[1], names[2], "never heard of.wav", shop)
    assert (result.status, result.attention) == (1, [names[2], "never heard of.wav"])
    assert [name for name in names if any(line.endswith(name) for line in result.out.splitlines())] == names[:2]
    assert tapbatch("run", shop).status == 0
    assert [r["recording"] for r in rows_of(shop / "results" / "rebec-1" / "recordings.csv")] == [names[2]]


def test_read_shows_a_bar_while_a_file_is_read_that_may_hold_hours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    totals: list[int] = []

    @contextmanager
    def bar(total: int) -> Iterator[Callable[[str], None]]:
        totals.append(total)
        yield lambda _name: None

    monkeypatch.setattr("tapbatch.show.terminal.readings.progress", bar)
    path = write_wav(tmp_path / "a.wav", taps(1))
    assert tapbatch("read", path, tmp_path / "none.wav").status == 1
    # bytes after the sound in a WAV file are skipped, however many there are
    os.truncate(path, 20_000_001)
    assert tapbatch("read", path).status == 0
    assert totals == [0, 0, 1]


def test_ctrl_c_before_a_command_begins_is_a_status(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(**_: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "app", interrupted)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 130


def test_ctrl_c_while_the_libraries_are_loaded_is_a_status(tmp_path: Path) -> None:
    (tmp_path / "typer.py").write_text("raise KeyboardInterrupt")
    ended = subprocess.run(
        [sys.executable, "-m", "tapbatch", "--help"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(Path(cli.__file__).parents[1])])},
        capture_output=True,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (130, b"")


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be made here")
def test_what_steers_a_terminal_is_shown_and_not_sent_by_read_and_forget(sound: np.ndarray, tmp_path: Path) -> None:
    """ECMA-48: ESC begins a control function, and BEL ends an operating system command; U+202E turns text around."""
    name = "x\x1b]0;owned\x07\x1b[2J\u202e_01-a_top.wav"
    shop = make_shop(tmp_path / "shop", {name: sound})
    (tmp_path / f"bad{name}").write_text("dear diary, " * 9)
    told = [tapbatch("read", tmp_path / f"bad{name}"), tapbatch("read", shop / "recordings" / name)]
    tapbatch("run", shop)
    (shop / "recordings" / name).unlink()
    told += [tapbatch("run", shop), tapbatch("forget", name, shop)]
    for result in told:
        assert "owned" in result.said
        assert not set("\x1b\x07\u202e") & set(result.said)
