"""Decode a file of any common kind to one channel at its native rate; nothing is ever resampled.

Conventions: full scale is 1.0; time runs from the first sample of the file. ``Sound.notices`` holds what was noticed
on the way; a file that cannot be used raises :class:`~tapbatch.model.errors.SoundError`. This module gives the sound
in one piece. Measuring reads a file section by section (:mod:`tapbatch.listen.sections`); a recording of up to 87 s
(at 48 kHz) is one section, so both give the same samples.
"""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from tapbatch.listen.sections import sections
from tapbatch.model.errors import SoundError
from tapbatch.model.reading import Sound

# 2 GiB of float64, 93 minutes of one channel at 48 kHz.
_MOST_SAMPLES = 2**28


def decode(path: Path) -> Sound:
    """Return the sound of a file: its better channel, at its native rate.

    Parameters
    ----------
    path : Path
        WAV (8 to 32 bit, float, extensible, RF64, W64), FLAC, AIFF, Ogg, Opus, MP3, m4a, mp4, aac, 3gp, amr, caf,
        webm and whatever else FFmpeg reads.

    Returns
    -------
    Sound
        Finite samples at 1000 to 768000 Hz. ``recorded_at`` is what the file itself says, never the file system.
        Its notices are of the kinds ``cut``, ``damaged``, ``channel``, ``lossy codec``, ``low sample rate``,
        ``non-finite samples``, ``silence`` and ``clipped``.

    Raises
    ------
    SoundError
        Where the file is missing, empty, not sound or without a single sample; where no recorder makes such a rate or
        number of channels; or where the sound is too long to hold in memory.

    Examples
    --------
    >>> decode(Path("nowhere.wav"))
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.SoundError: nowhere.wav: there is no such file; check the name and the folder
    """
    with closing(sections(path, most_samples=_MOST_SAMPLES)) as every:
        first = next(every)
    if not first.whole:
        raise SoundError(path.name, "the recording is too long to fit in memory", "cut it into shorter recordings")
    return first.sound
