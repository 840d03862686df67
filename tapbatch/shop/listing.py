"""List the files of a recordings folder, by path relative to it, with size, time and identity of each."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from tapbatch.model.names import is_passing_name, is_sound_name


@dataclass(frozen=True, slots=True)
class Facts:
    """Size, modification time and inode of a file: enough to detect a change, or the same file under a new name."""

    size: int
    mtime_ns: int
    inode: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The contents of a recordings folder.

    Attributes
    ----------
    files
        The complete files, by path.
    unlisted
        The errors of folders that cannot be listed.
    waiting
        Paths of files that have not fully arrived; they are not in ``files``.
    """

    files: Mapping[str, Facts]
    unlisted: tuple[OSError, ...] = ()
    waiting: frozenset[str] = frozenset()

    def without(self, paths: Collection[str]) -> Listing:
        """Return a listing in which some files count as not fully arrived.

        Examples
        --------
        >>> listing = Listing(files={"a.wav": Facts(4, 1), "b.wav": Facts(4, 1)})
        >>> later = listing.without({"b.wav"})
        >>> list(later.files), sorted(later.waiting)
        (['a.wav'], ['b.wav'])
        """
        held = frozenset(paths) & self.files.keys()
        if not held:
            return self
        files = {path: facts for path, facts in self.files.items() if path not in held}
        return replace(self, files=files, waiting=self.waiting | held)


def list_folder(folder: Path) -> Listing:
    """List the sound files in a folder and its subfolders, without hidden and temporary names.

    Links to folders are not followed, because a link may lead out of the shop or form a loop. A file whose properties
    cannot be read is listed with a size of -1; opening it will show what is wrong. Nothing is raised for a folder
    that cannot be listed: its error is in ``unlisted``.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a_b.wav").write_bytes(b"RIFF"), (folder / ".a_c.wav").write_bytes(b"RIFF")
    >>> [(path, facts.size) for path, facts in list_folder(folder).files.items()]
    [('a_b.wav', 4)]
    """
    files: dict[str, Facts] = {}
    unlisted: list[OSError] = []
    for shown, entry in _entries(folder, "", unlisted):
        try:
            facts = entry.stat()
            files[shown] = Facts(facts.st_size, facts.st_mtime_ns, facts.st_ino)
        except OSError:
            files[shown] = Facts(-1, 0)
    return Listing(files=dict(sorted(files.items())), unlisted=tuple(unlisted))


def is_folder(path: Path) -> bool:
    """Return whether a folder is there and can be reached; a drive that fails may report any error.

    Examples
    --------
    >>> is_folder(Path("nowhere")), is_folder(Path("x" * 1000))
    (False, False)
    """
    try:
        return path.is_dir()
    except OSError:
        return False


def _entries(folder: Path, below: str, unlisted: list[OSError]) -> Iterator[tuple[str, os.DirEntry[str]]]:
    waiting = [below]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(folder / here) as found:
                entries = list(found)
        except OSError as error:
            unlisted.append(error)
            continue
        for entry in entries:
            shown = f"{here}/{entry.name}" if here else entry.name
            if _is_folder(entry):
                if not is_passing_name(entry.name):
                    waiting.append(shown)
            elif is_sound_name(entry.name) and not _leads_to_folder(entry):
                yield shown, entry


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:
        return False


def _leads_to_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_symlink() and entry.is_dir()
    except OSError:
        return False
