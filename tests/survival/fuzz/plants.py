"""Put links, folders, pipes and stray files where the tool writes.

Conventions: :func:`plant` puts one in place and returns its path. Links point to the victim, a file or folder beside
the shop that must not change. Nothing is planted over a kept reading, because then the fuzzer itself would lose it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from shutil import rmtree


def plant(results: Path, victim: Path, what: str, number: int) -> Path:
    """Put something where the tool writes.

    Parameters
    ----------
    results
        The results folder.
    victim
        A folder elsewhere with a file ``precious.txt``.
    what, number
        Those of the action.
    """
    name, make = KINDS[what]
    path = results / name.format(number=f"{number:012x}")
    path.parent.mkdir(parents=True, exist_ok=True)
    clear(path)
    make(path, victim)
    return path


def clear(path: Path) -> None:
    """Delete whatever is at a path; the target of a link stays."""
    if path.is_dir() and not path.is_symlink():
        rmtree(path)
    else:
        path.unlink(missing_ok=True)


def is_planted(path: Path) -> bool:
    """Return whether there is still something at a path that the tool would never make."""
    return path.is_symlink() or path.is_dir() or path.is_fifo()


def _link(path: Path, victim: Path) -> None:
    path.symlink_to(victim / "precious.txt")


def _link_folder(path: Path, victim: Path) -> None:
    path.symlink_to(victim)


def _folder(path: Path, _: Path) -> None:
    (path / "inside").mkdir(parents=True)


def _stray(path: Path, _: Path) -> None:
    path.write_bytes(b"half")


def _pipe(path: Path, _: Path) -> None:
    os.mkfifo(path)


KINDS: dict[str, tuple[str, Callable[[Path, Path], None]]] = {
    "link for a table": ("lyre-2/modes.csv", _link),
    "link for the list": ("attention.csv", _link),
    "link for the page": ("index.html", _link),
    "link for the holder": (".readings/holder.json", _link),
    "link for the lock": (".readings/lock", _link),
    "link for an instrument": ("harp-1", _link_folder),
    "link for a half-written file": (".readings/.{number}.part", _link),
    "link to a folder for one": (".{number}.part", _link_folder),
    "half-written file": ("lyre-2/.{number}.part", _stray),
    "folder for one": (".readings/.{number}.part", _folder),
    "folder for a table": ("lyre-2/taps.csv", _folder),
    "folder for the ledger": (".readings/ledger.json", _folder),
    "folder for the page": ("index.html", _folder),
    "pipe for the page's facts": (".readings/page.json", _pipe),
    "pipe for a mark": (".readings/standing-{number}.json", _pipe),
    "pipe for a table": ("lyre-2/drift.csv", _pipe),
}
"""What can be planted: its place below ``results/``, and how it is made."""
