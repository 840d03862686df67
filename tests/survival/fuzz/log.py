"""The log of a run: one JSON line for its beginning, each action with what was found, each round, and its end.

Conventions: text is ASCII with escapes, so that a log can be printed. A line is flushed before the next action, so
what was going on when a machine fails is the last line.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any


class Log:
    """Lines written to a file as they come."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._began_s = time.monotonic()
        self._file = path.open("w", encoding="ascii")

    def line(self, event: str, **facts: Any) -> None:
        """Write a line, with the seconds since the log was begun."""
        at_s = round(time.monotonic() - self._began_s, 1)
        self._file.write(json.dumps({"event": event, "at_s": at_s, **facts}) + "\n")
        self._file.flush()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def lines_of(path: Path) -> list[dict[str, Any]]:
    """Return the lines of a log."""
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]
