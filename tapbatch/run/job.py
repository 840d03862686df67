"""Measure one recording, as a job that any process on any machine can do.

Conventions: a job is small and contains everything that is needed. Its result is the reading as text, ready to be
kept, or the error that says why there is none; both can be sent between processes. The same job gives the same text
wherever it runs. This module writes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tapbatch.model.errors import UNFORESEEN, SoundError, TapbatchError
from tapbatch.model.reading import BandSettings, Reading, Recording
from tapbatch.results.readings import reading_to_json


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A recording to measure, with ``size`` and ``mtime_ns`` of the file when it was hashed; -1 if unknown."""

    path: Path
    recording: Recording
    key: str
    settings: BandSettings
    size: int = -1
    mtime_ns: int = -1


def measure_job(job: Job) -> Reading | TapbatchError:
    """Measure one recording and return the reading, or the error that says why there is none.

    Expected errors and unforeseen faults are returned, not raised. If the file changed since it was hashed, an error
    is returned too, because the reading would be kept under the wrong key.
    """
    from tapbatch.measure.recording import measure_recording

    try:
        reading = measure_recording(job.path, job.recording.sha256, job.settings)
        return _changed(job) or reading
    except TapbatchError as error:
        return error
    except UNFORESEEN as error:
        what = f"it cannot be measured ({type(error).__name__}: {error})"
        return SoundError(job.path.name, what, "keep the file and report it; the others are measured")


def measure_to_text(job: Job) -> str | TapbatchError:
    """Measure one recording and return the reading as JSON, or the error that says why there is none."""
    result = measure_job(job)
    return reading_to_json(result) if isinstance(result, Reading) else result


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
