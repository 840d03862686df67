"""The stamp by which a changed tool makes everything anew covers every room of the package."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tapbatch.run.stamp import PACKAGE, stamp_of

ROOMS = sorted(path.relative_to(PACKAGE) for path in PACKAGE.rglob("*/__init__.py"))


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """Return a folder with the rooms of the package, each with one file."""
    for room in ROOMS:
        (tmp_path / room).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / room).write_text("one = 1\n")
    return tmp_path


@pytest.mark.parametrize("room", ROOMS, ids=str)
def test_a_changed_file_in_any_room_changes_it(room: Path, package: Path) -> None:
    before = stamp_of(package)
    assert stamp_of(package) == before
    times = (package / room).stat()
    (package / room).write_text("one = 12\n")
    os.utime(package / room, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert stamp_of(package) != before


def test_it_covers_the_package_and_not_one_room() -> None:
    assert (PACKAGE / "cli.py").is_file()
    assert len(ROOMS) > 10


def test_a_changed_tool_makes_the_inputs_of_an_instrument_stale(monkeypatch: pytest.MonkeyPatch) -> None:
    from tapbatch.model.settings import InstrumentSettings
    from tapbatch.run import histories

    inputs = histories.Inputs(instrument="na", items=(), settings=InstrumentSettings(), notes={})
    before = inputs.fingerprint
    monkeypatch.setattr(histories, "tool_stamp", lambda: "another")
    assert inputs.fingerprint != before
