"""The tables for reading: modes, drift, landings and strings, each cell with the digits that its error deserves.

Conventions: a row is a dictionary of cells by heading; a face lays out the headings that it has room for, in its own
order. Beside what a cell says stands the number by which it sorts, where that is not the text. The whole tables, with
all digits, are those of :mod:`tapbatch.show.tables`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tapbatch.compare.alike import alike_moves
from tapbatch.model.history import Alike, Drift, History, Landing, OpenString, Stage
from tapbatch.show.say import figures, moves, words
from tapbatch.show.say.landings import no_forecast_cell, note_shown
from tapbatch.show.view.besides import besides_cell, causes_of, is_cautious, once_text, said_once, since_first
from tapbatch.show.view.boards import planing_of
from tapbatch.show.view.landings import shown_landings
from tapbatch.show.view.stages import ModeRow, drifts_by_stage, drifts_into, mode_rows, stage_names
from tapbatch.show.view.working import name_shown, working_names

BESIDES = "besides the wood"

Kind = Literal["modes", "played", "drift", "first", "landings", "strings"]


@dataclass(frozen=True, slots=True)
class Cell:
    """What a cell says, and the number by which it sorts; ``items`` where the text is a list.

    ``light`` if it names what differs and cannot do much.
    """

    text: str
    number: float | None = None
    items: tuple[str, ...] = ()
    light: bool = False


Row = Mapping[str, Cell]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a title; without rows there is nothing to show. ``once`` holds for all its rows."""

    kind: Kind
    title: str
    rows: tuple[Row, ...]
    once: str = ""


def _mode(row: ModeRow) -> Row:
    mode, noticed = row.mode, tuple(map(words.flag_text, row.mode.flags))
    return {
        "note": Cell(words.note_text(mode), mode.freq_hz),
        "how sure": Cell(words.sure_text(mode), words.sure_cents(mode)),
        "trust": Cell(row.trust),
        "mode": Cell(_name(row)),
        "moved": Cell(row.moved, row.drift.extent.cents if row.drift and row.drift.extent else None),
        "Hz": Cell(words.hz_text(mode), mode.freq_hz),
        "T60 (s)": Cell(words.t60_text(mode), mode.t60_s),
        "Q": Cell(f"{mode.q:.0f}" if mode.q is not None and math.isfinite(mode.q) else "", mode.q),
        "level (dB)": Cell(f"{mode.level_db:{'+' if mode.level_db > 0 else ''}z.1f}", mode.level_db),
        "taps": Cell(str(mode.taps), mode.taps),
        "noticed": Cell(", ".join(noticed), items=noticed),
    }


def _name(row: ModeRow) -> str:
    """Return the name of a mode, and whether it is worked on or leads; a leading mode needs no more than that."""
    if row.mode.lead:
        return f"{row.name}, strongest"
    return f"{row.name}, worked on" if row.worked_on else row.name


def played_table(stage: Stage) -> Table:
    """Return the modes of a stage at both concert pitches, if it is played at another pitch than it is voiced at."""
    rows = tuple(
        {
            "voiced": Cell(words.note_text(m), m.freq_hz),
            "mode": Cell(m.mode),
            "played": Cell(words.played_note_text(m)),
            "Hz": Cell(words.hz_text(m), m.freq_hz),
        }
        for m in sorted(stage.modes, key=lambda m: m.freq_hz)
        if words.playing_text(m, stage)
    )
    pitches = f"{stage.concert_pitch_hz:g} Hz, voiced, and at {stage.playing_pitch_hz or stage.concert_pitch_hz:g} Hz"
    return Table(kind="played", title=f"{stage.part}: the same at A4 = {pitches}, played", rows=rows)


def drift_table(history: History, part: str, *, latest: bool = False) -> Table:
    """Return what moved in a part from each stage to the next, the latest first; or on the way to the latest only."""
    stages = history.of_part(part)[-1 if latest else 0 :]
    names, told, once = stage_names(history), drifts_by_stage(history), said_once(history, part)
    rows: list[Row] = []
    for order, stage in reversed([*enumerate(stages)]):
        drifts = told[part, stage.stage].values()
        for alike in alike_moves(drifts):
            causes = Cell(causes_of(history, stage, alike), light=bool(planing_of(history, alike)))
            rows.append(_alike(names, order, alike, causes))
        rows += [
            _drift(names, order, drift, name_shown(stage, drift.mode), besides_cell(drift, once)) for drift in drifts
        ]
    what = f"what moved on the way to {stages[-1].stage_shown}" if latest else "what moved from stage to stage"
    return Table(kind="drift", title=f"{part}: {what}", rows=tuple(rows), once=once_text(once))


def _alike(names: Mapping[tuple[str, str], str], order: int, alike: Alike, causes: Cell) -> Row:
    """Return the row of what all modes did alike between two stages."""
    before, after = (names.get((alike.part, s), s) for s in (alike.from_stage, alike.to_stage))
    cents = alike.extent.cents
    return {
        "stage": Cell(f"{before} to {after}", order),
        "verdict": Cell(moves.alike_way_text(alike, figures=False)),
        "mode": Cell("all modes"),
        "moved": Cell(moves.alike_way_text(alike), cents),
        "cents": Cell(moves.extent_text(alike.extent), cents),
        "which": Cell(""),
        "rings": Cell(""),
        "T60 (%)": Cell(""),
        BESIDES: causes,
    }


