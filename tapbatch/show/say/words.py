"""The words and figures of a reading: the note, how far off it is, how sure, what moved, and what the flags mean.

Conventions: cents are signed and written with a plain ``-`` or ``+``. A half-width is that of a 95 % interval. The
number of digits follows the uncertainty, by the rule of the Particle Data Group (Review of Particle Physics,
Introduction, "Rounding"): three leading digits from 100 to 354 keep two, 355 to 949 keep one, and 950 to 999 are
rounded to 1000 and keep two. Cents are given to a tenth at most: the best listeners tell 1.7 cents apart near 1 kHz.
"""

from __future__ import annotations

import math
from typing import Literal

from tapbatch.model.caution import forbids_verdict
from tapbatch.model.history import Drift, Extent, Moved, Stage, StageMode, Verdict
from tapbatch.show.say.cautions import no_verdict_text

Sureness = Literal["sure", "fairly sure", "unsure"]

# ISO 3382-1:2009, Table A.1: a listener just notices a change of 5 % in a decay.
JUST_NOTICED_PCT = 5.0

FLAGS: dict[str, str] = {
    "string": "rings longer than wood can: an open string, or a piece of one; damp the strings and their ends",
    "hum": "lies on the mains hum or one of its harmonics: record elsewhere, or on battery, before you trust it",
    "unresolved": "a strong line whose decay the fit could not tell: only its frequency and level are known",
    "pair?": "may be two close resonances, or one counted twice: its frequency may be off to either side",
    "not-exponential": "does not decay evenly (a coupled pair, the room, the hold): take T60 as a rough figure",
    "few-taps": "seen in too few taps to know how well it repeats: tap at least five times",
    "one-setup": "from one set-up: record a stage again to learn how much setting up again moves it",
    "glides": "its frequency shifts during the decay (a loose part, a coupled pair): take the note as a rough one",
    "by-amplitude": "damping or pitch depends on how hard it swings: frequency and T60 are those of small amplitude",
    "gain": "the recorder changed its gain during the tap: T60 may be off by a factor of three; record again without",
    "identity?": "may be a neighbour of the mode that had its name before, so no verdict: look at both",
    "recordings-differ": "the recordings of this stage disagree: was wood taken off in between?",
    "wide": "the interval is wide: record more taps, with the phone closer, or in a quieter room",
    "floor": "too little of it stands above the noise or before the next sound: tap harder or wait longer",
    "band-too-narrow": "decays too fast to be measured in so narrow a band: use the whole sound, or the modes",
    "empty-band": "no mode rings in this band: what is heard spills over from a neighbouring band",
}

VERDICTS: dict[Verdict, str] = {
    "up": "moved up",
    "up?": "probably up",
    "down": "moved down",
    "down?": "probably down",
    "steady": "stood still",
    "unclear": "cannot tell",
    "new": "new here",
    "gone": "no longer heard",
    "unheard": "not heard, may be there",
}

MOVED: dict[Moved | Literal[""], str] = {"own": "beside the others", "all": "all alike", "whole": "in all", "": ""}
"""What a figure of a move is about, in a column of its own."""

FIVE_PER_CENT = (
    "A listener just notices a change of 5 % in the early decay of a room (ISO 3382-1:2009, table A.1); no standard "
    "gives a figure for instruments."
)
NO_LOUDNESS = (
    "Loudness is not compared: a phone's level is not calibrated, and it depends on gain, distance and the blow. The "
    "balance does not depend on these, but it does on the hardness of the mallet."
)

# These make a reading doubtful however narrow its interval. `one-setup` does not: it only says what was not tried.
DOUBTS = frozenset(FLAGS) - {"one-setup"}


