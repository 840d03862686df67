"""Each step beside the forecast before it: nothing later leaks in, and the counts are those of the rows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tapbatch.compare.across import common, learned_from
from tapbatch.compare.history import gather_history
from tapbatch.compare.step_scores import forecasts_came
from tapbatch.model.forecast import ForecastCame, kept_of
from tests.compare.family_builds import Voiced, voiced
from tests.compare.voicing import up

TARGET = {"target": [{"mode": "air", "hz": up(176.0, 52.0)}]}
CENTS = [0.0, 11.0, 20.0, 31.0, 41.0, 90.0, 101.0]
EARLIER = {
    "a-1": voiced("a-1", [0.0, 10.0, 19.0, 30.0], "2026-01-05"),
    "a-2": voiced("a-2", [0.0, 12.0, 22.0, 33.0], "2026-02-05"),
}


def came(shop: dict[str, Voiced], name: str = "new") -> tuple[ForecastCame, ...]:
    gathered = {n: gather_history(n, m.items, m.settings, m.notes)[0] for n, m in shop.items()}
    learned = {n: learned_from(gathered[n], m.settings) for n, m in shop.items()}
    settings = shop[name].settings
    return forecasts_came(gathered[name], settings, common(learned).of(settings, name).steps)


def new(cents: list[float] = CENTS, family: str = "", **said: object) -> dict[str, Voiced]:
    return {"new": voiced("new", cents, "2026-06-05", family, **TARGET | said)}


def test_alone_the_fourth_step_is_the_first_with_a_forecast() -> None:
    rows = came(new())
    assert [row.stage for row in rows] == [f"05-voicing step {n}" for n in (5, 6, 7)]
    assert [row.came_cents for row in rows] == pytest.approx([10.0, 49.0, 11.0], abs=0.01)
    assert [row.came_within for row in rows] == [True, False, True]
    assert rows[0].step_cents == pytest.approx(10.3, abs=0.7)
    assert rows[0].basis == "3 steps of step series 05-voicing"
    assert rows[0].work == "voicing"
    # The target is 52 cents above the first reading: the leap from 41 to 90 passes it, what follows is past it.
    assert [row.came_over for row in rows] == [False, True, False]
    assert rows[0].overshoot < 0.2


def test_with_a_family_the_first_cut_has_one() -> None:
    rows = came({**EARLIER, **new(family="cittern")})
    assert [row.stage for row in rows] == [f"05-voicing step {n}" for n in range(2, 8)]
    assert rows[0].basis == "2 earlier citterns alone, no cut here yet"
    assert rows[0].came_within
    assert not rows[4].came_within


@pytest.mark.parametrize("family", ["", "cittern"])
def test_each_row_is_the_same_whenever_it_is_worked_out(family: str) -> None:
    later = voiced("b-9", [0.0, -40.0, -80.0], "2026-06-06")
    # An earlier instrument goes on after the new one, at another point.
    longer = voiced("a-1", [0.0, 10.0, 19.0, 30.0], "2026-01-05")
    longer.items.extend(voiced("a-1", [0.0] * 4 + [80.0], "2026-07-01", said={"point": "edge"}).items[-1:])
    whole = came({**EARLIER, "a-1": longer, "b-9": later, **new(family=family)})
    assert len(whole) > 2
    for count in range(2, len(CENTS) + 1):
        known = came({**EARLIER, **new(CENTS[:count], family)})
        assert known == whole[: len(known)]
        assert len(known) == (max(count - 4, 0) if not family else count - 1)


def test_other_work_than_expected_has_no_row() -> None:
    notes = {f"05-voicing-step-{n}": {"work": "bars scraped" if n < 6 else "edge thinned"} for n in range(2, 8)}
    rows = came(new(notes=notes))
    assert [(row.stage, row.work) for row in rows] == [("05-voicing step 5", "bars scraped")]


def test_no_forecast_no_row() -> None:
    assert came(new(said={"state": "strung"})) == ()
    assert came(new(CENTS[:4])) == ()
    assert came(new(reference=True)) == ()


def test_without_a_target_the_next_note_is_what_may_be_passed() -> None:
    # 176 Hz is 13 cents above F3 at A4 = 440 Hz: an even climb passes F#3, 87 cents on, at the ninth step of ten.
    rows = came(new([10.0 * n for n in range(12)], target=[]))
    assert len(rows) == 8
    assert [row.came_over for row in rows] == [False] * 5 + [True] + [False] * 2
    assert rows[4].overshoot < 0.05 < 0.5 < rows[5].overshoot


def test_counts_are_those_of_the_rows() -> None:
    rows = came({**EARLIER, **new(family="cittern")})
    kept = kept_of(rows)
    # Of the steps 11, 9, 11, 10, 49 and 11 one was a leap, and passed the target.
    assert (kept.count, kept.within, kept.passed) == (6, 5, 1)
    assert kept.said == pytest.approx(sum(r.overshoot for r in rows))
    assert not kept.enough
    assert kept_of(rows * 2).enough


@pytest.mark.slow
def test_of_forecasts_of_readings_as_many_hold_as_should() -> None:
    """95 % of 400 or more forecasts hold, less three standard errors; the errors of readings are in the interval."""
    held = []
    for n in range(40):
        rng = np.random.default_rng([81, n])
        mean = float(rng.uniform(6.0, 18.0))
        steps = mean * rng.normal(1.0, 0.2, 13)
        cents = list(np.cumsum([0.0, *steps]) + rng.normal(0.0, 0.15, 14))
        rows = came(new([float(c) for c in cents], target=[]))
        assert all(a != b for a, b in pairwise(rows))
        held += [row.came_within for row in rows]
    assert len(held) >= 360
    assert 0.95 - 3 * 0.011 <= np.mean(held) <= 0.995
