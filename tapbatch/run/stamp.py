"""The stamp of the tool: a hash that changes with any of its files, so that a changed tool makes everything anew.

Conventions: the stamp covers the whole package, whatever room a file is in. It holds the path, size and time of each
file and not its content, so that it costs a few milliseconds. Two checkouts of one version may differ by a line.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from tapbatch.results.files import facts_of

PACKAGE = Path(__file__).parent.parent


@cache
def tool_stamp() -> str:
    """Return the version of the tool that runs, with the stamp of its files.

    Examples
    --------
    >>> from tapbatch import __version__
    >>> tool_stamp() == f"{__version__}-{stamp_of(PACKAGE)}"
    True
    """
    from tapbatch import __version__

    return f"{__version__}-{stamp_of(PACKAGE)}"


def stamp_of(package: Path) -> str:
    """Return a hash of the paths, sizes and times of all Python files in a folder and below.

    Examples
    --------
    >>> len(stamp_of(PACKAGE))
    16
    """
    stamp = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        stamp.update(f"{path.relative_to(package).as_posix()} {facts_of(path)}".encode())
    return stamp.hexdigest()[:16]