def leading_decimals(uncertainty: float) -> int:
    """Return how many decimals an uncertainty calls for, negative for tens and more.

    One that is not finite and above zero raises a ``ValueError``.

    Examples
    --------
    >>> leading_decimals(0.119), leading_decimals(0.367), leading_decimals(0.0963), leading_decimals(12.3)
    (2, 1, 2, 0)
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        msg = f"an uncertainty is finite and above zero, not {uncertainty}"
        raise ValueError(msg)
    exponent, leading = _leading_digits(uncertainty)
    # Up to 354 keeps two digits. 950 to 999 become 1000, whose second digit is in the place of the one digit of 949.
    return (1 if leading <= 354 else 0) - exponent


def _leading_digits(uncertainty: float) -> tuple[int, int]:
    exponent = math.floor(math.log10(uncertainty))
    return exponent, round(uncertainty / 10.0 ** (exponent - 2))


def value_and_half_width(value: float, half_width: float, most_decimals: int = 9) -> tuple[str, str]:
    """Return a value and the half-width of its interval as text, with the digits that the half-width calls for.

    Both are in one unit. The text of a half-width that is zero or not finite is empty; one that is below the last of
    ``most_decimals`` becomes one unit of that place.

    Examples
    --------
    >>> value_and_half_width(0.827, 0.119)
    ('0.83', '0.12')
    >>> value_and_half_width(0.827, 0.367)
    ('0.8', '0.4')
    >>> value_and_half_width(234.7654, 0.0021, most_decimals=1)
    ('234.8', '0.1')
    """
    if not (math.isfinite(half_width) and half_width > 0):
        return f"{value:z.{min(most_decimals, 2)}f}", ""
    decimals = min(leading_decimals(half_width), most_decimals)
    exponent, leading = _leading_digits(half_width)
    half_width = 10.0 ** (exponent + 1) if leading >= 950 else half_width
    said = max(half_width, 10.0**-decimals) if decimals == most_decimals else half_width
    places = max(decimals, 0)
    return f"{round(value, decimals):z.{places}f}", f"{round(said, decimals):.{places}f}"


def signed(text: str) -> str:
    """Return a number with a plus in front if it is above zero.

    Examples
    --------
    >>> signed("12"), signed("-3"), signed("0.0")
    ('+12', '-3', '0.0')
    """
    return f"+{text}" if float(text) > 0 else text


def half_cents(mode: StageMode) -> float:
    """Return the half-width of the interval of a mode's frequency as it lies, in cents; NaN where it is not known."""
    low, high = mode.freq_low_hz, mode.freq_high_hz
    if not (math.isfinite(low) and math.isfinite(high) and 0 < low <= high):
        return math.nan
    return 600.0 * math.log2(high / low)


def cents_text(mode: StageMode, unit: str = "c") -> str:
    """Return how far a mode is from its note, such as ``+12.3 c``."""
    return _cents(mode, mode.cents, unit)


def _cents(mode: StageMode, cents: float, unit: str = "c") -> str:
    return f"{signed(value_and_half_width(cents, half_cents(mode), 1)[0])} {unit}"


def note_text(mode: StageMode) -> str:
    """Return the note of a mode and how far off it is, such as ``A#3 +12.3 c``."""
    return f"{mode.note} {cents_text(mode)}"


def playing_text(mode: StageMode, stage: Stage) -> str:
    """Return a mode's note at the pitch the instrument is played at, such as ``C4 +45.3 c at 431 Hz``; else empty."""
    note = played_note_text(mode)
    return f"{note} at {stage.playing_pitch_hz:g} Hz" if note and stage.playing_pitch_hz is not None else ""


def played_note_text(mode: StageMode) -> str:
    """Return a mode's note at the pitch the instrument is played at, such as ``C4 +45.3 c``; empty if not known."""
    return "" if mode.playing_cents is None else f"{mode.playing_note} {_cents(mode, mode.playing_cents)}"


def sure_text(mode: StageMode, unit: str = "c") -> str:
    """Return how sure the pitch of a mode is, such as ``± 0.4 c``; ``± ?`` if that is not known.

    It is that of an instrument set up anew; only where nothing is compared, that of the instrument as it lies.
    """
    return _sure(mode, sure_cents(mode), unit)


def sure_cents(mode: StageMode) -> float:
    """Return the half-width that :func:`sure_text` shows, in cents; NaN where it is not known."""
    return _half_anew_cents(mode) or half_cents(mode)


def sure_in_full(mode: StageMode) -> str:
    """Return how sure the pitch of a mode is, set up anew and untouched, such as ``± 4 c (untouched ± 0.9 c)``."""
    untouched = "" if _half_anew_cents(mode) is None else f" (untouched {untouched_text(mode)})"
    return sure_text(mode) + untouched


def untouched_text(mode: StageMode) -> str:
    """Return how sure the pitch of a mode is as the instrument lies, such as ``± 0.9 c``; ``± ?`` if not known."""
    return _sure(mode, half_cents(mode))


