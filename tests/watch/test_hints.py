"""What the system tells of a folder, and that it is never relied on."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from watchdog.observers.api import BaseObserver

from tapbatch.watch.hints import FolderHints, Hints, NoHints


@pytest.fixture
def hints(tmp_path: Path) -> Iterator[tuple[FolderHints, Path]]:
    folder = tmp_path / "recordings"
    folder.mkdir()
    said: list[str] = []
    hints = FolderHints([folder], said.append)
    hints.wait(0.0)
    if said:
        pytest.skip(said[0])
    yield hints, folder
    hints.close()


def test_the_system_tells_of_what_is_written_and_not_of_what_is_read(hints: tuple[FolderHints, Path]) -> None:
    source, folder = hints
    (folder / "a_b.wav").write_bytes(b"x")
    assert source.wait(30.0)
    # until it has been silent for a second: a busy system tells late
    while source.wait(1.0):
        pass
    (folder / "a_b.wav").read_bytes()
    assert list(folder.iterdir())
    assert not source.wait(1.0)


def test_a_folder_that_is_put_there_anew_is_looked_at(hints: tuple[FolderHints, Path]) -> None:
    source, folder = hints
    folder.rename(folder.with_name("away"))
    while source.wait(0.0):
        pass
    folder.mkdir()
    source.wait(0.0)
    (folder / "a_b.wav").write_bytes(b"x")
    assert source.wait(30.0)


def test_a_listener_that_died_is_started_again(hints: tuple[FolderHints, Path]) -> None:
    source, folder = hints
    (listener,) = [thread for thread in threading.enumerate() if isinstance(thread, BaseObserver)]
    listener.stop()
    listener.join()
    source.wait(0.0)
    (folder / "a_b.wav").write_bytes(b"x")
    assert source.wait(30.0)


def test_a_copy_that_never_pauses_is_no_reason_never_to_look(monkeypatch: pytest.MonkeyPatch) -> None:
    hints = NoHints()
    for _ in range(1000):
        hints.rouse()
    # a hundredth of a second passes with every hint, so that a thousand take ten seconds
    now_s = iter(0.01 * n for n in range(3000))
    monkeypatch.setattr(time, "monotonic", lambda: next(now_s))
    assert hints.wait(60.0)
    assert next(now_s) < 1.0
    assert hints.wait(0.0), "nothing was left, so the wait went on for as long as hints came"


@pytest.mark.parametrize("source", ["folder", "none"])
def test_another_thread_ends_the_wait(source: str, tmp_path: Path) -> None:
    hints: Hints = FolderHints([tmp_path], lambda _: None) if source == "folder" else NoHints()
    other = threading.Thread(target=hints.rouse)
    other.start()
    assert hints.wait(60.0)
    other.join()
    hints.close()
