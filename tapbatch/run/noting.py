"""Note what a phone says of a stage in ``notes.csv``, in one step, while the results are locked.

Conventions: only the fields that were changed are written, into the row of the stage as the file has it at that
moment, so what others wrote meanwhile into other rows or fields stays. Where the same field was changed by both, the
phone is told what stands there now. A row that nobody would understand is refused before it is written.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from tapbatch.listen.files import refuse_special
from tapbatch.model.errors import SettingsError, ShopError, reason_of
from tapbatch.results.files import beside, drop_half_written, facts_of, put_file
from tapbatch.results.lock import A_PHONE, hold
from tapbatch.shop.folder import Shop
from tapbatch.shop.notes import notes_in
from tapbatch.shop.notes_file import noted, with_note

FILE = "notes.csv"
_TRIES = 5
_MOST_BYTES = 20_000_000


def notes_of(shop: Shop, instrument: str, stage: str) -> dict[str, str]:
    """Return what is noted of a stage, by field, as it is written.

    Raises
    ------
    ShopError
        If the file cannot be read.
    """
    try:
        return noted(_read(shop.root / FILE), instrument, stage)
    except csv.Error as error:
        raise SettingsError(FILE, "is not a CSV table", "save it again as CSV from the spreadsheet") from error


def note(
    shop: Shop,
    instrument: str,
    stage: str,
    fields: Mapping[str, str],
    seen: Mapping[str, str] | None = None,
    say: Callable[[str], None] = lambda _line: None,
) -> dict[str, str]:
    """Note fields of a stage, and return what is noted of it then.

    Parameters
    ----------
    shop
        The shop, as opened.
    instrument, stage
        The stage.
    fields
        The new text of each field that changes.
    seen
        What the phone showed in these fields before; default not known.
    say
        Called with one line if it has to wait for a run to end.

    Raises
    ------
    SettingsError
        If a field is not understood, or if it was changed meanwhile by someone else.
    ShopError
        If the file cannot be read or replaced.
    """
    path = shop.root / FILE
    with hold(shop.results_dir, A_PHONE, say):
        for _ in range(_TRIES):
            facts = facts_of(path)
            raw = _read(path)
            new = _changed(raw, instrument, stage, fields, seen or {})
            # Someone may have saved the file in between; then the row is changed in what was saved.
            if facts_of(path) != facts:
                continue
            if new != raw:
                _put(path, new)
            return noted(new, instrument, stage)
    raise ShopError(FILE, "changes all the time", "save it in the spreadsheet, then note it again")


def tidy(shop: Shop, say: Callable[[str], None] = lambda _line: None) -> None:
    """Delete what a kill left of a note that was being written.

    Raises
    ------
    ShopError
        If the results cannot be locked.
    """
    with hold(shop.results_dir, A_PHONE, say), suppress(OSError):
        drop_half_written(shop.root)


def _changed(raw: bytes, instrument: str, stage: str, fields: Mapping[str, str], seen: Mapping[str, str]) -> bytes:
    try:
        there = noted(raw, instrument, stage)
        for field, text in fields.items():
            if field in seen and there.get(field, "") not in (seen[field], text):
                what = f"{field}: {there[field]!r} was written meanwhile"
                raise SettingsError(FILE, what, "look at it, then note it again")
        new = with_note(raw, instrument, stage, fields)
    except csv.Error as error:
        raise SettingsError(FILE, "is not a CSV table", "save it again as CSV from the spreadsheet") from error
    before = notes_in(raw)[1]
    worse = [item for item in notes_in(new)[1] if item not in before]
    if worse:
        raise SettingsError(worse[0].where, worse[0].what, worse[0].remedy)
    return new


def _read(path: Path) -> bytes:
    try:
        if path.is_symlink():
            raise OSError(None, "is a link")
        refuse_special(path)
        if path.stat().st_size > _MOST_BYTES:
            raise OSError(None, "is far too large to be notes")
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise ShopError(FILE, f"cannot be read ({reason_of(error)})", "note it in the file itself") from error


def _put(path: Path, data: bytes) -> None:
    mode = path.stat().st_mode if path.exists() else None
    if put_file(path, data) is not None:
        with suppress(OSError):
            beside(path).unlink()
        raise ShopError(FILE, "is open in another program", "close it there, then note it again")
    if mode is not None:
        with suppress(OSError):
            path.chmod(mode & 0o777)
