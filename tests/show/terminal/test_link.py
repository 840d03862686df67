"""The link and its code at the terminal."""

from __future__ import annotations

import io

import pytest
import segno

from tapbatch.show.terminal.link import code_lines, print_phone_link

LINK = "http://192.168.0.7:8017/phone#" + "Ab-_" * 5 + "xy"
DARK = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}


class Terminal(io.StringIO):
    def __init__(self, encoding: str = "utf-8", *, is_one: bool = True) -> None:
        super().__init__()
        self._encoding, self._is_one = encoding, is_one

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding

    def isatty(self) -> bool:
        return self._is_one


def test_the_blocks_are_the_modules_of_the_code_with_a_quiet_zone_of_four() -> None:
    code = segno.make(LINK, error="m", micro=False, boost_error=False)
    size = len(code.matrix)
    rows = [[DARK[block][half] for block in line] for line in code_lines(LINK) for half in (0, 1)]
    assert [row[4 : 4 + size] for row in rows[4 : 4 + size]] == [list(row) for row in code.matrix]
    around = [*rows[:4], *rows[4 + size :], *(row[:4] + row[4 + size :] for row in rows)]
    assert {module for row in around for module in row} == {0}
    assert {len(row) for row in rows} == {size + 8}


def test_it_fits_a_small_terminal() -> None:
    assert max(map(len, code_lines(LINK))) < 60
    assert len(code_lines(LINK)) <= 24


def test_at_a_terminal_the_code_has_colours_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    terminal = Terminal()
    print_phone_link(LINK, file=terminal)
    lines = terminal.getvalue().splitlines()
    assert LINK in lines[0]
    drawn = [line for line in lines if "█" in line]
    assert len(drawn) == len(code_lines(LINK))
    assert all(line.startswith("\x1b[") and line.endswith("\x1b[0m") for line in drawn)


@pytest.mark.parametrize(
    ("terminal", "term"),
    [(Terminal(is_one=False), "xterm"), (Terminal(), "dumb"), (Terminal("ascii"), "xterm"), (Terminal("cp1252"), "")],
)
def test_elsewhere_the_link_alone_is_printed(terminal: Terminal, term: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", term)
    print_phone_link(LINK, file=terminal)
    first, second, third = terminal.getvalue().splitlines()
    assert LINK in first
    assert "not encrypted" in second
    assert third.endswith(" http://192.168.0.7:8017/")
