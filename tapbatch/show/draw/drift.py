"""The drift of a part: where its modes lie over the stages, each on a staff of notes.

Conventions: as in :mod:`tapbatch.show.draw.over_stages`. The staff has a line for each note of the scale at the
concert pitch of the part's latest stage, a hundred cents apart; a stage read at another concert pitch is drawn at its
frequency. A wide chart names the modes on the left; a narrow one leaves the name to its caption; that of the reading
slip is narrower still and leaves out the latest reading, which stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.pitch import Spelling
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw import over_stages
from tapbatch.show.draw.chart import BODY, LEAD, SMALL, TINY, Chart, Look, Panel
from tapbatch.show.draw.marks import Role, Said
from tapbatch.show.draw.over_stages import ModePoint
from tapbatch.show.say import moves, words
from tapbatch.show.say.cautions import caution_text, cautions_text
from tapbatch.show.view.besides import by_weight, is_cautious, once_text, said_once
from tapbatch.show.view.stages import drifts_by_stage, mode_at, sign_text
from tapbatch.show.view.working import name_shown, subjects_of

GAP_MM = 3.0
MOST_DIFFERED = 6
MOST_GUIDES = 20
LEAST_SPAN_CENTS = 120.0
LEAST_STEP_MM = 6.9
LEAST_UPRIGHT_MM = 2.4
ASIDE_MM, ASIDE_FALL_MM = 2.4, 3.2
LATEST = 5
LATEST_MM = 52.0
# The room left and right of the staff, in mm: in a wide chart, a narrow one, and one without the latest reading.
_WIDE_MM, _NARROW_MM, _BARE_MM = (38.0, 27.0), (9.0, 23.0), (8.0, 0.0)
_BARE_BELOW_MM = 60.0


def differed(history: History, part: str) -> list[Said]:
    """Return what differed besides the wood on the way to the latest stages of a part, each a line, oldest first.

    What can do much to any mode is in the colour of limits. What cannot, and differs at every stage, is said once.
    """
    lines: list[Said] = []
    told, once = drifts_by_stage(history), said_once(history, part)
    for stage in history.of_part(part)[1:]:
        drifts = told[part, stage.stage].values()
        # Modes differ in what a condition does to them; of each kind the longest says what moved any of them.
        longest: dict[CautionKind, Caution] = {}
        for caution in sorted((c for d in drifts for c in d.cautions), key=lambda c: -len(caution_text(c))):
            longest.setdefault(caution.kind, caution)
        kinds = dict.fromkeys(c.kind for d in drifts for c in d.cautions)
        much, little = by_weight([longest[kind] for kind in kinds], drifts)
        less = cautions_text(c for c in little if c.kind not in once)
        lines += [(f"{stage.stage_shown}: {cautions_text(much)}", "caution")] if much else []
        lines += [(f"{stage.stage_shown}, too little to matter: {less}", "soft text")] if less else []
    left_out = len(lines) - MOST_DIFFERED
    if left_out > 0:
        lines[: left_out + 1] = [(f"{left_out + 1} more in drift.csv", "soft text")]
    always: list[Said] = [(once_text(once), "soft text")] if once else []
    return always + lines


def drift_chart(
    history: History,
    stages: Sequence[Stage],
    names: Sequence[str],
    settings: InstrumentSettings,
    look: Look,
    *,
    strip_mm: float = 29.0,
) -> Chart:
    """Draw where some modes, given by their names, lie over some stages, a strip of the staff for each.

    A mode that is at none of the stages has no strip. A strip is ``strip_mm`` high where there is room.
    """
    chart = Chart(look)
    found = {n: points for n in names if (points := drift_points(history, stages, n, settings.steady_cents))}
    before_mm, after_mm = _WIDE_MM if look.is_wide else _NARROW_MM if look.width_mm > _BARE_BELOW_MM else _BARE_MM
    left, right = before_mm, look.width_mm - after_mm
    places = over_stages.stage_places(left, right, len(stages))
    axis_mm = over_stages.stage_axis_height_mm(stages, right - left, look)
    step = min(strip_mm + GAP_MM, (look.room_mm - axis_mm) / max(len(found), 1))
    foot = step * len(found) - GAP_MM
    if len(places) <= MOST_GUIDES:
        # A hairline down each stage leads the eye to its name.
        chart.rules([[(x, 0.0), (x, foot)] for x in places], "guide")
    for n, (name, points) in enumerate(found.items()):
        panel = staff_panel(left, right, step * n, step - GAP_MM, points)
        _draw_staff(chart, panel, stages[-1].concert_pitch_hz, settings.spelling, name)
        _draw_changes(chart, panel, places, points)
        over_stages.draw_points(chart, panel, places, points, name)
        if look.is_wide:
            middle = panel.top_mm + panel.height_mm / 2
            chart.say(0.0, middle, name_shown(stages[-1], name), LEAD, bold=True, within_mm=left - 11.0)
            chart.say(0.0, middle + 4.0, mode_now(history, stages, name), SMALL, role="soft text")
        if after_mm:
            _tell_latest(chart, panel, points[-1])
    over_stages.draw_stage_axis(chart, left, right, foot, stages)
    chart.height_mm = foot + axis_mm
    chart.description = "; ".join(_told(stages[point.index], point) for points in found.values() for point in points)
    return chart


def latest_staff(
    history: History, stage: Stage, name: str, settings: InstrumentSettings, look: Look
) -> tuple[Chart, str]:
    """Draw where one mode lay over the last stages up to this one, at most five; return the chart and its caption."""
    stages = history.of_part(stage.part)[-LATEST:]
    any_width = settings.model_copy(update={"steady_cents": math.inf})
    chart = drift_chart(history, stages, [name], any_width, look, strip_mm=LATEST_MM)
    shown = name_shown(stage, name)
    told = f"{shown}, the last {len(stages)} stages" if len(stages) > 1 else shown
    points = drift_points(history, stages, name, math.inf)
    panel = staff_panel(0.0, 1.0, 0.0, LATEST_MM, points) if points else None
    ticks = panel and over_stages.tens_between(panel.y_low, panel.y_high, LATEST_MM)
    return chart, f"{told}; ticks: 10 c" if ticks else told


def drift_points(history: History, stages: Sequence[Stage], name: str, steady_cents: float) -> list[ModePoint]:
    """Return where a mode lies at each stage that shows it, in cents from A4 at the latest concert pitch."""
    pitch = stages[-1].concert_pitch_hz

    def cents(mode: StageMode) -> list[float]:
        freqs_hz = (mode.freq_hz, mode.freq_low_hz, mode.freq_high_hz)
        return [1200.0 * math.log2(f / pitch) if f > 0 and math.isfinite(f) else math.nan for f in freqs_hz]

    return over_stages.mode_points(history, stages, name, steady_cents, cents)


def staff_panel(left: float, right: float, top: float, height: float, points: Sequence[ModePoint]) -> Panel:
    """Return the window on the staff that shows some readings, one at least, in cents from A4."""
    # Intervals stretch the staff only so far; a wild one is cut at its edge, and the readings keep their scale.
    low, high = min(p.value for p in points), max(p.value for p in points)
    wings = [w for p in points for w in (p.value - p.low, p.high - p.value) if math.isfinite(w)]
    wing = min(max(wings, default=0.0), 60.0)
    nearest = 100.0 * round(points[-1].value / 100.0)
    low, high = min(low - wing - 15.0, nearest - 8.0), max(high + wing + 15.0, nearest + 8.0)
    spare = max(LEAST_SPAN_CENTS - (high - low), 0.0) / 2
    return Panel(left, top, right - left, height, y_low=low - spare, y_high=high + spare)


def _draw_staff(chart: Chart, panel: Panel, pitch_hz: float, spelling: Spelling, name: str) -> None:
    notes = over_stages.notes_between(panel.y_low, panel.y_high, pitch_hz, spelling)
    every = max(math.ceil(2.6 * chart.look.spacing * len(notes) / panel.height_mm), 1)
    left, right = panel.left_mm, panel.right_mm
    chart.lines([[(left, y), (right, y)] for y in panel.y_mm(list(notes))], "scale", f"staff {name}")
    for cents, note in notes.items():
        if cents % (100 * every) == 0:
            chart.say(left - 1.5, float(panel.y_mm(cents)), note, SMALL, ha="right", va="center")
    tens = over_stages.tens_between(panel.y_low, panel.y_high, panel.height_mm)
    chart.rules([[(left, y), (left + 1.0, y)] for y in panel.y_mm(tens)])


def _draw_changes(chart: Chart, panel: Panel, places: Sequence[float], points: Sequence[ModePoint]) -> None:
    """Write the change beside each line where there is room, upright where stages stand close."""
    if len(places) < 2 or places[1] - places[0] < LEAST_UPRIGHT_MM:
        return
    upright = places[1] - places[0] < LEAST_STEP_MM
    at = {p.index: float(panel.y_mm(p.value)) for p in points}
    for index, drift in ((p.index, p.drift) for p in points):
        if drift is None or index - 1 not in at:
            continue
        # The line shows what was read. Of a mode that parted from the rest, nobody knows whether it moved.
        text = sign_text("unclear" if drift.parted else drift.verdict, drift.freq_change_cents)
        role: Role = "caution" if is_cautious(drift) else "soft text"
        x, y = (places[index - 1] + places[index]) / 2, (at[index - 1] + at[index]) / 2
        if upright:
            _write_upright(chart, panel, x, (at[index - 1], at[index]), text, role)
            continue
        # Above its line, or below where a line of the staff would run through it.
        baseline = max((y - 1.2, y + 3.2), key=lambda b: min(_staff_gap_mm(panel, b - 1.0), 1.3))
        # To the side to which the line falls away from the words.
        falls = max(min((at[index] - at[index - 1]) / ASIDE_FALL_MM, 1.0), -1.0)
        x += falls * (ASIDE_MM if baseline < y else -ASIDE_MM)
        chart.say(x, baseline, text, SMALL, ha="center", role=role)


def _write_upright(chart: Chart, panel: Panel, x: float, ends: tuple[float, float], text: str, role: Role) -> None:
    """Write a change upright above its line, or below where it would leave the panel."""
    length = chart.text_mm(text, TINY)
    above = min(ends) - 1.6
    if above - length >= panel.top_mm:
        chart.say(x + 0.8, above, text, TINY, role=role, upright=True)
    elif max(ends) + 1.6 + length <= panel.bottom_mm:
        chart.say(x + 0.8, max(ends) + 1.6 + length, text, TINY, role=role, upright=True)


def _staff_gap_mm(panel: Panel, y_mm: float) -> float:
    """Return how far a place on the chart lies from the nearest line of the staff."""
    cents = panel.y_high - (y_mm - panel.top_mm) / panel.height_mm * (panel.y_high - panel.y_low)
    return abs(cents - 100.0 * round(cents / 100.0)) * panel.height_mm / (panel.y_high - panel.y_low)


def mode_now(history: History, stages: Sequence[Stage], name: str) -> str:
    """Say how a mode stands at the latest stage, where there is something to say."""
    mode, told = mode_at(stages[-1], name), subjects_of(history, stages[-1])
    if mode is None:
        return "no longer heard"
    if any(s.name == name and s.because != "strongest" for s in told):
        return "worked on"
    return "strongest" if mode.lead else ""


def _tell_latest(chart: Chart, panel: Panel, point: ModePoint) -> None:
    mode = point.mode
    y = min(max(float(panel.y_mm(point.value)), panel.top_mm + 2.5), panel.bottom_mm - 4.0)
    x = panel.right_mm + 2.0
    chart.say(x, y + 0.8, words.note_text(mode), BODY, bold=True)
    sure = words.sure_text(mode)
    both, room = f"{sure}, {words.hz_text(mode)} Hz", chart.width_mm - x
    told = both if chart.text_mm(both, TINY) <= room else sure
    chart.say(x, y + 0.8 + 3.4 * chart.look.spacing, told, TINY, role="soft text", within_mm=room)


def _told(stage: Stage, point: ModePoint) -> str:
    """Say where a mode lay at a stage, and how it moved there."""
    how = f", {moves.moved_cell(point.drift)}" if point.drift else ""
    return f"{stage.stage_shown} {words.note_text(point.mode)} {words.sure_text(point.mode)}{how}"
