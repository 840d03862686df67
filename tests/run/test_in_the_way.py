"""Folders, pipes and links in place of kept files: a run still ends, follows no link, and says what it set aside."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from shutil import rmtree

import pytest

from tapbatch.results.readings import FOLDER
from tests.shops import LYRE, bytes_below, rows_of, tapbatch

pytestmark = pytest.mark.usefixtures("drawn")

KEPT = ("ledger.json", "page.json", "standing-*.json", "card-*.json", "?" * 40 + ".json")


def put_in_place(path: Path, what: str) -> None:
    path.unlink()
    if what == "folder":
        (path / "inside").mkdir(parents=True)
    elif hasattr(os, "mkfifo"):
        os.mkfifo(path)
    else:
        pytest.skip("this system has no pipes")


@pytest.mark.parametrize("what", ["folder", "pipe"])
@pytest.mark.parametrize("pattern", KEPT)
def test_something_other_than_a_file_is_set_aside_and_the_file_remade(pattern: str, what: str, shop: Path) -> None:
    whole, folder = bytes_below(shop / "results"), shop / "results" / FOLDER
    path = min(folder.glob(pattern))
    put_in_place(path, what)
    for instrument in ("lyre-2", "na"):
        (shop / "results" / instrument / "modes.csv").unlink()
    assert tapbatch("run", shop).status == 0
    assert bytes_below(shop / "results") == whole
    assert path.is_file()
    assert "set aside" not in tapbatch("run", shop).said


@pytest.mark.parametrize("pattern", KEPT)
def test_a_folder_may_be_left_of_a_forgotten_instrument(pattern: str, shop: Path) -> None:
    folder = shop / "results" / FOLDER
    put_in_place(max(folder.glob(pattern)), "folder")
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    tapbatch("forget", LYRE, shop)
    assert tapbatch("run", shop).status == 0
    assert not (shop / "results" / "lyre-2").exists()
    assert (shop / "results" / "na" / "modes.csv").exists()


def test_nothing_is_written_or_deleted_through_the_link_of_an_instrument(shop: Path) -> None:
    victim, linked = shop.parent / "victim", shop / "results" / "lyre-2"
    victim.mkdir()
    (victim / "modes.csv").write_text("mine")
    rmtree(linked)
    linked.symlink_to(victim)
    (shop / "results" / "na" / "modes.csv").unlink()
    result = tapbatch("run", shop)
    assert result.status == 1
    assert [row["where"] for row in rows_of(shop / "results" / "attention.csv")] == [str(linked)]
    assert (shop / "results" / "na" / "modes.csv").exists()
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    tapbatch("forget", LYRE, shop)
    tapbatch("run", shop)
    assert {path.name: path.read_text() for path in victim.iterdir()} == {"modes.csv": "mine"}


@pytest.mark.parametrize("kept", ["mark", "cut reading"])
def test_a_run_that_then_fails_still_says_what_it_set_aside(
    kept: str, shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = min((shop / "results" / FOLDER).glob("standing-*.json" if kept == "mark" else "?" * 40 + ".json"))
    path.write_bytes(b"?")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = tapbatch("run", shop)
    assert result.status == 2
    assert f"set aside as refused-{path.name}" in result.said