def _drift(names: Mapping[tuple[str, str], str], order: int, drift: Drift, mode: str, besides: str) -> Row:
    before, after = (names.get((drift.part, s), s) for s in (drift.from_stage, drift.to_stage))
    more = moves.more_text(drift)
    cents = moves.extent_text(drift.extent)
    t60 = figures.change_text(drift.t60_change_pct, drift.t60_low_pct, drift.t60_high_pct, 0)
    return {
        "stage": Cell(f"{before} to {after}", order),
        "verdict": Cell(moves.VERDICTS[drift.verdict] + (f" (+{more})" if more else "")),
        "mode": Cell(mode),
        "moved": Cell(moves.moved_text(drift), drift.extent.cents if drift.extent else None),
        "cents": Cell(cents, drift.extent.cents if drift.extent else None),
        "which": Cell(moves.MOVED[drift.moved]),
        "rings": Cell(moves.rings_text(drift), drift.t60_change_pct),
        "T60 (%)": Cell(t60, drift.t60_change_pct),
        BESIDES: Cell(besides, light=not is_cautious(drift)),
    }


def first_table(history: History, stage: Stage) -> Table:
    """Return what moved since each mode was first heard, if that was before the previous stage."""
    names, once = stage_names(history), said_once(history, stage.part)
    rows = tuple(
        {
            "verdict": Cell(moves.VERDICTS[d.first_verdict]),
            "mode": Cell(name_shown(stage, d.mode)),
            "cents": Cell(moves.extent_text(d.first_extent), d.first_extent.cents if d.first_extent else None),
            "since": Cell(names.get((stage.part, d.first_stage), d.first_stage)),
            BESIDES: Cell(besides_cell(since_first(d), once), light=not is_cautious(since_first(d))),
        }
        for d in drifts_into(history, stage).values()
        if d.first_verdict and d.first_stage != d.from_stage
    )
    return Table(kind="first", title=f"{stage.part}: what moved since each was first heard", rows=rows)


def _landing(landing: Landing) -> Row:
    step = figures.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1)
    steps, past = landing.steps_to_go, landing.overshoot
    why, more = no_forecast_cell(landing), landing.taps_to_sure
    sure = f" (+{more} tap{'' if more == 1 else 's'})" if more else ""
    return {
        "may settle at": Cell(f"{note_shown(landing)}, {landing.landing}", landing.landing_hz),
        "mode": Cell(landing.mode),
        "Hz": Cell(f"{landing.landing_hz:.2f}", landing.landing_hz),
        "to go": Cell(f"{landing.cents_to_go:+z.1f} c", landing.cents_to_go),
        "there?": Cell(f"{landing.on_target}, {landing.taps_within}/{landing.taps}{sure}"),
        "one more step (c)": Cell(step or why, landing.step_cents),
        "steps": Cell(why if step and steps is None else "" if steps is None else f"{steps:.1f}", steps),
        "past it (%)": Cell("" if past is None else f"{100 * past:.0f}", past),
    }


def strings_table(stage: Stage) -> Table:
    """Return the open strings that were heard at a stage."""
    return Table(kind="strings", title=f"Open strings, {stage.stage_shown}", rows=tuple(map(_string, stage.strings)))


def _string(string: OpenString) -> Row:
    hz, _ = figures.value_and_half_width(string.freq_hz, (string.freq_high_hz - string.freq_low_hz) / 2, 2)
    pair = "" if string.pair_cents is None else f"{string.pair_cents:.1f} c apart"
    rings = figures.seconds_text(string.t60_s, string.t60_low_s, string.t60_high_s)
    return {
        "string": Cell(str(string.string), string.string),
        "expected": Cell(string.expected_note, string.expected_hz),
        "off": Cell(f"{figures.signed(f'{string.cents_off:z.1f}')} c", string.cents_off),
        "pair": Cell(pair, string.pair_cents),
        "Hz": Cell(hz, string.freq_hz),
        "T60 (s)": Cell(rings, string.t60_s),
    }


def part_tables(history: History, part: str, steady_cents: float, *, latest: bool = False) -> Sequence[Table]:
    """Return the tables of a part at its latest stage that have rows; a pitch is sure within ``steady_cents``.

    With ``latest`` they say what moved on the way to the latest stage only, and not from each stage to the next.
    """
    stage = history.of_part(part)[-1]
    modes = sorted(mode_rows(stage, steady_cents, history), key=lambda r: (not r.worked_on, r.mode.freq_hz))
    works_on = working_names(history, stage)
    landed = [landing for landing in shown_landings(history) if landing.part == part]
    landings = tuple(map(_landing, sorted(landed, key=lambda landing: landing.mode not in works_on)))
    tables = (
        Table(kind="modes", title=f"{part}: modes at {stage.stage_shown}", rows=tuple(map(_mode, modes))),
        played_table(stage),
        drift_table(history, part, latest=latest),
        first_table(history, stage),
        Table(kind="landings", title=f"{part}: where it may settle", rows=landings),
    )
    return [table for table in tables if table.rows]
