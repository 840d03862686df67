"""Build the history of an instrument: place its recordings, combine them into stages, name the modes and compare.

Conventions are those of the modules that do the work: :mod:`~tapbatch.compare.order` (places),
:mod:`~tapbatch.compare.stage` (modes), :mod:`~tapbatch.compare.identity` (names), :mod:`~tapbatch.compare.sustain`
(decays), :mod:`~tapbatch.compare.open_strings` (plucks), :mod:`~tapbatch.compare.setups` and
:mod:`~tapbatch.compare.drift`. The history is a pure function of the set of readings, the settings and the notes; the
order in which they are given does not matter. The scatter from set-up to set-up may be learned from more than one
instrument, so a history is gathered first and compared once that scatter is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date

from tapbatch.compare.absence import KeptOf
from tapbatch.compare.bench import Bench, bench_of, setup_evidence
from tapbatch.compare.days import undated
from tapbatch.compare.drift import drifts_of_part
from tapbatch.compare.frozen import Grounds, Judged, as_of, frozen_count, with_frozen
from tapbatch.compare.identity import Named, name_modes
from tapbatch.compare.open_strings import open_strings, with_strings_off
from tapbatch.compare.order import Item, Notes, Place, place
from tapbatch.compare.reference import near_to
from tapbatch.compare.ringing import flag_strings
from tapbatch.compare.setups import SetupScatter, learn_setups, with_setups
from tapbatch.compare.stage import (
    DOUBTFUL,
    Found,
    find_modes,
    levels_at_points,
    playing_pitch_hz,
    taps_of,
    with_flags,
)
from tapbatch.compare.sustain import stage_decays
from tapbatch.model.history import Drift, Frozen, Heard, History, Stage, StageMode
from tapbatch.model.names import COVERED, identity
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings


def build_history(
    instrument: str, items: Iterable[Item], settings: InstrumentSettings, notes: Notes
) -> tuple[History, tuple[Attention, ...]]:
    """Return the history of one instrument on its own, and the recordings that need the builder's attention.

    Parameters
    ----------
    instrument : str
        The identity of the instrument.
    items : iterable of (Recording, Reading, bool)
        All its recordings with their readings; the third value says whether the recording is missing.
    settings : InstrumentSettings
        The settings of the instrument.
    notes : mapping of (instrument, stage) to Note
        The bench notes, by identity.

    Returns
    -------
    history : History
        Stages by part (body last), then in order, with all modes named: ``Heard.mode_names`` gives the name of each
        mode of each tap.
    attention : tuple of Attention
        One entry for each file whose sound appears in two stages.

    Examples
    --------
    >>> history, attention = build_history("cittern-07", [], InstrumentSettings(), {})
    >>> history.stages, attention
    ((), ())
    """
    listed = list(items)
    history, attention = gather_history(instrument, listed, settings, notes)
    judged = Judged(Grounds(bench_of([setup_evidence(history.stages)])))
    if settings.frozen is not None:
        then, _ = gather_history(instrument, listed, settings, notes, until=settings.frozen)
        judged = replace(judged, until=settings.frozen, then=Grounds(bench_of([setup_evidence(then.stages)])))
    return compare_stages(history, settings, learn_setups(history.stages), judged), attention


Together = Callable[[Sequence[Heard]], Sequence[Heard]]
"""Lets the recordings of one part at one stage decide together; returns them in the same order."""


def gather_history(
    instrument: str,
    items: Iterable[Item],
    settings: InstrumentSettings,
    notes: Notes,
    together: Together | None = None,
    until: date | None = None,
) -> tuple[History, tuple[Attention, ...]]:
    """Return the stages of an instrument, combined and named but not yet compared; see :func:`build_history`.

    ``together`` is called with the recordings of each place; by default each recording stays as it was measured.
    With ``until``, only what was there on that day is gathered (:mod:`tapbatch.compare.frozen`).
    """
    listed = sorted(items, key=lambda i: i[0].path)
    placed = place(listed, settings, notes)
    if settings.frozen is not None:
        kept, frozen = with_frozen(placed.places, settings.frozen)
        placed = replace(placed, places=tuple(kept), notices=(*placed.notices, *frozen))
    if settings.reference and (names := undated(placed.places)):
        placed = replace(placed, notices=(*placed.notices, Notice("reference undated", names=names)))
    if until is not None:
        placed = replace(placed, places=tuple(as_of(placed.places, until)))
    if together is not None:
        placed = replace(placed, places=tuple(replace(p, heard=tuple(together(p.heard))) for p in placed.places))
    stages: list[Stage] = []
    covered: list[Stage] = []
    for part in dict.fromkeys(p.part for p in placed.places):
        of_part = [p for p in placed.places if p.part == part]
        opened = [p for p in of_part if p.state != COVERED]
        stages += _stages_of_part(opened or of_part, settings)
        covered += _covered(of_part, settings) if opened else []
    stages = with_strings_off(stages, settings)
    notices = [n for p in placed.places for n in open_strings(p.heard, settings, p.concert_pitch_hz)[1]]
    history = History(
        instrument=instrument,
        instrument_shown=listed[0][0].instrument_shown if listed else instrument,
        stages=tuple(stages),
        drifts=(),
        notices=(*placed.notices, *notices),
        covered=tuple(covered),
    )
    return history, placed.attention


def compare_stages(
    history: History,
    settings: InstrumentSettings,
    scatter: SetupScatter | None,
    judged: Judged | None = None,
    kept_of: KeptOf | None = None,
) -> History:
    """Return a history with its drifts, and with the scatter from set-up to set-up included in all intervals.

    Parameters
    ----------
    history : History
        The unchanged result of :func:`gather_history`; intervals must not be widened twice.
    settings : InstrumentSettings
        The settings of the instrument.
    scatter : SetupScatter or None
        The scatter from set-up to set-up, learned from this instrument or from the whole shop.
    judged : Judged, optional
        What the comparisons rest on besides the taps: what is believed of set-ups, and references; by default only
        the priors.
    kept_of : KeptOf, optional
        What is kept of the taps of a recording, to ask for modes that are missing; default nothing.
    """
    judged = judged or Judged(Grounds(Bench()))
    bench = judged.now.bench
    stages: list[Stage] = []
    drifts: list[Drift] = []
    for part in history.parts:
        of_part = [with_setups(stage, scatter, bench) for stage in history.of_part(part)]
        kinds = {m.label: m.kind for m in settings.mode if identity(m.part) == part}
        stages += of_part
        drifts += drifts_of_part(of_part, settings.steady_cents, kinds, judged, kept_of)
    cents = None if scatter is None else scatter.cents
    freq, t60 = bench.values()
    return replace(
        history,
        stages=tuple(stages),
        covered=tuple(with_setups(stage, scatter, bench) for stage in history.covered),
        drifts=tuple(drifts),
        setup_cents=cents,
        setups_freq=freq,
        setups_t60=t60,
        references=near_to(history.stages, judged.now.references),
        frozen=_frozen(judged, history),
    )


def _frozen(judged: Judged, history: History) -> Frozen | None:
    if judged.until is None or judged.then is None:
        return None
    freq, t60 = judged.then.bench.values()
    return Frozen(
        until=judged.until.isoformat(),
        setups_freq=freq,
        setups_t60=t60,
        references=near_to(history.stages, judged.then.references),
    )


def _stages_of_part(places: Sequence[Place], settings: InstrumentSettings) -> list[Stage]:
    found = [find_modes(p, settings, flag_strings(taps_of(p.heard), p, settings)) for p in places]
    labels = [m for m in settings.mode if identity(m.part) == places[0].part]
    levels = [levels_at_points(f.taps, f.members) for f in found]
    first = frozen_count(places, settings.frozen)
    named = name_modes([f.modes for f in found], [p.state for p in places], labels, levels, first)
    several = sum(bool(f.modes) for f in found) > 1
    return [_stage(p, f, n, several, settings) for p, f, n in zip(places, found, named, strict=True)]


def _covered(places: Sequence[Place], settings: InstrumentSettings) -> list[Stage]:
    """Return the stages with the opening shut, each named after the stage before it and after nothing else."""
    found = []
    for n, place_ in enumerate(places):
        if place_.state == COVERED:
            before = [p for p in places[:n] if p.state != COVERED][-1:]
            found.append(_stages_of_part([*before, place_], settings)[-1])
    return found


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
        playing_pitch_hz=playing_pitch_hz(place_.concert_pitch_hz, settings),
        spelling=settings.spelling,
        strings=open_strings(place_.heard, settings, place_.concert_pitch_hz)[0],
    )


def _named(mode: StageMode, named: Named, found: Found, several: bool) -> StageMode:
    # The effect of a set-up matters only where stages are compared.
    one_setup = several and len({t.setup for t in found.taps}) == 1
    flags = [f for f, holds in (("one-setup", one_setup), (DOUBTFUL, named.doubtful)) if holds]
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
