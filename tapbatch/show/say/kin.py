"""What is said of the instruments of a family side by side: their stages, their notes, and how far they are apart.

Conventions: cents and their 95 % intervals, of modes set up anew; notes are those of the present stage.
"""

from __future__ import annotations

from tapbatch.model.kin import KinReading, KinStage, SideBySide
from tapbatch.model.names import is_label
from tapbatch.model.pitch import hz_to_note
from tapbatch.show.say.figures import signed, value_and_half_width

NOT_HEARD = "-"


def note_and_cents(side: SideBySide, freq_hz: float) -> tuple[str, float]:
    """Return the note nearest to a frequency, and the distance from it in cents, as the present stage has them."""
    return hz_to_note(freq_hz, side.concert_pitch_hz, side.spelling)


def place_text(side: SideBySide, reading: KinReading | None) -> str:
    """Return where a mode lies on one instrument, such as ``A3 -2 ± 4 c``; ``-`` where it was not heard."""
    if reading is None:
        return NOT_HEARD
    note, cents = note_and_cents(side, reading.freq_hz)
    return f"{note} {_cents_text(cents, reading.half_cents)}"


def apart_text(reading: KinReading | None) -> str:
    """Return how far a mode lies above or below the present one, such as ``+18 ± 6 c``; empty of that one itself.

    Examples
    --------
    >>> apart_text(KinReading(220.0, 4.0, 17.9, 5.7)), apart_text(KinReading(220.0, 4.0)), apart_text(None)
    ('+18 ± 6 c', '', '')
    """
    if reading is None or reading.apart_cents is None or reading.apart_half_cents is None:
        return ""
    return _cents_text(reading.apart_cents, reading.apart_half_cents)


def _cents_text(cents: float, half_cents: float) -> str:
    value, half = value_and_half_width(cents, half_cents, 1)
    return f"{signed(value)} ± {half or '?'} c"


def stage_text(stage: KinStage) -> str:
    """Return which stage of an instrument stands there, with its day and opening where they are known.

    Examples
    --------
    >>> stage_text(KinStage(instrument="c", instrument_shown="C", family="lute", part="body", state="", modes=(),
    ...            same="voicing", stage_shown="06-voicing step 4", when="2023-04-22T13:37:40", opening_mm2=1001.0))
    '06-voicing step 4, 2023-04-22, opening 1001 mm2'
    """
    opening = "" if stage.opening_mm2 is None else f"opening {stage.opening_mm2:g} mm2"
    return ", ".join(filter(None, (stage.stage_shown, stage.when[:10], opening)))


def row_name(side: SideBySide, mode: str) -> str:
    """Return what heads a row: the label of a mode, else its note on the first instrument that has it."""
    if is_label(mode):
        return mode
    row = next(row for row in side.rows if row.mode == mode)
    here = row.readings[side.present] or next(filter(None, row.readings))
    return note_and_cents(side, here.freq_hz)[0]


def by_note_text(side: SideBySide) -> str:
    """Return which modes are taken for the same by nearness of note; empty where all are by label."""
    names = [row_name(side, row.mode) for row in side.rows if row.by_note]
    return f"Taken for the same by nearness of note, not by label: {', '.join(names)}." if names else ""


def apart_means(side: SideBySide) -> str:
    """Return what the second line of a row says."""
    here = side.stages[side.present].instrument_shown
    return f"Second lines: how far above (+) or below (-) {here} it lies. ±: 95 %, put down and set up anew."
