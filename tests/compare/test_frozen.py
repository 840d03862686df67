"""Stages up to a day are frozen: whatever is recorded later, their rows of ``drift.csv`` keep their digits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.frozen import judged_as
from tapbatch.model.history import Note
from tapbatch.model.settings import InstrumentSettings, ModeSetting
from tests.compare.shop_sim import Made, compared, drift_rows, recorded

DAY = date(2026, 11, 30)
FROZEN = InstrumentSettings(frozen=DAY, mode=(ModeSetting(label="main", near_hz=200.0),))
MOVED = [0.0, 4.0, -12.0, 0.0]


def a_shop(settings: InstrumentSettings = FROZEN) -> dict[str, Made]:
    """Return a shop with a lyre of three stages, an old instrument that repeated a set-up, and a reference."""
    rng = np.random.default_rng(14)
    lyre = [
        recorded(rng, "lyre_01-a_1.wav", "2026-11-20T10:00:00"),
        recorded(rng, "lyre_02-b_1.wav", "2026-11-25T10:00:00", MOVED),
        recorded(rng, "lyre_03-c_1.wav", "2026-11-30T23:30:00", [8.0 + c for c in MOVED]),
    ]
    old = [
        recorded(rng, "old_01-a_1.wav", "2026-11-02T10:00:00"),
        recorded(rng, "old_01-a_again_2.wav", "2026-11-02T11:00:00", 1.0, again=True, take=2),
    ]
    bar = [
        recorded(rng, f"bar_day {day}_{n}.wav", f"2026-11-{day}T{n:02d}:30:00", 0.5 * n, again=n > 9, take=n)
        for day in (20, 25, 30)
        for n in (9, 18)
    ]
    return {
        "lyre": Made(lyre, settings),
        "old": Made(old),
        "bar": Made(bar, InstrumentSettings(reference=True)),
    }


def up_to(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    return [row for row in rows if row["to_stage"] in ("02-b", "03-c")]


Later = Callable[[dict[str, Made], np.random.Generator, int], None]


def _again_elsewhere(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    for k, cents in enumerate((0.0, rng.uniform(3.0, 6.0))):
        at = f"2026-12-{1 + n:02d}T10:0{k}:00"
        shop.setdefault(f"new-{n}", Made()).items.append(
            recorded(rng, f"new-{n}_01-a_{k}.wav", at, cents, again=k > 0, take=k)
        )


def _again_at_an_old_stage(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    name = f"old_01-a_again_{10 + n}.wav"
    shop["old"].items.append(
        recorded(rng, name, f"2026-12-{1 + n:02d}T10:00:00", rng.uniform(3.0, 6.0), again=True, take=10 + n)
    )


def _again_without_a_date(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    for k in range(2):
        name = f"undated-{n}_01-a_{k}.wav"
        shop.setdefault(f"undated-{n}", Made()).items.append(recorded(rng, name, "", 4.0 * k, again=k > 0, take=k))


def _own_stage(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    # Near a label, too: it stays where it was.
    moves = rng.normal(0.0, 30.0, 4)
    shop["lyre"].items.append(recorded(rng, f"lyre_{10 + n:02d}-d_1.wav", f"2026-12-{1 + n:02d}T10:00:00", moves))


def _own_recording_at_an_old_stage(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    name = f"lyre_02-b_again_{10 + n}.wav"
    shop["lyre"].items.append(recorded(rng, name, f"2026-12-{1 + n:02d}T10:00:00", 25.0, again=True, take=10 + n))


def _own_again_at_a_later_stage(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    for k in range(2):
        name = f"lyre_{30 + n}-e_{k}.wav"
        shop["lyre"].items.append(
            recorded(rng, name, f"2026-12-{1 + n:02d}T11:0{k}:00", 9.0 * k, again=k > 0, take=k)
        )


def _a_sitting(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    name = f"bar_day {40 + n}_1.wav"
    shop["bar"].items.append(recorded(rng, name, f"2026-12-{1 + n:02d}T09:00:00", rng.normal(0.0, 9.0)))


def _another_reference(shop: dict[str, Made], rng: np.random.Generator, n: int) -> None:
    made = shop.setdefault(f"board-{n}", Made(settings=InstrumentSettings(reference=True)))
    made.items.append(recorded(rng, f"board-{n}_day one_1.wav", f"2026-12-{1 + n:02d}T09:00:00", 5.0))


LATER: dict[str, Later] = {
    "again elsewhere": _again_elsewhere,
    "again at an old stage": _again_at_an_old_stage,
    "again without a date": _again_without_a_date,
    "own stage": _own_stage,
    "own recording at an old stage": _own_recording_at_an_old_stage,
    "own again at a later stage": _own_again_at_a_later_stage,
    "a sitting": _a_sitting,
    "another reference": _another_reference,
}


@pytest.fixture(scope="module")
def before() -> list[dict[str, str]]:
    rows = drift_rows(a_shop(), "lyre")
    assert {row["mode"] for row in rows} >= {"main", "r1"}
    assert {row["to_stage"] for row in rows} == {"02-b", "03-c"}
    return rows


@pytest.mark.slow
@settings(max_examples=12)
@given(st.lists(st.sampled_from(sorted(LATER)), max_size=4), st.integers(0, 99))
def test_what_is_recorded_later_leaves_frozen_rows_as_they_are(
    before: list[dict[str, str]], events: list[str], seed: int
) -> None:
    shop = a_shop()
    for n, event in enumerate(events):
        LATER[event](shop, np.random.default_rng([seed, n]), n)
    assert up_to(drift_rows(shop, "lyre")) == before


def test_all_of_it_at_once_leaves_frozen_rows_as_they_are(before: list[dict[str, str]]) -> None:
    shop = a_shop()
    for n, event in enumerate(LATER):
        LATER[event](shop, np.random.default_rng([7, n]), n)
    now = drift_rows(shop, "lyre")
    assert up_to(now) == before
    assert len(now) > len(before)


@pytest.mark.parametrize("event", [e for e in LATER if e not in ("own stage", "a sitting", "another reference")])
def test_without_the_setting_they_change(event: str) -> None:
    shop = a_shop(FROZEN.model_copy(update={"frozen": None}))
    rows = drift_rows(shop, "lyre")
    LATER[event](shop, np.random.default_rng(3), 0)
    assert up_to(drift_rows(shop, "lyre")) != rows


def test_a_stage_of_a_later_day_is_judged_with_all_that_is_known() -> None:
    shop = a_shop()
    _own_stage(shop, np.random.default_rng(1), 0)
    frozen = drift_rows(shop, "lyre")
    _again_elsewhere(shop, np.random.default_rng(2), 0)
    now = drift_rows(shop, "lyre")
    assert up_to(now) == up_to(frozen)
    assert [row for row in now if row["to_stage"] == "10-d"] != [row for row in frozen if row["to_stage"] == "10-d"]


def test_on_the_day_itself_nothing_differs() -> None:
    open_rows = drift_rows(a_shop(FROZEN.model_copy(update={"frozen": None})), "lyre")
    assert drift_rows(a_shop(), "lyre") == open_rows


def test_a_recording_of_a_later_day_is_named_and_left_out() -> None:
    shop = a_shop()
    _own_recording_at_an_old_stage(shop, np.random.default_rng(3), 0)
    history = compared(shop, "lyre")
    assert [(n.kind, n.path, n.day) for n in history.notices] == [
        ("after frozen", "lyre_02-b_again_10.wav", "2026-11-30")
    ]
    assert all(h.recording.take != 10 for stage in history.stages for h in stage.heard)


@pytest.mark.slow
def test_a_stage_without_a_date_is_not_frozen_and_named() -> None:
    shop = a_shop()
    rng = np.random.default_rng(4)
    shop["lyre"].items[1] = recorded(rng, "lyre_02-b_1.wav", "", MOVED)
    (notice,) = compared(shop, "lyre").notices
    assert (notice.kind, notice.names) == ("not frozen", ("02-b",))
    rows = drift_rows(shop, "lyre")
    _again_elsewhere(shop, np.random.default_rng(2), 0)
    assert up_to(drift_rows(shop, "lyre")) != rows
    # With a date in the notes it is.
    shop["lyre"].notes["lyre", "02-b"] = Note(instrument="lyre", stage="02-b", date="2026-11-25")
    assert not compared(shop, "lyre").notices
    rows = drift_rows(shop, "lyre")
    _again_elsewhere(shop, np.random.default_rng(5), 1)
    assert up_to(drift_rows(shop, "lyre")) == rows


def test_a_note_of_a_later_day_leaves_a_stage_open() -> None:
    shop = a_shop()
    shop["lyre"].notes["lyre", "03-c"] = Note(instrument="lyre", stage="03-c", date="2026-12-02")
    frozen = drift_rows(shop, "lyre")
    _again_elsewhere(shop, np.random.default_rng(2), 0)
    now = drift_rows(shop, "lyre")
    assert [r for r in now if r["to_stage"] == "02-b"] == [r for r in frozen if r["to_stage"] == "02-b"]
    assert [r for r in now if r["to_stage"] == "03-c"] != [r for r in frozen if r["to_stage"] == "03-c"]


def test_a_comparison_of_two_stages_rests_on_the_same() -> None:
    shop = a_shop()
    _again_elsewhere(shop, np.random.default_rng(2), 0)
    history = compared(shop, "lyre")
    first, second = history.stages[:2]
    found = side_by_side(first, second, FROZEN, grounds=judged_as(history).between(first, second))
    rows = [d for d in history.drifts if d.to_stage == "02-b"]

    def alone(drift):  # type: ignore[no-untyped-def]
        return replace(
            drift, first_stage="", first_change_cents=None, first_cents_low=None, first_cents_high=None,
            first_verdict="", first_moved="", first_extent=None, first_cautions=(),
        )  # fmt: skip

    assert [alone(d) for d in rows] == list(found.drifts)
