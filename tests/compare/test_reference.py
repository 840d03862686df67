"""A reference that was never cut: which of its sittings count, what is taken off, and that moves of the air are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.across import common, learned_from
from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.bench import Bench
from tapbatch.compare.frozen import judged_as
from tapbatch.compare.history import gather_history
from tapbatch.compare.moves.belief import believe, evidence_anew
from tapbatch.compare.moves.between import moves_between
from tapbatch.compare.moves.contrast import TapSet, contrast
from tapbatch.compare.moves.priors import FREQ
from tapbatch.compare.moves.reference_move import alike_of
from tapbatch.compare.reference import by_reference, sittings_of
from tapbatch.compare.targets import with_landings
from tapbatch.model.history import Drift, Note
from tapbatch.model.settings import InstrumentSettings, ModeSetting
from tests.compare.shop_sim import Made, compared, recorded

BAR_HZ = [220.0, 612.0, 1190.0]
REFERENCE = InstrumentSettings(reference=True)


def sitting(at: str, cents: float, number: int, name: str = "bar", **said: object):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng([5, number])
    return recorded(rng, f"{name}_day {number}_1.wav", at, cents, BAR_HZ, **said)


def a_lyre(moved: float, days: tuple[str, str] = ("2026-11-20T12:00:00", "2026-11-25T12:00:00")) -> Made:
    rng = np.random.default_rng(11)
    items = [
        recorded(rng, f"lyre_0{n}-s_1.wav", at, cents)
        for n, (at, cents) in enumerate(zip(days, (0.0, moved), strict=True), 1)
    ]
    return Made(items, InstrumentSettings(mode=(ModeSetting(label="hole", near_hz=150.0, kind="air"),)))


def a_bar(*sittings: tuple[str, float], settings: InstrumentSettings = REFERENCE) -> Made:
    return Made([sitting(at, cents, n) for n, (at, cents) in enumerate(sittings)], settings)


BRACKETED = (
    ("2026-11-20T08:00:00", -0.5),
    ("2026-11-20T18:00:00", 0.5),
    ("2026-11-25T08:00:00", 4.5),
    ("2026-11-25T18:00:00", 5.5),
)
"""First and last on two days; the air moved everything by 5 cents between them."""


def row_of(shop: dict[str, Made], mode: str = "r2") -> Drift:
    (row,) = [d for d in compared(shop, "lyre").drifts if d.mode == mode]
    return row


def said_of(row: Drift) -> list[tuple[tuple[str, ...], float, bool]]:
    return [
        (c.before, round(c.moved_cents, 1), c.is_air)
        for c in row.cautions
        if c.kind == "reference" and c.moved_cents is not None
    ]


# ------------------------------------------------------------ what is taken off


def test_what_the_reference_moved_is_taken_off_and_said() -> None:
    alone, beside = row_of({"lyre": a_lyre(5.0)}), row_of({"lyre": a_lyre(5.0), "bar": a_bar(*BRACKETED)})
    ((names, moved, is_air),) = said_of(beside)
    assert (names, is_air) == (("Bar",), False)
    # Hands scatter by 0.4 cents: the mean of six taps of three modes by a tenth.
    assert moved == pytest.approx(5.0, abs=0.5)
    assert not said_of(alone)
    assert None not in (alone.freq_change_cents, beside.freq_change_cents)
    assert alone.freq_change_cents - beside.freq_change_cents == pytest.approx(moved, abs=0.06)  # type: ignore[operator]
    assert alone.common_cents - beside.common_cents == pytest.approx(moved, abs=0.5)  # type: ignore[operator]
    # Its error comes on top, and what a mode moved by itself stays.
    assert beside.cents_high - beside.cents_low > alone.cents_high - alone.cents_low  # type: ignore[operator]
    assert (alone.t60_change_pct, alone.t60_low_pct) == (beside.t60_change_pct, beside.t60_low_pct)


def test_nothing_is_taken_off_an_air_mode() -> None:
    shop = {"lyre": a_lyre(5.0), "bar": a_bar(*BRACKETED)}
    alone, beside = row_of({"lyre": a_lyre(5.0)}, "hole"), row_of(shop, "hole")
    assert beside.freq_change_cents == alone.freq_change_cents
    ((_, _, is_air),) = said_of(beside)
    assert is_air
    # Beside the others it seems to have moved by what was taken off those; its interval knows that.
    assert beside.own_low_cents < 0.0 < beside.own_high_cents  # type: ignore[operator]
    assert beside.verdict not in ("up", "down")


def test_an_air_mode_of_the_reference_does_not_count() -> None:
    labelled = REFERENCE.model_copy(update={"mode": (ModeSetting(label="hole", near_hz=220.0, kind="air"),)})
    moves = [30.0, 5.0, 5.0]
    bar = Made(
        [
            recorded(np.random.default_rng(n), f"bar_day {n}_1.wav", at, cents, BAR_HZ)
            for n, (at, cents) in enumerate([("2026-11-20T08:00:00", 0.0), ("2026-11-25T08:00:00", moves)])
        ],
        labelled,
    )
    ((_, moved, _),) = said_of(row_of({"lyre": a_lyre(5.0), "bar": bar}))
    assert moved == pytest.approx(5.0, abs=0.7)


def test_several_references_are_averaged_and_named() -> None:
    other = Made(
        [sitting(at, cents + 2.0 * (n > 0), n, "slat") for n, (at, cents) in enumerate(BRACKETED[::2])], REFERENCE
    )
    ((names, moved, _),) = said_of(row_of({"lyre": a_lyre(5.0), "bar": a_bar(*BRACKETED[::2]), "slat": other}))
    assert names == ("Bar", "Slat")
    assert moved == pytest.approx(6.0, abs=0.7)


# ------------------------------------------------------------ which sittings


@pytest.mark.parametrize(
    "sittings",
    [
        (),
        (("2026-11-20T08:00:00", 0.0),),
        (("2026-11-20T08:00:00", 0.0), ("2026-11-24T23:59:00", 5.0)),
        (("2026-11-19T08:00:00", 0.0), ("2026-11-25T08:00:00", 5.0)),
        (("", 0.0), ("", 5.0)),
    ],
)
def test_without_a_sitting_on_both_days_nothing_changes(sittings: tuple[tuple[str, float], ...]) -> None:
    lyre = a_lyre(5.0)
    assert row_of({"lyre": lyre, "bar": a_bar(*sittings)}) == row_of({"lyre": lyre})


def test_sittings_measured_by_two_versions_are_not_compared() -> None:
    bar, lyre = a_bar(*BRACKETED), a_lyre(5.0)
    bar.items[:2] = [(r, replace(reading, method="older"), gone) for r, reading, gone in bar.items[:2]]
    assert row_of({"lyre": lyre, "bar": bar}) == row_of({"lyre": lyre})


def test_a_day_is_that_of_the_clock_on_the_wall() -> None:
    # Late in the evening of the 25th, which is the 26th in UTC.
    bar = a_bar(("2026-11-20T08:00:00", 0.0), ("2026-11-25T23:30:00-05:00", 5.0))
    assert said_of(row_of({"lyre": a_lyre(5.0), "bar": bar}))


def test_within_one_day_the_nearest_sittings_count_if_they_differ() -> None:
    lyre = a_lyre(5.0, ("2026-11-20T09:00:00", "2026-11-20T17:00:00"))
    first, noon, last = (("2026-11-20T08:00:00", 0.0), ("2026-11-20T12:30:00", 30.0), ("2026-11-20T18:00:00", 4.0))
    ((_, moved, _),) = said_of(row_of({"lyre": lyre, "bar": a_bar(first, noon, last)}))
    assert moved == pytest.approx(4.0, abs=0.7)
    assert not said_of(row_of({"lyre": lyre, "bar": a_bar(first)}))


def test_a_day_in_the_notes_serves_where_recordings_have_none() -> None:
    bar = a_bar(("", 0.0), ("", 5.0))
    bar.notes = {
        ("bar", f"day-{n}"): Note(instrument="bar", stage=f"day-{n}", date=day)
        for n, day in enumerate(("2026-11-20", "2026-11-25"))
    }
    assert said_of(row_of({"lyre": a_lyre(5.0), "bar": bar}))


def test_undated_stages_of_a_reference_are_named() -> None:
    *_, notice = compared({"bar": a_bar(("", 0.0), ("", 5.0))}, "bar").notices
    assert (notice.kind, notice.names) == ("reference undated", ("day 0", "day 1"))


# ------------------------------------------------------------ the reference itself


def test_a_reference_is_not_compared_with_references_and_has_no_landings() -> None:
    shop = {
        "bar": a_bar(*BRACKETED),
        "slat": Made([sitting(*s, n, "slat") for n, s in enumerate(BRACKETED)], REFERENCE),
    }
    history = compared(shop, "bar")
    assert history.drifts
    assert not any(c.kind == "reference" for d in history.drifts for c in d.cautions)
    assert with_landings(history, REFERENCE, {}) == (history, ())
    assert with_landings(history, InstrumentSettings(), {})[0].landings


def test_what_an_ordinary_instrument_does_is_no_sitting() -> None:
    made = a_bar(*BRACKETED)
    history, _ = gather_history("bar", made.items, made.settings, {})
    assert len(sittings_of(history, REFERENCE)) == 4
    assert sittings_of(history, InstrumentSettings()) == ()


def test_a_comparison_asked_for_rests_on_the_same() -> None:
    shop = {"lyre": a_lyre(5.0), "bar": a_bar(*BRACKETED)}
    history = compared(shop, "lyre")
    before, after = history.stages
    found = side_by_side(before, after, shop["lyre"].settings, grounds=judged_as(history).between(before, after))
    first = {"first_stage": "", "first_change_cents": None, "first_cents_low": None, "first_cents_high": None}
    alone = [
        replace(d, **first, first_verdict="", first_moved="", first_extent=None, first_cautions=())  # type: ignore[arg-type]
        for d in history.drifts
    ]
    assert list(found.drifts) == alone
    assert any(c.kind == "reference" for c in found.cautions)


def test_no_sitting_is_near_without_any() -> None:
    before, after = compared({"lyre": a_lyre(0.0)}, "lyre").stages
    assert by_reference(before, after, (), Bench()) is None
    assert common({"lyre": learned_from(compared({"lyre": a_lyre(0.0)}, "lyre"))}).now.sittings == ()


# ------------------------------------------------------------ known truth

# Readings made here, of taps, hands, set-ups and air that no other simulator knows: a set-up moves all modes alike
# with the standard deviation `common`, each with `own`; air moves all by `air` on the second day, and wanders by 0.5
# cents from sitting to sitting.


def taps_of(rng: np.random.Generator, truth: np.ndarray, common: float, own: float, setup: int = 0) -> TapSet:
    lies = truth + rng.normal(0.0, common) + rng.normal(0.0, own, truth.size)
    values = lies + rng.normal(0.0, 0.2, (5, 1)) + rng.normal(0.0, 0.5, (5, truth.size))
    noisy = values + rng.normal(0.0, 0.1, values.shape)
    return TapSet(noisy, np.full(values.shape, 0.01), rng.normal(-12.0, 2.0, 5), setup=setup)


def said(rng: np.random.Generator, cut: float, air: float, bench: tuple[float, float], reference: bool) -> set[str]:
    """Return the verdicts on eight modes that were cut alike, after two days of tapping a bar first and last."""
    before, after = (taps_of(rng, np.full(8, cents), *bench) for cents in (0.0, cut + air))
    days = [
        [taps_of(rng, np.full(3, cents + rng.normal(0.0, 0.5)), *bench, setup=n) for n in range(2)]
        for cents in (0.0, air)
    ]
    told = [e for day in days for e in evidence_anew(day, FREQ)] if reference else []
    belief = believe(told, FREQ)
    alike = alike_of(contrast(*days, FREQ), FREQ, belief) if reference else None
    return {m.verdict for m in moves_between([before], [after], FREQ, belief, 3.0, alike=alike).modes}


def share(cut: float, airs: tuple[float, ...], bench: tuple[float, float], reference: bool, trials: int) -> float:
    firm = 0
    for n in range(trials):
        rng = np.random.default_rng([8, n, int(10 * bench[0])])
        firm += bool({"up", "down"} & said(rng, cut, airs[n % len(airs)], bench, reference))
    return firm / trials


@pytest.mark.slow
@pytest.mark.parametrize("bench", [(0.5, 0.3), (1.0, 0.5), (2.0, 0.7)])
def test_air_is_not_told_as_a_cut(bench: tuple[float, float]) -> None:
    trials = 60
    # At most 5 %; one run in a thousand exceeds 9 of 60.
    assert share(0.0, (5.0,), bench, True, trials) <= 9 / trials


@pytest.mark.slow
@pytest.mark.parametrize("bench", [(0.5, 0.3), (1.0, 0.5)])
def test_a_cut_of_all_modes_is_told_more_often(bench: tuple[float, float]) -> None:
    # The air moved all by five cents, up or down: without a reference, down hides a cut of ten.
    alone, beside = (share(10.0, (-5.0, 5.0), bench, known, 60) for known in (False, True))
    assert beside > alone
    assert share(10.0, (-5.0,), bench, True, 60) >= 0.3
    assert share(10.0, (-5.0,), bench, False, 60) <= 0.1
