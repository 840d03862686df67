"""How a reading is said to a person: the note, how far off, how sure, what moved, and what to make of it.

Conventions: cents are signed and written with a plain ``-`` and ``+``; half-widths are those of 95 % intervals.
Digits follow the uncertainty by the rule of the Particle Data Group (Review of Particle Physics, Introduction,
"Rounding"): of its three leading digits, 100 to 354 keep two, 355 to 949 keep one, 950 to 999 become 1000 and keep
two. Cents are never said finer than a tenth: the best listeners tell 1.7 cents apart near 1 kHz.
"""

from __future__ import annotations

import math
from typing import Literal

from tapbatch.model.caution import forbids_verdict
from tapbatch.model.history import Drift, Stage, StageMode, Verdict
from tapbatch.show.say.cautions import no_verdict_text

Sureness = Literal["sure", "fairly sure", "unsure"]

# ISO 3382-1:2009, Table A.1: a listener just notices a change of 5 % in a decay.
JUST_NOTICED_PCT = 5.0

FLAGS: dict[str, str] = {
    "string": "rings longer than wood can, as an open string or a piece of one does: damp strings and their ends",
    "hum": "lies on the mains hum or a harmonic of it: do not trust it until heard elsewhere or on battery",
    "pair?": "may be two resonances too close to tell apart, or one taken for two: each may lie to either side",
    "not-exponential": "does not die away evenly (a coupled pair, the room, the hold): take T60 as a rough figure",
    "few-taps": "seen in too few taps to know how well it repeats: tap at least five times",
    "one-setup": "from one set-up: how much it moves when set up again is not known until a stage is recorded again",
    "glides": "its frequency shifts while it dies away (a loose part, a coupled pair): take the note as a rough one",
    "identity?": "may have changed names with a neighbour since the stage before: look at both",
    "recordings-differ": "the recordings of this stage disagree: was wood taken off in between?",
    "wide": "the interval is wide: tap more often, closer, or in a quieter room",
    "floor": "too little of it above the noise, or before the next sound: tap harder or wait longer",
    "band-too-narrow": "dies away too fast to be measured in so narrow a band: use the whole, or the modes",
    "empty-band": "nothing of its own rings here, only the skirt of a neighbouring band",
}

VERDICTS: dict[Verdict, str] = {
    "up": "moved up",
    "down": "moved down",
    "steady": "held steady",
    "unclear": "cannot tell",
    "new": "new here",
    "gone": "no longer heard",
}

FIVE_PER_CENT = (
    "5 % is what a listener just notices in the early decay of rooms (ISO 3382-1:2009, table A.1); for instruments "
    "no standard gives a figure."
)
NO_LOUDNESS = (
    "Loudness is not compared: a phone's level is not calibrated, and its gain, its distance and the blow all enter. "
    "The balance is free of these, not of the hardness of the mallet."
)

# These make a reading doubtful whatever its interval says; `one-setup` bounds what is claimed and is said beside it.
DOUBTS = frozenset(FLAGS) - {"one-setup"}


def leading_decimals(uncertainty: float) -> int:
    """Return the decimals that an uncertainty deserves; negative for tens and more.

    Raises
    ------
    ValueError
        Where the uncertainty is not finite and above zero.

    Examples
    --------
    >>> leading_decimals(0.119), leading_decimals(0.367), leading_decimals(0.0963), leading_decimals(12.3)
    (2, 1, 2, 0)
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        msg = f"an uncertainty is finite and above zero, not {uncertainty}"
        raise ValueError(msg)
    exponent, leading = _leading_digits(uncertainty)
    # 354 is the last to keep two digits; 950 to 999 become 1000, whose two digits end where the one of 949 does.
    return (1 if leading <= 354 else 0) - exponent


def _leading_digits(uncertainty: float) -> tuple[int, int]:
    exponent = math.floor(math.log10(uncertainty))
    return exponent, round(uncertainty / 10.0 ** (exponent - 2))


def value_and_half_width(value: float, half_width: float, most_decimals: int = 9) -> tuple[str, str]:
    """Say a value and the half-width of its interval with the digits that the half-width deserves.

    Parameters
    ----------
    value, half_width
        In the same unit; a half-width that is zero or not finite says nothing, and comes back empty.
    most_decimals
        No finer than this; a half-width below the last place is said as one unit of it.

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
    """Put a plus in front of a number above zero.

    Examples
    --------
    >>> signed("12"), signed("-3"), signed("0.0")
    ('+12', '-3', '0.0')
    """
    return f"+{text}" if float(text) > 0 else text


