"""Marks: lines, areas, dots and words, each with its place and its role.

Conventions: places are millimetres from the top left corner of the drawing or the page, y downwards; type sizes are
points (1/72 inch). A mark has a role and no colour. Each printer has one table of how roles look: on paper
:mod:`tapbatch.show.pdf.canvas`, in the browser the style sheet ``page.css``.
"""

from __future__ import annotations

from dataclasses import dataclass
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
    # Where a mode could end up.
    "target", "next note",
]  # fmt: skip
ROLES: tuple[Role, ...] = get_args(Role)

HOLLOW: frozenset[Role] = frozenset(("unsure reading", "earlier reading", "expected reading"))
"""The roles whose dots are rings."""

Anchor = Literal["left", "center", "right"]

Places = NDArray[np.float64]
"""Places in mm: one of shape (2,), or as many as there are rows."""


Shape = Literal["area", "lines", "dots"]


@dataclass(frozen=True, slots=True)
class Mark:
    """Filled outlines, polylines, or round dots; ``name`` says what they show.

    Each of the ``pieces``, of shape (n, 2) in mm, is an outline, a polyline or the centres of dots. Dots are rings
    where the role is :data:`HOLLOW`.
    """

    shape: Shape
    pieces: tuple[Places, ...]
    role: Role
    name: str = ""
    radius_mm: float = 0.0


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


Said = tuple[str, Role]
"""A sentence that goes with a chart, and the role in which it is set."""
