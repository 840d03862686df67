"""The figures of the page: the charts of :mod:`tapbatch.show.draw`, each with its caption.

Conventions: charts have the width that a telephone shows without shrinking. A figure with nothing to show is left
out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from tapbatch.compare.before_after import Comparison
from tapbatch.model.forecast import ForecastCame, kept_of
from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.svg import svg_of
from tapbatch.show.draw.before_after import before_after_chart, before_after_notes
from tapbatch.show.draw.boards import (
    CAUTION,
    PLANED_MARKS,
    RECORD_MARKS,
    board_chart,
    figures_chart,
    figures_notes,
    planed_chart,
    record_chart,
    thickness_chart,
)
from tapbatch.show.draw.chart import SCREEN, Chart
from tapbatch.show.draw.decays import decays_chart, trace_of
from tapbatch.show.draw.drift import drift_chart, mode_now
from tapbatch.show.draw.forecasts import forecasts_chart
from tapbatch.show.draw.kin import family_chart, family_notes, family_within
from tapbatch.show.draw.landings import landings_chart
from tapbatch.show.draw.marks import Said
from tapbatch.show.draw.spectra import spectra_chart, spectrum_of
from tapbatch.show.draw.strings import strings_chart, strings_notes
from tapbatch.show.draw.sustain import rings_chart
from tapbatch.show.say.forecasts import chances_text, kept_text
from tapbatch.show.view.boards import planings
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.side_by_side import last_two
from tapbatch.show.view.stages import Lined, chart_modes, mode_at, with_own_lines
from tapbatch.show.view.working import name_shown, working_names

CAME, FAMILY = "How forecasts came out", "Beside its family"
FAMILY_ROOM_MM = 145.0


def figure(chart: Chart, name: str, heading: str, aside: str = "", notes: Iterable[Said] = ()) -> Markup:
    """Return a chart with its caption above and its notes below; a screen reader reads ``name``."""
    caption = tag("figcaption", tag("b", heading), f" {aside}" if aside else "")
    said = [tag("p", text, class_="caution" if role == "caution" else None) for text, role in notes]
    return tag("figure", caption, svg_of(chart, name), *said)


def part_figures(
    history: History, settings: InstrumentSettings, lined: Lined = with_own_lines
) -> dict[str, tuple[list[Markup], list[Markup]]]:
    """Return the figures of each part in two groups: the drift of its modes, and how it stands and sounds now."""
    compared = {part: last_two(history, part, settings) for part in history.parts}
    # What the verdicts rest on is said once.
    told_by = next((part for part, comparison in compared.items() if comparison), "")
    figures = {}
    for part, comparison in compared.items():
        stages = history.of_part(part)
        names = chart_modes(stages, working_names(history, stages[-1]))
        drifts = [drift_figure(history, stages, name, settings) for name in names]
        latest = [lined(stage) for stage in stages[-2:]]
        came = forecasts_figure([f for f in history.forecasts if f.part == part])
        now = [*_landings(history, part, settings), *([came] if came else []), *_family(history, part, settings)]
        now += _sounds(history, latest, settings, comparison, part == told_by)
        figures[part] = ([each for each in drifts if each], now)
    return figures


def drift_figure(history: History, stages: tuple[Stage, ...], name: str, settings: InstrumentSettings) -> Markup:
    """Return a figure of where a mode lay at some stages, two at least; nothing if it is at none of them."""
    if len(stages) < 2 or not any(mode_at(stage, name) for stage in stages):
        return Markup()
    chart = drift_chart(history, stages, [name], settings, SCREEN)
    shown = name_shown(stages[-1], name)
    return figure(chart, f"Drift of {shown}", shown, mode_now(history, stages, name))


def strings_figure(stage: Stage, settings: InstrumentSettings) -> Markup:
    """Return a figure of the open strings that were heard at a stage."""
    chart = strings_chart(stage, settings, SCREEN)
    aside = f"{stage.stage_shown}, cents from their notes"
    return figure(chart, "Open strings", "Open strings", aside, strings_notes(stage, settings))


def wood_figures(history: History, stage: Stage, settings: InstrumentSettings) -> list[Markup]:
    """Return the figures of a blank: what its taps tell, the board, what thickness will do, and what planing did."""
    wood, found = stage.wood, []
    if wood is None:
        return []
    told = figures_chart(wood, SCREEN)
    found.append(figure(told, "Figures of the wood", "Figures", stage.stage_shown, figures_notes(wood)))
    record = record_chart(wood, SCREEN)
    if record is not None:
        words: list[Said] = [(RECORD_MARKS, "text")]
        found.append(figure(record, "Where to hold and tap it", "Where to hold and tap it", "to tell more", words))
    board, thickness = board_chart(wood, SCREEN), thickness_chart(wood, settings, SCREEN)
    if board is not None:
        aside = "to scale, grain from left to right; it stands still along the dark lines"
        found.append(figure(board, "The board and its nodal lines", "The board", aside))
    if thickness is not None:
        aside = "dot: today; pale band: 95 % interval"
        notes: list[Said] = [(CAUTION, "caution")]
        found.append(figure(thickness, "What thickness will do", "What thickness will do", aside, notes))
    planed = planed_chart(planings(history), SCREEN)
    if planed is not None:
        found.append(figure(planed, "What planing did", "What planing did", "", [(PLANED_MARKS, "text")]))
    return found


def _landings(history: History, part: str, settings: InstrumentSettings) -> Iterator[Markup]:
    for stage, landings in landing_blocks(history):
        if stage.part == part:
            mode, chart = landings[0].mode, landings_chart(stage, landings, settings, SCREEN)
            yield figure(chart, f"Where {mode} may settle", mode, "where it may settle")


def _family(history: History, part: str, settings: InstrumentSettings) -> Iterator[Markup]:
    look = replace(SCREEN, room_mm=FAMILY_ROOM_MM)
    side = family_within(history, part, settings, look)
    if side:
        aside = "where each stood at the same stage; this one is bold, the line is where it lies"
        yield figure(family_chart(side, look), "The family side by side", FAMILY, aside, family_notes(side))


def forecasts_figure(forecasts: Sequence[ForecastCame]) -> Markup:
    """Return how forecasts came out; with fewer than ten only that they are too few, and nothing without any."""
    kept = kept_of(forecasts)
    chart = forecasts_chart(forecasts, SCREEN)
    if chart is None:
        return (
            tag("figure", tag("figcaption", tag("b", "Forecasts"), f" {kept_text(kept)}")) if kept.count else Markup()
        )
    return figure(chart, CAME, "Forecasts", kept_text(kept), [(chances_text(kept), "text")])


def _sounds(
    history: History, stages: Sequence[Stage], settings: InstrumentSettings, compared: Comparison | None, told: bool
) -> Iterator[Markup]:
    """Yield how the last stages of a part sound: how long they ring, what has changed, the spectra and the decay."""
    newest = stages[-1].stage_shown
    chart = rings_chart(history, stages, settings, SCREEN, most=8)
    if chart:
        between = f"hollow: {stages[0].stage_shown}; full: {newest}" if len(stages) > 1 else newest
        yield figure(chart, "How long it rings", "T60 in seconds", between)
    if compared:
        between = f"{compared.before.stage_shown}, then {compared.after.stage_shown}; change of T60 in per cent"
        chart, notes = before_after_chart(compared, SCREEN), before_after_notes(compared) if told else ()
        yield figure(chart, "Before and after", "Before and after", between, notes)
    heard = [stage for stage in stages if spectrum_of(stage)]
    if heard:
        chart = spectra_chart(heard, settings, SCREEN, row_mm=24.0)
        aside = "in notes and hertz; level to 60 dB below the strongest line"
        yield figure(chart, "Spectrum with its modes", "Spectrum", aside)
    trace = trace_of(stages[-1])
    if trace:
        chart = decays_chart(stages[-1:], SCREEN)
        yield figure(chart, "Decay of the clearest tap", "Decay", f"{newest}, tap {trace.tap}; level in dB")
