"""Notes from phones beside those of a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.model.errors import SettingsError, ShopError
from tapbatch.run import noting
from tapbatch.run.noting import note, notes_of, tidy
from tapbatch.shop.folder import Shop, open_shop
from tests.refusals import refused
from tests.shops import make_shop

TABLE = "instrument,stage,work,mine\nlute-3,voicing,hole,x\nlute-3,closed,,y\n"


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return open_shop(make_shop(tmp_path / "shop", {}, {"notes.csv": TABLE}))


def test_what_others_wrote_meanwhile_stays(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    path, real = shop.root / "notes.csv", noting.with_note

    def while_another_saves(raw: bytes, *arguments: object) -> bytes:
        if path.read_text() == TABLE:
            path.write_text(TABLE.replace(",y", ",their own") + "lute-3,strung,tuned,\n")
        return real(raw, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(noting, "with_note", while_another_saves)
    note(shop, "lute-3", "voicing", {"work": "hole opened"})
    assert path.read_text().splitlines() == [
        "instrument,stage,work,mine",
        "lute-3,voicing,hole opened,x",
        "lute-3,closed,,their own",
        "lute-3,strung,tuned,",
    ]


def test_the_same_field_written_by_another_is_shown_first(shop: Shop) -> None:
    assert note(shop, "lute-3", "voicing", {"work": "a"}, {"work": "hole"})["work"] == "a"
    with refused(SettingsError, "notes.csv", "work"):
        note(shop, "lute-3", "voicing", {"work": "b"}, {"work": "hole"})
    # Whoever writes what stands there already disagrees with nobody.
    assert note(shop, "lute-3", "voicing", {"work": "a"}, {"work": "hole"})["work"] == "a"


def test_a_row_that_would_not_be_understood_is_not_written(shop: Shop) -> None:
    for field, text in (("mass_g", "heavy"), ("temperature_c", "72"), ("mass_g", "1,234"), ("thickness_mm", "2 3 x")):
        with refused(SettingsError, "notes.csv", text.split()[-1]):
            note(shop, "lute-3", "voicing", {field: text})
    assert (shop.root / "notes.csv").read_text() == TABLE


def test_a_file_that_changes_all_the_time_is_left_alone(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    path, real = shop.root / "notes.csv", noting.with_note

    def while_another_saves(raw: bytes, *arguments: object) -> bytes:
        path.write_bytes(path.read_bytes() + b"#\n")
        return real(raw, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(noting, "with_note", while_another_saves)
    with refused(ShopError, "notes.csv"):
        note(shop, "lute-3", "voicing", {"work": "x"})
    assert "voicing,hole,x" in path.read_text()


def test_a_link_is_neither_read_nor_replaced(shop: Shop, tmp_path: Path) -> None:
    target = tmp_path / "theirs.csv"
    target.write_text(TABLE)
    path = shop.root / "notes.csv"
    path.unlink()
    path.symlink_to(target)
    with refused(ShopError, "notes.csv", "link"):
        note(shop, "lute-3", "voicing", {"work": "x"})
    with refused(ShopError, "notes.csv", "link"):
        notes_of(shop, "lute-3", "voicing")
    assert target.read_text() == TABLE


def test_who_may_read_the_file_stays(shop: Shop) -> None:
    path = shop.root / "notes.csv"
    path.chmod(0o640)
    note(shop, "lute-3", "voicing", {"work": "x"})
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_shop_without_notes_gets_them(tmp_path: Path) -> None:
    shop = open_shop(make_shop(tmp_path / "shop", {}))
    assert notes_of(shop, "lute-3", "voicing")["work"] == ""
    note(shop, "lute-3", "voicing", {"work": "x"})
    assert (shop.root / "notes.csv").read_text() == "instrument,stage,work\nlute-3,voicing,x\n"


def test_what_a_kill_left_is_tidied_away(shop: Shop) -> None:
    (shop.root / ".0123456789ab.part").write_text("half a note")
    tidy(shop)
    assert sorted(p.name for p in shop.root.iterdir()) == ["notes.csv", "recordings", "results"]
