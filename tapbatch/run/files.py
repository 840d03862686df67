"""Measure single files outside any shop, as ``tapbatch read`` does; nothing is kept and nothing is written.

Conventions: each file is treated as an instrument of its own with one stage. Nothing is learned from other files.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tapbatch.compare.history import build_history
from tapbatch.listen.files import hash_file
from tapbatch.model.errors import SoundError, TapbatchError
from tapbatch.model.history import History
from tapbatch.model.reading import Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.run.job import Job, measure_job


def read_files(files: list[Path], settings: InstrumentSettings) -> Iterator[tuple[Path, History | TapbatchError]]:
    """Measure files outside any shop.

    Parameters
    ----------
    files
        Paths of the recordings.
    settings
        The settings for all of them.

    Yields
    ------
    tuple of (Path, History or TapbatchError)
        Each path, with a history of one stage or the error that says why there is none.
    """
    for path in files:
        try:
            yield path, _read(path, settings)
        except TapbatchError as error:
            yield path, error


def _read(path: Path, settings: InstrumentSettings) -> History | TapbatchError:
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "there is no such file"
        raise SoundError(str(path), what, "name a recording; for a whole shop use tapbatch run")
    if not _is_text(path.name):
        raise SoundError(str(path), "its name contains bytes that are not text", "rename the file")
    recording = Recording(
        path=path.name, sha256=hash_file(path), instrument="file", instrument_shown=path.name,
        stage="read", stage_shown=path.stem,
    )  # fmt: skip
    result = measure_job(Job(path=path, recording=recording, key="", settings=settings.of_measuring("tap")))
    if isinstance(result, TapbatchError):
        return result
    return build_history("file", [(recording, result, False)], settings, {})[0]


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True
