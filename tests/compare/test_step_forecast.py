"""What earlier instruments of a family say of the next step: which count, from when, and in what words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tapbatch.compare.across import Common, Learned, common, families, learned_from
from tapbatch.compare.history import gather_history
from tapbatch.compare.step_taught import taught_steps
from tapbatch.model.history import Landing
from tapbatch.model.settings import InstrumentSettings
from tests.compare.family_builds import Voiced, landed_in_shop, voiced
from tests.compare.voicing import up

TARGET = {"target": [{"mode": "air", "hz": up(176.0, 200.0)}]}
EARLIER = {
    "a-1": voiced("a-1", [0.0, 14.0, 29.0, 44.0], "2026-01-05"),
    "a-2": voiced("a-2", [5.0, 17.0, 28.0, 40.0, 51.0], "2026-02-05"),
    "a-3": voiced("a-3", [0.0, 17.0, 33.0], "2026-03-05"),
}


def new(cents: list[float], day: str = "2026-06-05", **said: Any) -> dict[str, Voiced]:
    return {"new": voiced("new", cents, day, **TARGET | said)}


def landing_of(shop: dict[str, Voiced], name: str = "new") -> Landing:
    return landed_in_shop(shop, name)[1]


def test_the_first_cut_has_a_forecast_with_an_interval() -> None:
    landing = landing_of({**EARLIER, **new([0.0])})
    assert (landing.no_forecast, landing.steps_seen) == ("beyond", 0)
    assert landing.basis == "3 earlier citterns alone, no cut here yet"
    assert landing.step_cents == pytest.approx(14.0, abs=2.0)
    assert landing.step_low_cents is not None
    assert landing.step_high_cents is not None
    assert landing.step_low_cents < 11.0
    assert landing.step_high_cents > 17.0
    assert landing.work_way == "up"


def test_own_cuts_take_over() -> None:
    landing = landing_of({**EARLIER, **new([0.0, 30.0, 59.0])})
    assert landing.basis == "3 earlier citterns and 2 cuts here"
    assert landing.step_cents == pytest.approx(29.0, abs=3.0)
    one = landing_of({**EARLIER, **new([0.0, 30.0])})
    assert one.basis == "3 earlier citterns and 1 cut here"


@pytest.mark.parametrize("family", ["", "lute", "Cittern "])
def test_only_instruments_of_one_family_learn_from_one_another(family: str) -> None:
    landing = landing_of({**EARLIER, **new([0.0, 10.0], family=family)})
    if family.strip().lower() == "cittern":
        assert landing.basis == "3 earlier Citterns and 1 cut here"
    else:
        assert (landing.no_forecast, landing.step_cents) == ("few steps", None)
        assert landing.basis == "1 step of step series 05-voicing: 3 are needed"


def test_without_a_family_the_numbers_are_those_of_the_instrument_alone() -> None:
    cents = [0.0, 10.0, 19.0, 30.0, 40.0]
    alone = landed_in_shop(new(cents, family=""), "new")[0]
    beside = landed_in_shop({**EARLIER, **new(cents, family="")}, "new")[0]
    assert alone.landings == beside.landings


@pytest.mark.parametrize(("day", "earlier"), [("2026-02-04", 1), ("2026-03-04", 2), ("2026-03-05", 2), ("", 0)])
def test_only_what_was_recorded_earlier_counts(day: str, earlier: int) -> None:
    # On the day of a-3 itself it was still being recorded: the new one has only a recording at nine o'clock.
    basis = landing_of({**EARLIER, **new([0.0], day)}).basis
    assert basis == (
        f"{earlier} earlier citterns alone, no cut here yet" if earlier > 1 else "no steps of the same work"
    )


def test_what_comes_later_changes_nothing() -> None:
    before = landed_in_shop({**EARLIER, **new([0.0, 12.0])}, "new")[0]
    later = voiced("b-9", [0.0, -40.0, -80.0, -120.0], "2026-06-06")
    # and one of the earlier ones goes on, at a point that its first stages do not have
    longer = voiced("a-1", [0.0, 14.0, 29.0, 44.0], "2026-01-05")
    point = voiced("a-1", [0.0] * 4 + [80.0], "2026-07-01", said={"point": "edge"}).items[-1:]
    longer.items.extend(point)
    after = landed_in_shop({**EARLIER, "a-1": longer, "b-9": later, **new([0.0, 12.0])}, "new")[0]
    assert before.landings == after.landings


def test_where_earlier_ones_went_both_ways_there_is_no_figure_before_the_first_cut() -> None:
    shop = {**EARLIER, "a-4": voiced("a-4", [0.0, -15.0, -31.0, -46.0], "2026-04-05")}
    first = landing_of({**shop, **new([0.0])})
    assert (first.no_forecast, first.step_cents, first.overshoot) == ("both ways", None, None)
    assert first.basis == "4 earlier citterns went both ways"
    second = landing_of({**shop, **new([0.0, -14.0])})
    assert second.basis == "4 earlier citterns and 1 cut here"
    assert second.step_high_cents is not None
    assert second.step_high_cents < 0.0


def test_different_work_is_never_pooled() -> None:
    notes = {"05-voicing": {"work": "bars scraped"}}
    scraped = {n: voiced(n, c, d, notes=notes) for n, c, d in (("a-1", [0.0, 9.0, 18.0, 27.0], "2026-01-05"),)}
    landing = landing_of({**EARLIER, **scraped, **new([0.0])})
    assert landing.basis == "2 earlier citterns alone, no cut here yet"
    assert landing_of({**EARLIER, **new([0.0], notes=notes)}).basis == "no steps of the same work"


def test_a_series_is_the_same_work_whatever_its_number() -> None:
    assert (
        landing_of({**EARLIER, **new([0.0, 9.0], series="07 Voicing")}).basis == "3 earlier citterns and 1 cut here"
    )
    assert landing_of({**EARLIER, **new([0.0, 9.0], series="05-carving")}).steps_seen == 1
    assert landing_of({**EARLIER, **new([0.0, 9.0], series="05-carving")}).step_cents is None


def test_a_box_just_closed_expects_the_work_that_all_earlier_ones_began_with() -> None:
    shop = {**EARLIER, **new([0.0], series="03-closed", said={"step": False})}
    assert landing_of(shop).basis == "3 earlier citterns alone, no cut here yet"
    other = voiced("a-3", [0.0, 17.0, 33.0], "2026-03-05", series="04-carving")
    assert landing_of({**shop, "a-3": other}).basis == "no steps of the same work"


def test_another_way_of_holding_teaches_nothing() -> None:
    assert landing_of({**EARLIER, **new([0.0], said={"state": "rim"})}).basis == "no steps of the same work"


def test_only_labelled_modes_are_known_on_another_instrument() -> None:
    history, _ = gather_history("a-1", EARLIER["a-1"].items, InstrumentSettings(family="cittern"), {})
    assert taught_steps(history, InstrumentSettings(family="cittern")) == ()
    made = new([0.0, 9.0])["new"]
    made = replace(made, settings=made.settings.model_copy(update={"mode": (), "target": ()}))
    # The air mode is the same, but nothing says so.
    _, landing = landed_in_shop({**EARLIER, "new": made}, "new", mode="r1")
    assert landing.freq_hz == pytest.approx(up(176.0, 9.0), rel=1e-3)
    assert (landing.basis, landing.no_forecast) == ("1 step of step series 05-voicing: 3 are needed", "few steps")


def test_what_was_taken_off_is_what_steps_count_by() -> None:
    def noted(name: str, cents: list[float], day: str, grams: list[float], **settings: Any) -> Voiced:
        notes = {f"05-voicing-step-{n}": {"removed_g": g} for n, g in enumerate(grams, 2)}
        return voiced(name, cents, day, notes=notes, **settings)

    shop = {
        "a-1": noted("a-1", [0.0, 5.0, 15.0, 30.0], "2026-01-05", [1.0, 2.0, 3.0]),
        "a-2": noted("a-2", [0.0, 15.5, 20.0, 31.0], "2026-02-05", [3.0, 1.0, 2.0]),
        "new": noted("new", [0.0, 20.5, 40.0, 60.5], "2026-06-05", [4.0, 4.0, 4.0], **TARGET),
    }
    landing = landing_of(shop)
    assert landing.basis == "2 earlier citterns and 3 cuts here, by grams taken off"
    assert landing.step_cents == pytest.approx(20.0, abs=1.5)


def test_two_stand_side_by_side_and_a_reference_is_none_of_them() -> None:
    cittern, old = InstrumentSettings(family="cittern"), InstrumentSettings(family="cittern", reference=True)
    assert families([cittern]) == set()
    assert families([cittern, old]) == set()
    assert families([cittern, InstrumentSettings(family="Cittern")]) == {"cittern"}


def test_a_family_needs_three_to_teach_one_of_them() -> None:
    new = voiced("new", [0.0], "2026-06-05", **TARGET)
    assert landing_of({"a-1": EARLIER["a-1"], "new": new}).step_cents is None
    assert landing_of({"a-1": EARLIER["a-1"], "a-2": EARLIER["a-2"], "new": new}).step_cents is not None


def test_what_is_taught_is_part_of_the_fingerprint() -> None:
    learned = learned_from(gather_history("a-1", EARLIER["a-1"].items, EARLIER["a-1"].settings, {})[0],
                           EARLIER["a-1"].settings)  # fmt: skip
    shared = common({"a-1": learned})
    cittern = InstrumentSettings(family="cittern")
    assert learned != Learned()
    assert shared.of(cittern, "new").steps == learned.steps
    assert shared.of(cittern, "a-1").steps == ()
    assert shared.of(InstrumentSettings(), "new").fingerprint == Common().fingerprint
    assert shared.of(cittern, "new").fingerprint != Common().fingerprint


def test_the_distance_of_two_modes_is_learned_on_the_instrument_alone() -> None:
    apart = {"target": [{"mode": "air", "cents_from": "main", "cents": -500.0}]}
    history, landing = landed_in_shop({**EARLIER, **new([0.0, 12.0], **apart)}, "new")
    assert (landing.moves_with, landing.no_forecast, landing.step_cents) == ("main", "few steps", None)
    assert landing.basis == "1 step of step series 05-voicing: 3 are needed"
    fixed = [x for x in history.landings if x.mode == "air" and not x.moves_with]
    assert {x.basis for x in fixed} == {"3 earlier citterns and 1 cut here"}


def test_that_earlier_ones_went_both_ways_is_not_said_of_the_distance_of_two_modes() -> None:
    apart = {"target": [{"mode": "air", "cents_from": "main", "cents": -500.0}]}
    turned = voiced("a-4", [0.0, -15.0, -31.0, -46.0], "2026-04-05")
    history, landing = landed_in_shop({**EARLIER, "a-4": turned, **new([0.0], **apart)}, "new")
    assert (landing.moves_with, landing.no_forecast) == ("main", "few steps")
    assert landing.basis == "no steps of the same work"
    fixed = [x for x in history.landings if x.mode == "air" and not x.moves_with]
    assert {(x.no_forecast, x.basis) for x in fixed} == {("both ways", "4 earlier citterns went both ways")}
