"""Find the modes of one stage: group the modes of its taps, combine each group, and choose the lead mode.

Conventions: only recordings of kind ``tap`` contribute modes. Frequencies and decay times are combined as natural
logarithms (:mod:`tapbatch.compare.random_effects`). A mode has a flag of its taps (``hum``, ``string``, ``pair?``,
``not-exponential``) if at least half of them have it. The other flags are

- ``unresolved``: the taps tell the frequency and none tells the decay, so there is no T60;
- ``few-taps``: fewer than three taps that tell the pole (:func:`telling`), so the tap-to-tap scatter is unknown; with
  one such tap the interval covers the noise only, because nothing better is known;
- ``recordings-differ``: recordings of one point and set-up disagree at the 1 % level, by more than ``steady_cents``;
- ``wide``: the 95 % interval of the frequency reaches more than 10 cents to either side;
- ``one-setup`` and ``identity?``, which are set with the history.

The lead is the mode with the largest energy of free decay, averaged over all taps of the stage. Modes flagged
``hum`` or ``string`` cannot lead, because they may not be modes of the body at all; nor can those flagged
``unresolved``, because the energy of a decay that is not known is a guess. The other flags only say how well
a mode was measured; excluding those modes would make the lead change when a tap is missing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from tapbatch.compare.group import group_taps
from tapbatch.compare.order import Place
from tapbatch.compare.random_effects import Joined, Sample, join, recordings_disagree, with_misfit
from tapbatch.compare.setup_numbers import setup_numbers
from tapbatch.compare.spots import is_heard, over_spots, room_of_freq, room_of_t60, spots_matter
from tapbatch.compare.tap_consensus import Shared, shared_poles
from tapbatch.model.history import Heard, Stage, StageMode
from tapbatch.model.pitch import CENTS, hz_to_note
from tapbatch.model.reading import UNRESOLVED, Coupling, Mode
from tapbatch.model.settings import InstrumentSettings

DOUBTFUL = "identity?"
FLAG_ORDER = (
    "string", "hum", "unresolved", "pair?", "not-exponential", "few-taps", "one-setup", "recordings-differ",
    DOUBTFUL, "wide",
)  # fmt: skip
NOT_OF_THE_BODY = frozenset({"hum", "string"})
NOT_LEADING = NOT_OF_THE_BODY | {UNRESOLVED}
ENOUGH_TAPS = 3
WIDE_CENTS = 10.0
_TOLD_LOG_SE = 0.35  # error of ln T60 from noise: with more, a single tap would not list the mode


@dataclass(frozen=True, slots=True)
class TapAt:
    """A used tap of a stage: its modes, where it was struck, in which set-up and at which spot of the room.

    ``recording`` and ``tap`` are its indices; a set-up (a number) belongs to one spot. ``direct_db`` is that of its
    recording.

    ``shared`` is empty, or has one entry a mode: the value common to the taps of that point and set-up, or ``None``
    if they do not agree.
    """

    recording: int
    tap: int
    point: str
    setup: int
    modes: tuple[Mode, ...]
    couplings: tuple[Coupling, ...] = ()
    shared: tuple[Shared | None, ...] = ()
    spot: str = ""
    direct_db: float | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """The unnamed modes of a stage, sorted by frequency, and the members of each as (tap, mode) indices into taps."""

    taps: tuple[TapAt, ...]
    modes: tuple[StageMode, ...]
    members: tuple[tuple[tuple[int, int], ...], ...]


def taps_of(heard: Sequence[Heard]) -> tuple[TapAt, ...]:
    """Return the used taps of the tap recordings of one place, in order.

    Examples
    --------
    >>> taps_of([])
    ()
    """
    setups = setup_numbers(heard)
    return tuple(
        TapAt(
            recording=r,
            tap=t,
            point=h.recording.point,
            setup=setups[r][t],
            modes=tap.modes,
            couplings=tap.couplings,
            spot=h.recording.spot,
            direct_db=h.reading.direct_db,
        )
        for r, h in enumerate(heard)
        if h.recording.kind == "tap"
        for t, tap in enumerate(h.reading.used_taps)
    )


def members_by_mode(stage: Stage) -> dict[str, list[tuple[TapAt, Mode]]]:
    """Return, by mode name, the taps of a stage that tell the mode's pole, each with the mode as measured there."""
    taps = taps_of(stage.heard)
    groups: dict[str, list[tuple[int, int]]] = {m.mode: [] for m in stage.modes}
    for t, tap in enumerate(taps):
        for k, name in enumerate(stage.heard[tap.recording].mode_names[tap.tap]):
            if name:
                groups[name].append((t, k))
    taps = with_shared(taps, list(groups.values()))
    return {name: telling([(taps[t], taps[t].modes[k]) for t, k in group]) for name, group in groups.items()}


