"""The words of a move: whether and how far a mode moved, what would decide it, and whether it rings longer.

Conventions: as in :mod:`tapbatch.show.say.figures`; a move is a :class:`tapbatch.model.history.Drift`.
"""

from __future__ import annotations

from typing import Literal

from tapbatch.compare.before_after import Rings, is_firm
from tapbatch.model.caution import forbids_verdict
from tapbatch.model.history import Alike, Drift, Extent, Moved, Verdict
from tapbatch.show.say.cautions import no_verdict_text
from tapbatch.show.say.figures import change_text
from tapbatch.show.say.lists import joined_text

# ISO 3382-1:2009, Table A.1: a listener just notices a change of 5 % in a decay.
JUST_NOTICED_PCT = 5.0

VERDICTS: dict[Verdict, str] = {
    "up": "moved up",
    "up?": "probably up",
    "down": "moved down",
    "down?": "probably down",
    "steady": "did not move",
    "unclear": "cannot tell",
    "new": "new here",
    "gone": "no longer heard",
    "unheard": "not heard, may be there",
}

MEANINGS: dict[Verdict, str] = {
    "up": "the interval of the move lies above zero, and that is no chance among so many modes",
    "up?": "the interval of the move lies above zero, but that may be chance, or the others moved instead",
    "down": "the interval of the move lies below zero, and that is no chance among so many modes",
    "down?": "the interval of the move lies below zero, but that may be chance, or the others moved instead",
    "steady": "what it moved by itself is within steady_cents (3 cents, unless you set it), and nothing shows that "
    "all moved",
    "unclear": "it may have moved or not; what would settle it stands behind it",
    "new": "not heard at the stage before",
    "gone": "heard at the stage before, not at this one, although it would have been",
    "unheard": "heard at the stage before; at this one it may be hidden",
}
"""What the verdicts mean, for whoever asks; more of it is in docs/words.md."""

RINGS: dict[Rings, str] = {"longer?": "probably longer", "shorter?": "probably shorter", "unclear": "cannot tell"}
"""Verdicts on a decay whose words are not their name."""

MOVED: dict[Moved | Literal[""], str] = {"own": "by itself", "all": "all alike", "whole": "in all", "": ""}
"""What a figure of a move is about, in a column of its own."""

FIVE_PER_CENT = (
    "A listener just notices a change of 5 % in the early decay of a room (ISO 3382-1:2009, table A.1); no standard "
    "gives a figure for instruments."
)
NO_LOUDNESS = (
    "Loudness is not compared: a phone's level is not calibrated, and it depends on gain, distance and the blow. The "
    "balance does not depend on these, but it does on the hardness of the mallet."
)


def moved_text(drift: Drift) -> str:
    """Return how far a mode moved, such as ``down 42.1 c (-43.0 to -41.2) by itself``.

    The figures are those of the move that the verdict rests on; without any, it is the verdict alone. If nobody can
    tell whether the mode moved or the others did, it reads ``parted from the others by +39 c (+32 to +42)``. What
    all modes did alike is said once for all of them (:func:`alike_text`), and is not repeated here.
    """
    change = extent_text(drift.extent)
    moved = _directed(drift.verdict, change)
    if drift.parted and change:
        return f"parted from the others by {change}" + _as_read(drift)
    if moved:
        return moved + _BESIDE.get(drift.moved, "") + _as_read(drift)
    verdict = VERDICTS[drift.verdict] + (_BESIDE["own"] if drift.verdict == "steady" else "")
    return ", ".join(filter(None, (verdict, change, _opposed(drift))))


def _opposed(drift: Drift) -> str:
    """Return why a verdict is open though both moves are sure: they go opposite ways; else empty."""
    if not drift.opposed or drift.own_low_cents is None:
        return ""
    ways = ("up", "down") if drift.own_low_cents > 0 else ("down", "up")
    return f"for it went {ways[0]} by itself and {ways[1]} in all"


_ANOTHER_CENTS = 1.5
_BESIDE = {"own": " by itself", "all": " along with the others"}


def _as_read(drift: Drift) -> str:
    """Return how far the reading itself moved, such as ``, +58 c in all``.

    Empty if that is no other figure.
    """
    if drift.extent is None or drift.freq_change_cents is None or (drift.moved == "own" and drift.alike):
        return ""
    if abs(drift.freq_change_cents - drift.extent.cents) < _ANOTHER_CENTS:
        return ""
    return f", {drift.freq_change_cents:+z.0f} c in all"


def alike_causes(*, cut: bool = True, strings: bool = True) -> str:
    """Return what moves all modes alike; the readings do not tell which of them did.

    ``cut`` leaves out the cut where none led to the stage, and ``strings`` the strings where there are none.

    Examples
    --------
    >>> alike_causes(), alike_causes(cut=False, strings=False)
    ('set-up, weather, strings or the cut', 'set-up or weather')
    """
    return joined_text(("set-up", "weather", *["strings"] * strings, *["the cut"] * cut), "or")


