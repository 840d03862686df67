"""The rows of the tables: an instrument's history laid out by column name.

Conventions: rows in the order of the history (parts, stages), then by path, tap and frequency; units as the columns
say; ``None`` where unknown. A stage is spelled as it is shown, in every table alike. A column is filled from the
value that has an attribute of its name; only what is named otherwise, or in another unit, is written out here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import Drift, Heard, History, Landing, Stage, StageDecay, StageMode
from tapbatch.model.pitch import Spelling, as_sharp
from tapbatch.model.reading import Attention
from tapbatch.model.wood import Figure
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.say.notices import notices_of, notices_text
from tapbatch.show.say.wood import why_no_figures
from tapbatch.show.tables.columns import OF_BLANKS, OF_INSTRUMENT, SCHEMA, WOOD, Cell, Row
from tapbatch.show.view.stages import stage_names
from tapbatch.show.view.working import working_names


def history_to_tables(history: History) -> dict[str, list[Row]]:
    """Lay out the history of one instrument, its stages in order, as the rows of its tables, by their names.

    Examples
    --------
    >>> sorted(history_to_tables(History(instrument="na", instrument_shown="NA", stages=(), drifts=())))
    ['drift', 'modes', 'recordings', 'strings', 'sustain', 'tap_modes', 'taps', 'targets']
    """
    return {name: list(table_rows(name, history)) for name in tables_of(history)}


def tables_of(history: History) -> tuple[str, ...]:
    """Return the names of the tables of an instrument: those of a blank only where it has one."""
    return (*OF_INSTRUMENT, *(OF_BLANKS if any(stage.wood is not None for stage in history.stages) else ()))


def table_rows(name: str, history: History) -> Iterator[Row]:
    """Yield the rows of one table of an instrument one by one: all those of a large shop would fill the memory."""
    names = stage_names(history)
    if name == "drift":
        yield from (_drift_row(names, drift) for drift in history.drifts)
    elif name == "targets":
        spelled = {(stage.part, stage.stage): stage.spelling for stage in history.stages}
        for landing in history.landings:
            yield _target_row(names, landing, spelled.get((landing.part, landing.stage), "sharp"))
    elif name == "modes":
        for stage in history.every_stage:
            yield from mode_rows(stage, history)
    elif name in _OF_STAGE:
        for stage in history.every_stage:
            yield from _OF_STAGE[name](stage)
    else:
        for stage in history.every_stage:
            for heard in sorted(stage.heard, key=lambda h: h.recording.path):
                yield from _OF_RECORDING[name](stage, heard)


def attention_rows(items: Sequence[Attention]) -> list[Row]:
    """Lay out what needs attention as the rows of ``attention.csv``, once each, sorted.

    Examples
    --------
    >>> attention_rows([Attention(where="a.wav", what="the file is empty", remedy="copy it again")])
    [{'where': 'a.wav', 'problem': 'the file is empty', 'remedy': 'copy it again'}]
    """
    cells = sorted({(item.where, item.what, item.remedy) for item in items})
    return [{"where": where, "problem": what, "remedy": remedy} for where, what, remedy in cells]


def forecast_rows(came: Mapping[str, Sequence[ForecastCame]]) -> list[Row]:
    """Lay out the forecasts of steps and what came of them as the rows of ``forecasts.csv``, by instrument.

    Examples
    --------
    >>> forecast_rows({"cittern-07": ()})
    []
    """
    return [
        _filled("forecasts", one, instrument=instrument, overshoot_pct=100.0 * one.overshoot)
        for instrument, forecasts in sorted(came.items())
        for one in forecasts
    ]


def mode_rows(stage: Stage, history: History | None = None) -> list[Row]:
    """Lay out the modes of one stage as rows of ``modes.csv``, by frequency.

    Without the instrument's history the mode that leads is the one worked on.
    """
    here: dict[str, Cell] = {"stage": stage.stage_shown, "stage_order": stage.order}
    modes = sorted(stage.modes, key=lambda m: m.freq_hz)
    works_on = working_names(history, stage)

    def written(note: str) -> str:
        return as_sharp(note, stage.spelling)

    return [
        _filled(
            "modes",
            mode,
            stage,
            **here,
            note=written(mode.note),
            playing_note=written(mode.playing_note),
            flags=_flags(mode, stage),
            working_on=mode.mode in works_on,
        )
        for mode in modes
    ]


def sustain_rows(stage: Stage) -> list[Row]:
    """Lay out the decays of one stage as rows of ``sustain.csv``, the whole before the bands."""
    decays = sorted(stage.decays, key=lambda d: (d.kind, d.band_low_hz or 0.0))
    return [_filled("sustain", d, stage, stage=stage.stage_shown, flags=_flags(d, stage)) for d in decays]


def wood_rows(stage: Stage) -> list[Row]:
    """Lay out what is known of the wood of a stage as its row of ``wood.csv``; none for what is no blank."""
    wood = stage.wood
    if wood is None:
        return []
    cells: dict[str, Cell] = {
        "stage": stage.stage_shown,
        "modes_used": len(wood.modes),
        "flags": ";".join(wood.flags),
        "reason": why_no_figures(wood),
        "to_record": " ".join(wood.to_record),
    }
    for name in WOOD:
        figure: Figure | None = getattr(wood, name)
        known = (figure.value, figure.low, figure.high) if figure is not None else (None,) * 3
        cells |= dict(zip((name, f"{name}_low", f"{name}_high"), known, strict=True))
    return [_filled("wood", wood, **cells)]


def _filled(table: str, *sources: object, **cells: Cell) -> Row:
    """Return a row: each column as given, else as the attribute of its name in the first source that has one."""
    for column in SCHEMA[table]:
        if column.name not in cells:
            source = next(each for each in sources if hasattr(each, column.name))
            cells[column.name] = getattr(source, column.name)
    return cells


def _flags(seen: StageMode | StageDecay, stage: Stage) -> str:
    return ";".join(dict.fromkeys((*seen.flags, *stage.flags)))


def _recording_rows(stage: Stage, heard: Heard) -> list[Row]:
    here: dict[str, Cell] = {"recording": heard.recording.path, "stage": stage.stage_shown}
    taps = {"taps_found": len(heard.reading.taps), "taps_used": len(heard.reading.used_taps)}
    notice = notices_text(notices_of(heard))
    return [_filled("recordings", heard, heard.recording, heard.reading, **here, **taps, notice=notice)]


def _tap_rows(stage: Stage, heard: Heard) -> list[Row]:
    here = {"recording": heard.recording.path, "stage": stage.stage_shown}
    return [_filled("taps", read.tap, **here, tap=read.tap.number) for read in heard.reading.taps]


def _tap_mode_rows(stage: Stage, heard: Heard) -> list[Row]:
    rows: list[Row] = []
    here: dict[str, Cell] = {"recording": heard.recording.path, "stage": stage.stage_shown}
    lead = stage.lead.mode if stage.lead else ""
    for index, read in enumerate(heard.reading.used_taps):
        names = heard.mode_names[index] if index < len(heard.mode_names) else ("",) * len(read.modes)
        named = sorted(zip(read.modes, names, strict=True), key=lambda pair: pair[0].freq_hz)
        # The level is that above the lead of the stage in this very tap, and unknown where the tap does not show it.
        top_db = next((mode.energy_db for mode, name in named if name and name == lead), None)
        for mode, name in named:
            level_db = None if top_db is None else mode.energy_db - top_db
            unknown: dict[str, Cell] = {} if mode.resolved else {"t60_s": None, "t60_se_s": None, "q": None}
            cells = {**here, **unknown, "tap": read.tap.number, "mode": name, "level_db": level_db}
            rows.append(_filled("tap_modes", mode, **cells))
    return rows


_OF_STAGE: dict[str, Callable[[Stage], Iterable[Row]]] = {
    "strings": lambda stage: [
        _filled("strings", s, stage=stage.stage_shown, expected_note=as_sharp(s.expected_note, stage.spelling))
        for s in stage.strings
    ],
    "sustain": sustain_rows,
    "wood": wood_rows,
}
_OF_RECORDING = {"recordings": _recording_rows, "taps": _tap_rows, "tap_modes": _tap_mode_rows}


def _drift_row(names: Mapping[tuple[str, str], str], drift: Drift) -> Row:
    columns = ("from_stage", "to_stage", "first_stage")
    stages, since = {column: getattr(drift, column) for column in columns}, drift.first_extent
    return _filled(
        "drift",
        drift,
        **{column: names.get((drift.part, stage), stage) for column, stage in stages.items()},
        caution=cautions_text(drift.cautions),
        first_caution=cautions_text(drift.first_cautions),
        chance_pct=None if drift.chance is None else 100.0 * drift.chance,
        t60_chance_pct=None if drift.t60_chance is None else 100.0 * drift.t60_chance,
        first_moved_cents=since.cents if since else None,
        first_moved_low_cents=since.low if since else None,
        first_moved_high_cents=since.high if since else None,
    )


def _target_row(names: Mapping[tuple[str, str], str], landing: Landing, spelling: Spelling) -> Row:
    return _filled(
        "targets",
        landing,
        stage=names.get((landing.part, landing.stage), landing.stage),
        note=as_sharp(landing.note, spelling),
        landing_note=as_sharp(landing.landing_note, spelling),
        taps_within=f"{landing.taps_within}/{landing.taps}",
        faults=";".join(landing.faults),
        overshoot_pct=None if landing.overshoot is None else 100.0 * landing.overshoot,
        **_opening_cells(landing),
    )


def _opening_cells(landing: Landing) -> Row:
    needed = landing.opening
    sizes = (needed.likely, needed.stop, needed.most) if needed else (None, None, None)
    areas = [None if size is None else size.area_mm2 for size in sizes]
    return {
        "opening_mm2": needed.now.area_mm2 if needed else None,
        "opening_needed_mm2": areas[0],
        "opening_needed_mm2_low": areas[1],
        "opening_needed_mm2_high": areas[2],
        "opening_reach_pct": 100.0 * needed.reach if needed else None,
    }
