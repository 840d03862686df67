"""What the names of all recordings of a shop say: which stages there are, and how far each series is.

Conventions: a series is named by instrument, stage, part, state and kind, whatever point, spot and set-up. A step is
a number from 1. Recordings whose names are not understood are left out; they are named elsewhere.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace

from tapbatch.model.bench_log import BenchLog, OnBench
from tapbatch.model.errors import NamingError
from tapbatch.model.names import identity, parse_name
from tapbatch.model.reading import Recording
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import list_folder

Series = tuple[str, str, str, str, str]


def recordings_of(shop: Shop) -> tuple[Recording, ...]:
    """Return the recordings whose names are understood, the one that was changed last first."""
    files = list_folder(shop.recordings_dir).files
    known = []
    for path in sorted(files, key=lambda path: -files[path].mtime_ns):
        try:
            known.append(parse_name(path, shop.extra_parts))
        except NamingError:
            continue
    return tuple(known)


def stages_of(known: Iterable[Recording], instrument: str) -> tuple[str, ...]:
    """Return the stages of which an instrument has recordings, as they are spelled.

    Examples
    --------
    >>> known = [parse_name(f"{name}/a.wav") for name in ("Lute-3/Voicing", "lute-3/closed", "lyre-2/strung")]
    >>> stages_of(known, "lute-3")
    ('Voicing', 'closed')
    """
    return tuple(dict.fromkeys(r.stage_shown for r in known if r.instrument == identity(instrument)))


def steps_of(known: Iterable[Recording]) -> dict[Series, int]:
    """Return how far each series is by its recordings: the highest number of a step.

    Where steps are not numbered, each recording is one, unless it is marked ``again``.

    Examples
    --------
    >>> numbered = [parse_name(f"lute-3/voicing/step {n}/a.wav") for n in (1, 2, 2)]
    >>> unnumbered = [parse_name(f"lyre-2/closed/step/{n}.wav") for n in (1, 2, 3)]
    >>> list(steps_of([*numbered, *unnumbered]).values())
    [2, 3]
    """
    numbers: dict[Series, int] = {}
    unnumbered: Counter[Series] = Counter()
    for recording in known:
        if recording.step:
            series = _series(recording)
            numbers[series] = max(numbers.get(series, 1), recording.step_number)
            unnumbered[series] += not recording.step_number and not recording.again
    return {series: max(number, unnumbered[series]) for series, number in numbers.items()}


def step_reached(bench: OnBench, log: BenchLog, steps: Mapping[Series, int], extra_parts: tuple[str, ...]) -> int:
    """Return the step that a series has reached: the later of what was said and what was recorded, at least 1.

    Parameters
    ----------
    bench
        The series, at any of its steps.
    log
        What was said.
    steps
        What was recorded (:func:`steps_of`).
    extra_parts
        The parts that the settings add.

    Raises
    ------
    NamingError
        If the series has no name that is understood.

    Examples
    --------
    >>> voicing = OnBench(instrument="lute-3", stage="voicing", step=1)
    >>> recorded = steps_of([parse_name("lute-3/voicing/step 4/a.wav")])
    >>> step_reached(voicing, BenchLog(), recorded, ()), step_reached(voicing, BenchLog(), {}, ())
    (4, 1)
    """
    first = replace(bench, step=1)
    named = parse_name(f"{first.folder}/x.wav", extra_parts)
    return max(steps.get(_series(named), 1), log.steps.get(bench.series, first).step)


def _series(r: Recording) -> Series:
    return r.instrument, r.stage, r.part, r.state, r.kind
