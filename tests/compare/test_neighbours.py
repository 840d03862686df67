"""Two neighbours of which one comes, crosses or parts: few stages here, many in ``tests/benchmarks/neighbours.py``.

The seeds are fixed, so a limit here is the benchmark's and two standard errors of so few stages.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.compare.neighbours_sim import EVENTS, Bench, Said, count, judged

STAGES = 24


def said_of(name: str, bench: Bench | None = None) -> Said:
    return count(EVENTS[name], bench or Bench(), STAGES, [41, sum(map(ord, name))])


def limit(share: float) -> float:
    return STAGES * share + 2.0 * math.sqrt(STAGES * share * (1.0 - share))


def test_a_newcomer_beside_the_strongest_moves_nothing() -> None:
    said = said_of("a newcomer beside the strongest")
    assert said.false <= limit(0.06)
    assert said.false == said.false_blurred
    assert said.swapped <= limit(0.005)
    assert said.wrong == 0


@pytest.mark.parametrize("name", ["two cross", "two alike cross"])
def test_two_that_cross_are_not_swapped_for_sure(name: str) -> None:
    assert said_of(name).swapped <= limit(0.005)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["two cross", "two alike cross"])
def test_two_that_cross_are_not_swapped_for_sure_at_two_points(name: str) -> None:
    assert said_of(name, Bench(points=2, taps=4)).swapped <= limit(0.005)


def test_most_of_what_is_read_as_two_has_no_verdict() -> None:
    said = said_of("one read as two")
    assert said.false <= limit(0.06)
    assert said.doubted >= STAGES // 2


def test_what_stands_alone_is_not_doubted() -> None:
    said = said_of("nothing")
    assert (said.doubted, said.wrong) == (0, 0)


def test_a_doubtful_name_has_no_verdict_and_no_figure_of_a_move() -> None:
    rows = [
        (row, truth.flagged)
        for seed in range(8)
        for rows, truth in [judged(np.random.default_rng([42, seed]), EVENTS["two alike cross"], Bench())]
        for row in rows
    ]
    doubted = [row for row, flagged in rows if row.mode in flagged and row.freq_change_cents is not None]
    assert doubted
    assert all((row.verdict, row.extent, row.moved) == ("unclear", None, "") for row in doubted)
    assert all("identity" in {c.kind for c in row.cautions} for row in doubted)
    others = [row for row, flagged in rows if row.mode not in flagged]
    assert not any("identity" in {c.kind for c in row.cautions} for row in others)
