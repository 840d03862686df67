"""Find what stands between a reading and trust: the faults of a stage that the next recording can mend.

Conventions: nothing is detected here. A fault is read from what was found on the way: the reasons for which knocks
were not used, the notices of recordings, the flags of modes, and how far the direct sound stands over the room's.
Faults come in the order of :data:`ORDER`, the strongest first. ``count`` of ``total`` are taps, knocks or recordings,
as the kind says.

==============  ==============================================================================================
kind            when it stands, and what it carries
==============  ==============================================================================================
strings rang    a mode is flagged ``string``: ``count`` such modes
bounced         the mallet touched twice: ``count`` of ``total`` blows, of which ``lost`` could not be used
talk            knocks were refused as voices, handling or unlike the others: ``count`` of ``total`` knocks
noise           noise gives most of the interval of what is worked on: ``half_cents`` is its half-width
gain            the recorder changed its gain: ``count`` of ``total`` recordings
mostly room     the room is nearly as strong as the sound: ``room_pct`` of the energy in the worst recording
clipped         too loud for the recorder: ``count`` of ``total`` recordings
some room       as ``mostly room``, but less
one set-up      no set-up was ever repeated, so it is only assumed what setting up anew moves
==============  ==============================================================================================

Talk counts only where it cost something: as many as a third of the taps that remain, or any where fewer than five
remain. A click at the end of a recording, where the maker stops it, costs nothing.

To add a kind: name it in :data:`FaultKind`, find it here, and give it words in :mod:`tapbatch.show.say.faults`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from tapbatch.listen.judging import BOUNCE, BOUNCE_S, CUT_OFF, FAINT, NO_TAP, RINGING, SWELLS, UNLIKE
from tapbatch.measure.unsteady_gain import shows_gain
from tapbatch.model.history import Heard, History, Stage, StageMode
from tapbatch.model.reading import Tap

FaultKind = Literal[
    "strings rang",
    "bounced",
    "talk",
    "noise",
    "gain",
    "mostly room",
    "clipped",
    "some room",
    "one set-up",
]

ORDER: tuple[FaultKind, ...] = get_args(FaultKind)
"""From the strongest to the weakest: what spoils the note first, then what spoils decays, then what was not tried."""

TAPS_TO_SPARE = 5
"""With this many measured taps, refused knocks cost nothing unless there are a third as many of them."""

SPOTS_AGAINST_ROOM = 3
_NO_BLOW = frozenset({SWELLS, NO_TAP, UNLIKE, RINGING})
_TALK = frozenset({SWELLS, NO_TAP, UNLIKE, FAINT, CUT_OFF})


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault that stands; which fields a kind bears, the others stay as they are by default.

    Examples
    --------
    >>> Fault(kind="bounced", count=2, total=6, lost=1).kind
    'bounced'
    """

    kind: FaultKind
    count: int = 0
    total: int = 0
    lost: int = 0
    half_cents: float | None = None
    room_pct: float | None = None


def faults_of(history: History, stage: Stage, steady_cents: float = 3.0) -> tuple[Fault, ...]:
    """Return the faults of a stage, the strongest first.

    Parameters
    ----------
    history : History
        The history of the instrument, which knows whether a set-up was ever repeated.
    stage : Stage
        The stage, with all its recordings.
    steady_cents : float, optional
        An interval that reaches no farther than this, in cents, is no fault. Default: 3.

    Returns
    -------
    tuple of Fault
        Each kind once. Empty where nothing is known to be wrong.

    Examples
    --------
    >>> stage = Stage(part="top", state="free", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=(), flags=("one-setup",))
    >>> history = History(instrument="i", instrument_shown="i", stages=(stage,), drifts=())
    >>> [fault.kind for fault in faults_of(history, stage)]
    ['one set-up']
    """
    heard = [h for h in stage.heard if h.recording.kind == "tap"]
    found = [
        *_of_strings(stage.modes),
        *_of_knocks(heard),
        *_of_noise(_asked(history, stage), steady_cents),
        *_of_recordings(heard),
        *_of_setups(history, stage),
    ]
    return tuple(sorted(found, key=lambda fault: ORDER.index(fault.kind)))


def _of_strings(modes: Iterable[StageMode]) -> Iterator[Fault]:
    count = sum("string" in m.flags for m in modes)
    if count:
        yield Fault(kind="strings rang", count=count)


