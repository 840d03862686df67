"""Strings that ring along in a tap: open strings left undamped, and pieces of string beyond bridge or nut.

Conventions: frequencies in hertz, distances in cents. What tells a string from wood is how long it rings: the loss
factor of wood along the grain is 0.006 or more (a handbook figure, from memory), so that nothing made of wood has a
quality factor over 170, and a body that radiates has one of 20 to 80; a string's is several hundred. Of modes with a
quality factor of at least 150 and a T60 of at least half a second

- one that lies on a partial of a known string is that string where another of them lies on the same series, or where
  its quality factor is over 300: within 8 cents where the strings were plucked at this stage, else within 40, since
  strings slacken; its other partials then need only ring for half a second with a quality factor of 80, since a low
  fundamental rings for seconds and is no sharper than wood;
- two that stand as 1:2, 1:3 or 2:3, with the stretch that a short stiff piece has, are a piece of string;
- one with a quality factor over 400 is a piece of string all by itself, since only its lowest partial may lie in the
  band;
- one within 50 cents of a ``[[mode]]`` of kind ``"string"`` is what the builder says it is.

Asked only of instruments whose settings name strings, and not where the state says that there are none on: a metal
bar or a bell rings as long. Breaks for gut or nylon that is half damped, which dies away as fast as wood does.
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
    """A string whose pitch is known, and how far from it one that rings may lie."""

    freq_hz: float
    within_cents: float


def known_strings(place: Place, settings: InstrumentSettings) -> tuple[Known, ...]:
    """Return the strings of an instrument as they are at a place: as plucked there, else as their notes say."""
    heard, _ = open_strings(place.heard, settings, place.concert_pitch_hz)
    plucked = {s.string: s for s in heard}
    known = []
    for number, string in enumerate(settings.strings, start=1):
        if number in plucked:
            apart = plucked[number].pair_cents or 0.0
            known.append(Known(plucked[number].freq_hz, HEARD_CENTS + apart / 2.0))
        else:
            known.append(Known(note_to_hz(string.note, place.concert_pitch_hz), SLACK_CENTS))
    return tuple(known)


def flag_strings(taps: Sequence[TapAt], place: Place, settings: InstrumentSettings) -> tuple[TapAt, ...]:
    """Return the taps of a place with the flag ``string`` on every mode that is one.

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
    """Return which modes of a tap are strings, as indices.

    Parameters
    ----------
    modes : sequence of Mode
        All modes of one tap.
    known : sequence of Known
        The strings that may ring along; pieces beyond bridge or nut are found without.
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
    """Return the partials of a string, known by the one at ``freq_hz``, that die away sooner than that one.

    A low fundamental rings for seconds and yet has no higher quality factor than wood.
    """
    heard = Known(freq_hz / max(round(freq_hz / string.freq_hz), 1), COMPANY_CENTS)
    return {
        i
        for i, m in enumerate(modes)
        if m.q >= COMPANY_Q and m.t60_s >= LEAST_T60_S and "hum" not in m.flags and _on_series(m.freq_hz, heard)
    }


def _long(modes: Sequence[Mode]) -> list[int]:
    """Return the modes that ring longer than wood does; a steady tone that never dies away is none of them."""
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
