"""What the terminal shows, where it is one and where it is not."""

from __future__ import annotations

import io
import itertools
import json
import re
from collections.abc import Callable

import pytest

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.progress import tell
from tapbatch.model.reading import Attention
from tapbatch.show.say import words
from tapbatch.show.tables.rows import mode_rows
from tapbatch.show.terminal.readings import (
    WHAT_IT_MEANS,
    print_attention,
    print_lines,
    print_notices,
    progress,
    reading_lines,
    reading_to_json,
)
from tapbatch.show.view.answers import NOTHING_READ
from tests.refusals import misses


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


def test_no_reading_is_wider_than_80_columns(any_history: History) -> None:
    for stage in any_history.stages:
        out = io.StringIO()
        print_lines(reading_lines(stage), file=out)
        lines = out.getvalue().splitlines()
        assert lines
        assert max(map(len, lines)) <= 80
        assert "\x1b" not in out.getvalue()


def test_the_strongest_comes_first_then_from_strong_to_faint(whole: History) -> None:
    lines = [line for line, _ in reading_lines(whole.stages[-1])]
    first = next(n for n, line in enumerate(lines) if line.startswith("main "))
    assert "G3" in lines[first]
    assert "195.76" in lines[first]
    assert "5/5" in lines[first]
    rows = [line for line in lines[first + 1 :] if "/5" in line]
    # the label, where the maker gave one, then the note
    assert [row.removeprefix("air").split()[0] for row in rows] == ["C#4", "B2", "C4", "G#4", "F5"]
    assert [row.startswith("air ") for row in rows] == [False, True, False, False, False]


def test_what_was_noticed_is_named_in_one_word_each_and_not_explained(whole: History) -> None:
    said = " ".join(" ".join(line for line, _ in reading_lines(whole.stages[-1])).split())
    assert f"one set-up only. {WHAT_IT_MEANS}" in said
    assert not any(text in said for text in words.FLAGS.values())


def test_what_was_noticed_of_one_mode_is_said_on_request(whole: History) -> None:
    stage = next(s for s in whole.stages if any("pair?" in m.flags for m in s.modes))
    brief, full = ([line.strip() for line, _ in reading_lines(stage, full=full)] for full in (False, True))
    assert "noticed: pair?" not in brief
    assert full[full.index("noticed: pair?") - 1].split()[0] == next(
        m.note for m in stage.modes if "pair?" in m.flags
    )


def test_a_recording_without_a_mode_says_why_and_what_to_do(
    histories: dict[str, Callable[[], History]],
) -> None:
    text = "\n".join(line for line, _ in reading_lines(histories["no modes"]().stages[0]))
    assert NOTHING_READ in text
    assert misses(text, 1, "speech") == []


def test_weight_on_a_terminal_and_none_with_no_color(whole: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """no-color.org: any value that is not empty."""
    weighted, plain = Terminal(), Terminal()
    print_lines(reading_lines(whole.stages[0]), file=weighted)
    monkeypatch.setenv("NO_COLOR", "1")
    print_lines(reading_lines(whole.stages[0]), file=plain)
    assert "\x1b[1m" in weighted.getvalue()
    assert "\x1b" not in plain.getvalue()


def test_markup_in_a_name_stays_text(make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode]) -> None:
    stage = make_stage("top", "free", "s", 1, [make_mode("r1", 200.0)], path="x/[bold red]:smile:\x1b[2J.wav")
    out = Terminal()
    print_lines(reading_lines(stage), file=out)
    assert "[bold red]:smile:" in out.getvalue()
    assert "\x1b[2J" not in out.getvalue()


def test_a_stream_that_lacks_letters_gets_stand_ins(whole: History) -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    print_lines(reading_lines(whole.stages[0]), file=out)
    out.flush()
    assert b"? 0.4 c" in raw.getvalue()


def test_json_has_the_names_and_digits_of_the_tables(any_history: History) -> None:
    for stage in any_history.stages:
        text = reading_to_json(stage)
        document = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
        assert len(document["modes"]) == len(mode_rows(stage))
        for mode, row in zip(document["modes"], mode_rows(stage), strict=True):
            assert mode.keys() == row.keys()
            assert mode["freq_hz"] == pytest.approx(row["freq_hz"], rel=1e-4)
        assert [r["taps_used"] for r in document["recordings"]] == [len(h.reading.used_taps) for h in stage.heard]


def test_progress_shows_count_and_names_on_a_terminal_and_nothing_elsewhere() -> None:
    quiet, terminal = io.StringIO(), Terminal()
    for stream in (quiet, terminal):
        with progress(2, file=stream) as done:
            done("a.wav")
            done("[b].wav")
    assert quiet.getvalue() == ""
    assert "2/2" in terminal.getvalue()
    assert "[b].wav" in terminal.getvalue()
    # weight only: no colour (ECMA-48, SGR 30 to 37 and 90 to 97), neither in the bar nor beside it
    assert not re.search(r"\x1b\[(?:\d+;)*[39][0-7]m", terminal.getvalue())


def test_progress_tells_rate_and_time_left_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    clock = itertools.count()
    monkeypatch.setattr("rich.console.monotonic", lambda: 0.7 * next(clock))
    terminal = Terminal()
    with progress(12_000, file=terminal) as done:
        for _ in range(30):
            done("Übung/" + "a very long name " * 9 + ".wav")
    lines = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "\n", terminal.getvalue()).replace("\r", "\n").splitlines()
    assert max(map(len, lines)) <= 80
    last = [line for line in lines if "30/12000" in line][-1]
    assert re.search(r"30/12000\b\D+\d+\.\d\D+\d+ min\b", last)


def test_the_bar_moves_within_a_long_recording(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[float] = []
    monkeypatch.setattr(
        "rich.progress.Progress.update", lambda _bar, _task, *, completed, **_: shown.append(completed)
    )
    with progress(2, file=Terminal()) as done:
        done("a.wav")
        tell(0.5)
        tell(1.0)
        done("hours.wav")
    tell(0.5)
    assert shown == [1, 1.5, 2.0, 2]


def test_notices_fit_80_columns() -> None:
    out = io.StringIO()
    print_notices(["lute-5: " + "two recordings are the same and count once, " * 4, "b"], file=out)
    lines = out.getvalue().splitlines()
    assert lines[0].startswith("note: lute-5: two")
    assert lines[-1] == "note: b"
    assert len(lines) == 4
    assert max(map(len, lines)) <= 80


def test_attention_is_counted_and_said() -> None:
    out = io.StringIO()
    print_attention([], file=out)
    assert out.getvalue() == ""
    print_attention([Attention(where="a\nb.wav", what="the file is empty", remedy="copy it again")], file=out)
    head, line = out.getvalue().splitlines()
    assert misses(head, 1) == []
    assert line == "  a b.wav: the file is empty; copy it again"
