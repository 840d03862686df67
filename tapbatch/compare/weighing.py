"""What each difference between two stages can do to a mode, in cents, and whether that is much.

Conventions: ``can_cents`` of a :class:`~tapbatch.model.caution.Caution` is the most that the difference is believed
to move a mode, without a sign; ``None`` where no figure bounds it. A caution is *heavy* if that reaches a third of
the interval, or of a move that is told; what no figure bounds is always heavy. Everything else is *light*. A figure
says where it comes from; an assumption of ours is called so.

- Temperature: an air mode in a rigid box rises by 2.95 cents a kelvin if the moisture in the air stays the same
  (:func:`~tapbatch.box.air.air_mode_cents`), and by 3.15 if the relative humidity does: warmer air then
  holds more vapour, which is lighter. Wood falls by 2.0 cents a kelvin at equal moisture of the wood.
- Humidity: thin wood follows the room within days. A mode of wood falls by some 3 cents for each per cent more; the
  air of a rigid box rises by 0.06.
- Strings: no formula says what tension does to a body. It is assumed that tension, from nothing to full, moves a
  mode by a semitone at most, so that each per cent of it moves a mode by one cent at most.
- Days do nothing by themselves to seasoned wood; what it takes up from the room is counted under humidity. Glue and
  finish, however, cure, and no figure bounds that.
- What was not noted of temperature and humidity counts as it commonly varies in a shop: 3 K and 10 % (an assumption).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from tapbatch.box.air import air_mode_cents, vapour_cents
from tapbatch.compare.conditions import days_between, tension_pct
from tapbatch.compare.cuts import WHAT_CURES
from tapbatch.compare.moves.priors import FREQ
from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import Drift, Extent, Stage
from tapbatch.wood.moisture import moisture_pct

SHARE = 3.0
"""A caution is heavy if it can reach the interval or the move divided by this."""

COMMON_K, COMMON_PCT = 3.0, 10.0
"""By how much temperature and relative humidity commonly vary in a shop; they stand in for what was not noted."""

ROOM_C, ROOM_PCT = 20.0, 50.0
"""The room in which humidity, or what was not noted of it, is weighed."""

WOOD_PCT_A_KELVIN = -0.23
"""Young's modulus along the grain at equal moisture, in per cent a kelvin (Wood Handbook, FPL-GTR-282)."""

WOOD_CENTS_A_POINT = -21.6
"""A mode of Sitka spruce, for each per cent of moisture: stiffness by the moisture law of the Wood Handbook, which
gives 13.8, and mass."""

CENTS_A_PCT_OF_TENSION = 1.0
CLOCKS_CENTS = 1200.0 * math.log2(1.0 + 1e-4)
"""Two recorders whose clocks are off by 50 parts in a million each, as data sheets of quartz crystals allow."""

_CURES = re.compile(rf"(?:^|[^a-z])(?:{WHAT_CURES})", re.IGNORECASE)
_BY_ROOM: tuple[CautionKind, ...] = ("temperature", "humidity", "days")


# --------------------------------------------------------------- air and wood


def warmth_cents(from_c: float, to_c: float, kind: str) -> float:
    """Return how a mode moves with temperature if the moisture of air and wood stays the same, in cents.

    Examples
    --------
    >>> round(warmth_cents(20.0, 21.0, "air"), 2), round(warmth_cents(20.0, 21.0, "plate"), 1)
    (2.95, -2.0)
    """
    if kind == "air":
        return air_mode_cents(from_c, to_c)
    return 600.0 * math.log2(1.0 + WOOD_PCT_A_KELVIN / 100.0) * (to_c - from_c)


def damp_cents(from_pct: float, to_pct: float, kind: str) -> float:
    """Return how a mode moves with relative humidity at 20 degrees Celsius, wood in balance with it, in cents.

    Examples
    --------
    >>> round(damp_cents(45.0, 47.0, "air"), 2), round(damp_cents(45.0, 47.0, "plate"), 1)
    (0.13, -6.7)
    """
    if kind == "air":
        return vapour_cents(ROOM_C, to_pct) - vapour_cents(ROOM_C, from_pct)
    return WOOD_CENTS_A_POINT * (moisture_pct(ROOM_C, to_pct) - moisture_pct(ROOM_C, from_pct))


# -------------------------------------------------------------------- weighing


def weighed(found: Iterable[Caution], before: Stage, after: Stage, kind: str = "") -> tuple[Caution, ...]:
    """Return cautions with what each can do to a mode of a kind, in cents.

    Parameters
    ----------
    found : iterable of Caution
        Those between two stages.
    before, after : Stage
        The two stages; strings and what was worked on are asked of them.
    kind : str
        That of the mode: ``air``, or any other for a mode of wood.

    Returns
    -------
    tuple of Caution
        The same, in the same order, with ``can_cents``. What a reference took off a mode of wood weighs nothing.
    """
    listed = list(found)
    taken_off = _is_taken_off(listed)
    return tuple(
        replace(c, can_cents=0.0 if taken_off and c.kind in _BY_ROOM else can_cents(c, before, after, kind))
        for c in listed
    )