def _sure(mode: StageMode, half: float, unit: str = "c") -> str:
    said = value_and_half_width(mode.cents, half, 1)[1]
    return f"± {said} {unit}" if said else "± ?"


def _half_anew_cents(mode: StageMode) -> float | None:
    low, high = mode.freq_anew_low_hz, mode.freq_anew_high_hz
    return None if low is None or high is None or low <= 0 else 600.0 * math.log2(high / low)


def hz_text(mode: StageMode) -> str:
    """Return the frequency of a mode in hertz, such as ``234.77``, with the digits that its interval calls for."""
    return value_and_half_width(mode.freq_hz, (mode.freq_high_hz - mode.freq_low_hz) / 2, 2)[0]


def seconds_text(value_s: float | None, low_s: float | None, high_s: float | None) -> str:
    """Return a decay with its interval: ``0.352 ± 0.012``, or ``0.35 (0.2 to 0.6)`` if the interval is lopsided.

    Examples
    --------
    >>> seconds_text(0.3524, 0.340, 0.364), seconds_text(0.35, 0.21, 0.58), seconds_text(0.35, None, None)
    ('0.352 ± 0.012', '0.35 (0.21 to 0.58)', '0.35')
    """
    if value_s is None or not math.isfinite(value_s):
        return ""
    if low_s is None or high_s is None or not (math.isfinite(low_s) and math.isfinite(high_s) and low_s < high_s):
        return f"{value_s:.2f}"
    half_s = (high_s - low_s) / 2
    # An interval of a logarithm is close enough to symmetric for a plus-minus if it spans less than a factor of 1.5.
    if low_s > 0 and high_s / low_s < 1.5:
        return " ± ".join(value_and_half_width(value_s, half_s, 3))
    decimals = min(max(leading_decimals(half_s), 0), 2)
    return f"{value_s:.2f} ({low_s:.{decimals}f} to {high_s:.{decimals}f})"


def t60_text(mode: StageMode) -> str:
    """Return how long a mode rings, in seconds, such as ``0.352 ± 0.012``."""
    return seconds_text(mode.t60_s, mode.t60_low_s, mode.t60_high_s)


def how_sure(mode: StageMode, steady_cents: float) -> Sureness:
    """Return whether a pitch can be trusted, in a shop that counts a move within ``steady_cents`` as none.

    *Sure*: the half-width is at most ``steady_cents`` and no flag casts doubt. *Unsure*: a flag casts doubt, or the
    half-width is over four times that, or not known. *Fairly sure*: in between.
    """
    half = half_cents(mode)
    if DOUBTS.intersection(mode.flags) or not half <= 4 * steady_cents:
        return "unsure"
    return "sure" if half <= steady_cents else "fairly sure"


def is_unsure(mode: StageMode, steady_cents: float) -> bool:
    """Tell whether a reading is too doubtful to stand beside the others as if it were sure."""
    return how_sure(mode, steady_cents) == "unsure"


def explain(flag: str) -> str:
    """Return a flag with its explanation; one that has none here is returned as it is.

    Examples
    --------
    >>> explain("few-taps")
    'few-taps: seen in too few taps to know how well it repeats: tap at least five times'
    """
    return f"{flag}: {FLAGS[flag]}" if flag in FLAGS else flag


def moved_text(drift: Drift) -> str:
    """Return how far a mode moved, such as ``down 42.1 c (-43.0 to -41.2), beside the others``.

    The figures are those of the move that the verdict rests on; without any, it is the verdict alone. If nobody can
    tell whether the mode moved or the others did, it reads ``parted from the others by +39 c (+32 to +42)``.
    """
    change = extent_text(drift.extent)
    moved = _directed(drift.verdict, change)
    if drift.parted and change:
        return f"parted from the others by {change}" + _as_read(drift)
    if moved:
        return moved + _BESIDE.get(drift.moved, "") + _as_read(drift)
    verdict = VERDICTS[drift.verdict] + (" beside the others" if drift.verdict == "steady" else "")
    return ", ".join(filter(None, (verdict, change)))


_ANOTHER_CENTS = 1.5
_BESIDE = {"own": ", beside the others", "all": ", like the others"}