def half_cents(mode: StageMode) -> float:
    """Return the half-width of the interval of a mode's frequency in cents; NaN where it is not known."""
    low, high = mode.freq_low_hz, mode.freq_high_hz
    if not (math.isfinite(low) and math.isfinite(high) and 0 < low <= high):
        return math.nan
    return 600.0 * math.log2(high / low)


def cents_text(mode: StageMode) -> str:
    """Say how far a mode lies from its note, such as ``+12.3 c``."""
    return f"{signed(value_and_half_width(mode.cents, half_cents(mode), 1)[0])} c"


def note_text(mode: StageMode) -> str:
    """Say the note of a mode and how far off it is, such as ``A#3 +12.3 c``."""
    return f"{mode.note} {cents_text(mode)}"


def playing_text(mode: StageMode, stage: Stage) -> str:
    """Say a mode at the pitch at which the instrument is played, such as ``C4 +45.3 c at 431 Hz``; else nothing."""
    if mode.playing_cents is None or stage.playing_pitch_hz is None:
        return ""
    cents = signed(value_and_half_width(mode.playing_cents, half_cents(mode), 1)[0])
    return f"{mode.playing_note} {cents} c at {stage.playing_pitch_hz:g} Hz"


def sure_text(mode: StageMode) -> str:
    """Say how sure the pitch of a mode is, such as ``± 0.4 c``; ``± ?`` where that is not known."""
    half = value_and_half_width(mode.cents, half_cents(mode), 1)[1]
    return f"± {half} c" if half else "± ?"


def hz_text(mode: StageMode) -> str:
    """Say the frequency of a mode in hertz, such as ``234.77``, with the digits that its interval deserves."""
    return value_and_half_width(mode.freq_hz, (mode.freq_high_hz - mode.freq_low_hz) / 2, 2)[0]


