"""Complete command-line arguments: instruments, stages and missing recordings, as of the last run.

Conventions: completion must answer while the user types, so it reads only ``results/``, measures nothing and checks
no settings. The shop is the current folder, or each folder in it that is a shop. Instruments and stages are offered
by identity, which contains no spaces. Files that cannot be read are ignored.
"""

from __future__ import annotations

import csv
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

# The kind of notice that the table gives a recording that is gone (:data:`tapbatch.model.notice.NoticeKind`).
_MISSING = "missing"


def instruments(below: Path = Path()) -> list[str]:
    """Return the identities of the instruments that have tables, sorted.

    Parameters
    ----------
    below
        A shop, or a folder of shops; default the current folder.

    Examples
    --------
    >>> instruments(Path("nowhere"))
    []
    """
    return sorted({table.parent.name for table in _tables(below)})


def stages(instrument: str, below: Path = Path()) -> list[str]:
    """Return the identities of the stages of an instrument, in the order of its tables.

    Parameters
    ----------
    instrument
        Name or identity of the instrument.
    below
        A shop, or a folder of shops; default the current folder.
    """
    from tapbatch.model.names import identity

    wanted = identity(instrument)
    named = (row.get("stage") for table in _tables(below) if table.parent.name == wanted for row in _rows(table))
    return list(dict.fromkeys(identity(stage) for stage in named if stage))


def gone(below: Path = Path()) -> list[str]:
    """Return the recordings that are gone but still have readings, as named in ``recordings.csv``, sorted."""
    rows = (row for table in _tables(below) for row in _rows(table))
    return sorted({row["recording"] for row in rows if _MISSING in (row.get("notice") or "").split("; ")})


def beginning(names: list[str], typed: str) -> list[str]:
    r"""Return the names that begin with the typed text, quoted for the shell.

    No part of a name is ever executed. Bash inserts a name into the line as given, so all special characters are
    escaped with a backslash. Other shells evaluate the name or insert it unquoted, so they are only offered names of
    letters, digits, spaces and a few harmless characters; type other names in quotes.

    Examples
    --------
    >>> beginning(["cittern-07", "lyre-2"], "ci")
    ['cittern-07']
    """
    found = [name for name in names if name.startswith(typed)]
    if os.environ.get("_TAPBATCH_COMPLETE") == "complete_bash":
        return [re.sub(r"([^\w@%+=:,./-])", r"\\\1", name) for name in found if name.isprintable()]
    return [name for name in found if re.fullmatch(r"[\w @%+=:,./-]+", name)]


def _tables(below: Path) -> Iterator[Path]:
    """Yield the path of ``recordings.csv`` of every instrument."""
    try:
        shops = [below] if _results(below).is_dir() else sorted(p for p in below.iterdir() if _results(p).is_dir())
        for shop in shops:
            yield from sorted(_results(shop).glob("*/recordings.csv"))
    except OSError:
        return


def _results(shop: Path) -> Path:
    try:
        elsewhere = tomllib.loads((shop / "shop.toml").read_text(encoding="utf-8")).get("results")
    except (OSError, ValueError):
        elsewhere = None
    try:
        return shop / (Path(elsewhere).expanduser() if isinstance(elsewhere, str) else "results")
    except RuntimeError:
        return shop / "results"


def _rows(table: Path) -> Iterator[dict[str, str]]:
    try:
        with table.open(encoding="utf-8", newline="") as text:
            yield from csv.DictReader(text)
    except (OSError, ValueError, csv.Error):
        return
