"""The page ``ROOMS.md``: read back, so that a run of some scenes leaves the rows of the others as they were.

Conventions: whatever is said of a scene is one line that names it: a row of the table, a remark below it, a row of
the limits. Lines stand in the order of the scenes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench_simulator.recipes import RECIPES
from tests.benchmarks import rooms_tables, tables

_SECTIONS = ("rows", "remarks", "limits")
_OF_SCENE = re.compile(r"^(?:\| |- `)([a-z0-9-]+)(?: \||`)")
LIMITS_HEAD = ("scene", "figure", "now", "must", "")


@dataclass
class Page:
    """The lines of each section, by scene."""

    rows: dict[str, list[str]] = field(default_factory=dict)
    remarks: dict[str, list[str]] = field(default_factory=dict)
    limits: dict[str, list[str]] = field(default_factory=dict)

    def put(self, scene: str, row: str, remarks: Sequence[str], limits: Sequence[str]) -> None:
        """Say a scene, in place of what was said of it."""
        self.rows[scene], self.remarks[scene], self.limits[scene] = [row], list(remarks), list(limits)

    def text(self, word: str) -> str:
        """Return the page; ``word`` is that for a spot."""
        rows, remarks, limits = (
            [line for name in RECIPES for line in getattr(self, section).get(name, ())] for section in _SECTIONS
        )
        return "\n".join(
            [
                f"# In rooms, with hands and phones\n\n{tables.machine()}\n",
                "Made by `python -m tests.benchmarks.rooms --write`, a run leaves the other scenes' rows.\n",
                rooms_tables.legend(word),
                rooms_tables.head(),
                *rows,
                "",
                *remarks,
                "\n## Limits\n",
                tables.head(LIMITS_HEAD),
                *limits,
                "",
            ]
        )


def read(path: Path) -> Page:
    """Return the page as it was last written; an empty one where there is none, or of another table."""
    page = Page()
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    if rooms_tables.head() not in text:
        return page
    section = "rows"
    for line in text.splitlines():
        if line == "## Limits":
            section = "limits"
        found = _OF_SCENE.match(line)
        if found is not None and found[1] in RECIPES:
            held = page.remarks if line.startswith("- ") else getattr(page, section)
            held.setdefault(found[1], []).append(line)
    return page
