"""What the record of an instrument holds: what was done, what it is made of, and how it sounds at the end.

Conventions: rows and lines of text, in the order in which they are shown. What nobody noted is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tapbatch.model.history import History, Note, Stage
from tapbatch.model.names import is_label
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.say import words
from tapbatch.show.view.stages import last_with_modes
from tapbatch.show.view.working import name_shown

Row = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """The record: facts as (name, text), then rows.

    ``work``: stage, date, what was done, grams taken off, where, mass in grams, thickness in millimetres
    from the thinnest to the thickest. ``modes``: part, mode, note, how sure, hertz, T60. ``sound``: part,
    stage, EDT, T20 and T60 of the whole.
    """

    facts: tuple[tuple[str, str], ...]
    work: tuple[Row, ...]
    modes: tuple[Row, ...]
    sound: tuple[Row, ...]


def record_of(history: History, settings: InstrumentSettings, most_modes: int = 10) -> Record:
    """Return the record of an instrument.

    Parameters
    ----------
    history, settings
        The instrument, and its settings.
    most_modes
        About this many modes in all, three of each part at least, those with labels first; default 10.
    """
    notes = _notes(history)
    last = [stage for part in history.parts if (stage := last_with_modes(history, part))]
    return Record(
        facts=tuple(_facts(history, settings, notes)),
        work=tuple(row for stage, note in notes if any((row := _work(stage, note))[2:])),
        modes=tuple(row for stage in last for row in _modes(stage, max(3, most_modes // len(last)))),
        sound=tuple(row for part in history.parts for row in _sound(history.of_part(part))),
    )


def _notes(history: History) -> list[tuple[Stage, Note]]:
    """Return the stages with notes in their order; a stage of several parts counts once."""
    told: dict[str, tuple[Stage, Note]] = {}
    for stage in sorted(history.stages, key=lambda s: s.order):
        if stage.note is not None:
            told.setdefault(stage.stage, (stage, stage.note))
    return list(told.values())


def _facts(
    history: History, settings: InstrumentSettings, notes: Sequence[tuple[Stage, Note]]
) -> Iterable[tuple[str, str]]:
    if settings.family:
        yield "kind", settings.family
    if settings.species:
        yield "wood", settings.species
    voiced = sorted({stage.concert_pitch_hz for stage in history.stages})
    played = settings.playing_pitch_hz
    pitches = [f"A4 = {', '.join(f'{hz:g}' for hz in voiced)} Hz"] if voiced else []
    yield "pitch", ", played at ".join([*pitches, *([f"{played:g} Hz"] if played else [])])
    masses = dict(_masses(notes))
    if masses:
        yield "mass", "; ".join(f"{part} {mass}" for part, mass in masses.items())
    sizes = [note for _, note in notes if note.length_mm is not None and note.width_mm is not None]
    if sizes:
        yield "size", f"{sizes[-1].length_mm:g} by {sizes[-1].width_mm:g} mm"
    if settings.strings:
        yield "strings", ", ".join(f"{n} {s.note}{' double' * s.double}" for n, s in enumerate(settings.strings, 1))
    strung = [note.strings for _, note in notes if note.strings]
    if strung:
        yield "strung with", strung[-1]
    yield from _air([note for _, note in notes])


def _masses(notes: Sequence[tuple[Stage, Note]]) -> Iterable[tuple[str, str]]:
    """Return for each part what it weighed first and last."""
    of_part: dict[str, list[float]] = {}
    for stage, note in notes:
        if note.mass_g is not None:
            of_part.setdefault(stage.part, []).append(note.mass_g)
    for part, masses in of_part.items():
        yield part, " to ".join(f"{mass:g} g" for mass in dict.fromkeys((masses[0], masses[-1])))


def _air(notes: Sequence[Note]) -> Iterable[tuple[str, str]]:
    for name, unit, values in (
        ("temperature", "°C", [n.temperature_c for n in notes if n.temperature_c is not None]),
        ("humidity", "%", [n.humidity_pct for n in notes if n.humidity_pct is not None]),
    ):
        if values:
            ends = dict.fromkeys(f"{value:g}" for value in (min(values), max(values)))
            last = f"; {values[-1]:g} {unit} at the end" if len(ends) > 1 else ""
            yield name, f"{' to '.join(ends)} {unit}{last}"


def _work(stage: Stage, note: Note) -> Row:
    # Five readings of a caliper do not fit into the column; the notes have them all.
    ends = (min(note.thickness_mm), max(note.thickness_mm)) if note.thickness_mm else ()
    thickness = " to ".join(dict.fromkeys(f"{mm:g}" for mm in ends))
    removed, mass = ("" if g is None else f"{g:g}" for g in (note.removed_g, note.mass_g))
    return stage.stage_shown, note.date[:10], note.work, removed, note.place, mass, thickness


def _modes(stage: Stage, most: int) -> Iterable[Row]:
    chosen = sorted(stage.modes, key=lambda m: (not is_label(m.mode), -m.level_db))[:most]
    for mode in sorted(chosen, key=lambda m: m.freq_hz):
        yield (
            stage.part,
            name_shown(stage, mode.mode),
            words.note_text(mode),
            words.sure_text(mode),
            words.hz_text(mode),
            words.t60_text(mode),
        )


def _sound(stages: Sequence[Stage]) -> Iterable[Row]:
    """Return how the whole sound of a part rang when it was last heard as a whole."""
    for stage in reversed(stages):
        for decay in stage.decays:
            if decay.kind == "tap" and decay.band_low_hz is None:
                times = (decay.edt_s, decay.t20_s, decay.t60_s)
                yield stage.part, stage.stage_shown, *("" if s is None else f"{s:.2f}" for s in times)
                return
