"""Drift: coverage of the intervals, verdicts on simulated steps of known size, and what is left out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from tapbatch.compare.drift import change_of, drift_between, verdict_of
from tapbatch.compare.history import build_history
from tapbatch.compare.random_effects import CENTS
from tapbatch.compare.stage import TapAt
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading, taps
from tests.compare.drift_sim import a_pair

Members = list[tuple[TapAt, Mode]]


def _members(
    rng: np.random.Generator, count: int, scatter: float, cents: float = 0.0, point: str = "", setup: int = 0
) -> Members:
    made = taps(rng, [(200.0 * 2.0 ** (cents / 1200.0), 0.3, -20.0)], count, scatter)
    return [(TapAt(0, i, point, setup, tuple(of_tap)), of_tap[0]) for i, of_tap in enumerate(made)]


def _bound(share: float, trials: int) -> float:
    return 3.0 * math.sqrt(share * (1.0 - share) / trials)


@pytest.mark.parametrize(("count", "scatter"), [(2, 0.5), (3, 1.0), (5, 0.3), (5, 2.0), (10, 1.0)])
def test_drift_interval_covers_93_to_98_percent(count: int, scatter: float) -> None:
    trials = 800
    rng = np.random.default_rng([count, int(10 * scatter)])
    freq, t60 = 0, 0
    for _ in range(trials):
        change = change_of(_members(rng, count, scatter), _members(rng, count, scatter, 4.0), 3.0)
        freq += change.freq.low * CENTS <= 4.0 <= change.freq.high * CENTS
        t60 += change.t60.low <= 0.0 <= change.t60.high
    for hits in (freq, t60):
        assert 0.93 - _bound(0.93, trials) <= hits / trials <= 0.98 + _bound(0.98, trials)


@pytest.mark.parametrize("scatter", [0.3, 1.0, 2.0])
def test_a_step_of_6_cents_is_seen_and_stillness_is_not_called_a_move(scatter: float) -> None:
    trials = 600
    rng = np.random.default_rng(int(10 * scatter))
    seen, false = 0, 0
    for _ in range(trials):
        before = _members(rng, 5, scatter)
        for cents in (-6.0, 0.0):
            freq = change_of(before, _members(rng, 5, scatter, cents), 3.0).freq
            verdict = verdict_of(freq.low * CENTS, freq.high * CENTS, 3.0)
            seen += cents != 0.0 and verdict == "down"
            false += cents == 0.0 and verdict in ("up", "down")
    assert seen / trials >= 0.95 - _bound(0.95, trials)
    assert false / trials <= 0.05 + _bound(0.05, trials)


def test_points_that_read_differently_do_not_count_where_both_stages_have_them() -> None:
    trials = 400
    rng = np.random.default_rng(3)
    hits, widths = 0, []
    for _ in range(trials):
        offsets = {"bridge": rng.normal(0.0, 5.0), "top": rng.normal(0.0, 5.0)}
        sides: list[Members] = [
            [m for p, o in offsets.items() for m in _members(rng, 5, 0.5, o + moved, p)] for moved in (0.0, 4.0)
        ]
        change = change_of(sides[0], sides[1], 3.0)
        hits += change.freq.low * CENTS <= 4.0 <= change.freq.high * CENTS
        widths.append(change.freq.half * CENTS)
    assert hits / trials >= 0.94 - _bound(0.94, trials)
    # Two points of five taps at 0.5 cent: about half a cent; the points' own 5 cents would make it tens.
    assert np.median(widths) < 1.0


def test_only_common_points_are_compared() -> None:
    rng = np.random.default_rng(4)
    bridge = _members(rng, 5, 0.2, 0.0, "bridge")
    change = change_of([*bridge, *_members(rng, 5, 0.2, 50.0, "top")], _members(rng, 5, 0.2, 0.0, "bridge"), 3.0)
    assert change.same_points
    assert abs(change.freq.value * CENTS) < 0.5
    assert not change_of(bridge, _members(rng, 5, 0.2, 0.0, "edge"), 3.0).same_points


@pytest.mark.parametrize("points", [[""], ["bridge", "edge", "neck", "top"]])
def test_set_ups_widen_the_drift(points: Sequence[str]) -> None:
    trials = 300
    rng = np.random.default_rng([5, len(points)])
    hits = 0
    for _ in range(trials):
        sides: list[Members] = []
        for _side in range(2):
            offsets = rng.normal(0.0, 2.0, 3)
            sides.append([m for s in range(3) for p in points for m in _members(rng, 2, 0.2, offsets[s], p, s)])
        change = change_of(sides[0], sides[1], 3.0)
        hits += change.freq.low <= 0.0 <= change.freq.high
    assert hits / trials >= 0.94 - _bound(0.94, trials)


def test_more_points_take_nothing_off_the_error_that_set_ups_share() -> None:
    offsets = ((-2.0, 0.0, 2.0), (-1.5, 0.5, 1.0))

    def side(which: int, points: Sequence[str]) -> Members:
        hands = [(s, o, h) for s, o in enumerate(offsets[which]) for h in (-0.2, 0.0, 0.2)]
        return [(TapAt(0, 0, p, s, ()), mode(200.0 * 2.0 ** ((o + h) / 1200.0))) for p in points for s, o, h in hands]

    one, four = (change_of(side(0, p), side(1, p), 3.0).freq.half for p in (["a"], ["a", "b", "c", "d"]))
    assert four == pytest.approx(one, rel=0.01)


def test_points_that_disagree_on_the_change_widen_it() -> None:
    rng = np.random.default_rng(6)
    before = [*_members(rng, 5, 0.2, 0.0, "bridge"), *_members(rng, 5, 0.2, 0.0, "top")]
    after = [*_members(rng, 5, 0.2, 0.0, "bridge"), *_members(rng, 5, 0.2, 10.0, "top")]
    freq = change_of(before, after, 3.0).freq
    # Two changes, 0 and 10 cents: whatever the mean, its error is about 5 cents.
    assert freq.half * CENTS > 5.0


def test_one_tap_borrows_the_scatter_of_the_other_stage() -> None:
    one = [(TapAt(0, 0, "", 0, ()), mode(200.0, freq_se_hz=0.001))]
    five = [
        (TapAt(0, i, "", 0, ()), mode(200.0 * 2 ** (c / 1200), freq_se_hz=0.001))
        for i, c in enumerate((-2, -1, 0, 1, 2))
    ]
    change = change_of(five, one, 3.0)
    assert change.one_tap
    # A sixth value beside five of standard deviation 1.58: t(4) s sqrt(1 + 1/5), textbook prediction interval.
    assert change.freq.half * CENTS == pytest.approx(2.776 * 1.581 * math.sqrt(1.2), rel=0.01)


@pytest.mark.parametrize(("before", "after"), [(2, 1), (5, 1), (1, 5)])
@pytest.mark.parametrize("scatter", [0.3, 1.0, 2.0])
def test_a_single_tap_raises_no_false_alarms(before: int, after: int, scatter: float) -> None:
    # Two taps that agree by chance do not show that only noise is left: the scatter that they lend may be far larger.
    families, false, covered = 120, 0, 0
    for n in range(families):
        said = a_pair(
            np.random.default_rng([8, before, after, int(10 * scatter), n]), [0.0] * 8, scatter, (before, after)
        )
        false += any(s.verdict in ("up", "down") for s in said)
        covered += sum(s.covers for s in said)
    assert false / families <= 0.05 + _bound(0.05, families)
    assert covered / (8 * families) >= 0.93


def test_one_tap_each_claims_no_more_than_the_builder_does() -> None:
    one = [(TapAt(0, 0, "", 0, ()), mode(200.0, freq_se_hz=0.001))]
    change = change_of(one, one, 3.0)
    assert change.one_tap
    assert change.freq.half * CENTS == pytest.approx(3.0 * math.sqrt(2.0), rel=0.01)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.1, 0.2, "up"), (-9.0, -8.0, "down"), (-3.0, 3.0, "steady"), (0.0, 3.0, "steady"), (-3.1, 0.0, "unclear"),
        (-0.1, 50.0, "unclear"),
    ],
)  # fmt: skip
def test_verdicts_are_those_of_the_contract(low: float, high: float, verdict: str) -> None:
    assert verdict_of(low, high, 3.0) == verdict


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


def test_an_unclear_change_says_how_many_taps_would_decide_it() -> None:
    wide = [mode(200.0 * 2.0 ** (c / 1200.0)) for c in (-3.0, -1.0, 0.0, 1.0, 3.0)]
    (row,) = _drifts([[m] for m in wide], [[m] for m in wide])
    assert row.verdict == "unclear"
    assert row.more_taps is not None
    (sure,) = _drifts([[mode(200.0 + 0.001 * n)] for n in range(5)], [[mode(200.0 + 0.001 * n)] for n in range(5)])
    assert (sure.verdict, sure.more_taps) == ("steady", None)
