"""What differs between two stages besides the wood, as values.

Conventions: ``before`` and ``after`` are names (of states, points, recorders), sorted; an empty name stands for one
that was not given. Numbers carry their unit in their field's name, and are ``None`` where the kind has none or the
stage has none. No code decides anything by the words of a caution: it asks its ``kind``.

To add a kind: name it in :data:`CautionKind`, add the fields it needs to :class:`Caution`, make it in
:mod:`tapbatch.compare.conditions`, and give it words and an explanation in :mod:`tapbatch.show.say.cautions`. Tests
fail until the words are there, and until the documentation explains the kind. What it can do in cents is said in
:mod:`tapbatch.compare.weighing`; without that it is always heavy.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

CautionKind = Literal[
    "state",
    "points",
    "codec",
    "sample rate",
    "recorder",
    "method",
    "level",
    "concert pitch",
    "strings",
    "days",
    "temperature",
    "humidity",
    "string pitch",
    "new strings",
    "one tap",
    "reference",
    "identity",
]

NoVerdictKind = Literal[
    "state",
    "points",
    "one",
    "new",
    "gone",
    "unheard",
    "unresolved",
    "not at both",
    "too narrow",
    "empty band",
    "another string",
    "identity",
    "strings rang",
]


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that differs between two stages and moves a mode without any wood coming off.

    ==============  ==================================================================================
    kind            what it carries
    ==============  ==================================================================================
    state           ``before``, ``after``: one name each, empty where none was given
    points          ``before``, ``after``: the points tapped, none in common; both empty where the stages share a
                    point and the mode does not
    codec           ``before``, ``after``: ``lossless``, ``lossy`` or ``mixed``
    sample rate     ``before_rates_hz``, ``after_rates_hz``: all rates of a stage, sorted
    recorder        ``before``, ``after``: the devices that the files name
    method          ``before``, ``after``: the versions of the method that measured them
    level           ``louder_db``: by how much the later taps are louder
    concert pitch   ``before_hz``, ``after_hz``
    strings         ``before_cents``, ``after_cents``: the string furthest off, ``None`` where none is
    days            ``days`` between the two
    temperature     ``before_c``, ``after_c``, both ``None`` where not noted; ``air_cents`` for a mode of kind ``air``
    humidity        ``before_pct``, ``after_pct``, both ``None`` where not noted
    string pitch    ``before_hz``, ``after_hz``; ``tension_pct``
    new strings     ``is_before``: the notes of the earlier stage say so, not those of the later
    one tap         nothing: a stage has a single tap, so its scatter is borrowed
    reference       ``before``: the references; ``moved_cents``, ``half_cents`` either way, between the days of
                    the stages, which are ``days`` apart; ``is_air``: not taken off, for this is an air mode
    identity        nothing: the mode may be a neighbour of the one that had its name before
    ==============  ==================================================================================

    ``can_cents`` is the most that it can move the mode, in cents, ``None`` where no figure bounds that
    (:mod:`tapbatch.compare.weighing`). It says nothing of what differs, and so two cautions are equal without it.

    Examples
    --------
    >>> Caution("days", days=14).kind
    'days'
    """

    kind: CautionKind
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    before_rates_hz: tuple[int, ...] = ()
    after_rates_hz: tuple[int, ...] = ()
    before_hz: float | None = None
    after_hz: float | None = None
    before_c: float | None = None
    after_c: float | None = None
    before_pct: float | None = None
    after_pct: float | None = None
    before_cents: float | None = None
    after_cents: float | None = None
    air_cents: float | None = None
    tension_pct: float | None = None
    louder_db: float | None = None
    moved_cents: float | None = None
    half_cents: float | None = None
    days: int | None = None
    is_before: bool = False
    is_air: bool = False
    can_cents: float | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class NoVerdict:
    """Why it is not said whether something rings longer or shorter.

    ``caution`` says how the stages differ, for kind ``state``. ``sound`` is the kind of sound of which a
    stage has only ``one``.
    """

    kind: NoVerdictKind
    caution: Caution | None = None
    sound: Literal["tap", "pluck", "room"] = "tap"


def forbids_verdict(cautions: Iterable[Caution]) -> NoVerdict | None:
    """Return why two decays must not be called longer or shorter; ``None`` where nothing forbids it.

    Another state comes first, then points that are not shared, then an identity in doubt, then a single tap.

    Examples
    --------
    >>> forbids_verdict([Caution("days", days=14), Caution("one tap")])
    NoVerdict(kind='one', caution=None, sound='tap')
    >>> forbids_verdict([Caution("recorder", before=("Trigpoints Two",), after=("one tap",))])
    """
    by_kind = {caution.kind: caution for caution in cautions}
    if "state" in by_kind:
        return NoVerdict("state", by_kind["state"])
    if "points" in by_kind:
        return NoVerdict("points")
    if "identity" in by_kind:
        return NoVerdict("identity")
    return NoVerdict("one") if "one tap" in by_kind else None