def alike_text(alike: Alike, causes: str, *, interval: bool = True, figures: bool = True) -> str:
    """Return what all modes did, such as ``all rose 12 c (+8 to +16) alike: set-up, weather, strings or the cut``.

    ``causes`` comes from :func:`alike_causes`. ``interval`` and ``figures`` leave out its interval, or all figures
    where they were said.
    """
    return f"{alike_way_text(alike, interval=interval, figures=figures)}: {causes}"


def alike_way_text(alike: Alike, *, interval: bool = True, figures: bool = True) -> str:
    """Return how all modes moved alike, such as ``all fell 12 c (-16 to -8) alike``."""
    change = f" {extent_text(alike.extent, interval=interval).lstrip('+-')}" if figures else ""
    return f"all {'rose' if alike.extent.cents > 0 else 'fell'}{change} alike"


def extent_text(extent: Extent | None, *, interval: bool = True) -> str:
    """Return how far a mode moved, such as ``-42.1 c (-43.0 to -41.2)``; empty if it is not known."""
    if extent is None:
        return ""
    return change_text(extent.cents, extent.low, extent.high, 1, "c", interval=interval)


def _directed(verdict: Verdict | Literal[""], change: str) -> str:
    """Return a change that goes up or down, without its sign; empty if it does neither."""
    way = verdict.removesuffix("?")
    if not change or way not in ("up", "down"):
        return ""
    return f"{'probably ' if verdict.endswith('?') else ''}{way} {change.lstrip('+-')}"


def more_taps_text(drift: Drift) -> str:
    """Return what would decide an open verdict, such as ``about 5 more taps would settle it``; empty for others.

    Taps come first, because they are less work than a set-up. Neither may help: the stage before is past.
    """
    if drift.verdict not in ("unclear", "up?", "down?") or drift.extent is None:
        return ""
    more = more_text(drift, "more ")
    return f"about {more} would settle it" if more else "more taps or set-ups are not likely to settle it"


def more_text(drift: Drift, more: str = "") -> str:
    """Return how many more taps, or else set-ups, would decide a verdict, such as ``5 taps``; empty if not known."""
    for count, name in ((drift.more_taps, "tap"), (drift.more_setups, "set-up")):
        if count is not None:
            return f"{count} {more}{name}{'' if count == 1 else 's'}"
    return ""


def since_first_text(drift: Drift, first_shown: str) -> str:
    """Return how far a mode moved since it was first heard, such as ``since 01-closed: up 34.1 c``.

    Its interval is added. Empty if that is the stage before, or not known.
    """
    if not drift.first_verdict or drift.first_stage == drift.from_stage:
        return ""
    change = extent_text(drift.first_extent)
    moved = _directed(drift.first_verdict, change) or f"{VERDICTS[drift.first_verdict]}, {change}"
    if drift.first_moved in _BESIDE and drift.first_verdict.removesuffix("?") in ("up", "down"):
        moved += _BESIDE[drift.first_moved]
    return f"since {first_shown}: {moved}" if change else ""


def moved_cell(drift: Drift) -> str:
    """Return a move in a few letters for a table cell, such as ``down 42.1 c``, ``up 4 c ?``, ``cannot tell``."""
    way = drift.verdict.removesuffix("?")
    moved = _directed(way, extent_text(drift.extent, interval=False))  # type: ignore[arg-type]
    moved += " ?" if moved and way != drift.verdict else ""
    return moved or (VERDICTS[drift.verdict] if drift.verdict in ("steady", "unclear") else drift.verdict)


def rings_limit(drift: Drift) -> str:
    """Return why a mode must not be called longer or shorter, such as ``no point in common``; else empty.

    What forbids it is decided in :func:`tapbatch.model.caution.forbids_verdict`.
    """
    return no_verdict_text(forbids_verdict(drift.cautions))


def rings_text(drift: Drift) -> str:
    """Return whether a mode rings longer than before, such as ``longer by 12 % (+5 to +20)``; empty if not known.

    It is ``probably longer`` if that may be chance among so many modes.

    If something forbids a verdict (:func:`rings_limit`), only by how much: ``no verdict, -12 % (-13 to -11)``.
    """
    low, high = drift.t60_low_pct, drift.t60_high_pct
    change = change_text(drift.t60_change_pct, low, high, 0, "%")
    if not change or low is None or high is None:
        return ""
    if forbids_verdict(drift.cautions) is not None:
        return f"no verdict, {change}"
    if -JUST_NOTICED_PCT <= low <= high <= JUST_NOTICED_PCT:
        return f"as long as before, {change}"
    if low > 0 or high < 0:
        probably = "" if is_firm(drift.t60_chance) else "probably "
        return f"{probably}{'longer' if low > 0 else 'shorter'} by {change.lstrip('+-')}"
    return f"cannot tell, {change}"
