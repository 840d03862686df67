"""Where the tool writes, it follows no link."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tapbatch.results.files import put_file
from tapbatch.results.lock import hold
from tapbatch.results.readings import FOLDER

pytestmark = pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links")


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    path = tmp_path / "precious"
    path.write_text("thesis")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "results" / FOLDER
    path.mkdir(parents=True)
    return path


def test_the_holder_is_never_written_through_a_link(precious: Path, folder: Path) -> None:
    (folder / "holder.json").symlink_to(precious)
    with hold(folder.parent, "tapbatch run", lambda _line: None):
        pass
    assert precious.read_text() == "thesis"


def test_a_file_replaces_a_link_and_not_what_it_leads_to(precious: Path, tmp_path: Path) -> None:
    table = tmp_path / "modes.csv"
    table.symlink_to(precious)
    assert put_file(table, b"part\n") is None
    assert (precious.read_text(), table.is_symlink(), table.read_bytes()) == ("thesis", False, b"part\n")


def test_the_lock_is_never_a_link(precious: Path, folder: Path) -> None:
    (folder / "lock").symlink_to(precious)
    with hold(folder.parent, "tapbatch run", lambda _line: None):
        assert not (folder / "lock").is_symlink()
    assert precious.read_text() == "thesis"
