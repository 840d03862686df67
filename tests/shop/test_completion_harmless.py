"""Nothing of a name is ever run by the tab key, in any shell."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tapbatch.shop.completion import beginning

ROOT = Path(__file__).parents[2]
HOSTILE = (
    r"a\$(touch RUN)_01-a_top.wav",
    "a`touch RUN`_01-a.wav",
    'a"; touch RUN; "_01-a.wav',
    "a$HOME_01-a.wav",
    "a\nb",
)


@pytest.mark.parametrize("shell", ["complete_zsh", "complete_fish", "complete_powershell", "complete_pwsh", ""])
def test_only_harmless_names_are_offered(monkeypatch: pytest.MonkeyPatch, shell: str) -> None:
    monkeypatch.setenv("_TAPBATCH_COMPLETE", shell)
    assert beginning([*HOSTILE, "a 琴-1, b_01-a.wav"], "a") == ["a 琴-1, b_01-a.wav"]


@pytest.mark.parametrize("name", [name for name in HOSTILE if name.isprintable()])
def test_bash_takes_each_name_as_one_word(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str) -> None:
    monkeypatch.setenv("_TAPBATCH_COMPLETE", "complete_bash")
    (offered,) = beginning([name], "a")
    script = f"printf '%s' {offered}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout == name
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(shutil.which("zsh") is None, reason="zsh is not installed (apt install zsh)")
def test_zsh_runs_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "results" / "a"
    folder.mkdir(parents=True)
    rows = "".join(f'"{name.replace(chr(34), chr(34) * 2)}",missing\n' for name in HOSTILE)
    (folder / "recordings.csv").write_text(f"recording,notice\n{rows}")
    (tmp_path / "tapbatch").write_text(f'#!/bin/sh\nexec {sys.executable} -m tapbatch "$@"\n')
    (tmp_path / "tapbatch").chmod(0o755)
    env = {
        **os.environ,
        "PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "TERM": "dumb",
    }
    source = subprocess.run(
        [str(tmp_path / "tapbatch")], env={**env, "_TAPBATCH_COMPLETE": "source_zsh"},
        capture_output=True, text=True, check=False,
    ).stdout  # fmt: skip
    assert "compdef" in source
    (tmp_path / "complete").write_text(source)
    (tmp_path / ".zshrc").write_text(
        f"autoload -Uz compinit; compinit -u -D\nsource {tmp_path / 'complete'}\nPS1='ready> '\n"
    )
    _typed(tmp_path, {**env, "ZDOTDIR": str(tmp_path)}, b"tapbatch forget \t\t")
    assert not (tmp_path / "RUN").exists()


def _typed(folder: Path, env: dict[str, str], keys: bytes) -> None:
    """Type into a shell of its own, and wait until it answered and is quiet."""
    process, terminal = pty.fork()
    if process == 0:  # pragma: no cover
        os.chdir(folder)
        os.execvpe("zsh", ["zsh", "-i"], env)
    try:
        _until_quiet(terminal, b"ready>")
        os.write(terminal, keys)
        _until_quiet(terminal, b"forget")
        os.write(terminal, b"\x03exit\r")
        _until_quiet(terminal, b"")
    finally:
        os.close(terminal)
        os.waitpid(process, 0)


def _until_quiet(terminal: int, awaited: bytes) -> None:
    heard = b""
    while select.select([terminal], [], [], 3.0 if awaited in heard else 30.0)[0]:
        try:
            heard += os.read(terminal, 65536)
        except OSError:
            return
