"""The rows of the tables: an instrument's history laid out by column name.

Conventions: rows in the order of the history (parts, stages), then by path, tap and frequency; units as the columns
say; ``None`` where unknown. A stage is spelled as it is shown, in every table alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tapbatch.model.history import Drift, Heard, History, Landing, Stage, StageDecay, StageMode
from tapbatch.model.reading import Attention, Mode
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.say.notices import notices_of, notices_text
from tapbatch.show.tables.columns import OF_INSTRUMENT, Row


def history_to_tables(history: History) -> dict[str, list[Row]]:
    """Lay out the history of one instrument as the rows of its tables.

    Parameters
    ----------
    history
        Stages in order, with identities; missing recordings are marked so in their notice.

    Returns
    -------
    dict
        ``recordings``, ``taps``, ``tap_modes``, ``modes``, ``drift``, ``targets``, ``strings``, ``sustain``: a list
        of rows each.

    Examples
    --------
    >>> sorted(history_to_tables(History(instrument="na", instrument_shown="NA", stages=(), drifts=())))
    ['drift', 'modes', 'recordings', 'strings', 'sustain', 'tap_modes', 'taps', 'targets']
    """
    tables: dict[str, list[Row]] = {name: [] for name in OF_INSTRUMENT}
    for stage in history.stages:
        for heard in sorted(stage.heard, key=lambda h: h.recording.path):
            tables["recordings"].append(_recording_row(stage, heard))
            tables["taps"].extend(_tap_rows(stage, heard))
            tables["tap_modes"].extend(_tap_mode_rows(stage, heard))
        tables["modes"].extend(mode_rows(stage))
        tables["strings"].extend(string_rows(stage))
        tables["sustain"].extend(sustain_rows(stage))
    shown = {(s.part, s.stage): s.stage_shown for s in history.stages}
    tables["drift"].extend(_drift_row(d, shown) for d in history.drifts)
    tables["targets"].extend(_target_row(landing, shown) for landing in history.landings)
    return tables


def attention_rows(items: Sequence[Attention]) -> list[Row]:
    """Lay out what needs attention as the rows of ``attention.csv``, once each, sorted.

    Examples
    --------
    >>> attention_rows([Attention(where="a.wav", what="the file is empty", remedy="copy it again")])
    [{'where': 'a.wav', 'problem': 'the file is empty', 'remedy': 'copy it again'}]
    """
    cells = sorted({(item.where, item.what, item.remedy) for item in items})
    return [{"where": where, "problem": what, "remedy": remedy} for where, what, remedy in cells]


def mode_rows(stage: Stage) -> list[Row]:
    """Lay out the modes of one stage as rows of ``modes.csv``, by frequency."""
    return [_mode_row(stage, mode) for mode in sorted(stage.modes, key=lambda m: m.freq_hz)]


def string_rows(stage: Stage) -> list[Row]:
    """Lay out the open strings heard at one stage as rows of ``strings.csv``, by recording and string."""
    return [
        {
            "stage": stage.stage_shown,
            "recording": s.recording,
            "string": s.string,
            "expected_note": s.expected_note,
            "expected_hz": s.expected_hz,
            "freq_hz": s.freq_hz,
            "freq_low_hz": s.freq_low_hz,
            "freq_high_hz": s.freq_high_hz,
            "cents_off": s.cents_off,
            "pair_cents": s.pair_cents,
            "inharmonicity": s.inharmonicity,
            "t60_s": s.t60_s,
            "tension_n": s.tension_n,
        }
        for s in stage.strings
    ]


def sustain_rows(stage: Stage) -> list[Row]:
    """Lay out the decays of one stage as rows of ``sustain.csv``, the whole before the bands."""
    return [_sustain_row(stage, d) for d in sorted(stage.decays, key=lambda d: (d.kind, d.band_low_hz or 0.0))]


def _recording_row(stage: Stage, heard: Heard) -> Row:
    recording, reading = heard.recording, heard.reading
    return {
        "recording": recording.path,
        "sha256": recording.sha256,
        "part": heard.part,
        "state": heard.state,
        "stage": stage.stage_shown,
        "point": recording.point,
        "kind": recording.kind,
        "take": recording.take,
        "recorded_at": reading.recorded_at,
        "duration_s": reading.duration_s,
        "sample_rate_hz": reading.sample_rate_hz,
        "taps_found": len(reading.taps),
        "taps_used": len(reading.used_taps),
        "notice": notices_text(notices_of(heard)),
    }


def _tap_rows(stage: Stage, heard: Heard) -> list[Row]:
    return [
        {
            "recording": heard.recording.path,
            "stage": stage.stage_shown,
            "tap": read.tap.number,
            "onset_s": read.tap.onset_s,
            "peak_dbfs": read.tap.peak_dbfs,
            "snr_db": read.tap.snr_db,
            "used": read.tap.used,
            "reason": read.tap.reason,
        }
        for read in heard.reading.taps
    ]


def _tap_mode_rows(stage: Stage, heard: Heard) -> list[Row]:
    rows: list[Row] = []
    lead = stage.lead.mode if stage.lead else ""
    for index, read in enumerate(heard.reading.used_taps):
        names = heard.mode_names[index] if index < len(heard.mode_names) else ("",) * len(read.modes)
        named = sorted(zip(read.modes, names, strict=True), key=lambda pair: pair[0].freq_hz)
        # The level is that above the lead of the stage in this very tap, and unknown where the tap does not show it.
        top_db = next((mode.energy_db for mode, name in named if name and name == lead), None)
        rows.extend(_tap_mode_row(stage, heard, read.tap.number, mode, name, top_db) for mode, name in named)
    return rows


def _tap_mode_row(stage: Stage, heard: Heard, tap: int, mode: Mode, name: str, top_db: float | None) -> Row:
    return {
        "recording": heard.recording.path,
        "stage": stage.stage_shown,
        "tap": tap,
        "mode": name,
        "freq_hz": mode.freq_hz,
        "freq_se_hz": mode.freq_se_hz,
        "t60_s": mode.t60_s,
        "t60_se_s": mode.t60_se_s,
        "q": mode.q,
        "level_db": None if top_db is None else mode.energy_db - top_db,
    }


def _mode_row(stage: Stage, mode: StageMode) -> Row:
    return {
        "part": stage.part,
        "state": stage.state,
        "stage": stage.stage_shown,
        "stage_order": stage.order,
        "mode": mode.mode,
        "lead": mode.lead,
        "freq_hz": mode.freq_hz,
        "freq_low_hz": mode.freq_low_hz,
        "freq_high_hz": mode.freq_high_hz,
        "note": mode.note,
        "cents": mode.cents,
        "concert_pitch_hz": stage.concert_pitch_hz,
        "t60_s": mode.t60_s,
        "t60_low_s": mode.t60_low_s,
        "t60_high_s": mode.t60_high_s,
        "q": mode.q,
        "level_db": mode.level_db,
        "taps": mode.taps,
        "flags": ";".join(dict.fromkeys((*mode.flags, *stage.flags))),
        "playing_pitch_hz": stage.playing_pitch_hz,
        "playing_note": mode.playing_note,
        "playing_cents": mode.playing_cents,
    }


def _sustain_row(stage: Stage, decay: StageDecay) -> Row:
    return {
        "part": stage.part,
        "stage": stage.stage_shown,
        "kind": decay.kind,
        "band_low_hz": decay.band_low_hz,
        "band_high_hz": decay.band_high_hz,
        "edt_s": decay.edt_s,
        "t20_s": decay.t20_s,
        "t30_s": decay.t30_s,
        "t60_s": decay.t60_s,
        "t60_low_s": decay.t60_low_s,
        "t60_high_s": decay.t60_high_s,
        "recordings": decay.recordings,
        "flags": ";".join(dict.fromkeys((*decay.flags, *stage.flags))),
    }


def _drift_row(drift: Drift, shown: Mapping[tuple[str, str], str]) -> Row:
    return {
        "part": drift.part,
        "mode": drift.mode,
        "from_stage": shown.get((drift.part, drift.from_stage), drift.from_stage),
        "to_stage": shown.get((drift.part, drift.to_stage), drift.to_stage),
        "freq_change_hz": drift.freq_change_hz,
        "freq_change_cents": drift.freq_change_cents,
        "cents_low": drift.cents_low,
        "cents_high": drift.cents_high,
        "t60_change_pct": drift.t60_change_pct,
        "t60_low_pct": drift.t60_low_pct,
        "t60_high_pct": drift.t60_high_pct,
        "verdict": drift.verdict,
        "caution": cautions_text(drift.cautions),
        "chance_pct": None if drift.chance is None else 100.0 * drift.chance,
        "more_taps": drift.more_taps,
        "first_stage": shown.get((drift.part, drift.first_stage), drift.first_stage),
        "first_change_cents": drift.first_change_cents,
        "first_cents_low": drift.first_cents_low,
        "first_cents_high": drift.first_cents_high,
        "first_verdict": drift.first_verdict,
        "first_caution": cautions_text(drift.first_cautions),
    }


def _target_row(landing: Landing, shown: Mapping[tuple[str, str], str]) -> Row:
    return {
        "part": landing.part,
        "mode": landing.mode,
        "stage": shown.get((landing.part, landing.stage), landing.stage),
        "freq_hz": landing.freq_hz,
        "note": landing.note,
        "cents": landing.cents,
        "landing": landing.landing,
        "landing_note": landing.landing_note,
        "landing_hz": landing.landing_hz,
        "cents_to_go": landing.cents_to_go,
        "tolerance_cents": landing.tolerance_cents,
        "on_target": landing.on_target,
        "taps_within": f"{landing.taps_within}/{landing.taps}",
        "step_cents": landing.step_cents,
        "step_low_cents": landing.step_low_cents,
        "step_high_cents": landing.step_high_cents,
        "steps_seen": landing.steps_seen,
        "steps_to_go": landing.steps_to_go,
        "overshoot_pct": None if landing.overshoot is None else 100.0 * landing.overshoot,
        "basis": landing.basis,
    }
