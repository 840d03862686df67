"""Stages whose verdicts no longer change: ``frozen = "2026-11-30"`` in the settings of an instrument.

Conventions: a frozen stage is one that was there on that day. Its day is the later of the date in its note and its
first recording (:func:`~tapbatch.compare.days.done_day`), so that neither a note nor a clock alone can put a stage
before the day. The comparison of two frozen stages uses nothing that was not there on that day:

- of the stages, only recordings up to that day. One of a later day that joins a frozen stage is left out, with a
  notice. One without a date counts with its stage;
- of the shop, what set-ups and references showed in recordings up to that day. What has no date teaches nothing here;
- labels of modes go to what was heard at frozen stages first.

So the rows of frozen stages follow from files that later recordings do not change, and nothing is kept in a hidden
place. On the day when ``frozen`` is set they are judged as of that day, which may differ from how they were judged
just before. They do change if the settings, the notes or the old recordings change, or the tool itself does; and a
later stage that its number puts between two frozen ones parts them.

Stages without any date are not frozen; a notice names them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TypeVar

from tapbatch.compare.bench import Bench, bench_of_history, bench_of_values
from tapbatch.compare.days import Dated, done_day, recorded_day, undated
from tapbatch.model.history import History, Stage
from tapbatch.model.notice import Notice
from tapbatch.model.reference import Sitting

P = TypeVar("P", bound=Dated)


@dataclass(frozen=True, slots=True, eq=False)
class Grounds:
    """What verdicts rest on besides the taps: what is believed of the bench, and the sittings of references."""

    bench: Bench
    references: tuple[Sitting, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """The grounds of all comparisons of an instrument; those between stages up to ``until`` have their own."""

    now: Grounds
    until: date | None = None
    then: Grounds | None = None

    def between(self, before: Stage, after: Stage) -> Grounds:
        """Return the grounds on which two stages are compared."""
        if self.until is None or self.then is None:
            return self.now
        both = is_frozen(before, self.until) and is_frozen(after, self.until)
        return self.then if both else self.now


def judged_as(history: History) -> Judged:
    """Return the grounds on which the stages of a history were compared; the priors if they were not."""
    now = Grounds(bench_of_history(history), history.references)
    if history.frozen is None:
        return Judged(now)
    frozen = history.frozen
    then = Grounds(bench_of_values(frozen.setups_freq, frozen.setups_t60), frozen.references)
    return Judged(now, date.fromisoformat(frozen.until), then)


def is_frozen(stage: Dated, until: date) -> bool:
    """Tell whether a stage was there on a day."""
    done = done_day(stage.heard, stage.note)
    return done is not None and done <= until


def as_of(places: Iterable[P], until: date) -> list[P]:
    """Return the places that were there on a day, with the recordings that were."""
    return [_without_later(place, until) for place in places if is_frozen(place, until)]


def with_frozen(places: Iterable[P], until: date) -> tuple[list[P], tuple[Notice, ...]]:
    """Return all places, the frozen ones without recordings of a later day, and what the builder should know."""
    listed = list(places)
    kept: list[P] = []
    notices: list[Notice] = []
    for place in listed:
        frozen = is_frozen(place, until)
        kept.append(_without_later(place, until) if frozen else place)
        left = {h.recording.path for h in place.heard} - {h.recording.path for h in kept[-1].heard}
        notices += [Notice("after frozen", path=path, day=until.isoformat()) for path in sorted(left)]
    if names := undated(listed):
        notices.append(Notice("not frozen", names=names))
    return kept, tuple(notices)


def frozen_count(places: Sequence[Dated], until: date | None) -> int | None:
    """Return how many of the first places up to the last frozen one there are; ``None`` if none is frozen."""
    if until is None:
        return None
    return max((n for n, place in enumerate(places, start=1) if is_frozen(place, until)), default=None)


def _without_later(place: P, until: date) -> P:
    days = [recorded_day(h) for h in place.heard]
    kept = tuple(h for h, day in zip(place.heard, days, strict=True) if day is None or day <= until)
    return replace(place, heard=kept)  # type: ignore[type-var]
