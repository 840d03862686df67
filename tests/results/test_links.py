"""Where the tool writes, it follows no link."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tapbatch.results.files import put_file
from tapbatch.results.lock import hold
from tapbatch.results.readings import FOLDER

pytestmark = pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links")


def test_the_holder_is_never_written_through_a_link(tmp_path: Path) -> None:
    precious, folder = tmp_path / "precious", tmp_path / "results" / FOLDER
    precious.write_text("thesis")
    folder.mkdir(parents=True)
    (folder / "holder.json").symlink_to(precious)
    with hold(tmp_path / "results", "tapbatch run", lambda _line: None):
        pass
    assert precious.read_text() == "thesis"


def test_a_file_replaces_a_link_and_not_what_it_leads_to(tmp_path: Path) -> None:
    precious, table = tmp_path / "precious", tmp_path / "modes.csv"
    precious.write_text("thesis")
    table.symlink_to(precious)
    assert put_file(table, b"part\n") is None
    assert (precious.read_text(), table.is_symlink(), table.read_bytes()) == ("thesis", False, b"part\n")


def test_the_lock_is_never_a_link(tmp_path: Path) -> None:
    precious, folder = tmp_path / "precious", tmp_path / "results" / FOLDER
    precious.write_text("thesis")
    folder.mkdir(parents=True)
    (folder / "lock").symlink_to(precious)
    with hold(tmp_path / "results", "tapbatch run", lambda _line: None):
        assert not (folder / "lock").is_symlink()
    assert precious.read_text() == "thesis"
