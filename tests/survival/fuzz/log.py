"""Write the log of a run: a JSON line for its start and end, each round, each action and its result.

Conventions: text is ASCII with escapes, so that a log can be printed. Each line is flushed at once, so if the machine
fails, the last line says during which action.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any


class Log:
    """A log file, written line by line."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._began_s = time.monotonic()
        self._file = path.open("w", encoding="ascii")

    def line(self, event: str, **facts: Any) -> None:
        """Write a line, with the seconds since the log was opened."""
        at_s = round(time.monotonic() - self._began_s, 1)
        self._file.write(json.dumps({"event": event, "at_s": at_s, **facts}) + "\n")
        self._file.flush()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def lines_of(path: Path) -> list[dict[str, Any]]:
    """Return the lines of a log."""
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]
