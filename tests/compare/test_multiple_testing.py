"""Many modes at once: published adjustment, scatter that is lent, and verdicts on modes of known truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.drift import judge, more_taps, verdict_of
from tapbatch.compare.multiple_testing import holm, moderated, p_value
from tests.compare.drift_sim import Said, a_pair, moves_of


def _bound(share: float, trials: int) -> float:
    return 3.0 * math.sqrt(share * (1.0 - share) / trials)


# ------------------------------------------------------------ closed forms


def test_holm_is_the_published_rule() -> None:
    # Holm 1979: the i-th smallest of m is compared with alpha/(m - i + 1), until one fails. Five values of which
    # 0.001 <= 0.05/5 and 0.012 <= 0.05/4 hold, 0.02 > 0.05/3 fails, and 0.021 <= 0.05/2 comes too late.
    adjusted = holm([0.021, 0.001, 0.6, 0.012, 0.02])
    assert [p < 0.05 for p in adjusted] == [False, True, False, True, False]
    assert adjusted == pytest.approx([0.06, 0.005, 0.6, 0.048, 0.06])
    assert holm([]) == []


def test_a_p_value_is_that_of_students_t() -> None:
    # GUM (JCGM 100), table G.2: 95 % for 4 degrees of freedom is 2.78, 99 % is 4.60.
    assert p_value(4.604, 1.0, 4.0) == pytest.approx(0.01, abs=1e-4)
    assert p_value(0.0, 1.0, 4.0) == pytest.approx(1.0)
    assert p_value(1.0, 0.0, 4.0) == 0.0


def test_modes_that_are_alike_lean_on_each_other_and_those_that_are_not_stand_alone() -> None:
    rng = np.random.default_rng(1)
    alike = (rng.chisquare(8.0, 200) / 8.0).tolist()
    variances, dofs = moderated(alike, [8.0] * 200)
    assert np.std(variances) < 0.3 * np.std(alike)
    assert min(dofs) > 40.0
    apart = (rng.chisquare(8.0, 200) / 8.0 * np.exp(rng.normal(0.0, 3.0, 200))).tolist()
    variances, dofs = moderated(apart, [8.0] * 200)
    assert np.median(np.abs(np.log(np.array(variances) / apart))) < 0.1
    assert max(dofs) < 10.0


def test_what_differs_from_mode_to_mode_is_learned() -> None:
    # Smyth 2004: true variances s0^2 d0/chi^2(d0), here 4 and 6 degrees of freedom; both come back.
    rng = np.random.default_rng(2)
    true = 4.0 * 6.0 / rng.chisquare(6.0, 4000)
    seen = true * rng.chisquare(8.0, 4000) / 8.0
    variances, dofs = moderated(seen.tolist(), [8.0] * 4000)
    assert dofs[0] == pytest.approx(8.0 + 6.0, rel=0.1)
    own, lent = (float(np.mean(np.log(v / true) ** 2)) for v in (seen, np.array(variances)))
    assert lent < 0.75 * own


def test_one_mode_and_known_variances_keep_their_own() -> None:
    assert moderated([3.0], [8.0]) == ([3.0], [8.0])
    assert moderated([3.0, 9.0], [8.0, math.inf]) == ([3.0, 9.0], [8.0, math.inf])
    variances, dofs = moderated([1.0, 1.1, 0.9, 1.0, 50.0], [8.0] * 4 + [math.inf])
    assert (variances[4], dofs[4]) == (50.0, math.inf)
    assert max(variances[:4]) < 1.2


def test_what_is_lent_hangs_on_neither_order_nor_unit() -> None:
    seen, dofs = [1.0, 2.0, 0.3, 7.0], [8.0, 4.0, 6.5, 2.0]
    variances, lent = moderated(seen, dofs)
    backwards, lent_backwards = moderated(seen[::-1], dofs[::-1])
    assert backwards[::-1] == pytest.approx(variances)
    assert lent_backwards[::-1] == pytest.approx(lent)
    smaller, lent_smaller = moderated([1e-9 * v for v in seen], dofs)
    assert [1e9 * v for v in smaller] == pytest.approx(variances)
    assert lent_smaller == pytest.approx(lent)
    assert all(d <= sum(dofs) for d in lent)


def test_a_verdict_needs_the_family_too() -> None:
    assert verdict_of(0.5, 4.0, 3.0, 0.04) == "up"
    assert verdict_of(0.5, 4.0, 3.0, 0.3) == "unclear"
    assert verdict_of(0.5, 2.0, 3.0, 0.3) == "steady"
    assert verdict_of(-4.0, -0.5, 3.0, 0.01) == "down"


def test_two_variances_meet_between_what_each_says_and_what_both_say() -> None:
    (low, high), dofs = moderated([1.0, 4.0], [8.0, 8.0])
    assert 1.0 < low < 2.5 < high < 4.0
    assert max(dofs) <= 16.0
    (near, also), dofs = moderated([1.0, 1.1], [8.0, 8.0])
    assert 1.0 < near < also < 1.1
    assert min(dofs) > 8.0
    (apart, far), _ = moderated([1.0, 400.0], [8.0, 8.0])
    assert (apart, far) == (pytest.approx(1.0, rel=0.3), pytest.approx(400.0, rel=0.3))


# -------------------------------------------------------------- more taps


def _unclear(rng_seed: int) -> Said:
    return next(
        said
        for n in range(100)
        for said in a_pair(np.random.default_rng([rng_seed, n]), [2.5] * 8, 2.0)
        if said.verdict == "unclear"
    )


def test_the_taps_that_are_asked_for_decide_it_if_the_change_stays() -> None:
    judged = _unclear(5).judged
    more = more_taps(judged, 3.0)
    assert more is not None
    one = judged.of_one_tap
    n1, n2 = judged.change.taps

    def with_taps(count: int) -> str:
        freq = judged.change.freq
        narrow = replace(freq, variance=one * (1.0 / n1 + 1.0 / (n2 + count)), dof=freq.dof + count)
        chance = judged.chance / judged.alone * p_value(narrow.value, narrow.variance, narrow.dof)
        cents = 1200.0 / math.log(2.0)
        return verdict_of(narrow.low * cents, narrow.high * cents, 3.0, chance)

    assert with_taps(more) != "unclear"
    assert with_taps(more - 1) == "unclear"


def test_no_number_of_taps_helps_where_the_stage_before_is_the_limit() -> None:
    judged = _unclear(6).judged
    change = replace(judged.change, taps=(1, 400), freq=replace(judged.change.freq, value=1.5 * 1e-6))
    assert more_taps(replace(judged, change=change), 0.1) is None


# ------------------------------------------------------------ known truth


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.3, 1.0, 2.0])
def test_verdicts_on_builds_whose_truth_is_known(scatter: float) -> None:
    builds = 400
    said: list[Said] = []
    families, false_families = 0, 0
    for n in range(builds):
        rng = np.random.default_rng([61, int(10 * scatter), n])
        of_build = a_pair(rng, moves_of(rng, 8), scatter)
        still = [s for s in of_build if not s.true]
        families += bool(still)
        false_families += any(s.verdict in ("up", "down") for s in still)
        said += of_build
    moved = [s for s in said if s.true]
    still = [s for s in said if not s.true]
    right = np.mean([s.verdict == ("up" if s.true > 0 else "down") for s in moved])
    false = np.mean([s.verdict in ("up", "down") for s in still])
    covered = np.mean([s.covers for s in said])
    # Six cents or more, five taps a side: right in 95 of 100; of what stands still 5 in 100 called moved, and so in
    # 5 of 100 whole stages; drift intervals cover 93 to 98.
    assert right >= 0.95
    assert false <= 0.05
    assert false_families / families <= 0.05 + _bound(0.05, families)
    assert 0.93 <= covered <= 0.98


def test_moves_of_exactly_six_cents_are_told_at_two_cents_of_scatter() -> None:
    said = [
        s
        for n in range(60)
        for s in a_pair(np.random.default_rng([62, n]), [6.0, 0.0, -6.0, 0.0, 0.0, 0.0, 0.0, 0.0], 2.0)
    ]
    right = np.mean([s.verdict == ("up" if s.true > 0 else "down") for s in said if s.true])
    assert right >= 0.95 - _bound(0.95, 120)


@pytest.mark.slow
@pytest.mark.parametrize(("taps", "unlike"), [(2, 0.0), (2, 0.7), (3, 0.7), (5, 0.0), (5, 0.7)])
def test_false_movers_are_kept_in_check_however_few_the_taps_and_however_unlike_the_modes(
    taps: int, unlike: float
) -> None:
    families, false, covered = 400, 0, []
    for n in range(families):
        said = a_pair(np.random.default_rng([63, taps, n]), [0.0] * 12, 2.0, taps, unlike=unlike)
        false += any(s.verdict in ("up", "down") for s in said)
        covered.append(np.mean([s.covers for s in said]))
    assert false / families <= 0.05 + _bound(0.05, families)
    assert 0.93 <= np.mean(covered) <= 0.985


@pytest.mark.slow
@pytest.mark.parametrize("modes", [1, 3, 8])
def test_six_cents_are_told_where_every_mode_scatters_by_two(modes: int) -> None:
    # The harshest case that is asked of five taps a side: no mode scatters by less than two cents.
    moves = [6.0, *[0.0] * (modes - 1)] if modes < 8 else [6.0, -6.0, *[0.0] * (modes - 2)]
    told = [
        s.verdict == ("up" if s.true > 0 else "down")
        for n in range(800)
        for s in a_pair(np.random.default_rng([64, modes, n]), moves, 2.0, unlike=0.0)
        if s.true
    ]
    assert np.mean(told) >= 0.95 - _bound(0.95, len(told))


def test_a_family_of_one_is_judged_alone() -> None:
    (said,) = a_pair(np.random.default_rng(7), [0.0], 1.0)
    assert said.judged.chance == said.judged.alone
    assert judge([], None) == []
