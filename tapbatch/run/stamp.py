"""Compute the stamp of the tool: a hash that changes with any of its files, so a changed tool remakes everything.

Conventions: the stamp covers all Python files of the package. It is made from the path, size and time of each file,
not from its contents, so it takes only a few milliseconds. The version alone is not enough, because two checkouts of
one version may differ.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from tapbatch.results.files import facts_of

PACKAGE = Path(__file__).parent.parent


@cache
def tool_stamp() -> str:
    """Return the version of the running tool, with the stamp of its files.

    Examples
    --------
    >>> from tapbatch import __version__
    >>> tool_stamp() == f"{__version__}-{stamp_of(PACKAGE)}"
    True
    """
    from tapbatch import __version__

    return f"{__version__}-{stamp_of(PACKAGE)}"


def stamp_of(package: Path) -> str:
    """Return a hash, 16 hexadecimal digits, of the paths, sizes and times of all Python files below a folder.

    Examples
    --------
    >>> len(stamp_of(PACKAGE))
    16
    """
    stamp = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        stamp.update(f"{path.relative_to(package).as_posix()} {facts_of(path)}".encode())
    return stamp.hexdigest()[:16]
