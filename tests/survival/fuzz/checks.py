"""Check what must be true after every action; each check returns a line for each failure.

Conventions: a line starts with the name of its check. ``loss``: a recording or a kept reading is gone or changed;
``silence``: a file was set aside and no line said so; ``traceback``; ``fault``: the tool reported a fault of its own;
``status``; ``hang``; ``memory``; ``outside``: a file was written where the tool must not write; ``terminal``: the
output could control a terminal; ``cell``: a table has a formula or a raw control character; ``tables``: the tables
differ from those of a fresh shop.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import stat
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.survival.fuzz.program import BUDGET_S, Ended

MEMORY_MB = 400.0
"""The most memory that one process may use, and that all processes of a command may use together."""

_KEY = re.compile(r"[0-9a-f]{40}\.json")
_ASIDE = re.compile(r"(?:refused|unclaimed)-.*")
_FAULTS = ("Traceback (most recent call last)", "Fatal Python error", "Segmentation fault", "Exception ignored")
_LARGE_BYTES = 2**24
_FORMULA = re.compile(r"[=+@\t\r]|-(?![\d.])")
_REPORT = re.compile(r"(?:file|recordings) and report it|it stays so, keep the file", re.DOTALL)

# ------------------------------------------------------------- files


def facts_below(folder: Path, but: Collection[str] = ()) -> dict[str, tuple[object, ...]]:
    """Return the facts of everything below a folder, by path: mode, and the hash of a file or the target of a link.

    Parameters
    ----------
    folder
        Where to look.
    but
        Paths below it that are left out, with everything in them.
    """
    facts: dict[str, tuple[object, ...]] = {}
    for top, folders, files in os.walk(os.fsencode(folder)):
        below = os.fsdecode(os.path.relpath(top, os.fsencode(folder)))
        names = [(os.fsdecode(n), True) for n in folders] + [(os.fsdecode(n), False) for n in files]
        for name, is_folder in names:
            shown = name if below == "." else f"{below}/{name}"
            if shown not in but:
                facts[shown] = _facts(folder / shown)
            elif is_folder:
                folders.remove(os.fsencode(name))
    return facts


def _facts(path: Path) -> tuple[object, ...]:
    found = path.lstat()
    if stat.S_ISLNK(found.st_mode):
        return "link", str(path.readlink())
    if not stat.S_ISREG(found.st_mode):
        return ("other", stat.S_IFMT(found.st_mode))
    return "file", found.st_mode, found.st_mtime_ns, content_of(path)


def changed(before: Mapping[str, object], after: Mapping[str, object], check: str, what: str) -> list[str]:
    """Return a line for each path whose facts changed."""
    differ = sorted(p for p in {*before, *after} if before.get(p) != after.get(p))
    words = {True: "is gone", False: "was changed"}
    return [f"{check}: {what} {p!r} {'is new' if p not in before else words[p not in after]}" for p in differ]


# ---------------------------------------------------------- readings


@dataclass(frozen=True)
class Kept:
    """The kept files below ``results/.readings``.

    Attributes
    ----------
    sounds
        The SHA-256 of each sound that has an intact reading.
    aside
        The SHA-256 of each sound whose intact reading was set aside.
    aside_names
        The names of all files that were set aside.
    contents
        The hash of every file.
    """

    sounds: frozenset[str]
    aside: frozenset[str]
    aside_names: frozenset[str]
    contents: frozenset[str]


def kept_below(results: Path) -> Kept:
    """Return the kept files, found without code of the tool itself."""
    sounds, aside, names, contents = set(), set(), set(), set()
    folder = results / ".readings"
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        if _ASIDE.fullmatch(path.name):
            names.add(path.name)
        if not path.is_file() or path.is_symlink():
            continue
        contents.add(content_of(path))
        if path.stat().st_size > _LARGE_BYTES:
            continue
        if _KEY.fullmatch(path.name):
            sounds.add(sound_of(path.read_bytes()))
        elif _ASIDE.fullmatch(path.name):
            aside.add(sound_of(path.read_bytes()))
    return Kept(frozenset(sounds - {""}), frozenset(aside - {""}), frozenset(names), frozenset(contents))


def content_of(path: Path) -> str:
    """Return the hash of a file; for a large one, which the tool did not write, only its size."""
    size = path.stat().st_size
    return f"{size} bytes" if size > _LARGE_BYTES else hashlib.sha256(path.read_bytes()).hexdigest()


def sound_of(data: bytes) -> str:
    """Return the SHA-256 of the sound of a kept reading; empty if the reading is not intact.

    The checksum covers all bytes after the first member, as :mod:`tapbatch.results.sealed` documents.
    """
    head, comma, rest = data.partition(b",")
    try:
        whole = json.loads(data)
        if head != b'{"checksum":"' + hashlib.sha256(rest).hexdigest().encode() + b'"' or not comma:
            return ""
        return str(whole["reading"]["sha256"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return ""


def readings_lost(
    before: Kept, after: Kept, released: Collection[str], damaged: Mapping[str, str], said: str | None
) -> list[str]:
    """Return a line for each reading that is lost, and for each file that was set aside without a line about it.

    Parameters
    ----------
    before, after
        The kept files before and after the action.
    released
        Sounds whose reading need not be kept any longer, because it was forgotten or the sound was replaced.
    damaged
        Sounds whose kept file was damaged on purpose, with the hash of the damaged file, which must stay somewhere.
    said
        The output; ``None`` if lines may be missing because the command was killed.
    """
    found = []
    for sound in sorted((before.sounds | before.aside | {*damaged}) - {*released}):
        whole = sound in after.sounds or sound in after.aside
        if not whole and damaged.get(sound) not in after.contents:
            found.append(f"loss: the reading of the sound {sound[:12]} is gone")
    new = after.aside_names - before.aside_names
    if said is not None:
        joined = "".join(said.split())
        found += [f"silence: no line says that {name} was set aside" for name in sorted(new) if name not in joined]
    return found


# ------------------------------------------------------------ output


def amiss_with(ended: Ended, allowed: Collection[int]) -> list[str]:
    """Return a line for each fault in how a command ended and in what it printed."""
    found = []
    if ended.hung:
        found.append(f"hang: it or one of its processes still ran after {ended.took_s:.0f} s of {BUDGET_S:.0f}")
    elif ended.status not in allowed:
        found.append(f"status: {ended.status}, not one of {sorted(allowed)}")
    found += [f"traceback: {_fault(fault, ended.said)}" for fault in _FAULTS if fault in ended.said]
    if _REPORT.search(" ".join(ended.said.split())):
        found.append("fault: a line asks to report it")
    for name, size_mb in (("a process", ended.peak_mb), ("all processes", ended.together_mb)):
        if size_mb > MEMORY_MB:
            found.append(f"memory: {name} held {size_mb:.0f} MB")
    steers = sorted({c for c in ended.said if steers_terminal(c)})
    if steers:
        found.append(f"terminal: printed {', '.join(f'U+{ord(c):04X}' for c in steers)}")
    return found


def _fault(fault: str, said: str) -> str:
    """Return a fault and the end of what followed it, in one line."""
    rest = said.partition(fault)[2].strip().splitlines()
    return " | ".join([fault, *(line.strip() for line in rest[-3:])])[:400]


def steers_terminal(letter: str) -> bool:
    """Return whether a character could control a terminal; the end of a line is allowed."""
    return letter != "\n" and unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")


# ------------------------------------------------------------ tables


def amiss_in_tables(results: Path) -> list[str]:
    """Return a line for each cell that a spreadsheet would run, and each table with a raw control character."""
    found = []
    for path in sorted(results.rglob("*.csv")):
        if path.is_symlink() or not path.is_file() or ".readings" in path.parts:
            continue
        if path.stat().st_size > _LARGE_BYTES:
            # The fuzzer damaged it; the comparison with a fresh shop finds that.
            continue
        text = path.read_bytes().decode("utf-8-sig", "replace")
        cells = (part for cell in _cells(text) for part in re.split("[;\t]", cell))
        found += [f"cell: {path.name} has a formula {cell[:40]!r}" for cell in cells if _FORMULA.match(cell)]
        if any(unicodedata.category(c) == "Cc" and c not in "\r\n" for c in text):
            found.append(f"cell: {path.name} has a raw control character")
    return found


def _cells(text: str) -> list[str]:
    """Return the cells of a table, however long they are."""
    before = csv.field_size_limit(len(text) + 1)
    try:
        return [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    finally:
        csv.field_size_limit(before)


def other_tables(results: Path, fresh: Path) -> list[str]:
    """Return a line for each visible file that differs from that of a fresh shop."""
    return changed(shown_below(fresh), shown_below(results), "tables", "compared with a fresh shop,")


def shown_below(results: Path) -> dict[str, str]:
    """Return the hash of each visible file below the results, by path."""
    files: Iterable[Path] = (p for p in results.rglob("*") if p.is_file())
    named = ((p.relative_to(results).as_posix(), p) for p in files)
    return {n: content_of(p) for n, p in named if not n.startswith(".")}
