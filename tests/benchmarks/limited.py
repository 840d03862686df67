"""Run a benchmark whose figures have limits: its arguments, its page with the limits first, and its exit status.

Conventions: tables are printed as they are made; the page is written if it is asked for. What is counted, such as the
stages of a case, is the number that all tables are made of.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.moves_limits import Ledger
from tests.benchmarks.tables import machine

Say = Callable[[str], None]


@dataclass(frozen=True)
class Benchmark:
    """A benchmark: ``counted`` and ``each`` are the words for what is counted, ``usual`` and ``short`` how many."""

    about: str
    title: str
    counted: str
    each: str
    usual: int
    short: int
    results: Path
    conventions: str = ""

    def run(self, make_tables: Callable[[Say, Ledger, int], None]) -> int:
        """Print the tables, and write them if asked to; return 1 if a limit is missed and not known to be."""
        count, write = self._asked_for()
        lines: list[str] = []

        def say(line: str) -> None:
            print(line, flush=True)
            lines.append(line)

        began_s, limits = time.process_time(), Ledger()
        make_tables(say, limits, count)
        spent_s = time.process_time() - began_s
        head = [
            f"# {self.title}\n\n{machine()} {count} {self.counted} a {self.each};"
            f" {spent_s / 60.0:.0f} minutes of the processor.\n",
            *([f"{self.conventions}\n"] if self.conventions else []),
            f"## Limits\n\n{len(limits.rows)} figures have a limit, {len(limits.missed)} miss it.\n",
            *limits.lines(),
            "",
        ]
        print("\n".join(head))
        if write:
            self.results.write_text("\n".join([*head, *lines]) + "\n", encoding="utf-8")
        return int(any(not row.why for row in limits.missed))

    def _asked_for(self) -> tuple[int, bool]:
        """Return the count and whether to write the page."""
        parser = argparse.ArgumentParser(description=self.about)
        told = f"{self.counted} a {self.each}"
        parser.add_argument(f"--{self.counted}", type=int, default=self.usual, help=f"{told} (default {self.usual})")
        parser.add_argument("--short", action="store_true", help=f"{self.short} {told}")
        parser.add_argument("--write", action="store_true", help=f"write the tables to {self.results.name}")
        said = parser.parse_args()
        return (self.short if said.short else int(getattr(said, self.counted))), bool(said.write)
