"""The figures of the page: the charts of :mod:`tapbatch.show.draw`, each with its caption.

Conventions: charts have the width that a telephone shows without shrinking. A figure with nothing to show is left
out.
"""

from __future__ import annotations

from collections.abc import Iterable

from tapbatch.compare.before_after import Comparison
from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.svg import svg_of
from tapbatch.show.draw.before_after import before_after_chart, before_after_notes
from tapbatch.show.draw.chart import SCREEN, Chart
from tapbatch.show.draw.decays import decays_chart, trace_of
from tapbatch.show.draw.drift import LATEST, drift_chart, mode_now
from tapbatch.show.draw.landings import landings_chart
from tapbatch.show.draw.marks import Said
from tapbatch.show.draw.spectra import spectra_chart, spectrum_of
from tapbatch.show.draw.strings import strings_chart, strings_notes
from tapbatch.show.draw.sustain import rings_chart
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.side_by_side import last_two
from tapbatch.show.view.stages import Lined, chart_modes, mode_at, with_own_lines

SPECTRUM_ROW_MM = 24.0
MOST_ROWS = 8


def figure(chart: Chart, name: str, heading: str, aside: str = "", notes: Iterable[Said] = ()) -> Markup:
    """Return a chart with its caption above and its notes below; a screen reader reads ``name``."""
    caption = tag("figcaption", tag("b", heading), f" {aside}" if aside else "")
    said = [tag("p", text, class_="caution" if role == "caution" else None) for text, role in notes]
    return tag("figure", caption, svg_of(chart, name), *said)


def part_figures(
    history: History, settings: InstrumentSettings, lined: Lined = with_own_lines
) -> dict[str, list[list[Markup]]]:
    """Return the figures of each part in two groups: the drift of its modes, and how it stands and sounds now."""
    compared = {part: last_two(history, part, settings) for part in history.parts}
    # What the verdicts rest on is said once.
    told_by = next((part for part, comparison in compared.items() if comparison), "")
    figures = {}
    for part, comparison in compared.items():
        stages = history.of_part(part)
        latest = [lined(stage) for stage in stages[-2:]]
        notes = before_after_notes(comparison) if comparison and part == told_by else []
        groups = [
            [drift_figure(history, stages, name, settings) for name in chart_modes(stages)],
            [
                *_landings(history, part, settings),
                _rings(history, stages[-2:], settings),
                _before_after(comparison, notes) if comparison else Markup(),
                _spectra([stage for stage in latest if spectrum_of(stage)], settings),
                _decay(latest[-1]),
            ],
        ]
        figures[part] = [shown for group in groups if (shown := [each for each in group if each])]
    return figures


def drift_figure(history: History, stages: tuple[Stage, ...], name: str, settings: InstrumentSettings) -> Markup:
    """Return a figure of where a mode lay at some stages, two at least; nothing if it is at none of them."""
    if len(stages) < 2 or not any(mode_at(stage, name) for stage in stages):
        return Markup()
    chart = drift_chart(history, stages, [name], settings, SCREEN)
    return figure(chart, f"Drift of {name}", name, mode_now(stages, name))


def lead_figure(history: History, stage: Stage, name: str, settings: InstrumentSettings) -> Markup:
    """Return a figure of where the leading mode lay at the last stages."""
    return drift_figure(history, history.of_part(stage.part)[-LATEST:], name, settings)


def strings_figure(stage: Stage, settings: InstrumentSettings) -> Markup:
    """Return a figure of the open strings that were heard at a stage."""
    chart = strings_chart(stage, settings, SCREEN)
    aside = f"{stage.stage_shown}, cents from their notes"
    return figure(chart, "Open strings", "Open strings", aside, strings_notes(stage, settings))


def _landings(history: History, part: str, settings: InstrumentSettings) -> list[Markup]:
    figures = []
    for stage, landings in landing_blocks(history):
        if stage.part == part:
            chart = landings_chart(stage, landings, settings, SCREEN)
            mode = landings[0].mode
            figures.append(figure(chart, f"Landings of {mode}", mode, "where it could come to rest"))
    return figures


def _rings(history: History, stages: tuple[Stage, ...], settings: InstrumentSettings) -> Markup:
    chart = rings_chart(history, stages, settings, SCREEN, most=MOST_ROWS)
    newest = stages[-1].stage_shown
    between = f"hollow: {stages[0].stage_shown}; full: {newest}" if len(stages) > 1 else newest
    return figure(chart, "How long it rings", "T60 in seconds", between) if chart else Markup()


def _before_after(comparison: Comparison, notes: Iterable[Said]) -> Markup:
    chart = before_after_chart(comparison, SCREEN)
    between = f"{comparison.before.stage_shown}, then {comparison.after.stage_shown}; change of T60 in percent"
    return figure(chart, "Before and after", "Before and after", between, notes)


def _spectra(stages: list[Stage], settings: InstrumentSettings) -> Markup:
    if not stages:
        return Markup()
    chart = spectra_chart(stages, settings, SCREEN, row_mm=SPECTRUM_ROW_MM)
    aside = "in notes and hertz; level to 60 dB below the strongest line"
    return figure(chart, "Spectrum with its modes", "Spectrum", aside)


def _decay(stage: Stage) -> Markup:
    trace = trace_of(stage)
    if trace is None:
        return Markup()
    chart = decays_chart([stage], SCREEN)
    return figure(chart, "Decay of the clearest tap", "Decay", f"{stage.stage_shown}, tap {trace.tap}; level in dB")
