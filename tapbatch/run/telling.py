"""Print what a run found: where each instrument is, what was noticed, and how many recordings were measured.

Conventions: a run keeps the lines of instruments that did not change. All that is known of each instrument is printed
only on request, from the histories that the tables show. How many forecasts held is said once, and only after
something was measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from tapbatch.model.errors import TapbatchError
from tapbatch.model.forecast import kept_of
from tapbatch.model.history import History
from tapbatch.run.histories import histories_of
from tapbatch.run.one_pass import Outcome
from tapbatch.shop.folder import Shop

_LONG_BYTES = 20_000_000  # four minutes of WAV, most of an hour of what a phone compresses

FileRead = tuple[Path, History | TapbatchError]


def print_outcome(outcome: Outcome, in_full: Shop | None = None) -> None:
    """Print what a run found on standard output; given the shop, with all that is known of each instrument."""
    from tapbatch.show.say.forecasts import kept_text
    from tapbatch.show.terminal.readings import Line, print_lines, print_notices, said
    from tapbatch.show.terminal.told import history_lines

    lines: list[Line | str] = list(outcome.lines)
    if in_full is not None:
        lines = [
            line
            for name, history in histories_of(in_full).of.items()
            for line in history_lines(history, in_full.settings_of(name).steady_cents, full=True)
        ]
    print_lines(lines)
    if outcome.measured and (score := kept_text(kept_of(outcome.forecasts))):
        print_lines(said(f"forecasts: {score}", later="    "))
    print_notices(outcome.notices)
    measured, shown = _count(outcome.measured, "recording"), _count(len(outcome.instruments), "instrument")
    print_lines([f"{measured} measured, {shown} up to date."])


def with_bar(files: Sequence[Path], results: Iterator[FileRead]) -> Iterator[FileRead]:
    """Yield the results of reading files; a bar shows the progress while a file is read that may last hours."""
    from tapbatch.show.terminal.readings import progress

    for path in files:
        try:
            long = path.stat().st_size > _LONG_BYTES
        except (OSError, ValueError):
            long = False
        with progress(1 if long else 0):
            result = next(results)
        yield result


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
