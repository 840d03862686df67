"""Which modes of two instruments are the same: by the maker's label, else by nearness of note.

Conventions: distances in cents. Two modes with one label are the same. Of the others, two are the same if each is the
nearest to the other and they lie within a semitone; such a pair is named by the note of the first. What has no
counterpart is said to be of one instrument only: it is not *gone*, for the other never had to have it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

from tapbatch.compare.stage import NOT_OF_THE_BODY
from tapbatch.model.history import Stage, StageMode
from tapbatch.model.names import is_label
from tapbatch.model.pitch import cents_between

NEAR_CENTS = 100.0
"""A semitone: two modes farther apart have different notes, whatever else they share."""


@dataclass(frozen=True, slots=True)
class Paired:
    """Two stages of which only what both have is left, under names that they share.

    ``by_note`` are the names of modes that only nearness of note makes the same. ``only_before`` and ``only_after``
    name, by label or note and in order of frequency, what the other does not have.
    """

    before: Stage
    after: Stage
    by_note: tuple[str, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]


def paired(before: Stage, after: Stage) -> Paired:
    """Return two stages of different instruments with their modes paired.

    Examples
    --------
    >>> stage = Stage(part="body", state="", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> paired(stage, stage).by_note
    ()
    """
    sides = [[m for m in stage.modes if not NOT_OF_THE_BODY & set(m.flags)] for stage in (before, after)]
    labels = {m.mode for m in sides[0] if is_label(m.mode)} & {m.mode for m in sides[1]}
    rest = [[m for m in side if m.mode not in labels] for side in sides]
    pairs = nearest_pairs(*rest)
    names = _names([first for first, _ in pairs], labels)
    shared = [{label: label for label in labels} for _ in sides]
    for name, (first, second) in zip(names, pairs, strict=True):
        shared[0][first.mode], shared[1][second.mode] = name, name
    only = [tuple(_called(m) for m in side if m.mode not in known) for side, known in zip(sides, shared, strict=True)]
    return Paired(_renamed(before, shared[0]), _renamed(after, shared[1]), tuple(names), only[0], only[1])


def _called(mode: StageMode) -> str:
    return mode.mode if is_label(mode.mode) else mode.note


class Named(Protocol):
    """A mode with a name and a frequency in Hz."""

    @property
    def mode(self) -> str: ...  # noqa: D102
    @property
    def freq_hz(self) -> float: ...  # noqa: D102


Mode = TypeVar("Mode", bound=Named)


def nearest_pairs(first: Sequence[Mode], second: Sequence[Mode]) -> list[tuple[Mode, Mode]]:
    """Return the pairs of modes that are each the other's nearest; two that bear different labels never pair."""
    pairs = []
    for one in first:
        other = _nearest_to(one, second)
        if other is not None and _nearest_to(other, first) is one:
            pairs.append((one, other))
    return pairs


def _nearest_to(mode: Mode, others: Sequence[Mode]) -> Mode | None:
    near = [m for m in others if not (is_label(m.mode) and is_label(mode.mode))]
    nearest = min(near, key=lambda m: abs(cents_between(mode.freq_hz, m.freq_hz)), default=None)
    if nearest is None or abs(cents_between(mode.freq_hz, nearest.freq_hz)) > NEAR_CENTS:
        return None
    return nearest


def _names(modes: Sequence[StageMode], taken: set[str]) -> list[str]:
    """Return a name for each pair: its label, or its note, with a number where several lie on one note."""
    names: list[str] = []
    for mode in modes:
        called, count = _called(mode), 1
        name = called
        while name in names or name in taken:
            count += 1
            name = f"{called} ({count})"
        names.append(name)
    return names


def _renamed(stage: Stage, names: Mapping[str, str]) -> Stage:
    """Return a stage with only the modes that have a new name, under it."""
    modes = tuple(replace(m, mode=names[m.mode]) for m in stage.modes if m.mode in names)
    heard = tuple(
        replace(h, mode_names=tuple(tuple(names.get(n, "") for n in of_tap) for of_tap in h.mode_names))
        for h in stage.heard
    )
    return replace(stage, modes=modes, heard=heard)