def telling(members: Sequence[tuple[TapAt, Mode]]) -> list[tuple[TapAt, Mode]]:
    """Return the taps that tell the frequency and decay of a mode; if none does, those that know a decay, else all.

    Where all taps together decided that a mode is there (:mod:`tapbatch.measure.all_taps`), a soft tap says how
    strong it is, but its pole is that of the others. Counted as a measurement, it would make the scatter from tap to
    tap look smaller than it is.
    """
    told = [(t, m) for t, m in members if _of_noise(m.t60_log_se, m.t60_log_misfit) < _TOLD_LOG_SE]
    return told or [(t, m) for t, m in members if m.resolved] or list(members)


def find_modes(place: Place, settings: InstrumentSettings, taps: tuple[TapAt, ...] | None = None) -> Found:
    """Return the modes of a place, combined over its taps, points and set-ups.

    Parameters
    ----------
    place : Place
        From :func:`tapbatch.compare.order.place`.
    settings : InstrumentSettings
        Gives the spelling of notes and ``steady_cents``.
    taps : tuple of TapAt, optional
        The taps of the place, if flags were added to their modes; default: :func:`taps_of` the place.

    Returns
    -------
    Found
        Modes without names (``mode`` is empty), sorted by frequency; no modes if no tap was measured.
    """
    taps = taps_of(place.heard) if taps is None else taps
    groups = group_taps([t.modes for t in taps], [t.point for t in taps], _voters(taps))
    taps = with_shared(taps, groups)
    energies = [_mean_energy([taps[t].modes[i] for t, i in group], len(taps)) for group in groups]
    modes = [_stage_mode([(taps[t], taps[t].modes[i]) for t, i in group], place, settings) for group in groups]
    return Found(taps, _with_lead(modes, energies), groups)


def _voters(taps: Sequence[TapAt]) -> list[str]:
    """Return the spot of each tap where a room is heard; empty where none is, so that spots do not vote."""
    return [t.spot for t in taps] if any(is_heard(t.direct_db) for t in taps) else []


def playing_pitch_hz(concert_pitch_hz: float, settings: InstrumentSettings) -> float | None:
    """Return the A4 at which an instrument is played, in hertz; ``None`` if not set or equal to the concert pitch.

    Examples
    --------
    >>> settings = InstrumentSettings(playing_pitch_hz=440.0)
    >>> playing_pitch_hz(431.0, settings), playing_pitch_hz(440.0, settings)
    (440.0, None)
    """
    played = settings.playing_pitch_hz
    return None if played is None or played == concert_pitch_hz else played


def freq_sample(tap: TapAt, mode: Mode) -> Sample:
    """Return ``ln f`` of a mode in one tap, with its error from noise only; all taps share the misfit."""
    shared = _shared_of(tap, mode)
    together = None if shared is None else shared.ln_freq
    se = _of_noise(mode.freq_se_hz, mode.freq_misfit_hz) / mode.freq_hz
    room = room_of_freq(mode.freq_hz, mode.t60_s, tap.direct_db)
    misfit = mode.freq_misfit_hz / mode.freq_hz
    return Sample(math.log(mode.freq_hz), se, tap.point, tap.setup, together, tap.spot, room, misfit)


