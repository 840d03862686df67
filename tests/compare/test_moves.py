"""What is said of moves on a simulated bench: false movers, moves that are found, intervals that hold, rules kept.

Counts are compared with bounds that chance alone would break in less than one run in a thousand, if the share were
just at its limit. The limits are those that the benchmark states (``tests/benchmarks/MOVES.md``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tapbatch.compare.moves.belief import believe
from tapbatch.compare.moves.between import moves_between
from tapbatch.compare.moves.contrast import Contrast, TapSet
from tapbatch.compare.moves.judge import Moves, judge_moves
from tapbatch.compare.moves.mixture import Sums, sums_of
from tapbatch.compare.moves.priors import FREQ, T60
from tests.compare.moves_count import STEADY, Case, Counts, count, tap_sets
from tests.compare.moves_dense import Differences, common_half, common_interval, own_interval
from tests.compare.moves_sim import Bench, Floats, moved_modes, sides

QUIET = believe([], FREQ)
BENCHES = [(0.0, 0.0), (1.0, 0.5), (3.0, 1.0)]


def third(cents: float) -> Callable[[np.random.Generator, int], Floats]:
    return lambda rng, modes: moved_modes(rng, modes, 0.3, cents)


def all_alike(cents: float) -> Callable[[np.random.Generator, int], Floats]:
    return lambda rng, modes: np.full(modes, cents)


def most(share: float, trials: int) -> int:
    return int(stats.binom.ppf(0.999, trials, share))


def least(share: float, trials: int) -> int:
    return int(stats.binom.ppf(0.001, trials, share))


def check_still(counts: Counts, false: float = 0.05) -> None:
    assert counts.false <= most(false, counts.stages)
    assert counts.wrong_rule == 0
    for name in ("whole", "own", "common"):
        # One mode of each stage: what the modes of a stage share, they miss together.
        first = counts.holds[name][:: len(counts.holds[name]) // counts.stages]
        assert sum(first) >= least(0.92, counts.stages), name


# ---------------------------------------------------------------- counts


@pytest.mark.parametrize(("common", "own"), BENCHES)
def test_an_instrument_that_was_only_set_up_anew_did_not_move(common: float, own: float) -> None:
    check_still(count(Case(Bench(common, own)), 40, [1]))


@pytest.mark.slow
@pytest.mark.parametrize("again", [0, 1, 2, 4])
@pytest.mark.parametrize(("common", "own"), [*BENCHES, (0.5, 0.3), (2.0, 0.5), (0.7, 0.7)])
def test_nor_did_it_whatever_a_shop_has_learned(common: float, own: float, again: int) -> None:
    check_still(count(Case(Bench(common, own), again=again), 100, [2, again]))


@pytest.mark.slow
@pytest.mark.parametrize(
    "case",
    [
        Case(Bench(rho=0.8, scatter=2.0, hand=1.0)),
        Case(Bench(soft=(2.0, 8.0)), harder_db=6.0),
        Case(Bench(room=4.0), carried=True),
        Case(Bench(room=4.0)),
        Case(Bench(room=4.0), same_room=True),
        Case(Bench(missing=0.3)),
        Case(Bench(3.0, 1.0), modes=2),
        Case(Bench(3.0, 1.0), modes=14),
    ],
    ids=["wander", "harder", "carried", "phone still", "same room", "missing", "two modes", "14 modes"],
)
def test_nor_where_hand_blow_and_room_differ(case: Case) -> None:
    counts = count(case, 100, [3])
    assert counts.false <= most(0.06, counts.stages)
    assert counts.wrong_rule == 0


@pytest.mark.parametrize(
    "case",
    [
        Case(Bench(common_tails=3.0, own_tails=3.0)),
        Case(Bench(uneven=0.7)),
        Case(Bench(slide=2.0)),
        Case(Bench(slips=0.05)),
        Case(Bench(soft=(2.0, 8.0)), nearer_db=6.0),
    ],
    ids=["heavy tails", "uneven", "slide", "slips", "nearer phone"],
)
def test_what_is_not_supposed_of_a_bench_makes_no_false_movers_and_hides_no_cut(case: Case) -> None:
    still, cut = count(case, 40, [10]), count(replace(case, moves=third(20.0)), 20, [11])
    assert still.false <= most(0.06, still.stages)
    assert still.wrong_rule == 0
    assert sum(v in ("up", "down", "up?", "down?") for v in cut.moved) >= least(0.9, len(cut.moved))


def test_one_in_three_moved_by_ten_cents_is_told() -> None:
    counts = count(Case(Bench(), third(10.0)), 40, [4])
    told = sum(v in ("up", "down", "up?", "down?") for v in counts.moved)
    assert told >= least(0.97, len(counts.moved))
    assert counts.wrong_sign == 0
    assert counts.wrong_rule == 0


@pytest.mark.parametrize(("again", "cents", "told"), [(0, 20.0, 0.99), (2, 10.0, 0.90)])
def test_all_alike_is_told_from_set_ups(again: int, cents: float, told: float) -> None:
    counts = count(Case(Bench(), all_alike(cents), alike=cents, again=again), 40, [5])
    assert counts.told() * counts.stages >= least(told, counts.stages)
    assert "steady" not in counts.moved


def test_all_alike_by_six_cents_is_open_and_never_steady() -> None:
    counts = count(Case(Bench(), all_alike(6.0), alike=6.0), 60, [6])
    assert "steady" not in counts.moved
    assert counts.open_alike >= 0.8 * counts.stages


def test_decay_times_are_judged_likewise() -> None:
    damped = Bench(4.0, 3.0, scatter=3.0, hand=2.0, noise=0.5)
    check_still(count(Case(damped, priors=T60, steady=10.0), 40, [7]))
    assert count(Case(damped, third(30.0), priors=T60, steady=10.0), 20, [8]).told() >= 0.9


# ----------------------------------------------------------------- rules

changes = st.lists(st.floats(-40.0, 40.0), min_size=1, max_size=9)


def summed(change: list[float], variance: float, setups: tuple[int, int] = (1, 1)) -> Sums:
    d = np.array(change)
    own = np.full(d.size, variance)
    found = Contrast(d, 0.0 * own, own, np.full(d.size, 8.0), 0.0, 0.1, setups, (5, 5))
    return sums_of(found, FREQ, QUIET.own, QUIET.common)


def judged(change: list[float], variance: float, setups: tuple[int, int] = (1, 1)) -> Moves:
    return judge_moves(summed(change, variance, setups), STEADY)


@settings(max_examples=60)
@given(changes, st.sampled_from([0.01, 0.25, 2.0]))
def test_word_and_interval_never_contradict_each_other(change: list[float], variance: float) -> None:
    sums = summed(change, variance)
    below, above = sums.alike_cdf(np.array([-STEADY, STEADY]))
    for mode in judge_moves(sums, STEADY).modes:
        if mode.verdict in ("up", "up?"):
            assert mode.printed.low > 0.0
        elif mode.verdict in ("down", "down?"):
            assert mode.printed.high < 0.0
        else:
            assert not mode.printed.excludes_zero
        if mode.verdict == "steady":
            assert -STEADY <= mode.own.low <= mode.own.high <= STEADY
            assert below < 0.025
            assert above > 0.975
        assert (mode.chance < 0.05) == (mode.verdict in ("up", "down"))
        assert mode.whole.low <= mode.whole.value <= mode.whole.high


@settings(max_examples=25)
@given(changes)
def test_what_fell_is_what_rose_turned_over(change: list[float]) -> None:
    turned = {"up": "down", "down": "up", "up?": "down?", "down?": "up?"}
    for rose, fell in zip(judged(change, 0.25).modes, judged([-c for c in change], 0.25).modes, strict=True):
        # The cells of the sums are joined from below, which moves a bound by 1 % of an interval or so.
        close = 0.02 * (rose.own.high - rose.own.low)
        assert fell.own.low == pytest.approx(-rose.own.high, abs=close)
        assert fell.whole.high == pytest.approx(-rose.whole.low, abs=0.1)
        if abs(rose.chance - 0.05) > 0.01 and min(abs(rose.own.low), abs(rose.own.high)) > close:
            assert fell.verdict in (turned.get(rose.verdict, rose.verdict), "unclear", "steady")


def test_the_order_of_modes_does_not_matter() -> None:
    change = [0.3, -8.0, 0.9, 0.1, 14.0]
    forward, back = judged(change, 0.25), judged(change[::-1], 0.25)
    assert [m.verdict for m in forward.modes] == [m.verdict for m in back.modes][::-1]


def test_where_all_others_moved_nobody_can_tell_which_did() -> None:
    moves = judged([-20.0, -20.4, -19.7, -20.1, 0.2], 0.25)
    assert [m.verdict for m in moves.modes[:4]] == ["down"] * 4
    assert {m.moved for m in moves.modes[:4]} == {"all"}
    assert (moves.modes[4].verdict, moves.modes[4].parted) == ("up?", True)


def test_a_mode_that_rose_beside_others_but_fell_itself_is_unclear() -> None:
    moves = judged([-40.0, -40.3, -39.8, -40.1, -20.0], 0.25)
    mode = moves.modes[4]
    assert mode.verdict == "unclear"
    assert mode.own.low > 0.0 > mode.whole.high
    assert mode.printed.low < 0.0 < mode.printed.high


def test_a_mode_alone_has_no_others_to_move_beside() -> None:
    assert judged([-30.0], 0.25).modes[0].verdict == "down"
    assert judged([-30.0], 0.25).modes[0].moved in ("all", "whole")
    still = judged([0.2], 0.25).modes[0]
    assert (still.verdict, still.moved) == ("unclear", "whole")


def test_more_set_ups_are_asked_for_where_more_taps_do_not_help() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.5, (2, 5, 6))
    before, after = (TapSet(n, np.full((5, 6), 0.01), np.zeros(5)) for n in (noise[0], noise[1] + 9.0))
    moves = moves_between([before], [after], FREQ, QUIET, STEADY)
    for mode in moves.modes:
        assert mode.verdict in ("unclear", "up?")
        assert mode.more_taps is None
        assert mode.more_setups is not None


def test_fewer_set_ups_widen_and_more_narrow() -> None:
    widths = [judged([0.0] * 6, 0.25, setups).common.high for setups in ((1, 1), (3, 3))]
    assert widths[1] < 0.7 * widths[0]


def test_the_same_taps_give_the_same_answer_from_any_reference() -> None:
    before, after, _ = sides(np.random.default_rng(9), Bench(), np.zeros(5))
    plain = moves_between(tap_sets(before), tap_sets(after), FREQ, QUIET, STEADY)
    moved = [
        [TapSet(t.values + 700.0, t.variances, t.levels_db - 20.0, t.setup) for t in tap_sets(side)]
        for side in (before, after)
    ]
    other = moves_between(moved[0], moved[1], FREQ, QUIET, STEADY)
    for one, two in zip(plain.modes, other.modes, strict=True):
        assert two.verdict == one.verdict
        assert two.own.low == pytest.approx(one.own.low, abs=1e-6)


# ------------------------------------------------------------- the sums


@pytest.mark.slow
@pytest.mark.parametrize(("modes", "variance", "moved"), [(3, 0.25, 8.0), (8, 0.01, 0.0), (8, 2.0, 8.0)])
def test_the_sums_agree_with_brute_force_on_dense_grids(modes: int, variance: float, moved: float) -> None:
    rng = np.random.default_rng([modes, int(moved)])
    v = variance * np.exp(rng.normal(0.0, 0.5, modes))
    d = 1.0 + rng.normal(0.0, 1.0, modes) * np.sqrt(v + 0.5)
    d[0] += moved
    of = Differences(d, v, rng.uniform(5.0, 20.0, modes), 0.1, 2.0)
    found = Contrast(d, 0.0 * v, v, of.dof, 0.0, 0.1, (1, 1), (5, 5))
    moves = judge_moves(sums_of(found, FREQ, QUIET.own, QUIET.common), STEADY)
    for k in (0, modes - 1):
        low, high = own_interval(of, k)
        assert moves.modes[k].own.low == pytest.approx(low, abs=0.02 * (high - low))
        assert moves.modes[k].own.high == pytest.approx(high, abs=0.02 * (high - low))
    if modes == 8:
        assert 0.5 * (moves.common.high - moves.common.low) == pytest.approx(common_half(of), rel=0.03)


@pytest.mark.parametrize("change", [[9.0], [4.0, 14.0], [11.0, 10.0, 2.0], [7.0, 7.4, 6.8, 7.1, 7.0, 27.0]])
def test_what_all_did_alike_agrees_with_brute_force(change: list[float]) -> None:
    d = np.array(change)
    of = Differences(d, np.full(d.size, 0.25), np.full(d.size, 8.0), 0.1, 2.0)
    low, high = common_interval(of)
    common = judged(change, 0.25).common
    # The product's 12 steps of set-ups in common move a bound by up to 3 % of an interval.
    assert common.low == pytest.approx(low, abs=0.04 * (high - low))
    assert common.high == pytest.approx(high, abs=0.04 * (high - low))