def seconds_text(value_s: float | None, low_s: float | None, high_s: float | None) -> str:
    """Say a decay with its interval: ``0.352 ± 0.012``, or ``0.35 (0.2 to 0.6)`` where that is lopsided.

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
    # An interval on a logarithm is even enough for a plus-minus until it spans a factor of one and a half.
    if low_s > 0 and high_s / low_s < 1.5:
        return " ± ".join(value_and_half_width(value_s, half_s, 3))
    decimals = min(max(leading_decimals(half_s), 0), 2)
    return f"{value_s:.2f} ({low_s:.{decimals}f} to {high_s:.{decimals}f})"


def t60_text(mode: StageMode) -> str:
    """Say how long a mode rings, in seconds, such as ``0.352 ± 0.012``."""
    return seconds_text(mode.t60_s, mode.t60_low_s, mode.t60_high_s)


def mode_line(mode: StageMode) -> str:
    """Say a mode in one line: note, cents, how sure, hertz, T60.

    Examples
    --------
    >>> mode = StageMode(mode="r1", lead=True, freq_hz=234.765, freq_low_hz=234.71, freq_high_hz=234.82, note="A#3",
    ...                  cents=12.34, t60_s=0.3524, t60_low_s=0.340, t60_high_s=0.364, level_db=0.0, taps=5,
    ...                  within_cents=0.1, between_cents=0.3)
    >>> mode_line(mode)
    'A#3 +12.3 c, ± 0.4 c, 234.76 Hz, T60 0.352 ± 0.012 s'
    """
    rings = f", T60 {t60_text(mode)} s" if t60_text(mode) else ""
    return f"{note_text(mode)}, {sure_text(mode)}, {hz_text(mode)} Hz{rings}"


def how_sure(mode: StageMode, steady_cents: float) -> Sureness:
    """Say whether a pitch can be trusted, for a shop that takes ``steady_cents`` as no change.

    *Sure*: the interval is no wider to either side than that, and nothing casts doubt. *Unsure*: a flag casts doubt,
    or the interval is more than four times that wide, or not known. *Fairly sure*: in between.
    """
    half = half_cents(mode)
    if DOUBTS.intersection(mode.flags) or not half <= 4 * steady_cents:
        return "unsure"
    return "sure" if half <= steady_cents else "fairly sure"


def doubts(mode: StageMode, stage: Stage) -> list[str]:
    """Say in whole phrases what was noticed of a mode and its stage, each once, flag first."""
    return [explain(flag) for flag in dict.fromkeys((*mode.flags, *stage.flags))]


def explain(flag: str) -> str:
    """Say what a flag means; one that is not known here is said as it is.

    Examples
    --------
    >>> explain("few-taps")
    'few-taps: seen in too few taps to know how well it repeats: tap at least five times'
    """
    meaning = FLAGS.get(flag, "")
    return f"{flag}: {meaning}" if meaning else flag


def moved_text(drift: Drift) -> str:
    """Say how far a mode moved, such as ``down 42.1 c (-43.0 to -41.2)``; without a figure, the verdict alone."""
    text = change_text(drift.freq_change_cents, drift.cents_low, drift.cents_high, 1)
    if not text:
        return VERDICTS[drift.verdict]
    change, interval = text.split(" ", 1)
    if drift.verdict in ("up", "down"):
        return f"{drift.verdict} {change.lstrip('+-')} c {interval}"
    return f"{VERDICTS[drift.verdict]}, {change} c {interval}"


def more_taps_text(drift: Drift) -> str:
    """Say how many more taps would decide what is not clear, such as ``about 6 more taps would tell``; else nothing.

    Where no number would, the stage before has too few taps, or what setting up anew moves hides the rest.
    """
    if drift.verdict != "unclear":
        return ""
    if drift.more_taps is None:
        return "more taps alone would not tell"
    return f"about {drift.more_taps} more tap{'' if drift.more_taps == 1 else 's'} would tell"


def since_first_text(drift: Drift, first_shown: str) -> str:
    """Say how far a mode moved since it was first heard, such as ``up 34.1 c (+33.0 to +35.2) since 01-closed``.

    Empty where that is the stage before, or not known.
    """
    if not drift.first_verdict or drift.first_stage == drift.from_stage:
        return ""
    text = change_text(drift.first_change_cents, drift.first_cents_low, drift.first_cents_high, 1)
    if not text:
        return ""
    change, interval = text.split(" ", 1)
    if drift.first_verdict in ("up", "down"):
        return f"{drift.first_verdict} {change.lstrip('+-')} c {interval} since {first_shown}"
    return f"{VERDICTS[drift.first_verdict]}, {change} c {interval}, since {first_shown}"


def moved_cell(drift: Drift) -> str:
    """Say a move in the few letters of a table cell, such as ``down 42.1 c``, ``steady``, ``cannot tell``."""
    if drift.freq_change_cents is None or drift.verdict not in ("up", "down"):
        return {"steady": "steady", "unclear": "cannot tell"}.get(drift.verdict, drift.verdict)
    return moved_text(drift).split(" (")[0]


def rings_limit(drift: Drift) -> str:
    """Say what forbids a verdict on longer or shorter (:func:`tapbatch.model.caution.forbids_verdict`); else nothing.

    Another state, no point in common, or a single tap at one of the stages.
    """
    return no_verdict_text(forbids_verdict(drift.cautions))


def rings_text(drift: Drift) -> str:
    """Say whether a mode rings longer than before, such as ``longer by 12 % (+5 to +20)``; empty where not known.

    Where something forbids a verdict (:func:`rings_limit`), only by how much: ``no verdict, -12 % (-13 to -11)``.
    """
    low, high = drift.t60_low_pct, drift.t60_high_pct
    text = change_text(drift.t60_change_pct, low, high, 0)
    if not text or low is None or high is None:
        return ""
    change, interval = text.split(" ", 1)
    if forbids_verdict(drift.cautions) is not None:
        return f"no verdict, {change} % {interval}"
    if -JUST_NOTICED_PCT <= low <= high <= JUST_NOTICED_PCT:
        return f"as long as before, {change} % {interval}"
    if low > 0 or high < 0:
        return f"{'longer' if low > 0 else 'shorter'} by {change.lstrip('+-')} % {interval}"
    return f"cannot tell, {change} % {interval}"


def change_text(change: float | None, low: float | None, high: float | None, most_decimals: int) -> str:
    """Say a change with its interval, such as ``-42.1 (-43.0 to -41.2)``; empty where not known.

    Examples
    --------
    >>> change_text(-42.13, -43.04, -41.22, 1), change_text(None, None, None, 1)
    ('-42.1 (-43.0 to -41.2)', '')
    """
    if change is None or low is None or high is None or not all(map(math.isfinite, (change, low, high))):
        return ""
    places = _interval_decimals((high - low) / 2, most_decimals)
    return f"{change:+z.{places}f} ({low:+z.{places}f} to {high:+z.{places}f})"


def _interval_decimals(half_width: float, most: int) -> int:
    if not (math.isfinite(half_width) and half_width > 0):
        return most
    return min(max(leading_decimals(half_width), 0), most)


def shown(text: str) -> str:
    r"""Return text from a file name or a note with nothing in it that could steer a terminal or break a line.

    Examples
    --------
    >>> shown("top\x1b[31m.wav")
    'top�[31m.wav'
    """
    return "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.split()))
