"""Chances of matchings against a plain sum over all of them, written out one by one."""

from __future__ import annotations

import math
from itertools import chain, combinations, product

import numpy as np
import pytest

from tapbatch.compare import matchings
from tapbatch.compare.matchings import Costs, Floats, Merge, assign, chances, excesses


def written_out(costs: Costs, merges: list[Merge]) -> tuple[Floats, Floats, Floats]:
    """Return the chance of each link, that of each column to be new, and the least cost with each link, no merges."""
    rows, columns = costs.link.shape
    link, new, total = np.zeros((rows, columns)), np.zeros(columns), 0.0
    least = np.full((rows, columns), np.inf)
    for held in chain.from_iterable(combinations(merges, k) for k in range(len(merges) + 1)):
        used = [[n for m in held for n in getattr(m, side)] for side in ("rows", "columns")]
        if any(len(set(u)) < len(u) for u in used):
            continue
        left = [[n for n in range(size) if n not in u] for size, u in zip((rows, columns), used, strict=True)]
        for picked in product([None, *left[1]], repeat=len(left[0])):
            pairs = [(r, c) for r, c in zip(left[0], picked, strict=True) if c is not None]
            if len({c for _, c in pairs}) < len(pairs):
                continue
            linked, fresh = {r for r, _ in pairs}, set(left[1]) - {c for _, c in pairs}
            cost = sum(m.cost for m in held) + sum(costs.link[p] for p in pairs)
            cost += sum(costs.fading[r] for r in left[0] if r not in linked) + sum(costs.new[c] for c in fresh)
            weight = math.exp(-cost)
            total += weight
            new[list(fresh)] += weight
            for pair in pairs:
                link[pair] += weight
                if not held:
                    least[pair] = min(least[pair], cost)
    return link / total, new / total, least


@pytest.mark.parametrize("seed", range(40))
def test_chances_are_those_of_all_matchings(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(matchings, "WINDOWS", (50.0,))
    rng = np.random.default_rng([31, seed])
    rows, columns = (int(n) for n in rng.integers(1, 5, 2))
    costs = Costs(rng.uniform(0, 9, (rows, columns)), rng.uniform(1, 6, rows), rng.uniform(1, 6, columns))
    merges = [Merge((int(rng.integers(rows)),), (0, 1), float(rng.uniform(0, 9)))] if columns > 1 else []
    merges += [Merge((0, 1), (int(rng.integers(columns)),), float(rng.uniform(0, 9)))] if rows > 1 else []
    link, new, least = written_out(costs, merges)
    found = chances(costs, merges)
    np.testing.assert_allclose(found[0], link, atol=1e-7)
    np.testing.assert_allclose(found[1], new, atol=1e-7)
    np.testing.assert_allclose(excesses(costs), least - assign(costs)[1], atol=1e-9)


def test_many_modes_that_could_be_any_other_are_summed_in_parts() -> None:
    rng = np.random.default_rng(32)
    costs = Costs(rng.uniform(0.0, 9.0, (15, 15)), np.full(15, 5.0), np.full(15, 5.0))
    link, new = chances(costs)
    assert np.all(link.sum(axis=0) + new == pytest.approx(1.0))
    assert np.all(link >= 0.0)
