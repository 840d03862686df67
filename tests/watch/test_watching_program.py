"""The program watching a shop: it prints readings as they come, and ends when it is asked to."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from shutil import rmtree

import pytest

from tests.refusals import misses
from tests.shops import make_shop, rows_of, tapbatch, taps, write_wav


def _program(shop: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tapbatch", "watch", str(shop), *arguments]
    folder = Path(__file__).parents[2]
    return subprocess.Popen(command, cwd=folder, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def _read_until(program: subprocess.Popen[str], told: Callable[[str], bool]) -> str:
    assert program.stdout is not None
    for line in program.stdout:
        if told(line):
            return line
    raise AssertionError(program.communicate())


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process alone here")
@pytest.mark.parametrize("arguments", [[], ["--poll", "0.3"]], ids=["hints", "poll"])
def test_the_program_prints_a_reading_and_ends_with_ctrl_c(arguments: list[str], tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"lyre-2_01-joined_top_1.wav": taps(71, count=2)})
    program = _program(shop, *arguments)
    try:
        _read_until(program, lambda line: line.startswith("watching"))
        write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
        line = _read_until(program, lambda line: "02-thinned" in line)
        assert line.startswith("lyre-2")
        # a stage 40 cents lower, and 268 Hz is 41.7 cents over C4: 1200 log2(268/261.6256)
        assert misses(line, "top", "02-thinned", "C4") == []
        # Where it moved to stands in the same paragraph, on one of the next lines.
        line = line if "down" in line else _read_until(program, lambda line: "down" in line)
        (down,) = re.findall(r"down (\d+)", line)
        assert 38 <= int(down) <= 42
        program.send_signal(signal.SIGINT)
        out, err = program.communicate(timeout=30)
    finally:
        program.kill()
    assert (program.returncode, "Traceback" in out + err) == (0, False)
    assert len(err.splitlines()) == 1
    rmtree(shop / "results" / ".readings", ignore_errors=True)
    assert {row["stage"] for row in rows_of(shop / "results" / "lyre-2" / "modes.csv")} == {"01-joined", "02-thinned"}


@pytest.mark.slow
def test_ctrl_c_ends_it_with_0_wherever_it_falls(tmp_path: Path) -> None:
    # CPython remembers a KeyboardInterrupt that left a text being executed, as when a dataclass is imported
    (tmp_path / "stopped.py").write_text(
        "import sys\nfrom tapbatch import cli\nfrom tapbatch.shop import folder\nsys.argv = ['tapbatch', 'watch']\n"
        "def stopped(*_):\n    exec('raise KeyboardInterrupt')\n"
        "folder.open_shop = stopped\ncli.main()\n"
    )
    path = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[2])])
    command, surroundings = [sys.executable, "-m", "stopped"], {**os.environ, "PYTHONPATH": path}
    ended = subprocess.run(command, env=surroundings, capture_output=True, text=True, check=False)
    assert (ended.returncode, len(ended.stderr.splitlines())) == (0, 1)
    assert "KeyboardInterrupt" not in ended.stderr


@pytest.mark.slow
def test_a_shop_that_is_none_cannot_be_watched(tmp_path: Path) -> None:
    result = tapbatch("watch", tmp_path / "nowhere")
    (line,) = result.err.splitlines()
    assert (result.status, misses(line, tmp_path / "nowhere", "tapbatch init")) == (2, [])
