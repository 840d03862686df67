"""The shop folder: its paths, settings and bench notes, read and checked once.

Conventions: a shop is a folder that contains ``recordings/``; ``shop.toml``, ``instruments/NAME.toml`` and
``notes.csv`` are optional. Instruments and stages are compared by their identities
(:func:`tapbatch.model.names.identity`). An error that stops the whole shop is raised; one that concerns a single
instrument or row is kept as :class:`~tapbatch.model.reading.Attention`, and the rest goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tapbatch.model.bench_log import BenchLog
from tapbatch.model.errors import SettingsError, ShopError
from tapbatch.model.history import Note
from tapbatch.model.names import PARTS, identity, is_passing_name
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings, ShopSettings
from tapbatch.shop.listing import is_folder
from tapbatch.shop.notes import NoteKey, read_notes
from tapbatch.shop.now_file import read_log
from tapbatch.shop.settings_files import read_instrument_settings, read_shop_settings
from tapbatch.shop.template import init_shop

__all__ = ["Shop", "init_shop", "open_shop"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """A shop as it was when it was opened.

    ``instruments`` holds, by identity, the settings of instruments that have a file of their own. ``refused`` lists
    what was not understood, and ``refused_instruments`` the identities of instruments left out because of it.
    ``notes`` is keyed by the identities of instrument and stage. ``log`` says what was on the bench; the folder
    ``inbox_dir`` need not exist.
    """

    root: Path
    recordings_dir: Path
    results_dir: Path
    inbox_dir: Path
    log: BenchLog
    settings: ShopSettings
    instruments: Mapping[str, InstrumentSettings]
    refused: tuple[Attention, ...]
    refused_instruments: frozenset[str]
    notes: Mapping[NoteKey, Note]

    def settings_of(self, instrument: str) -> InstrumentSettings:
        """Return the settings of an instrument, or those of the shop if it has none of its own.

        Parameters
        ----------
        instrument : str
            Name or identity.

        Raises
        ------
        SettingsError
            If its file was not understood: measuring with other settings would be worse than not measuring.
        """
        name = identity(instrument)
        if name in self.refused_instruments:
            raise SettingsError(instrument, "its settings are not understood", "correct its file in instruments/")
        if name in self.instruments:
            return self.instruments[name]
        shared = self.settings.model_dump(exclude=set(ShopSettings.OF_SHOP_ONLY))
        return InstrumentSettings.model_validate(shared)

    @property
    def extra_parts(self) -> tuple[str, ...]:
        """The parts that the settings of all instruments add to the built-in list, as identities, sorted."""
        of_stages = {stage.part for settings in self.instruments.values() for stage in settings.stage}
        of_modes = {mode.part for settings in self.instruments.values() for mode in settings.mode}
        return tuple(sorted((of_stages | of_modes) - set(PARTS) - {""}))


def open_shop(root: Path, results: Path | None = None) -> Shop:
    """Read a shop's settings and notes.

    Parameters
    ----------
    root : Path
        The shop folder.
    results : Path, optional
        Folder for the results, instead of the one in the settings (default ``results/`` in the shop).

    Returns
    -------
    Shop
        The results folder need not exist yet; the recordings folder does.

    Raises
    ------
    ShopError
        If the shop or its recordings folder is missing, or the results would lie among the recordings.
    SettingsError
        If ``shop.toml`` is not understood.

    Examples
    --------
    >>> open_shop(Path("nowhere"))
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.ShopError: nowhere: there is no such folder; ...
    """
    try:
        return _open_shop(root, results)
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise ShopError(
            str(root), f"cannot be read ({reason})", "check that you are allowed to read what is in it"
        ) from error


def _open_shop(root: Path, results: Path | None) -> Shop:
    if not root.is_dir():
        what = "is a file, not a folder" if root.is_file() else "there is no such folder"
        raise ShopError(str(root), what, "name a shop folder, or make one with tapbatch init")
    settings = read_shop_settings(root / "shop.toml")
    recordings_dir = _folder(root, "recordings", settings.recordings)
    results_dir = results if results is not None else _folder(root, "results", settings.results)
    inbox_dir = _folder(root, "inbox", settings.inbox)
    _check_folders(recordings_dir, results_dir)
    _check_inbox(inbox_dir, recordings_dir, results_dir)
    instruments, refused, refused_instruments = _read_instruments(root / "instruments", settings)
    notes, refused_notes = read_notes(root / "notes.csv")
    log, refused_log = _read_log(root)
    return Shop(
        root=root,
        recordings_dir=recordings_dir,
        results_dir=results_dir,
        settings=settings,
        instruments=instruments,
        inbox_dir=inbox_dir,
        log=log,
        refused=(*refused, *refused_notes, *refused_log),
        refused_instruments=frozenset(refused_instruments),
        notes=notes,
    )


def _read_log(root: Path) -> tuple[BenchLog, tuple[Attention, ...]]:
    try:
        return read_log(root)
    except ShopError as error:
        # Recordings in the inbox wait then; everything else goes on.
        return BenchLog(), (Attention(where=error.where, what=error.what, remedy=error.remedy),)


def _folder(root: Path, key: str, named: str) -> Path:
    """Return the folder that a setting names; ``~`` stands for the home folder of a user."""
    try:
        return root / Path(named).expanduser()
    except RuntimeError as error:
        what = f"{key} = '{named}': this machine has no user of that name"
        raise SettingsError("shop.toml", what, "write the full path, or ~/ for your own home folder") from error


def _check_folders(recordings_dir: Path, results_dir: Path) -> None:
    if not recordings_dir.is_dir():
        what = "there is no such folder of recordings, so nothing is rewritten"
        raise ShopError(str(recordings_dir), what, "create it, connect its drive, or give its place in shop.toml")
    if results_dir.resolve().is_relative_to(recordings_dir.resolve()):
        what = "the results would be in the recordings folder, where nothing is ever changed"
        raise ShopError(str(results_dir), what, "choose another folder for the results")
    if recordings_dir.resolve().is_relative_to(results_dir.resolve()):
        what = "the recordings would be in the results folder, where tapbatch writes"
        remedy = "move the recordings to another folder, or choose another folder for the results"
        raise ShopError(str(results_dir), what, remedy)


def _check_inbox(inbox_dir: Path, recordings_dir: Path, results_dir: Path) -> None:
    # An inbox that cannot be reached does not stop the shop.
    if not is_folder(inbox_dir):
        return
    inbox = inbox_dir.resolve()
    for other, what in ((recordings_dir, "recordings"), (results_dir, "results")):
        if inbox.is_relative_to(other.resolve()) or other.resolve().is_relative_to(inbox):
            found = f"inbox = '{inbox_dir}': the inbox and the {what} lie within one another"
            raise SettingsError("shop.toml", found, "choose a folder of its own for the inbox")


def _read_instruments(
    folder: Path, shop: ShopSettings
) -> tuple[dict[str, InstrumentSettings], list[Attention], set[str]]:
    instruments: dict[str, InstrumentSettings] = {}
    file_of: dict[str, str] = {}
    refused: list[Attention] = []
    withheld: set[str] = set()
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        if path.suffix.lower() != ".toml" or is_passing_name(path.name):
            continue
        shown, name = f"instruments/{path.name}", identity(path.stem)
        try:
            if name in file_of:
                raise SettingsError(
                    shown, f"found {file_of[name]} for the same instrument", "expected one; merge them"
                )
            file_of[name] = shown
            instruments[name] = read_instrument_settings(path, shown, shop)
        except SettingsError as error:
            refused.append(Attention(where=error.where, what=error.what, remedy=error.remedy))
            withheld.add(name)
            instruments.pop(name, None)
    return instruments, refused, withheld