def _as_read(drift: Drift) -> str:
    """Return how far the reading itself moved, such as ``, as read +58 c``, if that is another figure; else empty."""
    if drift.extent is None or drift.freq_change_cents is None:
        return ""
    if abs(drift.freq_change_cents - drift.extent.cents) < _ANOTHER_CENTS:
        return ""
    return f", as read {drift.freq_change_cents:+z.0f} c"


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
    """Return what would decide an open verdict, such as ``about 5 more taps would tell``; empty for other verdicts.

    Taps come first, because they are less work than a set-up. Neither may help: the stage before is past.
    """
    if drift.verdict not in ("unclear", "up?", "down?") or drift.extent is None:
        return ""
    more = more_text(drift, "more ")
    return f"about {more} would tell" if more else "more taps or set-ups are not likely to tell"


def more_text(drift: Drift, more: str = "") -> str:
    """Return how many more taps, or else set-ups, would decide a verdict, such as ``5 taps``; empty if not known."""
    for count, name in ((drift.more_taps, "tap"), (drift.more_setups, "set-up")):
        if count is not None:
            return f"{count} {more}{name}{'' if count == 1 else 's'}"
    return ""


def since_first_text(drift: Drift, first_shown: str) -> str:
    """Return how far a mode moved since it was first heard, such as ``up 34.1 c (+33.0 to +35.2) since 01-closed``.

    Empty if that is the stage before, or not known.
    """
    if not drift.first_verdict or drift.first_stage == drift.from_stage:
        return ""
    change = extent_text(drift.first_extent)
    moved = _directed(drift.first_verdict, change) or f"{VERDICTS[drift.first_verdict]}, {change},"
    return f"{moved} since {first_shown}" if change else ""


def moved_cell(drift: Drift) -> str:
    """Return a move in a few letters for a table cell, such as ``down 42.1 c``, ``up 4 c ?``, ``cannot tell``."""
    way = drift.verdict.removesuffix("?")
    moved = _directed(way, extent_text(drift.extent, interval=False))  # type: ignore[arg-type]
    moved += " ?" if moved and way != drift.verdict else ""
    return moved or {"steady": "steady", "unclear": "cannot tell"}.get(drift.verdict, drift.verdict)


def rings_limit(drift: Drift) -> str:
    """Return why a mode must not be called longer or shorter, such as ``no point in common``; else empty.

    What forbids it is decided in :func:`tapbatch.model.caution.forbids_verdict`.
    """
    return no_verdict_text(forbids_verdict(drift.cautions))


def rings_text(drift: Drift) -> str:
    """Return whether a mode rings longer than before, such as ``longer by 12 % (+5 to +20)``; empty if not known.

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
        return f"{'longer' if low > 0 else 'shorter'} by {change.lstrip('+-')}"
    return f"cannot tell, {change}"


def change_text(
    change: float | None, low: float | None, high: float | None, most: int, unit: str = "", *, interval: bool = True
) -> str:
    """Return a change, to ``most`` decimals, and its interval, such as ``-42.1 c (-43.0 to -41.2)``; else empty.

    The bounds of an interval without zero are never rounded to zero.

    Examples
    --------
    >>> change_text(-42.13, -43.04, -41.22, 1), change_text(None, None, None, 1, "c")
    ('-42.1 (-43.0 to -41.2)', '')
    >>> change_text(-42.13, -43.04, -41.22, 1, "c", interval=False)
    '-42.1 c'
    >>> change_text(6.81, 0.36, 13.2, 1, "c")
    '+7 c (+0.4 to +13)'
    """
    if change is None or low is None or high is None or not all(map(math.isfinite, (change, low, high))):
        return ""
    places = min(max(leading_decimals((high - low) / 2), 0), most) if high > low else most
    said = f"{change:+z.{places}f} {unit}".rstrip()
    most_of_bound = places if low <= 0 <= high else 6
    bounds = (_bound(bound, places, most_of_bound) for bound in (low, high))
    return f"{said} ({' to '.join(bounds)})" if interval else said


def _bound(bound: float, places: int, most: int) -> str:
    """Return a bound with ``places`` decimals; with more, up to ``most``, if those would make it zero."""
    text = f"{bound:+z.{places}f}"
    while float(text) == 0.0 and places < most:
        places += 1
        text = f"{bound:+z.{places}f}"
    return text


def shown(text: str) -> str:
    r"""Return text from a file name or a note without anything that could control a terminal or break a line.

    Examples
    --------
    >>> shown("top\x1b[31m.wav")
    'top�[31m.wav'
    """
    return "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.split()))
