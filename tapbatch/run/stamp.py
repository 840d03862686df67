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
def tool_stamp(package: Path = PACKAGE) -> str:
    """Return the version of the tool with a hash of its files' paths, sizes and times.

    Parameters
    ----------
    package
        The folder of the package; default the one that runs.

    Examples
    --------
    >>> from tapbatch import __version__
    >>> tool_stamp().startswith(f"{__version__}-"), tool_stamp() == tool_stamp(PACKAGE)
    (True, True)
    """
    from tapbatch import __version__

    stamp = hashlib.sha256(__version__.encode())
    for path in sorted(package.rglob("*.py")):
        stamp.update(f"{path.relative_to(package).as_posix()} {facts_of(path)}".encode())
    return f"{__version__}-{stamp.hexdigest()[:16]}"
