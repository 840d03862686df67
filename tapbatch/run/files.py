"""Measure single files outside any shop, as ``tapbatch read`` does; nothing is kept and nothing is written.

Conventions: each file is treated as an instrument of its own with one stage. Nothing is learned from other files.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from tapbatch.compare.blank import wood_of_stage
from tapbatch.compare.history import build_history
from tapbatch.listen.files import hash_file
from tapbatch.model.errors import SettingsError, SoundError, TapbatchError
from tapbatch.model.history import History
from tapbatch.model.reading import Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.run.job import Job, measure_job
from tapbatch.wood.figures import Sizes

BOARD_LOW_HZ = 20.0
_SIZES = "550x210x4.1: length along the grain, width and thickness in mm"


def read_files(
    files: list[Path], settings: InstrumentSettings, blank: str = "", mass: str = ""
) -> Iterator[tuple[Path, History | TapbatchError]]:
    """Measure files outside any shop.

    Parameters
    ----------
    files
        Paths of the recordings.
    settings
        The settings for all of them.
    blank, mass
        Sizes in millimetres, such as ``550x210x4.1``, and mass in grams of the board that was tapped; empty if the
        taps are of something else.

    Yields
    ------
    tuple of (Path, History or TapbatchError)
        Each path, with a history of one stage or the error that says why there is none.
    """
    if blank:
        # The lowest modes of a board lie below those of an instrument.
        settings = settings.model_copy(update={"band_hz": (BOARD_LOW_HZ, settings.band_hz[1])})
    for path in files:
        try:
            sizes = board_sizes(blank, mass)
            history = _read(path, settings)
            if sizes is not None and isinstance(history, History):
                history = _as_blank(history, sizes)
            yield path, history
        except TapbatchError as error:
            yield path, error


def board_sizes(blank: str, mass: str) -> Sizes | None:
    """Return the sizes of a board as they are typed; ``None`` if nothing was.

    Several thicknesses have ``/`` between them.

    Raises
    ------
    SettingsError
        If the sizes are not three numbers, or the mass is not one.

    Examples
    --------
    >>> board_sizes("550x210x4.1/4.0", "206").thickness_mm
    (4.1, 4.0)
    """
    if not blank and not mass:
        return None
    parts = [part.split("/") for part in blank.lower().replace(",", ".").split("x")]
    if len(parts) != 3 or len(parts[0]) != 1 or len(parts[1]) != 1:
        raise SettingsError("--blank", f"found {blank!r}", f"expected {_SIZES}")
    numbers = [[_number(one, "--blank", _SIZES) for one in part] for part in parts]
    return Sizes(
        length_mm=numbers[0][0],
        width_mm=numbers[1][0],
        thickness_mm=tuple(numbers[2]),
        mass_g=_number(mass.replace(",", "."), "--mass", "grams, such as 206"),
    )


def _number(text: str, where: str, expected: str) -> float:
    if not re.fullmatch(r" *[0-9]{1,6}(\.[0-9]{0,6})? *", text, re.ASCII) or not float(text) > 0:
        raise SettingsError(where, f"found {text!r}", f"expected {expected}")
    return float(text)


def _as_blank(history: History, sizes: Sizes) -> History:
    stages = (replace(stage, wood=wood_of_stage(stage, sizes) if stage.modes else None) for stage in history.stages)
    return replace(history, stages=tuple(stages))


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
