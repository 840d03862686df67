"""The history of an instrument: its recordings placed, joined, named and compared.

Conventions: those of the modules that do the work: :mod:`~tapbatch.compare.order` (places),
:mod:`~tapbatch.compare.stage` (modes), :mod:`~tapbatch.compare.identity` (names), :mod:`~tapbatch.compare.sustain`
(decays), :mod:`~tapbatch.compare.open_strings` (plucks) and :mod:`~tapbatch.compare.drift`. A pure function of the
set of readings, the settings and the notes: the order in which they are given changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from tapbatch.compare.drift import drifts_of_part
from tapbatch.compare.identity import Named, name_modes
from tapbatch.compare.open_strings import open_strings, with_strings_off
from tapbatch.compare.order import Item, Notes, Place, place
from tapbatch.compare.ringing import flag_strings
from tapbatch.compare.stage import Found, find_modes, taps_of, with_flags
from tapbatch.compare.sustain import stage_decays
from tapbatch.listen.naming import identity
from tapbatch.settings import InstrumentSettings
from tapbatch.values import Attention, Drift, Heard, History, Stage, StageMode


def build_history(
    instrument: str, items: Iterable[Item], settings: InstrumentSettings, notes: Notes
) -> tuple[History, tuple[Attention, ...]]:
    """Return the history of an instrument, and what in its recordings needs the builder.

    Parameters
    ----------
    instrument : str
        Its identity.
    items : iterable of (Recording, Reading, bool)
        All its recordings with their readings; the third value says whether the recording is missing.
    settings : InstrumentSettings
        Those of the instrument.
    notes : mapping of (instrument, stage) to Note
        The bench notes, by identity.

    Returns
    -------
    history : History
        Stages by part (body last), then in order, with every name in place: ``Heard.mode_names`` says which mode of
        each tap is which.
    attention : tuple of Attention
        The same sound in two stages, one for each file.

    Examples
    --------
    >>> history, attention = build_history("cittern-07", [], InstrumentSettings(), {})
    >>> history.stages, attention
    ((), ())
    """
    listed = sorted(items, key=lambda i: i[0].path)
    placed = place(listed, settings, notes)
    stages: list[Stage] = []
    drifts: list[Drift] = []
    parts = list(dict.fromkeys(p.part for p in placed.places))
    for part in parts:
        stages += _stages_of_part([p for p in placed.places if p.part == part], settings)
    stages = with_strings_off(stages, settings)
    for part in parts:
        of_part = [s for s in stages if s.part == part]
        drifts += drifts_of_part(of_part, settings.steady_cents)
    notices = [n for p in placed.places for n in open_strings(p.heard, settings, p.concert_pitch_hz)[1]]
    history = History(
        instrument=instrument,
        instrument_shown=listed[0][0].instrument_shown if listed else instrument,
        stages=tuple(stages),
        drifts=tuple(drifts),
        notices=(*placed.notices, *notices),
    )
    return history, placed.attention


def _stages_of_part(places: Sequence[Place], settings: InstrumentSettings) -> list[Stage]:
    found = [find_modes(p, settings, flag_strings(taps_of(p.heard), p, settings)) for p in places]
    labels = [m for m in settings.mode if identity(m.part) == places[0].part]
    named = name_modes([f.modes for f in found], [p.state for p in places], labels)
    several = sum(bool(f.modes) for f in found) > 1
    return [_stage(p, f, n, several, settings) for p, f, n in zip(places, found, named, strict=True)]


def _stage(place_: Place, found: Found, named: Sequence[Named], several: bool, settings: InstrumentSettings) -> Stage:
    modes = tuple(_named(m, n, found, several) for m, n in zip(found.modes, named, strict=True))
    return Stage(
        part=place_.part,
        state=place_.state,
        stage=place_.stage,
        stage_shown=place_.stage_shown,
        order=place_.order,
        concert_pitch_hz=place_.concert_pitch_hz,
        heard=_with_names(place_.heard, found, named),
        modes=modes,
        decays=stage_decays(place_.heard),
        note=place_.note,
        flags=("recordings-differ",) if any("recordings-differ" in m.flags for m in modes) else (),
        strings=open_strings(place_.heard, settings, place_.concert_pitch_hz)[0],
    )


def _named(mode: StageMode, named: Named, found: Found, several: bool) -> StageMode:
    # What a set-up does matters only where stages are compared.
    one_setup = several and len({t.setup for t in found.taps}) == 1
    flags = [f for f, holds in (("one-setup", one_setup), ("identity?", named.doubtful)) if holds]
    return with_flags(replace(mode, mode=named.name), *flags)


def _with_names(heard: Sequence[Heard], found: Found, named: Sequence[Named]) -> tuple[Heard, ...]:
    names = [[[""] * len(tap.modes) for tap in h.reading.used_taps] for h in heard]
    for group, name in zip(found.members, named, strict=True):
        for t, mode in group:
            tap = found.taps[t]
            names[tap.recording][tap.tap][mode] = name.name
    return tuple(
        replace(h, mode_names=tuple(tuple(tap) for tap in of_taps)) for h, of_taps in zip(heard, names, strict=True)
    )
