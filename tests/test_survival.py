"""A run may be killed, run out of disk space, or meet another run: the next run ends as if nothing had happened.

The trials are in ``tests/survival``; ``python -m tests.survival --write`` writes their table, ``RESULTS.md`` there.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.survival.__main__ import RESULTS
from tests.survival.trials import TRIALS, Trial


@pytest.mark.slow
@pytest.mark.parametrize("trial", TRIALS, ids=[trial.name for trial in TRIALS])
def test_the_next_run_ends_as_an_undisturbed_one(trial: Trial, tmp_path: Path) -> None:
    tally = trial.play(tmp_path)
    assert tally.lost == []
    assert tally.tried >= 3


def test_the_table_of_what_was_survived_names_every_trial_and_no_loss() -> None:
    rows = re.findall(r"^\| `([\w-]+)` \| (.+) \| (\d+) \| (\d+)\b", RESULTS.read_text("utf-8"), re.MULTILINE)
    assert {name: tried for name, tried, *_ in rows} == {trial.name: trial.tried for trial in TRIALS}
    assert all(int(times) == int(survived) > 0 for *_, times, survived in rows)
