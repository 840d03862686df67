"""Shops with a family, from files to tables: what earlier instruments teach, and that later ones change nothing."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tapbatch.api import load_readings, load_table
from tapbatch.results.marks import read_marks
from tapbatch.results.sealed import read_sealed, seal
from tapbatch.run.one_pass import How, run_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import history_to_tables
from tests.shops import make_shop, rows_of, tapbatch, taps, write_wav

pytestmark = pytest.mark.usefixtures("drawn")

SETTINGS = 'family = "cittern"\n[[mode]]\nlabel = "air"\nnear_hz = 182\n[[target]]\nmode = "air"\nnote = "A3"\n'


def voiced(name: str, month: int, cents: list[float]) -> dict[str, np.ndarray]:
    """Return the recordings of an instrument whose modes all stood at these cents, an hour apart."""
    return {
        f"{name}/05-voicing/closed/step/2026-{month:02d}-10 {9 + n:02d}.00.00.wav": taps(
            900 + 10 * month + n, cents=c, count=2
        )
        for n, c in enumerate(cents)
    }


EARLIER = {**voiced("c-1", 1, [0.0, 40.0, 82.0]), **voiced("c-2", 2, [0.0, 44.0, 85.0])}
NEW = voiced("c-3", 6, [0.0])
NAMES = ("c-1", "c-2", "c-3", "c-4")


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    files = {f"instruments/{name}.toml": SETTINGS for name in NAMES}
    return make_shop(tmp_path / "shop", {**EARLIER, **NEW}, files)


def air(shop: Path, name: str = "c-3", results: str = "results") -> dict[str, str]:
    rows = rows_of((shop / results if results == "results" else shop.parent / results) / name / "targets.csv")
    return next(r for r in rows if (r["mode"], r["landing"]) == ("air", "target"))


def run(shop: Path, *words: object) -> None:
    told = tapbatch("run", shop, "--jobs", "1", *words)
    assert told.status == 0, told.err


def test_the_first_cut_is_forecast_from_files(shop: Path) -> None:
    run(shop)
    row = air(shop)
    assert (row["basis"], row["steps_seen"]) == ("2 earlier citterns alone, no cut here yet", "0")
    assert float(row["step_low_cents"]) < 41.0 < float(row["step_high_cents"])
    # The notebook goes the same road.
    history = load_readings(shop)["c-3"]
    printed = table_bytes("targets", history_to_tables(history)["targets"])
    assert printed == (shop / "results" / "c-3" / "targets.csv").read_bytes()
    # The first of the family had nobody to learn from.
    assert air(shop, "c-1")["basis"] == "2 steps of step series 05-voicing: 3 are needed"


def test_a_later_instrument_changes_no_table_of_an_earlier_one(shop: Path) -> None:
    run(shop)
    before = {p: p.read_bytes() for p in (shop / "results").glob("c-*/*.csv")}
    assert len(before) > 10
    for name, samples in voiced("c-4", 9, [0.0, -60.0, -125.0]).items():
        write_wav(shop / "recordings" / name, samples)
    run(shop)
    assert {p: p.read_bytes() for p in before} == before
    # From nothing, in another folder: the same.
    run(shop, "--results", shop.parent / "anew")
    assert (shop.parent / "anew" / "c-3" / "targets.csv").read_bytes() == before[
        shop / "results" / "c-3" / "targets.csv"
    ]
    assert air(shop, "c-4")["basis"] == "2 earlier citterns and 2 cuts here"


def test_an_arrival_leaves_the_others_for_when_it_is_quiet(shop: Path) -> None:
    run(shop)
    name, samples = next(iter(voiced("c-1", 3, [0.0, 0.0, 0.0, 120.0]).items()))
    write_wav(shop / "recordings" / name.replace("09.00", "12.00"), samples)
    busy = run_shop(open_shop(shop), How(follow=False))
    assert set(busy.followers) == {"c-2", "c-3"}
    quiet = run_shop(open_shop(shop), How())
    assert quiet.followers == ()


def test_all_stand_beside_one_another_on_their_pages_when_it_is_quiet(shop: Path) -> None:
    run(shop)
    page = shop / "results" / "c-1" / "page.html"
    before = page.read_bytes()
    staff = re.search(r'aria-label="The family side by side: ([^"]*)"', before.decode())
    assert staff is not None
    assert re.match(r"air: c-1 \S+ .* c, c-2 \S+ .* c, c-3 \S+ .* c", staff[1])
    for name, samples in voiced("c-4", 9, [10.0]).items():
        write_wav(shop / "recordings" / name, samples)
    busy = run_shop(open_shop(shop), How(follow=False))
    assert set(busy.followers) == {"c-1", "c-2", "c-3"}
    assert page.read_bytes() == before
    run_shop(open_shop(shop), How())
    assert ", c-4 " in page.read_text(encoding="utf-8")


def test_two_of_a_family_are_enough_to_stand_side_by_side(tmp_path: Path) -> None:
    files = {f"instruments/c-{n}.toml": SETTINGS for n in (1, 3)}
    shop = make_shop(tmp_path / "shop", {**voiced("c-1", 1, [0.0, 40.0]), **NEW}, files)
    # The true distance is what the recordings were made with: the last step of c-1 against the first of c-3.
    told = tapbatch("compare", "c-3", "--family", shop)
    assert told.status == 0, told.err
    assert tapbatch("compare", "c-3/05-voicing", "--family", shop).out == told.out
    apart = re.search(r"\n\s+\+([\d.]+) ± ([\d.]+) c", told.out)
    assert apart is not None
    assert float(apart[1]) == pytest.approx(40.0, abs=float(apart[2]))
    run(shop)
    assert "The family side by side" in (shop / "results" / "c-1" / "page.html").read_text(encoding="utf-8")
    assert air(shop)["basis"] == "no steps of the same work"


def test_what_cannot_stand_side_by_side_is_said_in_one_line(shop: Path) -> None:
    for words, said in (
        (("c-9", "--family", shop), "c-9: no recordings of such an instrument"),
        (("c-3/07", "--family", shop), "c-3/07: there is no such stage"),
        (("c-3", "05", shop, "--family"), "--family takes one stage; write tapbatch compare c-3/05 --family"),
        (("c-3",), "two stages are needed"),
    ):
        told = tapbatch("compare", *words)
        assert (told.status, told.err.count("\n")) == (2, 1)
        assert said in told.err
    (shop / "instruments" / "c-3.toml").write_text(SETTINGS.replace("cittern", "lute"), encoding="utf-8")
    assert "no other lute was recorded" in tapbatch("compare", "c-3", "--family", shop).err
    (shop / "instruments" / "c-3.toml").write_text("", encoding="utf-8")
    assert "its settings name no family" in tapbatch("compare", "c-3", "--family", shop).err


def test_what_was_taught_is_kept_and_read_back(shop: Path) -> None:
    run(shop)
    learned = read_marks(shop / "results").of["c-1"].learned
    assert learned is not None
    (steps,) = learned.steps
    assert (steps.family, steps.mode, steps.work, len(steps.steps)) == ("cittern", "air", "series voicing", 2)
    (stood,) = learned.stages
    assert (stood.family, stood.same, stood.stage_shown) == ("cittern", "voicing", "05-voicing step 3")
    before = air(shop)
    run(shop)
    assert air(shop) == before
    spoiled = 0
    for path in (shop / "results" / ".readings").glob("standing-*"):
        text = read_sealed(path)[0].decode()
        if '"begins": 0' in text:
            spoiled += 1
            path.write_bytes(seal(text.replace('"begins": 0', '"begins": -3')))
    assert spoiled
    run(shop)
    assert air(shop) == before


def test_without_a_family_nothing_is_learned(shop: Path) -> None:
    for name in NAMES:
        (shop / "instruments" / f"{name}.toml").write_text(SETTINGS.replace('family = "cittern"\n', ""))
    run(shop)
    assert air(shop)["basis"] == "no steps of the same work"
    assert {mark.learned for mark in read_marks(shop / "results").of.values()} == {None}


# ------------------------------------------------------------ what came of forecasts


def test_each_step_stands_beside_its_forecast(shop: Path) -> None:
    for name, samples in voiced("c-3", 6, [0.0, 41.0, 80.0]).items():
        write_wav(shop / "recordings" / name, samples)
    told = tapbatch("run", shop, "--jobs", "1")
    assert told.status == 0, told.err
    rows = rows_of(shop / "results" / "forecasts.csv")
    assert [(r["instrument"], r["mode"], r["stage"], r["work"]) for r in rows] == [
        ("c-3", "air", f"05-voicing step {n}", "voicing") for n in (2, 3)
    ]
    assert all(r["came_within"] == "true" for r in rows)
    assert [float(r["came_cents"]) for r in rows] == pytest.approx([41.0, 39.0], abs=2.0)
    assert told.said.count("forecasts: 2 cuts had a forecast so far; 10 are needed") == 1
    # Nothing is measured then, so there is nothing new to count.
    assert "forecasts:" not in tapbatch("run", shop, "--jobs", "1").said
    # A later instrument changes no row, nor does working all out anew.
    for name, samples in voiced("c-4", 9, [0.0, -60.0]).items():
        write_wav(shop / "recordings" / name, samples)
    run(shop)
    run(shop, "--results", shop.parent / "anew")
    now = rows_of(shop / "results" / "forecasts.csv")
    assert now[:2] == rows
    assert rows_of(shop.parent / "anew" / "forecasts.csv") == now
    assert load_table(shop, "forecasts")["instrument"].tolist() == ["c-3", "c-3", "c-4"]


def test_without_steps_the_table_has_only_its_head(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"lyre-2_01-joined_top_1.wav": taps(72)})
    told = tapbatch("run", shop)
    assert rows_of(shop / "results" / "forecasts.csv") == []
    assert "forecasts:" not in told.said
