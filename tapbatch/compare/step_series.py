"""Select the steps that belong to the same work as the latest step of a part, and read each of their stages.

Conventions: positions are in cents, ``CENTS ln f``. A step leads from one tapped stage to the next. It counts if

- both stages were held in the same way as the latest stage (a change between states says nothing about the wood);
- the mode is found at both; and
- the work is that of the latest stage: either both stages belong to the same ``step`` series, or the notes of the
  stage it leads to name the same ``work``.

The change from the box to the first step of a series counts where the notes name the same work for that step: in a
row of its own, or in the row of the whole series if the mode moved on the way to it. If it did not, the first step
may have been recorded before the first cut. Works that the notes distinguish are never mixed, even within a series.

The reading of a stage is the mean over its points, with equal weights, at the points that all these stages have. Its
variance comes from the taps; their scatter is pooled over the stages, because five taps alone estimate it poorly.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import fmean

from tapbatch.compare.random_effects import Z_95, Mean, Sample, cells_of
from tapbatch.compare.stage import DOUBTFUL, freq_sample, members_by_mode
from tapbatch.compare.steps import FEWEST_STEPS, At
from tapbatch.model.history import Stage
from tapbatch.model.names import identity
from tapbatch.model.pitch import CENTS

Cells = dict[tuple[str, int], tuple[Mean, int]]
"""By (point, set-up): the mean of ``ln f`` and the number of taps."""

_NUMBER = re.compile(r"^[0-9]+[-_. ]*")


@dataclass(frozen=True, slots=True)
class Work:
    """The steps of one work.

    ``stages`` are the stages of these steps in order, the latest last. ``steps`` gives each step as (from, to),
    indices into ``stages``. ``shown`` says how the steps are known to be one work; it is empty if there are no steps.
    """

    stages: tuple[Stage, ...]
    steps: tuple[tuple[int, int], ...]
    shown: str

    @property
    def enough(self) -> bool:
        """Whether there are enough steps to learn from."""
        return len(self.steps) >= FEWEST_STEPS


def latest_work(stages: Sequence[Stage], mode: str, moved: Collection[str] = ()) -> Work:
    """Return the steps of the work that led to the latest stage, limited to stages where one mode is found.

    Parameters
    ----------
    stages : sequence of Stage, at least one
        The tapped stages of one part, in order.
    mode : str
        Name of a mode that is found at the latest stage.
    moved : collection of str
        The stages on the way to which that mode was seen to move.

    Returns
    -------
    Work
        Has no steps if neither a series nor the notes say what the work was.
    """
    latest = stages[-1]
    series, work = series_of(latest), _work_of(latest)
    pairs = [
        (i - 1, i)
        for i in range(1, len(stages))
        if all(s.state == latest.state and is_found(s, mode) for s in stages[i - 1 : i + 1])
        and not _is_doubted(stages[i], mode)
        and _is_same_work(stages[i - 1], stages[i], series, work, moved)
    ]
    if not pairs:
        return Work((latest,), (), "")
    used = sorted({i for pair in pairs for i in pair} | {len(stages) - 1})
    in_series = bool(series) and all(series_of(stages[i]) == series for pair in pairs for i in pair)
    shown = f"step series {_series_shown(latest)}" if in_series else f"work '{work}' in the notes"
    place = {stage: n for n, stage in enumerate(used)}
    return Work(tuple(stages[i] for i in used), tuple((place[a], place[b]) for a, b in pairs), shown)


def positions(
    stages: Sequence[Stage], mode: str, steady_cents: float, setup_variance: float = 0.0
) -> list[At] | None:
    """Return the position of a mode at each stage, from the points that all stages have; ``None`` if there are none.

    Parameters
    ----------
    stages : sequence of Stage, at least one
        Stages at each of which the mode is found.
    mode : str
        Name of the mode.
    steady_cents : float
        Replaces the tap-to-tap scatter, as its 95 % half-width in cents, if no point has two taps.
    setup_variance : float
        Variance that a new set-up adds, in cents squared; default 0, for unknown.
    """
    cells = [cells_at(stage, mode) for stage in stages]
    return positions_from(cells, [opening_mm2(stage) for stage in stages], steady_cents, setup_variance)


def positions_from(
    cells: Sequence[Cells], areas_mm2: Sequence[float | None], steady_cents: float, setup_variance: float = 0.0
) -> list[At] | None:
    """Return the position at each stage from its cells, as :func:`positions` does.

    Parameters
    ----------
    cells : sequence of Cells, at least one
        Of each stage, see :func:`cells_at`.
    areas_mm2 : sequence of float or None
        The opening at each stage, if it was noted.
    steady_cents, setup_variance : float
        As for :func:`positions`.
    """
    common = set.intersection(*({point for point, _ in c} for c in cells))
    if not common:
        return None
    kept = [{key: c for key, c in of_stage.items() if key[0] in common} for of_stage in cells]
    pooled = _scatter(kept, steady_cents)
    return [_position(of_stage, pooled, setup_variance, area) for of_stage, area in zip(kept, areas_mm2, strict=True)]


def opening_mm2(stage: Stage) -> float | None:
    """Return the area of the opening that was noted for a stage, or one from its length and width.

    The latter is that of an ellipse. For a slot it is always by the same share too small, so steps and doublings of
    the area are right.
    """
    note = stage.note
    if note is None or note.opening_mm2 is not None or note.opening_length_mm is None:
        return note.opening_mm2 if note else None
    return math.pi / 4.0 * note.opening_length_mm * (note.opening_width_mm or note.opening_length_mm)


def work_key(stage: Stage) -> str:
    """Return what tells the work that led to a stage from other work, on any instrument; empty if nothing does.

    It is the work in the notes, else the name of the ``step`` series without its number.
    """
    series = series_of(stage)
    work, name = _work_of(stage), without_number(series)
    return f"work {work}" if work else f"series {name}" if series else ""


def without_number(name: str) -> str:
    """Return the name of a stage without the number in front, by which stages of several instruments are the same.

    Examples
    --------
    >>> without_number("05-voicing"), without_number("voicing"), without_number("12")
    ('voicing', 'voicing', '12')
    """
    return _NUMBER.sub("", name) or name


def is_found(stage: Stage, mode: str) -> bool:
    """Tell whether a mode is found at a stage."""
    return any(m.mode == mode for m in stage.modes)


def _is_doubted(stage: Stage, mode: str) -> bool:
    # It may be a neighbour of the one that had its name before, so the move between them is none.
    return any(m.mode == mode and DOUBTFUL in m.flags for m in stage.modes)


def _is_same_work(before: Stage, after: Stage, series: str, work: str, moved: Collection[str]) -> bool:
    noted = _work_of(after)
    if work and noted and noted != work:
        return False
    if series and series_of(before) == series_of(after) == series:
        return True
    own = not series_of(after) or (after.note is not None and identity(after.note.stage) == after.stage)
    return bool(work) and noted == work and (own or after.stage in moved)


def series_of(stage: Stage) -> str:
    """Return the ``step`` series that a stage belongs to; empty if it belongs to none."""
    # A `step` recording names the stage of its series.
    return next((h.recording.stage for h in stage.heard if h.recording.step and h.recording.kind == "tap"), "")


def _series_shown(stage: Stage) -> str:
    return stage.stage_shown.rpartition(" step ")[0] or stage.stage_shown


def _work_of(stage: Stage) -> str:
    return " ".join(stage.note.work.casefold().split()) if stage.note else ""


# ------------------------------------------------------------- positions


def cells_at(stage: Stage, mode: str) -> Cells:
    """Return the mean of ``ln f`` of a mode at each point of each set-up of a stage, with the number of taps."""
    samples = [freq_sample(t, m) for t, m in members_by_mode(stage)[mode]]
    return {key: (mean, _count(samples, key)) for key, mean in cells_of(samples).items()}


def _count(samples: Sequence[Sample], key: tuple[str, int]) -> int:
    return sum((s.point, s.setup) == key for s in samples)


def _scatter(cells: Sequence[Cells], steady_cents: float) -> float:
    # The variance of one tap, from all cells with two or more taps; otherwise from what the builder counts as steady.
    several = [(mean.variance * n, n - 1) for of_stage in cells for mean, n in of_stage.values() if n > 1]
    if not several:
        return (steady_cents / CENTS / Z_95) ** 2
    return sum(v * dof for v, dof in several) / sum(dof for _, dof in several)


def _position(cells: Cells, scatter: float, setup_variance: float, area_mm2: float | None) -> At:
    of_points: dict[str, list[tuple[Mean, int]]] = {}
    for (point, _), cell in cells.items():
        of_points.setdefault(point, []).append(cell)
    value = fmean(fmean(mean.value for mean, _ in own) for own in of_points.values())
    parts = [sum(scatter / n for _, n in own) / len(own) ** 2 for own in of_points.values()]
    setups = len({setup for _, setup in cells})
    taps = sum(parts) / len(parts) ** 2
    return At(CENTS * value, CENTS**2 * taps + setup_variance / setups, area_mm2)