def can_cents(caution: Caution, before: Stage, after: Stage, kind: str = "") -> float | None:
    """Return the most that a difference can move a mode of a kind, in cents; ``None`` where no figure bounds it."""
    match caution.kind:
        case "temperature" if caution.before_c is not None and caution.after_c is not None:
            return abs(warmth_cents(caution.before_c, caution.after_c, kind))
        case "humidity" if caution.before_pct is not None and caution.after_pct is not None:
            return abs(damp_cents(caution.before_pct, caution.after_pct, kind))
        case "string pitch":
            return _by_tension(caution.before_hz, caution.after_hz)
        case "concert pitch":
            return _by_tension(caution.before_hz, caution.after_hz) if _is_strung(before, after) else 0.0
        case "strings":
            off_cents = max(abs(caution.before_cents or 0.0), abs(caution.after_cents or 0.0))
            return _by_tension(1.0, 2.0 ** (off_cents / 1200.0))
        case "days":
            return None if _cures(before) or _cures(after) else 0.0
        case "level":
            return _by_level(caution.louder_db or 0.0)
        case "recorder" | "sample rate":
            return CLOCKS_CENTS
        case "one tap" | "reference":
            return 0.0  # The intervals hold it already.
        case _:
            return None


def unnoted(before: Stage, after: Stage, found: Sequence[Caution] = (), kind: str = "") -> tuple[Caution, ...]:
    """Return temperature and humidity where a stage has no note of them, weighed as they commonly vary.

    Parameters
    ----------
    before, after : Stage
        Two stages of one part.
    found : sequence of Caution
        What is known to differ: a reference tells what the room did to wood.
    kind : str
        That of the mode.

    Returns
    -------
    tuple of Caution
        Without values; ``can_cents`` is that of 3 K or 10 %. Within a day, humidity does nothing to wood: it takes
        thin boards about that long to follow the room (common practice).
    """
    if kind != "air" and _is_taken_off(found):
        return ()
    notes = [before.note, after.note]
    missing = []
    if any(note is None or note.temperature_c is None for note in notes):
        cents = abs(warmth_cents(ROOM_C, ROOM_C + COMMON_K, kind))
        missing.append(Caution("temperature", can_cents=cents))
    if any(note is None or note.humidity_pct is None for note in notes):
        half = COMMON_PCT / 2.0
        cents = abs(damp_cents(ROOM_PCT - half, ROOM_PCT + half, kind))
        if kind == "air" or days_between(before, after) != 0:
            missing.append(Caution("humidity", can_cents=cents))
    return tuple(missing)


def _is_taken_off(found: Iterable[Caution]) -> bool:
    return any(c.kind == "reference" and not c.is_air for c in found)


def _by_tension(from_hz: float | None, to_hz: float | None) -> float | None:
    return abs(tension_pct(from_hz, to_hz)) * CENTS_A_PCT_OF_TENSION if from_hz and to_hz else None


def _by_level(louder_db: float) -> float:
    """Return what is left of the softening by a blow: half of it is taken off the reading."""
    hardest = FREQ.soft_mean + 2.0 * math.hypot(FREQ.soft_common, FREQ.soft_own)
    return 0.5 * hardest * (1.0 - math.pow(10.0, -abs(louder_db) / 10.0))


def _is_strung(*stages: Stage) -> bool:
    return any(stage.state == "strung" for stage in stages)


def _cures(stage: Stage) -> bool:
    return bool(_CURES.search((stage.note.work if stage.note else "") or stage.stage_shown))


# ---------------------------------------------------------------------- heavy


def limit_cents(extent: Extent | None) -> float:
    """Return what a caution must reach to be heavy, in cents: a third of the interval, or of a move that is told.

    The smaller of the two counts. A move whose interval holds zero is not told, and without an interval only that
    which no figure bounds is heavy.

    Examples
    --------
    >>> limit_cents(Extent(1.0, -2.0, 4.0)), limit_cents(Extent(4.5, 0.5, 8.5)), limit_cents(None)
    (2.0, 1.5, inf)
    """
    if extent is None:
        return math.inf
    width = extent.high - extent.low
    told = extent.low > 0 or extent.high < 0
    return (min(width, abs(extent.cents)) if told else width) / SHARE


def is_heavy(caution: Caution, extent: Extent | None) -> bool:
    """Tell whether what a caution can do reaches a third of the interval or of the move; orange means this.

    Examples
    --------
    >>> steady = Extent(1.0, -2.0, 4.0)
    >>> [is_heavy(Caution("temperature", can_cents=c), steady) for c in (1.9, 2.0, None)]
    [False, True, True]
    """
    return caution.can_cents is None or caution.can_cents >= limit_cents(extent)


@dataclass(frozen=True, slots=True)
class Parted:
    """The cautions of a drift by their weight; ``unnoted`` are heavy too, and stand in no table."""

    heavy: tuple[Caution, ...]
    light: tuple[Caution, ...]
    unnoted: tuple[Caution, ...] = ()


def parted(drift: Drift) -> Parted:
    """Return the cautions of a drift, those that can do much apart from the others."""
    heavy = [is_heavy(c, drift.extent) for c in drift.cautions]
    return Parted(
        tuple(c for c, much in zip(drift.cautions, heavy, strict=True) if much),
        tuple(c for c, much in zip(drift.cautions, heavy, strict=True) if not much),
        tuple(c for c in drift.unnoted if is_heavy(c, drift.extent)),
    )


def heavy_kinds(drifts: Iterable[Drift]) -> frozenset[CautionKind]:
    """Return the kinds of caution that can do much to any of some modes, apart from what was not noted."""
    return frozenset(c.kind for d in drifts for c in d.cautions if is_heavy(c, d.extent))


def at_every_stage(drifts: Iterable[Drift], part: str) -> frozenset[CautionKind]:
    """Return the kinds of caution that stand at each step of a part, two steps at least: they are said once.

    Examples
    --------
    >>> at_every_stage([], "body")
    frozenset()
    """
    steps: dict[str, set[CautionKind]] = {}
    for drift in drifts:
        if drift.part == part:
            steps.setdefault(drift.to_stage, set()).update(c.kind for c in drift.cautions)
    return frozenset(set.intersection(*steps.values())) if len(steps) > 1 else frozenset()
