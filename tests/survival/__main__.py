"""Run the trials and print what was survived: ``python -m tests.survival [--write] [NAME ...]``.

``--write`` also writes the table to ``RESULTS.md`` beside this file; it runs every trial. With ``--minutes N`` or
``--seed S`` rounds of mixed trouble are run instead: see :mod:`tests.survival.fuzz.command`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import pytest

from tests.survival.fuzz import command
from tests.survival.trials import TRIALS, Trial

RESULTS = Path(__file__).with_name("RESULTS.md")

_HEAD = """\
# What a run survives

Each trial disturbs runs in one way and lets the next run finish. A disturbance is survived if the results are then
byte for byte those of an undisturbed run, if there is nothing else among them, and if no recording was touched.

Made by `python -m tests.survival --write`.
"""
_TABLE = ["| trial | tried | times | survived |", "| --- | --- | --- | --- |"]


def main() -> int:
    """Run the named trials, or all; return how many disturbances were not survived."""
    if any(word.startswith(("--minutes", "--seed")) for word in sys.argv[1:]):
        return command.main(sys.argv[1:])
    parser = argparse.ArgumentParser(prog="python -m tests.survival")
    parser.add_argument("names", nargs="*", choices=[[], *(trial.name for trial in TRIALS)], metavar="NAME")
    parser.add_argument("--write", action="store_true", help=f"run all, and write {RESULTS.name}")
    asked = parser.parse_args()
    chosen = [trial for trial in TRIALS if asked.write or not asked.names or trial.name in asked.names]
    print("\n".join(_TABLE))
    rows, failed = [], []
    for trial in chosen:
        row, lost = play(trial)
        print(row, flush=True)
        rows.append(row)
        failed += lost
    if asked.write:
        RESULTS.write_text("\n".join([_HEAD, *_TABLE, *rows]) + "\n", encoding="utf-8")
    print("\n".join(failed), file=sys.stderr)
    return len(failed)


def play(trial: Trial) -> tuple[str, list[str]]:
    """Run a trial; return its row of the table, and a line for each disturbance that was not survived."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            tally = trial.play(Path(folder))
        except pytest.skip.Exception as skipped:
            return f"| `{trial.name}` | {trial.tried} | 0 | not tried: {skipped} |", []
    note = f" ({tally.note})" if tally.note else ""
    row = f"| `{trial.name}` | {trial.tried} | {tally.tried} | {tally.tried - len(tally.lost)}{note} |"
    return row, [f"{trial.name}: {line}" for line in tally.lost]


if __name__ == "__main__":
    sys.exit(min(main(), 1))
