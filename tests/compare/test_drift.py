"""Drift: verdicts and intervals of simulated stages whose truth is known, and what is left out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.drift import drift_between
from tapbatch.compare.history import build_history
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Stage
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading
from tests.compare.drift_sim import Said, a_pair, agrees, moves_of

FREQS = (110.0, 205.0, 390.0, 610.0, 980.0)
HAND = (-0.4, -0.1, 0.0, 0.2, 0.3)


def _bound(share: float, trials: int) -> float:
    return 3.0 * math.sqrt(share * (1.0 - share) / trials)


def _width(row: Drift) -> float:
    assert row.cents_low is not None
    assert row.cents_high is not None
    return row.cents_high - row.cents_low


# ---------------------------------------------------------- known truth


@pytest.mark.parametrize(("cents", "told"), [(6.0, 0.65), (10.0, 0.97)])
@pytest.mark.parametrize("setup", [0.0, 1.0])
def test_what_moved_beside_the_others_is_told_and_what_stood_is_not_called_moved(
    cents: float, told: float, setup: float
) -> None:
    stages, false, said = 30, 0, list[Said]()
    for n in range(stages):
        rng = np.random.default_rng([1, int(cents), int(setup), n])
        of_stage = a_pair(rng, moves_of(rng, 8, cents), 0.7, setup=setup)
        false += any(s.row.verdict in ("up", "down") for s in of_stage if not s.true)
        said += of_stage
    moved = [s for s in said if s.true]
    assert false / stages <= 0.05 + _bound(0.05, stages)
    assert np.mean([s.told for s in moved]) >= told - _bound(told, len(moved))
    assert not any(s.row.verdict.rstrip("?") == ("down" if s.true > 0 else "up") for s in moved)
    assert np.mean([s.covers for s in said]) >= 0.92 - _bound(0.92, stages)
    assert all(agrees(s.row) for s in said)


@pytest.mark.parametrize("setup", [0.0, 1.0, 3.0])
def test_an_instrument_that_was_only_set_up_anew_did_not_move(setup: float) -> None:
    stages = 40
    said = [a_pair(np.random.default_rng([2, int(setup), n]), [0.0] * 8, 0.7, setup=setup) for n in range(stages)]
    false = sum(any(s.row.verdict in ("up", "down") for s in of_stage) for of_stage in said)
    assert false / stages <= 0.05 + _bound(0.05, stages)
    # The modes of a stage share their set-ups, so one of each stage counts.
    assert np.mean([of_stage[0].covers for of_stage in said]) >= 0.92 - _bound(0.92, stages)
    assert all(agrees(s.row) for of_stage in said for s in of_stage)


@pytest.mark.parametrize("count", [(2, 1), (5, 1), (1, 5)])
@pytest.mark.parametrize("scatter", [0.3, 2.0])
def test_a_single_tap_raises_no_false_alarms(count: tuple[int, int], scatter: float) -> None:
    # Two taps that agree by chance do not show that only noise is left: the scatter that they lend may be far larger.
    stages = 30
    said = [a_pair(np.random.default_rng([3, *count, int(10 * scatter), n]), [0.0] * 8, scatter, count)
            for n in range(stages)]  # fmt: skip
    false = sum(any(s.row.verdict in ("up", "down") for s in of_stage) for of_stage in said)
    assert false / stages <= 0.05 + _bound(0.05, stages)
    assert np.mean([s.covers for of_stage in said for s in of_stage]) >= 0.93


def test_a_mode_alone_cannot_be_told_from_its_set_up() -> None:
    def moved(cents: float) -> Drift:
        made = (
            [mode(200.0 * 2.0 ** (c / 1200.0)) for c in HAND],
            [mode(200.0 * 2.0 ** ((c + cents) / 1200.0)) for c in HAND],
        )
        return _drifts(*([[m] for m in of_stage] for of_stage in made))[0]

    little, far = moved(3.0), moved(40.0)
    assert (little.verdict, little.own_cents, little.common_cents) == ("unclear", None, None)
    assert little.freq_change_cents == pytest.approx(3.0, abs=0.1)
    assert far.verdict == "up"
    assert far.moved == "whole"
    # Without `again` the whole interval is about six cents either way, however close the taps are.
    assert 4.0 < _width(little) / 2.0 < 9.0


# ------------------------------------------------------ points and set-ups


def _at_points(offsets: dict[str, Sequence[float]], moves: Sequence[float], setups: int = 1) -> tuple[Drift, ...]:
    """Return the drift of modes struck at points, each off by so many cents there; set-ups move all by 2 cents."""
    items = []
    for stage, by in enumerate(([0.0] * len(FREQS), moves), start=1):
        for k in range(setups):
            shift = 2.0 * (k - (setups - 1) / 2.0)
            for point, off in offsets.items():
                made = [
                    [mode(f * 2.0 ** ((h + o + b + shift) / 1200.0)) for f, o, b in zip(FREQS, off, by, strict=True)]
                    for h in HAND
                ]
                name = f"c_{stage:02d}-s_at-{point}{'_again' if k else ''}_{k + 1}.wav"
                items.append(item(name, reading(made), point=point, again=k > 0, take=k + 1))
    return build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts


def test_points_that_read_differently_do_not_count_where_both_stages_have_them() -> None:
    nothing, moves = [0.0] * 5, [0.0, 0.0, -12.0, 0.0, 0.0]
    apart = _at_points({"bridge": [-5.0, 3.0, 0.0, 4.0, -2.0], "top": [4.0, -3.0, 5.0, 0.0, 2.0]}, moves)
    alike = _at_points({"bridge": nothing, "top": nothing}, moves)
    assert [d.verdict for d in apart] == [d.verdict for d in alike]
    assert [d.verdict for d in apart if d.mode == "r3"] == ["down"]
    for one, other in zip(apart, alike, strict=True):
        assert one.freq_change_cents == pytest.approx(other.freq_change_cents, abs=0.05)
        assert _width(one) == pytest.approx(_width(other), rel=0.05)


def test_more_points_take_nothing_off_the_error_that_set_ups_share() -> None:
    nothing = [0.0] * 5
    one, four = (_at_points(dict.fromkeys(points, nothing), nothing, setups=3) for points in (["a"], list("abcd")))
    for a, b in zip(one, four, strict=True):
        assert _width(b) == pytest.approx(_width(a), rel=0.05)


def test_set_ups_on_both_sides_narrow_the_drift() -> None:
    nothing = [0.0] * 5
    once, thrice = (_at_points({"a": nothing}, nothing, setups) for setups in (1, 3))
    assert all(_width(b) < 0.9 * _width(a) for a, b in zip(once, thrice, strict=True))


# ----------------------------------------------------------------- rows


def _drifts(*stages: list[list[Mode]], noise_db: float | None = None) -> tuple[Drift, ...]:
    items = [
        item(f"c_{n:02d}-s.wav", reading(of_taps, noise_db=noise_db)) for n, of_taps in enumerate(stages, start=1)
    ]
    return build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts


def test_a_row_says_the_change_in_hertz_cents_and_percent() -> None:
    before = [[mode(200.0, 0.40)], [mode(200.1, 0.40)], [mode(199.9, 0.40)]]
    after = [[mode(198.0, 0.44)], [mode(198.1, 0.44)], [mode(197.9, 0.44)]]
    (row,) = _drifts(before, after)
    assert (row.part, row.mode, row.from_stage, row.to_stage, row.verdict) == ("body", "r1", "01-s", "02-s", "down")
    assert row.freq_change_hz == pytest.approx(-2.0, abs=0.01)
    assert row.freq_change_cents == pytest.approx(1200.0 * math.log2(198.0 / 200.0), abs=0.02)
    assert row.t60_change_pct == pytest.approx(10.0, abs=0.01)
    assert row.cents_low is not None
    assert row.cents_high is not None
    assert row.cents_low < row.freq_change_cents < row.cents_high
    assert row.cautions == ()


def test_modes_appear_and_go() -> None:
    low, high = [[mode(200.0)]] * 3, [[mode(200.0), mode(310.0)]] * 3
    quiet = _drifts(low, high, low, noise_db=-90.0)
    assert [(d.mode, d.verdict, d.freq_change_cents) for d in quiet if d.mode == "r2"] == [
        ("r2", "new", None),
        ("r2", "gone", None),
    ]


@pytest.mark.parametrize("noise_db", [-45.0, None])
def test_a_mode_that_noise_may_hide_or_of_which_nothing_is_known_is_unheard(noise_db: float | None) -> None:
    low, high = [[mode(200.0)]] * 3, [[mode(200.0), mode(310.0)]] * 3
    (row,) = [d for d in _drifts(high, low, noise_db=noise_db) if d.mode == "r2"]
    assert (row.verdict, row.freq_change_cents) == ("unheard", None)


def test_hum_and_strings_are_not_in_the_drift() -> None:
    body, hum, string = mode(200.0), mode(150.0, flags=("hum",)), mode(330.0, flags=("string",))
    rows = _drifts([[hum, body, string]] * 3, [[hum, body]] * 3)
    assert [d.mode for d in rows] == ["r2"]


def test_a_stage_that_was_only_plucked_does_not_part_its_neighbours() -> None:
    items = [
        item("c_01-s.wav", reading([[mode(200.0)]] * 3)),
        item("c_02-s_pluck.wav", reading([[mode(333.0)]] * 3), kind="pluck"),
        item("c_03-s.wav", reading([[mode(200.0)]] * 3)),
    ]
    history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
    assert [(d.from_stage, d.to_stage) for d in history.drifts] == [("01-s", "03-s")]


def test_one_tap_and_other_points_are_cautioned() -> None:
    items = [
        item("c_01-s_at-bridge.wav", reading([[mode(200.0)]]), point="bridge"),
        item("c_02-s_at-edge.wav", reading([[mode(201.0)]] * 3), point="edge"),
    ]
    (row,) = build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts
    assert row.cautions == (Caution("points", before=("bridge",), after=("edge",)), Caution("one tap"))


def test_any_two_stages_can_be_compared() -> None:
    items = [item(f"c_{n:02d}-s.wav", reading([[mode(200.0 + n)]] * 3)) for n in range(3)]
    history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
    (row,) = drift_between(history.stages[0], history.stages[2], 3.0)
    assert row.freq_change_hz == pytest.approx(2.0, abs=1e-6)
    assert (row.from_stage, row.to_stage) == ("00-s", "02-s")


def _doubted(stage: Stage) -> Stage:
    return replace(stage, modes=tuple(replace(m, flags=("identity?",)) for m in stage.modes))


def test_a_name_in_doubt_at_or_between_the_stages_has_no_verdict() -> None:
    items = [item(f"c_{n:02d}-s.wav", reading([[mode(200.0 + 8.0 * n)]] * 3)) for n in range(3)]
    history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
    first, middle, last = history.stages
    (sure,) = drift_between(first, last, 3.0, passed=[middle])
    assert sure.verdict == "up"
    # What the flag at the first stage doubts happened before it.
    assert drift_between(_doubted(first), last, 3.0) == (sure,)
    for rows in (
        drift_between(first, _doubted(last), 3.0),
        drift_between(first, last, 3.0, passed=[_doubted(middle)]),
        drift_between(_doubted(last), first, 3.0),
    ):
        (row,) = rows
        assert (row.verdict, row.extent, row.cautions) == ("unclear", None, (Caution("identity"),))
        assert row.freq_change_cents is not None
        assert row.more_taps is None


def test_the_change_since_a_mode_was_first_heard_stands_beside_that_of_the_step() -> None:
    stages = [[[mode(200.0 + n + 0.01 * t), *([mode(310.0)] if n else [])] for t in range(5)] for n in range(3)]
    rows = {(d.to_stage, d.mode): d for d in _drifts(*stages)}
    last = rows["03-s", "r1"]
    assert last.first_stage == "01-s"
    assert last.first_change_cents == pytest.approx(1200.0 * math.log2(202.02 / 200.02), abs=0.01)
    assert last.first_verdict == "up"
    second = rows["02-s", "r1"]
    assert (second.first_change_cents, second.first_cents_low) == (second.freq_change_cents, second.cents_low)
    assert rows["02-s", "r2"].first_stage == ""
    assert rows["03-s", "r2"].first_stage == "02-s"


def test_an_open_change_says_how_many_taps_would_decide_it() -> None:
    hand = np.array([[-2.5, 1.0, 0.5, -1.0, 2.0], [1.5, -2.0, 2.0, 0.0, -1.5], [0.5, 2.5, -2.0, 1.0, -2.0],
                     [-1.0, -1.5, 2.5, 1.5, -1.5], [2.0, 0.0, -1.5, -2.5, 2.0]])  # fmt: skip

    def stage(moves: Sequence[float], times: int) -> list[list[Mode]]:
        return [
            [mode(f * 2.0 ** ((1.4 * h + c) / 1200.0)) for f, h, c in zip(FREQS, tap, moves, strict=True)]
            for tap in np.tile(hand, (times, 1))
        ]

    before, moves = stage([0.0] * 5, 1), [0.0, 0.0, 7.0, 0.0, 0.0]
    row = next(d for d in _drifts(before, stage(moves, 1)) if d.mode == "r3")
    assert row.verdict == "up?"
    assert row.more_taps is not None
    many = next(d for d in _drifts(before, stage(moves, 1 + math.ceil(row.more_taps / 5))) if d.mode == "r3")
    assert many.verdict == "up"
    assert (many.more_taps, many.more_setups) == (None, None)
