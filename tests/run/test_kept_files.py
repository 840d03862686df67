"""Kept files may be damaged, lost or of version 0.1: no reading of a recording that is gone is lost."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from shutil import copytree

import numpy as np
import pytest

import tapbatch.results.readings as readings_module
import tapbatch.results.store as store_module
from tapbatch.results.readings import FOLDER
from tapbatch.run import one_pass
from tests.refusals import misses
from tests.shops import LYRE, Result, bytes_below, make_shop, rows_of, tapbatch, taps, write_wav

pytestmark = pytest.mark.usefixtures("drawn")

OLD = Path(__file__).parent.parent / "data" / "shop_0_1"
GONE, THERE = "lyre-2_01-joined_top_1.wav", "lyre-2_02-thinned_top_1.wav"
TABLES = ("modes", "taps", "tap_modes", "sustain", "targets")


# ------------------------------------------------- a shop of version 0.1


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """Return a copy of the shop that version 0.1 left, with one recording missing."""
    return Path(copytree(OLD, tmp_path / "old"))


def numbers_of(shop: Path) -> dict[str, list[list[str]]]:
    """Return the cells with numbers of each table, as text, in the columns of 0.1."""
    columns = {name: set(rows_of(_table(OLD, name))[0]) for name in TABLES}
    return {
        name: [
            [cell for column, cell in row.items() if column in columns[name] and _is_number(cell)]
            for row in rows_of(_table(shop, name))
        ]
        for name in TABLES
        if rows_of(_table(OLD, name))
    }


def check_drift(shop: Path, before: list[dict[str, str]]) -> None:
    """Check that changes are those of 0.1, but for the blow, and that intervals now count a set-up."""
    rows = rows_of(_table(shop, "drift"))
    place = ("part", "mode", "from_stage", "to_stage")
    assert [[row[name] for name in place] for row in rows] == [[row[name] for name in place] for row in before]
    for new, old in zip(rows, before, strict=True):
        # Half of what a harder blow takes off a mode is put back: some tenths of a cent.
        assert float(new["freq_change_cents"]) == pytest.approx(float(old["freq_change_cents"]), abs=0.5)
        assert float(new["t60_change_pct"]) == pytest.approx(float(old["t60_change_pct"]), abs=1.0)
        for low, high in (("cents_low", "cents_high"), ("t60_low_pct", "t60_high_pct")):
            assert float(new[low]) < float(old[low]) < float(old[high]) < float(new[high])
        # No verdict is firm between two versions of the method.
        assert new["verdict"] == old["verdict"] + ("?" if "method" in new["caution"] else "")


def _table(shop: Path, name: str) -> Path:
    return shop / "results" / "lyre-2" / f"{name}.csv"


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def is_missing(shop: Path) -> dict[str, bool]:
    return {row["recording"]: row["notice"].startswith("missing") for row in rows_of(_table(shop, "recordings"))}


def set_aside(result: Result) -> dict[str, str]:
    """Return which files were reported as set aside: the old name, or that of the recording, and the new name."""
    return {
        re.split(r"(?<=\.json) |(?<=\.wav) ", note)[0]: re.findall(r"(?:refused|unclaimed)[\w-]+\.json", note)[0]
        for note in result.notes
    }


def kept_readings(shop: Path) -> set[str]:
    return {path.name for path in (shop / "results" / FOLDER).glob("?" * 40 + ".json")}


def test_a_shop_of_0_1_is_taken_over_and_nothing_is_lost(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The method is that of the shop, so every number must stay but those of the drift, which are judged anew.
    for module in (readings_module, one_pass, store_module):
        monkeypatch.setattr(module, "METHOD", "15")
    before, readings, drift = numbers_of(old), kept_readings(old), rows_of(_table(old, "drift"))
    result = tapbatch("run", old)
    assert (result.status, result.counts[0], result.notes) == (0, 0, [])
    assert numbers_of(old) == before
    check_drift(old, drift)
    assert is_missing(old) == {GONE: True, THERE: False}
    assert kept_readings(old) == readings
    # Now each reading names its recordings, so the ledger may be deleted.
    (old / "results" / FOLDER / "ledger.json").unlink()
    for _ in range(2):
        assert tapbatch("run", old).status == 0
        assert numbers_of(old) == before
        assert is_missing(old) == {GONE: True, THERE: False}
        assert kept_readings(old) == readings


def test_the_missing_recording_of_an_invalid_ledger_of_0_1_is_kept(old: Path) -> None:
    before, drift = numbers_of(old), rows_of(_table(old, "drift"))
    ledger = old / "results" / FOLDER / "ledger.json"
    data = json.loads(ledger.read_text())
    data["recordings"][THERE]["size"] = "large"
    ledger.write_text(json.dumps(data))
    result = tapbatch("run", old)
    assert set_aside(result) == {"ledger.json": "refused-ledger.json"}
    assert (ledger.parent / "refused-ledger.json").read_text() == json.dumps(data)
    assert numbers_of(old) == before
    check_drift(old, drift)
    assert is_missing(old) == {GONE: True, THERE: False}


@pytest.mark.parametrize("harm", ["deleted", "zeros", "deep"])
def test_a_reading_of_0_1_whose_name_was_lost_with_the_ledger_is_set_aside(harm: str, old: Path) -> None:
    folder = old / "results" / FOLDER
    key = json.loads((folder / "ledger.json").read_text())["recordings"][GONE]["key"]
    reading = (folder / f"{key}.json").read_bytes()
    if harm == "deleted":
        (folder / "ledger.json").unlink()
    else:
        (folder / "ledger.json").write_bytes({"zeros": bytes(100), "deep": b"[" * 100_000}[harm])
    result = tapbatch("run", old)
    assert f"unclaimed-{key}.json" in set_aside(result).values()
    tapbatch("run", old)
    assert (folder / f"unclaimed-{key}.json").read_bytes() == reading
    assert is_missing(old) == {THERE: False}


# ------------------------------------------------- damage in turn


def _one_bit(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


HARMS: dict[str, Callable[[bytes], bytes]] = {
    "one bit": _one_bit,
    "half": lambda data: data[: len(data) // 2],
    "empty": lambda _: b"",
    "deep": lambda _: b"[" * 100_000,
    "other": lambda _: b'{"as another program": "writes it"}',
}


@pytest.mark.parametrize("harm", HARMS)
@pytest.mark.parametrize(
    "pattern", ["ledger.json", "page.json", "standing-*.json", "card-*.json", "?" * 40 + ".json"]
)
def test_a_damaged_file_is_set_aside_reported_and_remade(pattern: str, harm: str, shop: Path) -> None:
    whole, folder = bytes_below(shop / "results"), shop / "results" / FOLDER
    names = {path.name for path in folder.iterdir()}
    path = min(folder.glob(pattern))
    damaged, facts = HARMS[harm](path.read_bytes()), path.stat()
    path.write_bytes(damaged)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    # Unchanged files are not read again, so delete page and tables.
    (shop / "results" / "index.html").unlink()
    for instrument in ("lyre-2", "na"):
        (shop / "results" / instrument / "modes.csv").unlink()
    result = tapbatch("run", shop)
    assert result.status == 0
    assert bytes_below(shop / "results") == whole
    aside = {found.name for found in folder.iterdir()} - names
    # A card is remade with the tables, whatever was in it.
    assert aside == ({f"refused-{path.name}"} if "card" not in pattern else set())
    assert set(set_aside(result).values()) == aside
    for name in aside:
        assert (folder / name).read_bytes() == damaged
    assert set_aside(tapbatch("run", shop)) == {}


def test_a_damaged_card_is_remade_with_the_page(shop: Path) -> None:
    page = shop / "results" / "index.html"
    whole = page.read_bytes()
    path = min((shop / "results" / FOLDER).glob("card-*.json"))
    facts = path.stat()
    path.write_bytes(_one_bit(path.read_bytes()))
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    page.unlink()
    result = tapbatch("run", shop)
    assert (result.status, page.read_bytes()) == (0, whole)
    assert set_aside(result) == {path.name: f"refused-{path.name}"}


def test_a_damaged_ledger_does_not_cost_what_is_missing(shop: Path, sounds: dict[str, np.ndarray]) -> None:
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    ledger, whole = shop / "results" / FOLDER / "ledger.json", bytes_below(shop / "results")
    for data in (b"\0" * 50, b"", b'{"method": "15", "recordings": {}, "more": 1}'):
        ledger.write_bytes(data)
        tapbatch("run", shop)
        tapbatch("run", shop)
        assert bytes_below(shop / "results") == whole
    assert len(kept_readings(shop)) == 2
    assert sorted(path.name for path in ledger.parent.glob("*ledger.json")) == [
        "ledger.json", "refused-2-ledger.json", "refused-3-ledger.json", "refused-ledger.json",
    ]  # fmt: skip


@pytest.mark.parametrize("harm", HARMS)
def test_a_damaged_reading_without_its_sound_is_kept_aside_and_told(
    harm: str, shop: Path, sounds: dict[str, np.ndarray]
) -> None:
    whole, folder = bytes_below(shop / "results"), shop / "results" / FOLDER
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    key = json.loads((folder / "ledger.json").read_text())["recordings"][LYRE]["key"]
    damaged = HARMS[harm]((folder / f"{key}.json").read_bytes())
    (folder / f"{key}.json").write_bytes(damaged)
    (shop / "results" / "lyre-2" / "modes.csv").unlink()
    for _ in range(3):
        result = tapbatch("run", shop)
        assert (result.status, result.attention) == (1, [LYRE])
        assert (folder / f"refused-{key}.json").read_bytes() == damaged
        # The same if everything is remade.
        min(folder.glob("standing-*.json")).unlink()
    write_wav(shop / "recordings" / LYRE, sounds[LYRE])
    assert tapbatch("run", shop).status == 0
    assert bytes_below(shop / "results") == whole


def test_a_recording_others_learn_from_is_measured_again_if_its_reading_is_damaged(
    sounds: dict[str, np.ndarray], tmp_path: Path
) -> None:
    like = '[[mode]]\nlabel = "air"\nnear_hz = 182\n[[target]]\nmode = "air"\nlike = "Lyre-2"\n'
    lyre = '[[mode]]\nlabel = "air"\nnear_hz = 182\npart = "top"\n'
    settings = {"instruments/na.toml": like, "instruments/lyre-2.toml": lyre}
    whole = make_shop(tmp_path / "whole", sounds, settings)
    tapbatch("run", whole)
    shop = make_shop(tmp_path / "shop", sounds, {"instruments/lyre-2.toml": lyre})
    tapbatch("run", shop)
    # No instrument learned from the lyre yet. Its tables are up to date, so its reading is not needed for them.
    folder = shop / "results" / FOLDER
    key = json.loads((folder / "ledger.json").read_text())["recordings"][LYRE]["key"]
    (folder / f"{key}.json").write_bytes(_one_bit((folder / f"{key}.json").read_bytes()))
    (shop / "instruments" / "na.toml").write_text(like)
    result = tapbatch("run", shop)
    assert result.counts[0] == 1
    assert bytes_below(shop / "results") == bytes_below(whole / "results")


def test_a_renamed_recording_that_goes_is_missing_under_its_last_name(shop: Path) -> None:
    renamed = "lyre-2_01-joined_top_2.wav"
    (shop / "recordings" / LYRE).rename(shop / "recordings" / renamed)
    tapbatch("run", shop)
    (shop / "recordings" / renamed).unlink()
    tapbatch("run", shop)
    (shop / "results" / FOLDER / "ledger.json").unlink()
    tapbatch("run", shop)
    assert is_missing(shop) == {renamed: True}


def test_a_forgotten_recording_does_not_come_back_without_a_ledger(shop: Path) -> None:
    copy = "lyre-2_01-joined_top_2.wav"
    write_wav(shop / "recordings" / copy, taps(81, count=2))
    tapbatch("run", shop)
    for name in (LYRE, copy):
        (shop / "recordings" / name).unlink()
    tapbatch("run", shop)
    assert tapbatch("forget", copy, shop).status == 0
    (shop / "results" / FOLDER / "ledger.json").unlink()
    tapbatch("run", shop)
    assert is_missing(shop) == {LYRE: True}


def test_an_older_ledger_put_back_does_not_cost_what_is_missing(shop: Path) -> None:
    """As a cloud folder or a backup puts it back, whole and with its checksum."""
    added = "lyre-2_02-thinned_top_1.wav"
    ledger = shop / "results" / FOLDER / "ledger.json"
    older = ledger.read_bytes()
    write_wav(shop / "recordings" / added, taps(83, count=2))
    tapbatch("run", shop)
    (shop / "recordings" / added).unlink()
    tapbatch("run", shop)
    whole = bytes_below(shop / "results")
    ledger.write_bytes(older)
    for _ in range(2):
        assert tapbatch("run", shop).status == 0
        assert bytes_below(shop / "results") == whole
    assert is_missing(shop) == {LYRE: False, added: True}
    # And what is forgotten stays so.
    assert tapbatch("forget", added, shop).status == 0
    tapbatch("run", shop)
    assert is_missing(shop) == {LYRE: False}


@pytest.mark.skipif(os.sep == "\\", reason="this system has no backslash in a name")
def test_a_name_with_a_backslash_can_be_forgotten(tmp_path: Path) -> None:
    name = "a\\b_01-joined_top_1.wav"
    shop = make_shop(tmp_path / "shop", {name: taps(81, count=2)})
    tapbatch("run", shop)
    (shop / "recordings" / name).unlink()
    tapbatch("run", shop)
    assert tapbatch("forget", name, shop).status == 0
    tapbatch("run", shop)
    assert kept_readings(shop) == set()


def test_without_a_ledger_nothing_is_forgotten(shop: Path) -> None:
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    (shop / "results" / FOLDER / "ledger.json").unlink()
    result = tapbatch("forget", LYRE, shop)
    assert (result.status, misses(result.said, "tapbatch run")) == (1, [])
    tapbatch("run", shop)
    assert tapbatch("forget", LYRE, shop).status == 0


def test_no_name_in_a_kept_file_leads_out_of_the_results(shop: Path) -> None:
    victim = shop.parent / "victim"
    victim.mkdir()
    for name in ("report.pdf", "modes.csv"):
        (victim / name).write_text("mine")
    folder = shop / "results" / FOLDER
    data = json.loads(min(folder.glob("standing-*.json")).read_text())
    del data["checksum"]
    data["instrument"] = "../../victim"
    digest = hashlib.sha256(b"../../victim").hexdigest()[:16]
    (folder / f"standing-{digest}.json").write_text(json.dumps(data))
    result = tapbatch("run", shop)
    assert result.status == 0
    assert {path.name: path.read_text() for path in victim.iterdir()} == {"report.pdf": "mine", "modes.csv": "mine"}
    assert set_aside(result) == {f"standing-{digest}.json": f"refused-standing-{digest}.json"}
