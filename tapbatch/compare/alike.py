"""What all modes of a part did alike, once for each pair of stages.

Conventions: as in :mod:`tapbatch.compare.drift`; a common move has set-ups left out, as they are believed to be. Only
one whose interval leaves out zero is a fact.
"""

from __future__ import annotations

from collections.abc import Iterable

from tapbatch.model.history import Alike, Drift


def alike_moves(drifts: Iterable[Drift]) -> tuple[Alike, ...]:
    """Return what all modes did alike between each pair of stages at which they surely did, in the order given.

    Examples
    --------
    >>> alike_moves([])
    ()
    """
    found: dict[tuple[str, str, str], Alike] = {}
    for drift in drifts:
        if drift.alike is not None:
            pair = (drift.part, drift.from_stage, drift.to_stage)
            found.setdefault(pair, Alike(part=pair[0], from_stage=pair[1], to_stage=pair[2], extent=drift.alike))
    return tuple(found.values())
