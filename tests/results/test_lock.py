"""Holding the results of a shop: one at a time, released however it ends, and clean of what the killed left."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import NoReturn

import filelock
import pytest

from tapbatch.model.errors import ShopError
from tapbatch.results.lock import hold, sweep
from tapbatch.results.readings import FOLDER
from tests.refusals import misses


def test_whoever_holds_signs_and_leaves_no_sign_behind(tmp_path: Path) -> None:
    with hold(tmp_path, "tapbatch run here", pytest.fail):
        signed = json.loads((tmp_path / FOLDER / "holder.json").read_text("utf-8"))
        assert (signed["doing"], signed["process"]) == ("tapbatch run here", os.getpid())
    assert [path.name for path in (tmp_path / FOLDER).iterdir()] == ["lock"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, ShopError("a", "b", "c"), IndexError])
def test_the_hold_is_released_however_it_ends(error: BaseException, tmp_path: Path) -> None:
    with pytest.raises(BaseException), hold(tmp_path, "first", pytest.fail):  # noqa: B017, PT011
        raise error
    with hold(tmp_path, "second", pytest.fail):
        pass


WHOLE = json.dumps({"doing": "tapbatch run there", "process": 1234567, "machine": "", "since": "10:11:12"}).encode()


@pytest.mark.parametrize("sign", [None, b"", b"[]", b"\xff", b'{"doing": "x"}', WHOLE])
def test_whoever_waits_is_told_for_whom_where_the_sign_can_be_read(
    sign: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / FOLDER).mkdir()
    if sign is not None:
        (tmp_path / FOLDER / "holder.json").write_bytes(sign)
    asked: list[float | None] = []

    def acquire(lock: object, timeout: float | None = None, **_: object) -> None:
        asked.append(timeout)
        if timeout == 0:
            raise filelock.Timeout("lock")

    monkeypatch.setattr(filelock.FileLock, "acquire", acquire)
    said: list[str] = []
    with hold(tmp_path, "me", said.append):
        pass
    # asked once without waiting, then waited for, with no end to the waiting
    assert asked == [0, None]
    (line,) = said
    assert misses(line, tmp_path, "Ctrl-C") == []
    named = misses(line, "tapbatch run there", "1234567", "10:11:12") == []
    assert named == (sign == WHOLE)
    assert named or "process" not in line


def test_where_files_cannot_be_locked_the_run_goes_on_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def acquire(*_: object, **__: object) -> NoReturn:
        raise NotImplementedError

    monkeypatch.setattr(filelock.FileLock, "acquire", acquire)
    said: list[str] = []
    with hold(tmp_path, "me", said.append):
        pass
    (line,) = said
    assert misses(line, tmp_path) == []


def test_only_half_written_files_of_the_tool_are_swept(tmp_path: Path) -> None:
    stray = [".0123456789ab.part", "lyre-2/.ba9876543210.part", f"{FOLDER}/.aaaaaaaaaaaa.part"]
    others = ["my notes.part", ".0123456789ab.wav", "lyre-2/.take.part", "lyre-2/deep/.0123456789ab.part"]
    for name in [*stray, *others]:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    sweep(tmp_path)
    assert {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()} == set(others)
    sweep(tmp_path / "nowhere")
