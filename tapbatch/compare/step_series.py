"""Which changes of a part are steps of the same work as its latest one, and how each stage of them reads.

Conventions: positions in cents, ``CENTS ln f``. A step leads from a tapped stage to the next. It counts where both
stages were held in the same way as the latest stage is (across states a move teaches nothing about wood), the mode is
heard at both, and the work is that of the latest stage: either both belong to the same ``step`` series, or the notes
of the stage it leads to name the same ``work``. The change into the first step of a series counts only where that
step has a note of its own that says so: it may have been recorded before the first cut. Works that the notes tell
apart are never mixed, not even within a series.

A stage reads as the mean of its points, each counted alike, at the points that all those stages have. Its variance is
that of its taps, whose scatter is pooled over the stages, for five taps alone tell it badly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from tapbatch.compare.random_effects import CENTS, Z_95, Mean, Sample, cells_of
from tapbatch.compare.stage import freq_sample, members_by_mode
from tapbatch.compare.steps import FEWEST_STEPS, At
from tapbatch.model.history import Stage
from tapbatch.model.names import identity

Cells = dict[tuple[str, int], tuple[Mean, int]]


@dataclass(frozen=True, slots=True)
class Work:
    """Steps of one work: the stages that bear on them, in order, the latest last, and from where to where each went.

    ``shown`` says how it is known that they are of one work; empty where there is none.
    """

    stages: tuple[Stage, ...]
    steps: tuple[tuple[int, int], ...]
    shown: str

    @property
    def enough(self) -> bool:
        """Whether there are steps enough to learn from."""
        return len(self.steps) >= FEWEST_STEPS


def latest_work(stages: Sequence[Stage], mode: str) -> Work:
    """Return the steps of the work that led to the latest stage, as far as one mode shows them.

    Parameters
    ----------
    stages : sequence of Stage, at least one
        The tapped stages of one part, in order.
    mode : str
        A mode that is heard at the latest.

    Returns
    -------
    Work
        Without steps where neither a series nor the notes say what the work was.
    """
    latest = stages[-1]
    series, work = _series_of(latest), _work_of(latest)
    pairs = [
        (i - 1, i)
        for i in range(1, len(stages))
        if all(s.state == latest.state and _is_heard(s, mode) for s in stages[i - 1 : i + 1])
        and _is_same_work(stages[i - 1], stages[i], series, work)
    ]
    if not pairs:
        return Work((latest,), (), "")
    used = sorted({i for pair in pairs for i in pair} | {len(stages) - 1})
    in_series = bool(series) and all(_series_of(stages[i]) == series for pair in pairs for i in pair)
    shown = f"step series {_series_shown(latest)}" if in_series else f"work '{work}' in the notes"
    place = {stage: n for n, stage in enumerate(used)}
    return Work(tuple(stages[i] for i in used), tuple((place[a], place[b]) for a, b in pairs), shown)


def positions(
    stages: Sequence[Stage], mode: str, steady_cents: float, setup_variance: float = 0.0
) -> list[At] | None:
    """Return where a mode lies at each stage, at the points that all of them have; ``None`` where none is common.

    Parameters
    ----------
    stages : sequence of Stage, at least one
        The mode is heard at each.
    mode : str
        Which.
    steady_cents : float
        Stands in (as 95 %) for the scatter of the hand where no point has two taps.
    setup_variance : float
        What setting up anew adds, in cents squared; 0 where that is not known.
    """
    cells = [_cells(stage, mode) for stage in stages]
    common = set.intersection(*({point for point, _ in c} for c in cells))
    if not common:
        return None
    kept = [{key: c for key, c in of_stage.items() if key[0] in common} for of_stage in cells]
    pooled = _scatter(kept, steady_cents)
    return [
        _position(of_stage, pooled, setup_variance, stage.note.opening_mm2 if stage.note else None)
        for of_stage, stage in zip(kept, stages, strict=True)
    ]


def _is_heard(stage: Stage, mode: str) -> bool:
    return any(m.mode == mode for m in stage.modes)


def _is_same_work(before: Stage, after: Stage, series: str, work: str) -> bool:
    noted = _work_of(after)
    if work and noted and noted != work:
        return False
    if series and _series_of(before) == _series_of(after) == series:
        return True
    own = not _series_of(after) or (after.note is not None and identity(after.note.stage) == after.stage)
    return bool(work) and noted == work and own


def _series_of(stage: Stage) -> str:
    # The stage that a `step` recording names is that of its series.
    return next((h.recording.stage for h in stage.heard if h.recording.step and h.recording.kind == "tap"), "")


def _series_shown(stage: Stage) -> str:
    return stage.stage_shown.rpartition(" step ")[0] or stage.stage_shown


def _work_of(stage: Stage) -> str:
    return " ".join(stage.note.work.casefold().split()) if stage.note else ""


# ------------------------------------------------------------- positions


def _cells(stage: Stage, mode: str) -> Cells:
    samples = [freq_sample(t, m) for t, m in members_by_mode(stage)[mode]]
    return {key: (mean, _count(samples, key)) for key, mean in cells_of(samples).items()}


def _count(samples: Sequence[Sample], key: tuple[str, int]) -> int:
    return sum((s.point, s.setup) == key for s in samples)


def _scatter(cells: Sequence[Cells], steady_cents: float) -> float:
    # The variance of one tap, from all cells that have two or more; else what a builder takes for the same.
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
