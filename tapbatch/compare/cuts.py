"""Tell a cut from other work: strings, varnish, glue and weeks move modes too, and are never called cuts.

Conventions: a stage was reached by a cut if it is a step of a series or if the notes name its work, unless something
speaks against it. Two things do: the part is now held in another way, or the noted work (the name of the stage, if no
work is noted) has a word such as ``varnished``, ``strung`` or ``two weeks``. The words are English. Where nothing
speaks for a cut or against it, the work is unknown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

from tapbatch.model.history import Stage

WHAT_CURES = r"varnish|lacquer|shellac|polish|oil|coat|seal|stain|glu(?:e|ing)"
"""How words of finish and of glue begin, as a regular expression for text in any case."""

_NO_CUT = re.compile(
    rf"(?:^|[^a-z])(?:{WHAT_CURES}|(?:re)?str[iu]ng|settl|dry|dried|season|wait|days?\b|weeks?\b|months?\b|humid)",
    re.IGNORECASE,
)

Work = Literal["cut", "other", "unknown"]


def kind_of_work(stage: Stage, stages: Sequence[Stage]) -> Work:
    """Return what led to a stage, as far as names and notes say.

    Parameters
    ----------
    stage : Stage
        The stage.
    stages : sequence of Stage
        All stages of its part, in order.

    Examples
    --------
    >>> from tapbatch.model.history import Note
    >>> def worked(work):
    ...     note = Note(instrument="cittern-07", stage="s", work=work)
    ...     return Stage(part="body", state="closed", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...                  heard=(), modes=(), decays=(), note=note)
    >>> [kind_of_work(worked(work), ()) for work in ("hole opened", "second coat of varnish", "hung for a week", "")]
    ['cut', 'other', 'other', 'unknown']
    """
    before = next((first for first, second in pairwise(stages) if second is stage), None)
    if before is not None and before.state != stage.state:
        return "other"
    series = next((h.recording.stage_shown for h in stage.heard if h.recording.step), "")
    said = (stage.note.work if stage.note else "") or series
    if _NO_CUT.search(said or stage.stage_shown):
        return "other"
    return "cut" if said else "unknown"
