"""What differs between two stages: named where it is known, and not where it is not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tapbatch.box.air import air_mode_cents
from tapbatch.compare.conditions import cautions, never_noted, tension_pct
from tapbatch.compare.order import place
from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import Note, Stage
from tapbatch.model.reading import TapReading
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading


def _then(kind: CautionKind, before: str, after: str) -> Caution:
    return Caution(kind, before=(before,), after=(after,))


def _stage(
    note: dict[str, Any] | None = None, pitch: float = 440.0, sound: dict[str, Any] | None = None, **said: Any
):  # type: ignore[no-untyped-def]
    placed = place([item("c_01-a.wav", reading([[mode(200.0)]], **(sound or {})), **said)], InstrumentSettings(), {})
    first = placed.places[0]
    return Stage(
        part=first.part, state=first.state, stage=first.stage, stage_shown=first.stage_shown, order=1,
        concert_pitch_hz=pitch, heard=first.heard, modes=(), decays=(),
        note=None if note is None else Note(instrument="cittern-07", stage="01-a", **note),
    )  # fmt: skip


def _louder(stage: Stage, louder_db: float) -> Stage:
    def of(tap: TapReading) -> TapReading:
        return replace(tap, tap=replace(tap.tap, peak_dbfs=tap.tap.peak_dbfs + louder_db))

    heard = [replace(h, reading=replace(h.reading, taps=tuple(map(of, h.reading.taps)))) for h in stage.heard]
    return replace(stage, heard=tuple(heard))


@pytest.mark.parametrize("louder_db", [5.5, -8.0])
def test_taps_that_are_much_louder_or_softer_are_named(louder_db: float) -> None:
    (found,) = cautions(_stage(), _louder(_stage(), louder_db))
    assert found.kind == "level"
    assert found.louder_db == pytest.approx(louder_db)


def test_taps_of_about_the_same_level_are_not_named() -> None:
    assert cautions(_stage(), _louder(_stage(), 4.0)) == ()


def test_levels_at_different_points_are_not_compared() -> None:
    found = cautions(_stage(point="bridge"), _louder(_stage(point="edge"), 9.0))
    assert {caution.kind for caution in found} == {"points"}


def test_nothing_known_to_differ_says_nothing() -> None:
    assert cautions(_stage(), _stage()) == ()
    assert cautions(_stage({"temperature_c": 20.0}), _stage()) == ()
    assert cautions(_stage({"temperature_c": 20.0}), _stage({"humidity_pct": 45.0})) == ()
    assert cautions(_stage(sound={"device": "Pocket A"}), _stage()) == ()


@pytest.mark.parametrize(
    ("before", "after", "caution"),
    [
        ({"state": "closed"}, {"state": "strung"}, _then("state", "closed", "strung")),
        ({}, {"state": "strung"}, _then("state", "", "strung")),
        ({"point": "bridge"}, {"point": "edge"}, _then("points", "bridge", "edge")),
        ({"point": "bridge"}, {}, _then("points", "bridge", "")),
        (
            {"sound": {"lossy": False}},
            {"sound": {"lossy": True}},
            _then("codec", "lossless", "lossy"),
        ),
        (
            {"sound": {"sample_rate_hz": 8000}},
            {},
            Caution("sample rate", before_rates_hz=(8000,), after_rates_hz=(48000,)),
        ),
        (
            {"sound": {"device": "Pocket A"}},
            {"sound": {"device": "Field B"}},
            _then("recorder", "Pocket A", "Field B"),
        ),
        ({"sound": {"method": "15"}}, {"sound": {"method": "18"}}, _then("method", "15", "18")),
        ({"pitch": 440.0}, {"pitch": 431.0}, Caution("concert pitch", before_hz=440.0, after_hz=431.0)),
        (
            {"note": {"humidity_pct": 45.0}},
            {"note": {"humidity_pct": 60.0}},
            Caution("humidity", before_pct=45.0, after_pct=60.0),
        ),
        (
            {"note": {"string_pitch_hz": 440.0}},
            {"note": {"string_pitch_hz": 436.5}},
            Caution("string pitch", before_hz=440.0, after_hz=436.5, tension_pct=tension_pct(440.0, 436.5)),
        ),
        (
            {"note": {"temperature_c": 20.0}},
            {"note": {"temperature_c": 24.0}},
            Caution("temperature", before_c=20.0, after_c=24.0),
        ),
        ({"note": {"date": "2031-03-01"}}, {"note": {"date": "2031-03-15"}}, Caution("days", days=14)),
        (
            {"sound": {"recorded_at": "2031-03-01T23:50:00"}},
            {"note": {"date": "2031-03-03"}},
            Caution("days", days=2),
        ),
    ],
)
def test_each_difference_is_named(before: dict[str, Any], after: dict[str, Any], caution: Caution) -> None:
    assert cautions(_stage(**before), _stage(**after)) == (caution,)


def test_what_a_temperature_does_is_bounded_for_air_only() -> None:
    before, after = _stage({"temperature_c": 20.0}), _stage({"temperature_c": 24.0})
    (air,) = cautions(before, after, "air")
    assert air == Caution("temperature", before_c=20.0, after_c=24.0, air_cents=air_mode_cents(20.0, 24.0))
    assert cautions(before, after, "plate") == cautions(before, after) == (replace(air, air_cents=None),)


def test_a_night_is_no_difference() -> None:
    assert cautions(_stage({"date": "2031-03-01"}), _stage({"date": "2031-03-02"})) == ()


@pytest.mark.parametrize(("cents", "per_cent"), [(1.0, 0.1156), (-35.8, -4.051), (100.0, 12.246)])
def test_tension_goes_with_the_square_of_the_pitch(cents: float, per_cent: float) -> None:
    # Mersenne's law, T = 4 L^2 f^2 m: a semitone is 2^(2/12) - 1 = 12.246 % of tension.
    assert tension_pct(440.0, 440.0 * 2.0 ** (cents / 1200.0)) == pytest.approx(per_cent, abs=0.001)


def test_what_was_never_noted_is_known() -> None:
    assert never_noted([_stage(), _stage({"humidity_pct": 45.0})]) == ("temperature",)
    assert never_noted([_stage(state="strung")]) == ("temperature", "humidity", "string pitch")
    assert never_noted([_stage({"temperature_c": 20.0}), _stage({"humidity_pct": 45.0})]) == ()


def test_several_differences_are_all_named() -> None:
    assert len(cautions(_stage(state="free", pitch=431.0), _stage(state="rim"))) == 2


def test_an_air_mode_goes_with_the_speed_of_sound() -> None:
    # ISO 9613-1:1993, A.5: 343.20 m/s at 20 C and 344.95 m/s at 23 C.
    assert 2.0 ** (air_mode_cents(20.0, 23.0) / 1200.0) == pytest.approx(344.95 / 343.20, abs=3e-5)
    with pytest.raises(ValueError, match="above"):
        air_mode_cents(-300.0, 20.0)