# ------------------------------------------------------------------ knocks


def _of_knocks(heard: Sequence[Heard]) -> Iterator[Fault]:
    bounced: list[Tap] = []
    others: list[Tap] = []
    for h in heard:
        taps = [t.tap for t in h.reading.taps]
        twice = _bounced(taps)
        bounced += twice
        others += [tap for tap in taps if tap not in twice]
    used = sum(tap.used for tap in (*bounced, *others))
    if bounced:
        lost = sum(not tap.used for tap in bounced)
        yield Fault(kind="bounced", count=len(bounced), total=used + lost, lost=lost)
    refused = sum(tap.reason in _TALK for tap in others)
    crowded = any("crowded" in _kinds(h) for h in heard)
    if crowded or (refused and (used < TAPS_TO_SPARE or 3 * refused >= used)):
        yield Fault(kind="talk", count=refused, total=used + refused)


def _bounced(taps: Sequence[Tap]) -> list[Tap]:
    """Return the blows after which the mallet touched again: of each bounce, the loudest just before it.

    Where that was a voice, its syllables look like bounces, and there is no blow.
    """
    found: list[Tap] = []
    for bounce in (tap for tap in taps if tap.reason == BOUNCE):
        before = [t for t in taps if t.reason != BOUNCE and 0.0 < bounce.onset_s - t.onset_s < BOUNCE_S]
        blow = max(before, key=lambda t: t.peak_dbfs, default=None)
        if blow is not None and blow not in found and blow.reason not in _NO_BLOW:
            found.append(blow)
    return found


def _asked(history: History, stage: Stage) -> list[StageMode]:
    """Return the modes that are worked on and heard; the lead where nothing says what is worked on."""
    names = {worked.mode for worked in history.working_on(stage.part, stage.stage)}
    return [m for m in stage.modes if (m.mode in names if names else m.lead)]


def _of_noise(modes: Iterable[StageMode], steady_cents: float) -> Iterator[Fault]:
    half = [m.half_cents for m in modes if m.within_cents > m.between_cents]
    widest = max((cents for cents in half if cents > steady_cents), default=None)
    if widest is not None:
        yield Fault(kind="noise", half_cents=widest)


# -------------------------------------------------------------- recordings


def _of_recordings(heard: Sequence[Heard]) -> Iterator[Fault]:
    total = len(heard)
    gain = sum("automatic gain" in _kinds(h) or shows_gain(h.reading.used_taps) for h in heard)
    if gain:
        yield Fault(kind="gain", count=gain, total=total)
    clipped = sum("clipped" in _kinds(h) for h in heard)
    if clipped:
        yield Fault(kind="clipped", count=clipped, total=total)
    yield from _of_room(heard)


def _of_room(heard: Sequence[Heard]) -> Iterator[Fault]:
    mostly = [h for h in heard if "mostly room" in _kinds(h)]
    some = [h for h in heard if "some room" in _kinds(h)]
    if mostly:
        yield Fault(kind="mostly room", count=len(mostly), total=len(heard), room_pct=_room_pct(mostly))
    elif some and len({h.recording.spot for h in heard}) < SPOTS_AGAINST_ROOM:
        yield Fault(kind="some room", count=len(some), total=len(heard), room_pct=_room_pct(some))


def _room_pct(heard: Sequence[Heard]) -> float | None:
    """Return the room's share of the energy in the worst of some recordings, in per cent; ``None`` if not known."""
    direct_db = min((h.reading.direct_db for h in heard if h.reading.direct_db is not None), default=None)
    return None if direct_db is None else 100.0 / (1.0 + 10.0 ** (direct_db / 10.0))


def _kinds(heard: Heard) -> set[str]:
    return {notice.kind for notice in heard.reading.notices}


def _of_setups(history: History, stage: Stage) -> Iterator[Fault]:
    flagged = "one-setup" in stage.flags or any("one-setup" in m.flags for m in stage.modes)
    # Once stages are compared the flag is gone, and what a set-up shifts is assumed until one was repeated.
    assumed = bool(stage.modes) and history.setups_freq is not None and history.setups_freq.again == 0
    if flagged or assumed:
        yield Fault(kind="one set-up")
