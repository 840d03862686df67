"""Damage files below ``results/``: change bytes, cut, swap, link or restore files.

Conventions: a target is a class of files; the number of the action picks one of them, in order of their names. Random
damage is drawn from the same number.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Mapping
from pathlib import Path

TARGETS = ("reading", "reading", "ledger", "mark", "card", "page", "table", "any")
HOW = (
    "bytes",
    "cut",
    "empty",
    "deep",
    "types",
    "digit",
    "swap",
    "link",
    "delete",
    "unsealed",
    "huge",
    "folder",
    "older",
)

_KEY = re.compile(r"[0-9a-f]{40}\.json")


def files_of(results: Path, target: str) -> list[Path]:
    """Return the existing files of a class, sorted."""
    kept = sorted(
        p for p in (results / ".readings").glob("*") if p.is_file() and not p.is_symlink() and p.name != "lock"
    )
    match target:
        case "reading":
            return [p for p in kept if _KEY.fullmatch(p.name)]
        case "ledger":
            return [p for p in kept if p.name == "ledger.json"]
        case "mark":
            return [p for p in kept if p.name.startswith("standing-")]
        case "card":
            return [p for p in kept if p.name.startswith("card-")]
        case "page":
            return [p for p in kept if p.name == "page.json"]
        case "table":
            return sorted(p for p in results.rglob("*.csv") if p.is_file())
        case _:
            return kept


def inflict(
    results: Path, victim: Path, target: str, how: str, number: int, earlier: Mapping[str, bytes]
) -> Path | None:
    """Damage a file and return its path; ``None`` if there is no file of this class.

    Parameters
    ----------
    results
        The results folder.
    victim
        A file elsewhere that links point to.
    target, how, number
        Those of the action.
    earlier
        Earlier contents of kept files, by name; "older" restores them, as a cloud folder may.
    """
    files = files_of(results, target)
    if not files:
        return None
    path = files[number % len(files)]
    rng = random.Random(number)
    if how == "link":
        path.unlink()
        path.symlink_to(victim)
    elif how == "delete":
        path.unlink()
    elif how == "folder":
        path.unlink()
        path.mkdir()
    elif how == "older":
        path.write_bytes(earlier.get(path.name, path.read_bytes()))
    elif how == "huge":
        # Sparse: 300 MB that take no disk space.
        with path.open("r+b") as file:
            file.truncate(300 * 2**20)
    else:
        whole = path.read_bytes() if path.stat().st_size < 2**24 else b"{}"
        path.write_bytes(_changed(whole, how, rng, files))
    return path


def _changed(whole: bytes, how: str, rng: random.Random, files: list[Path]) -> bytes:
    raw = bytearray(whole)
    match how:
        case "bytes":
            for _ in range(rng.randrange(1, 20) if raw else 0):
                raw[rng.randrange(len(raw))] = rng.randrange(256)
        case "cut":
            del raw[rng.randrange(len(raw) + 1) :]
        case "empty":
            raw.clear()
        case "deep":
            return rng.choice((b"[", b'{"a":', b'{"recordings":[')) * 100_000
        case "digit":
            digits = [n for n, byte in enumerate(raw) if chr(byte).isdigit()]
            if digits:
                at = rng.choice(digits)
                raw[at] = ord(str((raw[at] - ord("0") + rng.randrange(1, 10)) % 10))
        case "swap":
            small = [p for p in files if p.is_file() and p.stat().st_size < 2**24]
            return rng.choice(small).read_bytes() if small else b""
        case "unsealed" | "types":
            return _another_shape(whole, rng, types=how == "types")
    return bytes(raw)


def _another_shape(whole: bytes, rng: random.Random, *, types: bool) -> bytes:
    """Return JSON without its checksum and, if asked, with a member of another type."""
    try:
        data = json.loads(whole)
    except (ValueError, RecursionError):
        data = {}
    if not isinstance(data, dict):
        return b"[]"
    data.pop("checksum", None)
    if types:
        inside = data.get("reading") if isinstance(data.get("reading"), dict) and rng.random() < 0.7 else data
        if inside:
            name = rng.choice(sorted(inside))
            inside[name] = rng.choice([v for v in _STRANGE if _sort(v) != _sort(inside[name])])
    return json.dumps(data).encode()


_STRANGE: tuple[object, ...] = (1, -1e308, "../../victim", [1, 2], [{"where": 1, "what": 2}], {"": {}}, True)


def _sort(value: object) -> type:
    """Return the type of a JSON value; numbers are of one type, since JSON does not distinguish them."""
    return float if type(value) is int else type(value)
