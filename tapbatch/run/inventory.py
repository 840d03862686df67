"""List the recordings of a shop by name and content, and match them with the ledger of the last run.

Conventions: a recording is identified by its path relative to ``recordings/``. If its size and time are those in the
ledger, it is not read again. A recording that is gone keeps its entry, with a time of -1, and so its reading. A
recording that is present but cannot be used keeps its entry separately until it can be used again. No recording is
ever modified.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import NamingError, SoundError
from tapbatch.model.names import named_in, parse_name
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention, Recording
from tapbatch.results.readings import reading_key
from tapbatch.results.store import GONE, Entry, Ledger, ReadingStore
from tapbatch.shop.folder import Shop
from tapbatch.shop.known_names import Known, known_names, right_form, unknown_instruments, unknown_stages
from tapbatch.shop.listing import Facts, Listing, list_folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Inventory:
    """The recordings of a shop, their ledger entries, and those that were refused.

    Attributes
    ----------
    recordings, ledger
        The recordings and their ledger entries, by path.
    unseen
        The ledger entries of recordings that cannot be used at present, by path.
    found
        The ledger as it was read.
    attention
        One for each recording or folder that cannot be used.
    is_waited_for
        Whether any recording has not fully arrived, or is still being measured.
    renamed
        A notice for each recording that now has another name.
    notices
        Other notices.
    """

    recordings: dict[str, Recording]
    ledger: dict[str, Entry]
    unseen: dict[str, Entry]
    found: Ledger
    attention: list[Attention]
    is_waited_for: bool = False
    renamed: list[Notice] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    @property
    def before(self) -> dict[str, Entry]:
        """The ledger entries as they were read."""
        return self.found.recordings

    @property
    def remembered(self) -> dict[str, Entry]:
        """The ledger entries to be written."""
        return {**self.unseen, **self.ledger}

    def refuse(self, shown: str, what: str, remedy: str) -> None:
        """Remove a recording that turned out to be unusable; the old entry of its path is kept in ``unseen``."""
        self.attention.append(Attention(where=shown, what=what, remedy=remedy))
        self.ledger.pop(shown, None)
        self.recordings.pop(shown, None)
        if shown in self.before:
            self.unseen[shown] = self.before[shown]


def take_stock(
    shop: Shop,
    store: ReadingStore,
    listing: Listing | None = None,
    hashed: Mapping[str, Entry] | None = None,
) -> Inventory:
    """Return the inventory of a shop: parse all names, hash the changed files, and add missing recordings.

    Parameters
    ----------
    shop, store
        The shop, as opened, and its readings.
    listing
        The files to take as present; default all in the folder. Files in its ``waiting`` keep their old entries.
    hashed
        Entries of files that were hashed before, by path; default none. Each holds while size and time are the same.
    """
    listing = listing if listing is not None else list_folder(shop.recordings_dir)
    stock = Inventory(
        recordings={},
        ledger={},
        unseen={},
        found=store.read_ledger(),
        attention=[],
        is_waited_for=bool(listing.waiting),
    )
    extra_parts = shop.extra_parts
    for shown, facts in listing.files.items():
        known = ((hashed or {}).get(shown), stock.before.get(shown))
        _add(shop, stock, shown, facts, known, extra_parts)
    _offer_names(shop, stock, listing, extra_parts)
    stock.attention.extend(_unlisted(shop, error) for error in listing.unlisted)
    for shown, entry in stock.before.items():
        if shown not in stock.ledger:
            _remember(shop, store, stock, shown, entry, extra_parts, is_waited_for=shown in listing.waiting)
    _drop_renamed(stock)
    return stock


def _offer_names(shop: Shop, stock: Inventory, listing: Listing, extra_parts: tuple[str, ...]) -> None:
    """Offer the right name for each file that names a known instrument and stage, but parts them oddly.

    Such a name cannot be used, or it is taken for another instrument, whose name holds the stage as well.
    """
    known = known_names(stock.recordings.values(), shop.instruments, shop.notes)
    for n, item in enumerate(stock.attention):
        right = right_form(item.where, known, listing.files, extra_parts)
        if right and item.where in listing.files and not instruments_of(shop, [item.where]):
            stock.attention[n] = replace(item, remedy=f"did you mean {right}?")
    for shown in _long_names(known, stock.recordings):
        instrument = stock.recordings[shown].instrument
        right = right_form(shown, known.without(instrument), listing.files, extra_parts)
        if right and shown in listing.files:
            what = f"taken for an instrument called '{stock.recordings[shown].instrument_shown}'"
            stock.attention.append(Attention(where=shown, what=what, remedy=f"did you mean {right}?"))


def _long_names(known: Known, recordings: Mapping[str, Recording]) -> list[str]:
    """Return the recordings of instruments whose names begin with that of another instrument and go on."""
    names = sorted(known.instruments)
    long = {name for name in names for other in names if name != other and name.startswith(other)}
    return [shown for shown, recording in recordings.items() if recording.instrument in long]


def _drop_renamed(stock: Inventory) -> None:
    """Drop the entries of missing recordings that are present under another name, even one of another instrument."""
    present = {e.sha256: shown for shown, e in reversed(stock.ledger.items()) if not is_missing(e)}
    for shown, entry in list(stock.ledger.items()):
        if is_missing(entry) and entry.sha256 in present:
            stock.renamed.append(Notice("renamed", path=shown, other_path=present[entry.sha256]))
            del stock.ledger[shown], stock.recordings[shown]


def _add(
    shop: Shop,
    stock: Inventory,
    shown: str,
    facts: Facts,
    known: tuple[Entry | None, ...],
    extra_parts: tuple[str, ...],
) -> None:
    try:
        recording = parse_name(shown, extra_parts)
        entry = _entry(shop.recordings_dir / shown, facts, known)
    except (NamingError, SoundError) as error:
        stock.attention.append(Attention(where=shown, what=error.what, remedy=error.remedy))
        return
    if recording.instrument in shop.refused_instruments:
        return
    settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
    stock.recordings[shown] = _known(shop, recording, entry)
    stock.ledger[shown] = replace(entry, key=reading_key(entry.sha256, settings))


def _entry(path: Path, facts: Facts, known: tuple[Entry | None, ...]) -> Entry:
    if facts.size < 0:
        try:
            path.stat()
        except OSError as error:
            reason = error.strerror or "no reason given"
            raise SoundError(path.name, f"cannot be read ({reason})", "check that you may read it") from error
    for entry in known:
        if entry is not None and (entry.size, entry.mtime_ns) == (facts.size, facts.mtime_ns):
            return entry
    return Entry(sha256=hash_file(path), size=facts.size, mtime_ns=facts.mtime_ns, key="")


def _remember(
    shop: Shop,
    store: ReadingStore,
    stock: Inventory,
    shown: str,
    entry: Entry,
    extra_parts: tuple[str, ...],
    *,
    is_waited_for: bool,
) -> None:
    """Keep the entry of a recording that is gone, has not fully arrived, or cannot be used at present."""
    if is_there(shop.recordings_dir / shown) and not is_waited_for:
        stock.unseen[shown] = entry
        return
    if not store.has(entry.key) and not store.was_kept(entry.key):
        # It was deleted before it was measured, so there is nothing to keep.
        return
    kept = entry if is_waited_for else replace(entry, mtime_ns=GONE)
    try:
        recording = parse_name(shown, extra_parts)
    except NamingError:
        # Its name may use a part that is defined in a settings file with an error.
        stock.unseen[shown] = kept
        return
    if recording.instrument in shop.refused_instruments:
        stock.unseen[shown] = kept
        return
    stock.recordings[shown] = _known(shop, recording, entry)
    stock.ledger[shown] = kept


def _known(shop: Shop, recording: Recording, entry: Entry) -> Recording:
    """Return a recording with the hash of its bytes and, if it came through the inbox, when it was first seen."""
    placed = shop.log.placed.get(recording.path)
    arrived_at = placed.at.isoformat(timespec="seconds") if placed is not None else ""
    return replace(recording, sha256=entry.sha256, arrived_at=arrived_at)


def is_there(path: Path) -> bool:
    """Return whether a file exists; a file that cannot be checked counts as existing."""
    try:
        return path.exists()
    except OSError:
        return True


def is_missing(entry: Entry) -> bool:
    """Return whether a ledger entry is that of a recording that is gone."""
    return entry.mtime_ns == GONE


def instruments_of(shop: Shop, names: Iterable[str]) -> set[str]:
    """Return the identities of the instruments in the names of recordings; names that do not parse are ignored."""
    instruments, extra_parts = set(), shop.extra_parts
    for shown in names:
        with suppress(NamingError):
            instruments.add(parse_name(shown, extra_parts).instrument)
    return instruments


def unknown_notes(shop: Shop, stock: Inventory) -> tuple[Attention, ...]:
    """Return what the notes name and the shop does not have, each with the nearest that it has.

    A name counts as known even if its recording cannot be used at present.
    """
    known = known_names(stock.recordings.values(), shop.instruments)
    for name in shop.refused_instruments:
        known.add(name)
    for path in (*stock.unseen, *(item.where for item in stock.attention)):
        known.add(*named_in(path))
    recorded = {recording.instrument for recording in stock.recordings.values()}
    notes = [key for key in shop.notes if key[0] in recorded]
    return (*unknown_instruments(shop.notes, known), *unknown_stages(notes, known))


def _unlisted(shop: Shop, error: OSError) -> Attention:
    folder = Path(error.filename or shop.recordings_dir)
    where = folder.relative_to(shop.recordings_dir).as_posix() if folder != shop.recordings_dir else folder.name
    what = f"the folder cannot be read ({error.strerror or 'no reason given'})"
    return Attention(where=where, what=what, remedy="check that you may read what is in it")
