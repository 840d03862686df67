"""Measure one recording, as a job that any process on any machine can do.

Conventions: a job is small and contains everything that is needed. Its result is the reading as text, ready to be
kept, or the error that says why there is none; both can be sent between processes. The same job gives the same text
wherever it runs. This module writes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import UNFORESEEN, SoundError, TapbatchError, not_measured
from tapbatch.model.reading import BandSettings, Reading, Recording
from tapbatch.results.readings import reading_key, reading_to_json

if TYPE_CHECKING:
    from tapbatch.measure.kept_taps import KeptTaps


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A recording to be measured.

    Attributes
    ----------
    path
        The file.
    recording
        What its name says; the hash is empty until the bytes are hashed.
    key
        The key under which the reading is kept; empty until the bytes are hashed.
    settings
        What the reading depends on besides the bytes.
    size, mtime_ns
        Those of the file when it was hashed; -1 if not known.
    """

    path: Path
    recording: Recording
    key: str
    settings: BandSettings
    size: int = -1
    mtime_ns: int = -1


def measure_job(job: Job, keep: Callable[[KeptTaps], None] | None = None) -> Reading | TapbatchError:
    """Measure one recording and return the reading, or the error that says why there is none.

    Expected errors and unforeseen faults are returned, not raised. If the file changed since it was hashed, an error
    is returned too, because the reading would be kept under the wrong key. ``keep`` is that of
    :func:`~tapbatch.measure.recording.measure_recording`.
    """
    from tapbatch.measure.recording import measure_recording

    try:
        reading = measure_recording(job.path, job.recording.sha256, job.settings, keep)
        return _changed(job) or reading
    except TapbatchError as error:
        return error
    except UNFORESEEN as error:
        return not_measured(job.path.name, error)


def measure_to_text(job: Job) -> str | TapbatchError:
    """Measure one recording and return the reading as JSON, or the error that says why there is none.

    What is kept of its taps for a second pass follows on a second line.
    """
    from tapbatch.results.tap_codec import taps_to_json

    kept: list[KeptTaps] = []
    result = measure_job(job, kept.append)
    if not isinstance(result, Reading):
        return result
    return "\n".join([reading_to_json(result), *map(taps_to_json, kept)])


def hash_job(job: Job) -> str | TapbatchError:
    """Return the hash of a recording's bytes, or the error that says why it cannot be read."""
    try:
        return hash_file(job.path)
    except TapbatchError as error:
        return error


def with_hash(job: Job, sha256: str) -> Job:
    """Return a job whose bytes are now hashed, with the key under which its reading is kept."""
    recording = replace(job.recording, sha256=sha256)
    return replace(job, recording=recording, key=reading_key(sha256, job.settings))


def _changed(job: Job) -> SoundError | None:
    if job.size < 0:
        return None
    try:
        facts = job.path.stat()
    except OSError as error:
        reason = error.strerror or "no reason given"
        return SoundError(
            job.path.name, f"cannot be read ({reason})", "check that it exists and that you may read it"
        )
    if (facts.st_size, facts.st_mtime_ns) == (job.size, job.mtime_ns):
        return None
    return SoundError(job.path.name, "it changed while it was being measured", "run again once it is fully copied")
