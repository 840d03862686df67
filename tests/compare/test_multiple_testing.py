"""Many modes at once: the published adjustment, and scatter that is lent."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapbatch.compare.multiple_testing import holm, moderated

# ------------------------------------------------------------ closed forms


def test_holm_is_the_published_rule() -> None:
    # Holm 1979: the i-th smallest of m is compared with alpha/(m - i + 1), until one fails. Five values of which
    # 0.001 <= 0.05/5 and 0.012 <= 0.05/4 hold, 0.02 > 0.05/3 fails, and 0.021 <= 0.05/2 comes too late.
    adjusted = holm([0.021, 0.001, 0.6, 0.012, 0.02])
    assert [p < 0.05 for p in adjusted] == [False, True, False, True, False]
    assert adjusted == pytest.approx([0.06, 0.005, 0.6, 0.048, 0.06])
    assert holm([]) == []


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


def test_two_variances_meet_between_what_each_says_and_what_both_say() -> None:
    (low, high), dofs = moderated([1.0, 4.0], [8.0, 8.0])
    assert 1.0 < low < 2.5 < high < 4.0
    assert max(dofs) <= 16.0
    (near, also), dofs = moderated([1.0, 1.1], [8.0, 8.0])
    assert 1.0 < near < also < 1.1
    assert min(dofs) > 8.0
    (apart, far), _ = moderated([1.0, 400.0], [8.0, 8.0])
    assert (apart, far) == (pytest.approx(1.0, rel=0.3), pytest.approx(400.0, rel=0.3))
