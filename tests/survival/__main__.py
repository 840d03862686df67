"""Play the trials and print what was survived: ``python -m tests.survival [NAME ...]``, a table in Markdown."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pytest

from tests.survival.trials import TRIALS


def main() -> int:
    """Play the trials named, or all; return how many were not survived."""
    chosen = [trial for trial in TRIALS if not sys.argv[1:] or trial.name in sys.argv[1:]]
    print("| trial | tried | times | survived |\n| --- | --- | --- | --- |")
    failed: list[str] = []
    for trial in chosen:
        with tempfile.TemporaryDirectory() as folder:
            try:
                tally = trial.play(Path(folder))
            except pytest.skip.Exception as skipped:
                print(f"| `{trial.name}` | {trial.tried} | 0 | not tried: {skipped} |", flush=True)
                continue
        note = f" ({tally.note})" if tally.note else ""
        print(
            f"| `{trial.name}` | {trial.tried} | {tally.tried} | {tally.tried - len(tally.lost)}{note} |", flush=True
        )
        failed += [f"{trial.name}: {line}" for line in tally.lost]
    print("\n".join(failed), file=sys.stderr)
    return len(failed)


if __name__ == "__main__":
    sys.exit(min(main(), 1))
