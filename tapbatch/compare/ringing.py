"""Find strings that ring along with a tap: undamped open strings, and lengths of string behind the bridge or the nut.

Conventions: frequencies are in hertz, distances in cents. Strings are told from wood by how long they ring. The loss
factor of wood along the grain is 0.006 or more (a handbook figure, from memory), so nothing made of wood has a
quality factor over 170; a radiating body has 20 to 80, a string several hundred. Among the modes with a quality
factor of at least 150 and a T60 of at least 0.5 s, these count as strings:

- a mode at a partial of a known string, if another such mode fits the same series or if its quality factor is at
  least 300. The limit is 8 cents if the strings were plucked at this stage, otherwise 40, because strings slacken.
  The other partials of that string then only need a T60 of 0.5 s and a quality factor of 80, because a low
  fundamental rings for seconds with a quality factor no higher than that of wood;
- two modes with a ratio of 1:2, 1:3 or 2:3, allowing for the inharmonicity of a short stiff length of string;
- a mode with a quality factor of at least 400, even alone, because perhaps only the lowest partial of a length of
  string is in the band;
- a mode within 50 cents of a ``[[mode]]`` of kind ``"string"``, because the builder says so.

Only instruments whose settings name strings are checked, and not in states without strings, because a metal bar or a
bell rings as long. Half-damped gut or nylon is missed, because it decays as fast as wood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tapbatch.compare.open_strings import open_strings
from tapbatch.compare.order import Place
from tapbatch.compare.stage import TapAt
from tapbatch.model.pitch import note_to_hz
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings

UNSTRUNG = frozenset({"free", "rim", "clamped"})
LEAST_Q = 150.0
LEAST_T60_S = 0.5
MOST_T60_S = 20.0
SURE_Q = 300.0
ALONE_Q = 400.0
COMPANY_Q = 80.0
COMPANY_CENTS = 6.0
HEARD_CENTS = 8.0
SLACK_CENTS = 40.0
LABEL_CENTS = 50.0
_PARTIALS = 12
_STRETCH_CENTS = (-6.0, 30.0)
_MOST_STIFFNESS = 1e-3


@dataclass(frozen=True, slots=True)
class Known:
    """The frequency of a known string, in hertz, and how far from it a ringing mode may lie, in cents."""

    freq_hz: float
    within_cents: float


def known_strings(place: Place, settings: InstrumentSettings) -> tuple[Known, ...]:
    """Return the strings of an instrument at a place: at the pitch measured there, otherwise at the set note."""
    heard, _ = open_strings(place.heard, settings, place.concert_pitch_hz)
    plucked = {s.string: s for s in heard}
    known = []
    for number, string in enumerate(settings.strings, start=1):
        if number in plucked:
            apart = plucked[number].pair_cents or 0.0
            known.append(Known(plucked[number].freq_hz, HEARD_CENTS + apart / 2.0))
        else:
            known.append(Known(note_to_hz(string.note, place.concert_pitch_hz, settings.spelling), SLACK_CENTS))
    return tuple(known)


def flag_strings(taps: Sequence[TapAt], place: Place, settings: InstrumentSettings) -> tuple[TapAt, ...]:
    """Return the taps of a place with the flag ``string`` added to every mode that is a string.

    Examples
    --------
    >>> where = {"part": "body", "state": "free", "stage": "s", "stage_shown": "s", "order": 1}
    >>> place = Place(**where, concert_pitch_hz=440.0, heard=())
    >>> flag_strings([], place, InstrumentSettings())
    ()
    """
    labels = [m.near_hz for m in settings.mode if m.kind == "string" and m.part == place.part]
    if place.state in UNSTRUNG or not (settings.strings or labels):
        return tuple(taps)
    known = known_strings(place, settings)
    flagged = []
    for tap in taps:
        found = ringing(tap.modes, known) if settings.strings else set()
        found |= {i for i in _long(tap.modes) if any(_near(tap.modes[i], hz) for hz in labels)}
        modes = tuple(_with_flag(m) if i in found else m for i, m in enumerate(tap.modes))
        flagged.append(replace(tap, modes=modes) if found else tap)
    return tuple(flagged)


def ringing(modes: Sequence[Mode], known: Sequence[Known]) -> set[int]:
    """Return the indices of the modes of a tap that are strings.

    Parameters
    ----------
    modes : sequence of Mode
        All modes of one tap.
    known : sequence of Known
        The strings that may ring along. Lengths behind the bridge or the nut are found without being listed.
    """
    long = _long(modes)
    found = {i for i in long if modes[i].q >= ALONE_Q}
    for string in known:
        on_it = [i for i in long if _on_series(modes[i].freq_hz, string)]
        if len(on_it) > 1 or any(modes[i].q >= SURE_Q for i in on_it):
            found |= set(on_it) | _company(modes, string, modes[on_it[0]].freq_hz)
    for i in long:
        for j in long:
            if modes[j].freq_hz > modes[i].freq_hz and _in_series(modes[i].freq_hz, modes[j].freq_hz):
                found |= {i, j}
    return found


def _company(modes: Sequence[Mode], string: Known, freq_hz: float) -> set[int]:
    """Return the other partials of a string found by its partial at ``freq_hz``, with lower limits on their decay.

    A low fundamental rings for seconds and yet has no higher quality factor than wood.
    """
    heard = Known(freq_hz / max(round(freq_hz / string.freq_hz), 1), COMPANY_CENTS)
    return {
        i
        for i, m in enumerate(modes)
        if m.q >= COMPANY_Q and m.t60_s >= LEAST_T60_S and "hum" not in m.flags and _on_series(m.freq_hz, heard)
    }


def _long(modes: Sequence[Mode]) -> list[int]:
    """Return the modes that ring longer than wood does, without steady tones, which do not decay."""
    return [
        i
        for i, m in enumerate(modes)
        if m.q >= LEAST_Q and LEAST_T60_S <= m.t60_s <= MOST_T60_S and m.t60_log_se < 0.3 and "hum" not in m.flags
    ]


def _cents(freq_hz: float, from_hz: float) -> float:
    return 1200.0 * math.log2(freq_hz / from_hz)


def _near(mode: Mode, label_hz: float) -> bool:
    return abs(_cents(mode.freq_hz, label_hz)) <= LABEL_CENTS


def _on_series(freq_hz: float, string: Known) -> bool:
    n = round(freq_hz / string.freq_hz)
    if not 1 <= n <= _PARTIALS:
        return False
    stretch = 600.0 * math.log2((1 + _MOST_STIFFNESS * n * n) / (1 + _MOST_STIFFNESS))
    return -string.within_cents <= _cents(freq_hz, n * string.freq_hz) <= string.within_cents + stretch


def _in_series(low_hz: float, high_hz: float) -> bool:
    low, high = _STRETCH_CENTS
    return any(low <= _cents(high_hz, ratio * low_hz) <= high for ratio in (2.0, 3.0, 1.5))


def _with_flag(mode: Mode) -> Mode:
    return mode if "string" in mode.flags else replace(mode, flags=("string", *mode.flags))
