"""What each difference can do to a mode: against published values of air and wood, and the rule of what is heavy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.box.air import vapour_cents
from tapbatch.compare.weighing import (
    COMMON_K,
    at_every_stage,
    can_cents,
    damp_cents,
    heavy_kinds,
    is_heavy,
    limit_cents,
    parted,
    unnoted,
    warmth_cents,
    weighed,
)
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Extent, Note, Stage

LITTLE, MUCH = Caution("recorder", can_cents=0.2), Caution("temperature", can_cents=5.9)


def _stage(state: str = "closed", **noted: object) -> Stage:
    note = Note(instrument="cittern-07", stage="s", **noted) if noted else None  # type: ignore[arg-type]
    return Stage(
        part="body", state=state, stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
        heard=(), modes=(), decays=(), note=note,
    )  # fmt: skip


def _drift(to_stage: str, *cautions: Caution, extent: Extent | None = None) -> Drift:
    return Drift(
        part="body", mode="M1", from_stage="01", to_stage=to_stage, freq_change_hz=None, freq_change_cents=None,
        cents_low=None, cents_high=None, t60_change_pct=None, t60_low_pct=None, t60_high_pct=None,
        verdict="unclear", cautions=cautions, extent=extent,
    )  # fmt: skip


# --------------------------------------------------------------- air and wood


def test_vapour_raises_the_speed_of_sound_as_the_standard_prints_it() -> None:
    # ISO 9053-2:2020, A.3 prints 345.9 m/s at 23 C, 50 % and 1013.25 hPa; dry air has 343.2 sqrt(T / 293.15 K) m/s
    # (ISO 9613-1:1993, A.5). As an ideal gas, air comes within 0.2 m/s, which is one cent.
    dry = 343.2 * math.sqrt((23.0 + 273.15) / 293.15)
    assert dry * 2.0 ** (vapour_cents(23.0, 50.0) / 1200.0) == pytest.approx(345.9, abs=0.2)


def test_a_kelvin_at_equal_moisture_and_at_equal_humidity() -> None:
    # The speed of sound goes with the square root of the absolute temperature: 600 log2(294.15 / 293.15).
    equal_moisture = warmth_cents(20.0, 21.0, "air")
    equal_humidity = equal_moisture + vapour_cents(21.0, 50.0) - vapour_cents(20.0, 50.0)
    assert equal_moisture == pytest.approx(2.95, abs=0.005)
    assert equal_humidity == pytest.approx(3.15, abs=0.01)


def test_drier_air_raises_a_board_as_stiffness_and_mass_say() -> None:
    # A board of spruce rises by about 6 % from 65 to 35 %: by stiffness (moisture law of the Wood Handbook) and mass.
    assert 2.0 ** (damp_cents(65.0, 35.0, "plate") / 1200.0) == pytest.approx(1.06, abs=0.01)


# -------------------------------------------------------------------- weighing


def test_a_kelvin_does_more_to_the_air_than_to_wood_and_humidity_less() -> None:
    warmer = Caution("temperature", before_c=20.0, after_c=22.0)
    damper = Caution("humidity", before_pct=45.0, after_pct=55.0)
    cents = [can_cents(c, _stage(), _stage(), kind) for c in (warmer, damper) for kind in ("air", "plate")]
    assert cents == [pytest.approx(v, rel=0.03) for v in (5.89, 3.98, 0.64, 34.5)]


@given(st.floats(min_value=400.0, max_value=460.0), st.floats(min_value=400.0, max_value=460.0))
def test_strings_weigh_by_the_change_of_their_tension(before_hz: float, after_hz: float) -> None:
    # Mersenne's law: tension goes with the square of the frequency.
    caution = Caution("string pitch", before_hz=before_hz, after_hz=after_hz)
    expected = abs((after_hz / before_hz) ** 2 - 1.0) * 100.0
    assert can_cents(caution, _stage(), _stage()) == pytest.approx(expected)


def test_a_concert_pitch_weighs_only_on_strings_that_are_on() -> None:
    caution = Caution("concert pitch", before_hz=435.0, after_hz=440.0)
    assert can_cents(caution, _stage(), _stage()) == 0.0
    assert can_cents(caution, _stage("strung"), _stage("strung")) == pytest.approx(2.31, abs=0.01)


@pytest.mark.parametrize(("work", "cents"), [("hung for two weeks", 0.0), ("glued the back", None), ("oil", None)])
def test_days_weigh_only_where_something_cures(work: str, cents: float | None) -> None:
    days = Caution("days", days=14)
    assert can_cents(days, _stage(), _stage(work=work)) == cents
    assert can_cents(days, _stage(work=work), _stage()) == cents


@pytest.mark.parametrize("kind", ["state", "points", "codec", "method", "identity", "new strings"])
def test_what_no_figure_bounds_is_always_heavy(kind: str) -> None:
    (caution,) = weighed([Caution(kind)], _stage(), _stage())  # type: ignore[arg-type]
    assert caution.can_cents is None
    assert is_heavy(caution, Extent(100.0, 90.0, 110.0))
    assert is_heavy(caution, None)


def test_what_a_reference_took_off_wood_weighs_nothing_and_keeps_its_weight_on_air() -> None:
    room = Caution("temperature", before_c=20.0, after_c=24.0)
    wood = weighed([room, Caution("reference")], _stage(), _stage(), "plate")
    air = weighed([room, Caution("reference", is_air=True)], _stage(), _stage(), "air")
    assert [c.can_cents for c in wood] == [0.0, 0.0]
    assert air[0].can_cents == pytest.approx(11.75, abs=0.05)
    assert unnoted(_stage(), _stage(), wood, "plate") == ()


def test_what_is_not_noted_counts_as_it_commonly_varies() -> None:
    full = {"temperature_c": 20.0, "humidity_pct": 45.0}
    missing = unnoted(_stage(**full), _stage(humidity_pct=45.0), (), "air")
    assert [c.kind for c in missing] == ["temperature"]
    assert missing[0].can_cents == pytest.approx(warmth_cents(20.0, 20.0 + COMMON_K, "air"))
    assert unnoted(_stage(**full), _stage(**full)) == ()


def test_within_a_day_humidity_that_is_not_noted_does_nothing_to_wood() -> None:
    same_day = [_stage(date="2026-03-02", temperature_c=20.0) for _ in range(2)]
    assert unnoted(*same_day, (), "plate") == ()
    a_week = [_stage(date=f"2026-03-0{day}", temperature_c=20.0) for day in (2, 9)]
    assert [c.kind for c in unnoted(*a_week, (), "plate")] == ["humidity"]


# ----------------------------------------------------------------------- heavy


@given(st.floats(-200.0, 200.0), st.floats(0.1, 50.0), st.floats(0.0, 50.0))
def test_heavy_reaches_a_third_of_the_interval_or_of_a_move_that_is_told(
    cents: float, half: float, can: float
) -> None:
    extent = Extent(cents, cents - half, cents + half)
    compared = [extent.high - extent.low, *([abs(cents)] if abs(cents) > half else [])]
    assert limit_cents(extent) == pytest.approx(min(compared) / 3.0)
    assert is_heavy(Caution("level", can_cents=can), extent) == (can >= limit_cents(extent))


def test_a_drift_parts_its_cautions_by_weight() -> None:
    extent = Extent(22.0, 18.0, 26.0)
    found = parted(_drift("02", LITTLE, MUCH, extent=extent))
    assert [found.heavy, found.light, found.unnoted] == [(MUCH,), (LITTLE,), ()]
    assert heavy_kinds([_drift("02", LITTLE, MUCH, extent=extent)]) == {"temperature"}
    assert heavy_kinds([_drift("02", LITTLE, MUCH)]) == frozenset()


def test_only_what_stands_at_each_step_is_said_once() -> None:
    drifts = [_drift("02", LITTLE, MUCH), _drift("03", MUCH)]
    assert at_every_stage(drifts, "body") == {"temperature"}
    assert at_every_stage(drifts[:1], "body") == frozenset()
    assert at_every_stage(drifts, "top") == frozenset()
