"""Grouping: which estimates of a stage's taps are one mode, on simulated taps whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.group import group_taps
from tapbatch.model.reading import Mode
from tests.compare.builds import mode, spread_modes

Truth = list[list[int]]


def _stage(
    rng: np.random.Generator, taps: int, scatter_cents: float, missed: float, spurious: float, pair_hz: float
) -> tuple[list[list[Mode]], Truth, int]:
    rows = spread_modes(rng, 8, 2.2 * 35.0)
    if pair_hz:
        low = 250.0
        rows = [r for r in rows if abs(1200.0 * math.log2(r[0] / low)) > 120.0]
        rows += [(low, 0.4, -3.0), (low + pair_hz, 0.4, -6.0)]
    made, truth = [], []
    for _ in range(taps):
        gain = rng.normal(0.0, 8.0)
        heard = [
            (f * 2.0 ** (rng.normal(0.0, scatter_cents) / 1200.0), t * math.exp(rng.normal(0.0, 0.05)), level, k)
            for k, (f, t, level) in enumerate(rows)
            if rng.random() >= missed
        ]
        if rng.random() < spurious:
            heard.append((math.exp(rng.uniform(math.log(80.0), math.log(1000.0))), 0.2, -35.0, -1))
        heard.sort()
        made.append([mode(f, t, lv + gain + rng.normal(0.0, 4.0), f * 1e-4, 0.02) for f, t, lv, _ in heard])
        truth.append([k for *_, k in heard])
    return made, truth, len(rows)


@pytest.mark.parametrize("taps", [3, 5, 10])
@pytest.mark.parametrize(
    ("scatter_cents", "missed", "spurious", "pair_hz"),
    [(0.5, 0.0, 0.0, 3.0), (0.5, 0.15, 0.1, 3.0), (3.0, 0.1, 0.1, 4.0), (10.0, 0.0, 0.0, 0.0), (10.0, 0.1, 0.1, 0.0)],
)
def test_modes_of_a_stage_are_told_apart(
    taps: int, scatter_cents: float, missed: float, spurious: float, pair_hz: float
) -> None:
    rng = np.random.default_rng([taps, int(10 * scatter_cents), int(10 * missed)])
    wrong, members, shown, found = 0, 0, 0, 0
    for _ in range(40):
        made, truth, modes = _stage(rng, taps, scatter_cents, missed, spurious, pair_hz)
        groups = group_taps(made)
        for group in groups:
            of_truth = [truth[t][i] for t, i in group]
            wrong += sum(k != max(set(of_truth), key=of_truth.count) for k in of_truth)
            members += len(of_truth)
        seen = [sum(k in tap for tap in truth) for k in range(modes)]
        shown += sum(2 * s >= taps and s >= 2 for s in seen)
        found += len(groups)
    assert wrong <= 0.01 * members
    assert abs(found - shown) <= 0.02 * shown


def test_pair_3_hz_apart_stays_a_pair_where_a_tap_hears_one_of_it() -> None:
    both = [mode(250.0, 0.4), mode(253.0, 0.3)]
    groups = group_taps([both, both, [mode(250.1, 0.41)], [mode(252.9, 0.3)], both])
    assert groups == (((0, 0), (1, 0), (2, 0), (4, 0)), ((0, 1), (1, 1), (3, 0), (4, 1)))


@pytest.mark.parametrize(
    ("seen", "of", "kept"), [(1, 1, True), (1, 2, True), (1, 3, False), (2, 3, True), (2, 5, False), (3, 5, True)]
)
def test_a_mode_is_kept_when_most_taps_show_it(seen: int, of: int, kept: bool) -> None:
    taps = [[mode(200.0)] if t < seen else [] for t in range(of)]
    assert len(group_taps(taps)) == int(kept)


def test_a_mode_with_its_node_at_one_point_is_kept() -> None:
    taps = [[mode(200.0)]] * 6 + [[mode(200.0), mode(310.0)]] * 2
    assert len(group_taps(taps)) == 1
    assert len(group_taps(taps, ["bridge"] * 6 + ["edge"] * 2)) == 2


def test_nothing_measured_makes_no_modes() -> None:
    assert group_taps([]) == ()
    assert group_taps([[], []]) == ()


@given(
    st.lists(st.lists(st.floats(60.0, 1400.0), max_size=6, unique=True), min_size=1, max_size=6),
    st.sampled_from([0.0, 10.0]),
)
def test_each_estimate_is_in_one_group_and_each_group_has_a_tap_once(freqs: list[list[float]], gain: float) -> None:
    taps = [[mode(f, 0.3, -20.0 + gain) for f in sorted(of_tap)] for of_tap in freqs]
    groups = group_taps(taps)
    members = [m for group in groups for m in group]
    assert len(members) == len(set(members))
    assert all(len({t for t, _ in group}) == len(group) for group in groups)
