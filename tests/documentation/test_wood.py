"""What docs/wood.md says of its checks is what the benchmark's page says; the figures are copied from there."""

from __future__ import annotations

import re

from tests.documentation.pages import page, section, table

WOOD = page("tests/benchmarks/WOOD.md")
SAID = " ".join(section(page("docs/wood.md"), "## How it is worked out").split())


def test_how_many_simulated_boards_were_named_and_held() -> None:
    named = re.search(r"Named clearly: (\d+) of (\d+), wrong (\d+)\.", WOOD)
    assert named is not None
    right, boards, wrong = named.groups()
    assert f"Of {boards} simulated boards, {right} were named clearly and {wrong} of them wrongly" in SAID
    together = next(row for row in table(WOOD) if row[0] == "density and stiffness together")
    assert f"held {together[4]} % of the true values" in SAID


def test_how_far_tones_that_were_left_out_are_foretold() -> None:
    off = [float(row[2]) for row in table(section(WOOD, "## Three real boards")) if len(row) == 4]
    assert len(off) == 3
    assert f"off by {min(off):.1f} to {max(off):.1f} % in the median" in SAID


def test_the_benchmark_keeps_its_limits() -> None:
    """Bias under 1 %, each figure held at 92 % or more, all together 93 to 98 %; naming 60 % and 98 %."""
    told = section(WOOD, next(line for line in WOOD.splitlines() if line.startswith("## ") and "simulated" in line))
    first = table(told.split("With the caliper")[0])
    moduli = [row for row in first if row[0].startswith("`") and not row[0].startswith("`loss")]
    assert len(moduli) == 8
    assert all(abs(float(row[2])) < 1.0 and float(row[4]) >= 92.0 for row in moduli)
    together = float(next(row for row in first if row[0].startswith("density and"))[4])
    assert 93.0 <= together <= 98.0
    for row in table(section(WOOD, "## Naming with modes missing")):
        assert float(row[3]) >= 60.0
        assert float(row[4]) >= 98.0