def t60_sample(tap: TapAt, mode: Mode) -> Sample:
    """Return ``ln T60`` of a mode in one tap, with its error from noise only."""
    shared = _shared_of(tap, mode)
    together = None if shared is None else shared.ln_t60
    se = _of_noise(mode.t60_log_se, mode.t60_log_misfit)
    room, misfit = room_of_t60(tap.direct_db), mode.t60_log_misfit
    return Sample(math.log(mode.t60_s), se, tap.point, tap.setup, together, tap.spot, room, misfit)


def is_resolved(members: Sequence[tuple[TapAt, Mode]]) -> bool:
    """Tell whether any of a mode's taps knows its decay."""
    return any(m.resolved for _, m in members)


def _of_noise(se: float, misfit: float) -> float:
    return math.sqrt(max(se * se - misfit * misfit, 0.0))


def with_shared(taps: Sequence[TapAt], groups: Sequence[Sequence[tuple[int, int]]]) -> tuple[TapAt, ...]:
    """Return taps with ``shared`` filled in: for each mode, the value common to the taps of one point and set-up.

    Parameters
    ----------
    taps : sequence of TapAt
        The taps of one stage.
    groups : sequence of sequences of (tap, mode)
        The members of each mode of the stage, as indices into ``taps`` and its modes.
    """
    found: list[list[Shared | None]] = [[None] * len(t.modes) for t in taps]
    for cell in sorted({(t.point, t.setup) for t in taps}):
        inside = [i for i, t in enumerate(taps) if (t.point, t.setup) == cell]
        place = {i: n for n, i in enumerate(inside)}
        local = [[(place[t], m) for t, m in group if t in place] for group in groups]
        together = shared_poles([(taps[i].modes, taps[i].couplings) for i in inside], local)
        for group, shared in zip(local, together, strict=True):
            for n, m in group:
                found[inside[n]][m] = shared
    return tuple(replace(t, shared=tuple(s)) for t, s in zip(taps, found, strict=True))


def _shared_of(tap: TapAt, mode: Mode) -> Shared | None:
    return next((s for m, s in zip(tap.modes, tap.shared, strict=False) if m is mode), None)


def with_flags(mode: StageMode, *flags: str) -> StageMode:
    """Return a mode with flags added, each once, in their fixed order."""
    return replace(mode, flags=in_order({*mode.flags, *flags}))


def in_order(flags: set[str]) -> tuple[str, ...]:
    """Return flags in their fixed order, unknown ones last.

    Examples
    --------
    >>> in_order({"wide", "hum"})
    ('hum', 'wide')
    """
    return tuple(sorted(flags, key=lambda f: (FLAG_ORDER.index(f) if f in FLAG_ORDER else len(FLAG_ORDER), f)))


def carried_flags(flags_of_taps: Sequence[Sequence[str]]) -> set[str]:
    """Return the flags that at least half of the taps have.

    Examples
    --------
    >>> sorted(carried_flags([["hum"], [], ["pair?"], ["hum"]]))
    ['hum']
    """
    every = {f for flags in flags_of_taps for f in flags}
    return {f for f in every if 2 * sum(f in flags for flags in flags_of_taps) >= len(flags_of_taps)}


def join_members(members: Sequence[tuple[TapAt, Mode]]) -> tuple[Joined, Joined]:
    """Return ``ln f`` and ``ln T60`` of a mode, combined over its taps; the errors include the misfit they share.

    Over several spots of a room, the room's own error takes the place of the misfit, which is mostly the room's. At a
    single spot, a frequency counts as known no better than the room allows (:mod:`tapbatch.compare.spots`): a tail
    that happens to look like a decay leaves little misfit.
    """
    freqs, t60s = [freq_sample(t, m) for t, m in members], [t60_sample(t, m) for t, m in members]
    freq, t60 = join(freqs), join(t60s)
    if spots_matter(freqs):
        return replace(freq, mean=over_spots(freqs)), replace(t60, mean=over_spots(t60s))
    freq_mean = with_misfit(freq.mean, [max(s.misfit, s.room) for s in freqs])
    t60_mean = with_misfit(t60.mean, [s.misfit for s in t60s])
    return replace(freq, mean=freq_mean), replace(t60, mean=t60_mean)


