"""What the phone's page says: cautions, questions, what a refused request did wrong, and how full the disk is.

Conventions: whole lines for the person at the bench, in plain words. A caution is one line, the one that the step at
hand calls for. Errors keep their words; what only a command line knows is said as a phone's user does it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from tapbatch.compare.cuts import WHAT_CURES
from tapbatch.model.bench_log import OnBench
from tapbatch.model.errors import TapbatchError
from tapbatch.model.names import identity

CUT = (
    "Before you cut: clamp the work, keep both hands behind the edge, guard your eyes; extract the dust and wear a "
    "mask that fits."
)
STRINGS = (
    "Strings are under tension: keep your face out of their line, damp them to tap, slacken them before you cut."
)
TUNE = "A string that breaks whips: keep your face out of its line, turn slowly, stay below the pitch it is made for."
CURE = "Varnish and glue: air the room, keep flames away, follow the data sheet; handle and tap only what has cured."
RESTORE = "Old varnish, cracks and edges: do not tap there. Carry with two hands, and only once all glue has cured."

WHY_RESETS = "It tells how far a reading moves when nothing was cut, so that smaller moves can be trusted."
WHY_SPOT = "Another place in the room shows which part of the reading is the room's and not the instrument's."

_CURES = re.compile(rf"(?:^|[^a-z])(?:{WHAT_CURES})", re.IGNORECASE)
_RESTORES = re.compile(r"restor|repair|crack|old\b", re.IGNORECASE)

_VERBS = ("is", "has", "holds", "cannot", "would", "may", "was", "changes")
"""With these, what was found goes on from where it was found."""

_ON_A_PHONE = {
    "--on": "what you work on",
    "--next": "the next step",
    "now": "the place",
}


def caution_lines(bench: OnBench | None, work: str = "") -> list[str]:
    """Return the caution that the step at hand calls for, in one line; none if nothing is at hand.

    Parameters
    ----------
    bench
        What is on the bench.
    work
        What is done, as the notes of the stage say; default not known.

    Examples
    --------
    >>> caution_lines(OnBench(instrument="lute-3", stage="08-strung", words=("strung",))) == [STRINGS]
    True
    """
    if bench is None:
        return []
    words, said = {identity(word) for word in bench.words}, f"{work} {bench.stage}"
    if "pluck" in words:
        return [TUNE]
    if "strung" in words or "strung" in identity(bench.stage):
        return [STRINGS]
    if _CURES.search(said):
        return [CURE]
    return [RESTORE] if _RESTORES.search(said) else [CUT]


def setups_text(taps: Sequence[int], *, resets: bool) -> str:
    """Say how many set-ups a recording has, by its pauses.

    Parameters
    ----------
    taps
        How many taps each stretch between pauses has.
    resets
        Whether the recording is said to have been set up anew in each pause.

    Examples
    --------
    >>> setups_text([3, 3, 3], resets=True), setups_text([5], resets=False)
    ('3 set-ups: 3, 3, 3 taps: right?', '5 taps without a pause of 5 seconds: one set-up')
    """
    count = sum(taps)
    if len(taps) < 2:
        return f"{count} tap{'' if count == 1 else 's'} without a pause of 5 seconds: one set-up"
    listed = ", ".join(map(str, taps))
    return f"{len(taps)} set-ups: {listed} taps: right?" if resets else f"{len(taps)} groups: {listed} taps"


def place_text(bench: OnBench) -> str:
    """Return a place as it is said, such as ``cittern-12, 06-voicing step 3``.

    Examples
    --------
    >>> place_text(OnBench(instrument="cittern-12", stage="06-voicing", words=("closed",), step=3))
    'cittern-12, 06-voicing step 3, closed'
    """
    stage = f"{bench.stage} step {bench.step}" if bench.step else bench.stage
    return ", ".join((bench.instrument, stage, *bench.words))


def full_text(room_bytes: int, least_bytes: int) -> str:
    """Say that the disk is nearly full; empty where it is not.

    Examples
    --------
    >>> full_text(120_000_000, 500_000_000)
    'the disk of this shop is nearly full: 120 MB are left; make room before you send'
    """
    if room_bytes >= least_bytes:
        return ""
    return f"the disk of this shop is nearly full: {size_text(room_bytes)} are left; make room before you send"


def size_text(size: float) -> str:
    """Return a number of bytes in megabytes or gigabytes.

    Examples
    --------
    >>> size_text(1_500_000), size_text(200_000_000), size_text(2e9)
    ('1.5 MB', '200 MB', '2 GB')
    """
    for unit, name in ((1e9, "GB"), (1e6, "MB")):
        if size >= unit:
            return f"{size / unit:.3g} {name}"
    return f"{size / 1e3:.3g} kB"


def refused_text(error: TapbatchError) -> tuple[str, str]:
    """Return what was wrong and what to do about it, as the page says it.

    Examples
    --------
    >>> from tapbatch.model.errors import ShopError
    >>> refused_text(ShopError("--next", "step 3 has no recording yet", "record it first"))
    ('the next step: step 3 has no recording yet', 'record it first')
    """
    where = _ON_A_PHONE.get(error.where, error.where)
    joined = where if error.what.partition(" ")[0] in _VERBS else f"{where}:"
    remedy = re.sub(r",? or add --new if it is a new one", ", or say that it is new", error.remedy)
    return " ".join(f"{joined} {error.what}".split()), " ".join(remedy.split())
