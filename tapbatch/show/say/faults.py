"""The words of faults: what went wrong, what it cost, and what to do about it, in one line each.

Conventions: a line reads ``what: remedy`` and fits 80 columns behind two spaces. Every face shows the strongest fault
first and takes its words from here.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.compare.faults import Fault, FaultKind

REMEDIES: dict[FaultKind, str] = {
    "strings rang": "damp them and tap again",
    "bounced": "lift it at once and tap again",
    "talk": "wait for quiet and tap again",
    "noise": "tap harder or in a quieter room",
    "gain": "turn it off, record again",
    "mostly room": "go to 5-10 cm and tap again",
    "clipped": "tap softer or move the phone away",
    "some room": "go to 5 cm, or tap at three places",
    "one set-up": "put it down, set it up anew, tap again",
}
"""What to do about a fault."""


def fault_text(fault: Fault) -> str:
    """Return a fault in one line, with its remedy.

    Examples
    --------
    >>> fault_text(Fault(kind="bounced", count=2, total=6, lost=1))
    'the mallet bounced, 1 of 6 taps lost: lift it at once and tap again'
    >>> fault_text(Fault(kind="mostly room", count=1, total=1, room_pct=24.0))
    'too far away, 24 % of it is room: go to 5-10 cm and tap again'
    """
    return f"{what_text(fault)}: {REMEDIES[fault.kind]}"


def what_text(fault: Fault) -> str:
    """Return what went wrong and what it cost, such as ``strings rang, 3 of their tones heard``.

    Examples
    --------
    >>> what_text(Fault(kind="gain", count=1, total=3)), what_text(Fault(kind="one set-up"))
    ('automatic gain, no ringing time in 1 of 3 files', 'one set-up only')
    """
    match fault.kind:
        case "strings rang":
            return "strings rang" if fault.count == 1 else f"strings rang, {fault.count} of their tones heard"
        case "bounced":
            hit = (fault.lost, "lost") if fault.lost else (fault.count, "cut short")
            return f"the mallet bounced, {hit[0]} of {_count(fault.total, 'tap')} {hit[1]}"
        case "talk":
            if not fault.count:
                return "so many knocks that it may be talk or work"
            return f"talk or noise, {fault.count} of {_count(fault.total, 'knock')} not used"
        case "noise":
            return f"noise makes the ± {fault.half_cents or 0.0:.0f} c"
        case "gain":
            return f"automatic gain, no ringing time{_files(fault, ' in')}"
        case "mostly room" | "some room":
            return "too far away" if fault.room_pct is None else f"too far away, {fault.room_pct:.0f} % of it is room"
        case "clipped":
            return f"too loud for the recorder{_files(fault, ' in')}"
        case "one set-up":
            return "one set-up only"


def fault_lines(faults: Sequence[Fault]) -> list[str]:
    """Return faults as lines, the strongest first as it came.

    Examples
    --------
    >>> fault_lines([Fault(kind="clipped", count=1, total=1)])
    ['too loud for the recorder: tap softer or move the phone away']
    """
    return [fault_text(fault) for fault in faults]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _files(fault: Fault, of: str) -> str:
    return "" if fault.total == 1 else f"{of} {fault.count} of {fault.total} files"
