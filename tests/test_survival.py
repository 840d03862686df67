"""A run may be killed, starved of room, or met by another: the next one ends as if nothing had been.

The trials are in ``tests/survival``; ``python -m tests.survival`` prints the table that DEVELOPERS.md holds.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.survival.trials import TRIALS, Trial

DEVELOPERS = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("trial", TRIALS, ids=[trial.name for trial in TRIALS])
def test_the_next_run_ends_as_an_undisturbed_one(trial: Trial, tmp_path: Path) -> None:
    tally = trial.play(tmp_path)
    assert tally.lost == []
    assert tally.tried >= 3


def test_the_table_of_what_was_survived_names_every_trial_and_no_loss() -> None:
    rows = re.findall(r"^\| `([\w-]+)` \| (.+) \| (\d+) \| (\d+)\b", DEVELOPERS, re.MULTILINE)
    assert {name: tried for name, tried, *_ in rows} == {trial.name: trial.tried for trial in TRIALS}
    assert all(int(times) == int(survived) > 0 for *_, times, survived in rows)
