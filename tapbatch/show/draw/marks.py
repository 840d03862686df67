"""Marks: lines, areas, dots and words, each with its place and its role.

Conventions: places are millimetres from the top left corner of the drawing or the page, y downwards; type sizes are
points (1/72 inch). A mark has a role and no colour. Each printer has one table of how roles look: on paper
:mod:`tapbatch.show.pdf.ink`, in the browser the style sheet ``page.css``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

Role = Literal[
    # Words.
    "text", "soft text", "caution",
    # Scales: what a value is read against.
    "heading", "scale", "guide", "field", "tolerance",
    # Readings, as dots and intervals: measured, measured before, and predicted.
    "reading", "unsure reading", "earlier reading", "expected reading",
    # What joins them, and what leads the eye.
    "link", "cautious link", "thread",
    # Sound.
    "spectrum", "sound", "noise", "fit", "floor",
    # Where a mode could come to rest.
    "target", "next note",
]  # fmt: skip
ROLES: tuple[Role, ...] = get_args(Role)

HOLLOW: frozenset[Role] = frozenset(("unsure reading", "earlier reading", "expected reading"))
"""The roles whose dots are rings."""

Anchor = Literal["left", "center", "right"]

Places = NDArray[np.float64]
"""Places in mm: one of shape (2,), or as many as there are rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Polylines, each of shape (n, 2) in mm; ``name`` says what they show."""

    segments: tuple[Places, ...]
    role: Role
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A closed outline of shape (n, 2) in mm, filled."""

    outline: Places
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Dots:
    """Round dots of one radius about centres of shape (n, 2) in mm; rings where the role is :data:`HOLLOW`."""

    centres: Places
    role: Role
    radius_mm: float
    name: str = ""


@dataclass(frozen=True, slots=True)
class Word:
    """A line of text: the place of its anchor on its baseline, in mm, and how it is set; ``upright`` runs upwards."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float
    bold: bool = False
    role: Role = "text"
    anchor: Anchor = "left"
    upright: bool = False


Mark = Lines | Area | Dots


def moved(mark: Mark, by_mm: Places) -> Mark:
    """Return the same mark elsewhere."""
    if isinstance(mark, Lines):
        return replace(mark, segments=tuple([segment + by_mm for segment in mark.segments]))
    if isinstance(mark, Area):
        return replace(mark, outline=mark.outline + by_mm)
    return replace(mark, centres=mark.centres + by_mm)


Said = tuple[str, Role]
"""A sentence that goes with a chart, and the role in which it is set."""