def _stage_mode(members: Sequence[tuple[TapAt, Mode]], place: Place, settings: InstrumentSettings) -> StageMode:
    told = telling(members)
    freq, t60 = join_members(told)
    resolved = is_resolved(told)
    freq_hz = math.exp(freq.mean.value)
    note, cents = hz_to_note(freq_hz, place.concert_pitch_hz, settings.spelling)
    played = playing_pitch_hz(place.concert_pitch_hz, settings)
    played_note, played_cents = ("", None) if played is None else hz_to_note(freq_hz, played, settings.spelling)
    return StageMode(
        mode="",
        lead=False,
        freq_hz=freq_hz,
        freq_low_hz=math.exp(freq.mean.low),
        freq_high_hz=math.exp(freq.mean.high),
        note=note,
        cents=cents,
        t60_s=math.exp(t60.mean.value) if resolved else None,
        t60_low_s=math.exp(t60.mean.low) if resolved else None,
        t60_high_s=math.exp(t60.mean.high) if resolved else None,
        level_db=0.0,
        taps=len(members),
        within_cents=freq.within * CENTS,
        between_cents=freq.between * CENTS,
        flags=_flags_of(told, freq, settings.steady_cents),
        playing_note=played_note,
        playing_cents=played_cents,
    )


def _flags_of(members: Sequence[tuple[TapAt, Mode]], freq: Joined, steady_cents: float) -> tuple[str, ...]:
    flags = carried_flags([m.flags for _, m in members])
    flags = flags - {UNRESOLVED} if is_resolved(members) else flags | {UNRESOLVED}
    if len(members) < ENOUGH_TAPS:
        flags.add("few-taps")
    if freq.mean.half * CENTS > WIDE_CENTS:
        flags.add("wide")
    if _recordings_differ(members, steady_cents):
        flags.add("recordings-differ")
    return in_order(flags)


def _recordings_differ(members: Sequence[tuple[TapAt, Mode]], steady_cents: float) -> bool:
    held: dict[tuple[str, int], dict[int, list[Sample]]] = {}
    for tap, mode in members:
        of_cell = held.setdefault((tap.point, tap.setup), {})
        of_cell.setdefault(tap.recording, []).append(freq_sample(tap, mode))
    return any(recordings_disagree(list(cell.values()), steady_cents / CENTS) for cell in held.values())


def _mean_energy(modes: Sequence[Mode], taps: int) -> float:
    return fmean(10.0 ** (m.energy_db / 10.0) for m in modes) * len(modes) / taps


def levels_at_points(
    taps: Sequence[TapAt], groups: Sequence[Sequence[tuple[int, int]]]
) -> tuple[dict[str, float], ...]:
    """Return, for each mode of a stage, its mean energy at each point, in dB below the strongest there.

    Points that do not show a mode are left out.

    Examples
    --------
    >>> levels_at_points([], [])
    ()
    """
    power: list[dict[str, float]] = [{} for _ in groups]
    for of_mode, group in zip(power, groups, strict=True):
        for t, i in group:
            tap = taps[t]
            of_mode[tap.point] = of_mode.get(tap.point, 0.0) + 10.0 ** (tap.modes[i].energy_db / 10.0)
    most = {point: max(p.get(point, 0.0) for p in power) for of_mode in power for point in of_mode}
    return tuple({point: 10.0 * math.log10(p / most[point]) for point, p in of_mode.items()} for of_mode in power)


def _with_lead(modes: Sequence[StageMode], energies: Sequence[float]) -> tuple[StageMode, ...]:
    if not modes:
        return ()
    of_the_body = [i for i, m in enumerate(modes) if not NOT_LEADING & set(m.flags)]
    lead = max(of_the_body, key=lambda i: energies[i], default=None)
    reference = energies[lead] if lead is not None else max(energies)
    return tuple(
        replace(m, lead=i == lead, level_db=10.0 * math.log10(energies[i] / reference)) for i, m in enumerate(modes)
    )
