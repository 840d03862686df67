"""Misspelt rows of notes.csv and oddly parted names of recordings, from a run to attention.csv."""

from __future__ import annotations

from pathlib import Path

from tests.shops import make_shop, rows_of, tapbatch, taps

NOTES = """instrument,stage,work
cittern-12,05-box-closed,close
citern-12,05-box-closed,close
cittern-12,07-strng,string
cittern-12,07-strung,string
cittern-12,06-voicing,open the hole
cittern-12,06-voicing step 1,open the hole
"""


def test_each_is_named_with_what_was_meant(tmp_path: Path) -> None:
    sound = taps(51, count=1)
    sounds = {
        "cittern-12_05-box-closed_1.wav": sound,
        "cittern-12_06-voicing_step_1.wav": sound * 0.9,
        "cittern-12_07-strung_strung.wav": sound * 0.8,
        "Cittern-12-05-box-closed.wav": sound * 0.7,
        "cittern-12-07-strung_top.wav": sound * 0.6,
    }
    shop = make_shop(tmp_path / "shop", sounds, {"notes.csv": NOTES})
    assert tapbatch("run", shop).status == 1
    told = {(row["where"], row["problem"]): row["remedy"] for row in rows_of(shop / "results" / "attention.csv")}
    meant = {where + " " + problem: remedy.split("?")[0] for (where, problem), remedy in told.items()}
    assert meant == {
        "Cittern-12-05-box-closed.wav neither the name nor the folders give the instrument and the stage": "did you "
        "mean cittern-12_05-box-closed.wav",
        "cittern-12-07-strung_top.wav taken for an instrument called 'cittern-12-07-strung'": "did you mean "
        "cittern-12_07-strung_top.wav",
        "notes.csv found the instrument 'citern-12' (05-box-closed), which has no recording": "did you mean "
        "'cittern-12'",
        "notes.csv found the stage '07-strng' of cittern-12, which has no recording": "did you mean '07-strung'",
    }
    # What is said once is said again, though nothing is remade.
    before = (shop / "results" / "attention.csv").read_bytes()
    assert tapbatch("run", shop).status == 1
    assert (shop / "results" / "attention.csv").read_bytes() == before
