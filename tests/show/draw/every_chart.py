"""Every chart that a history gives, by name, drawn for a look."""

from __future__ import annotations

from collections.abc import Iterator

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.before_after import before_after_chart
from tapbatch.show.draw.chart import Chart, Look
from tapbatch.show.draw.decays import decay_pages, decays_chart
from tapbatch.show.draw.drift import drift_chart
from tapbatch.show.draw.kin import family_chart
from tapbatch.show.draw.landings import landings_chart
from tapbatch.show.draw.spectra import spectra_chart
from tapbatch.show.draw.strings import strings_chart
from tapbatch.show.draw.sustain import rings_chart, sustain_chart
from tapbatch.show.draw.what_if import slide_chart
from tapbatch.show.view.kin import family_beside
from tapbatch.show.view.landings import landing_blocks
from tapbatch.show.view.side_by_side import last_two
from tapbatch.show.view.stages import chart_modes, plucked_stage


def charts_of(history: History, settings: InstrumentSettings, look: Look) -> Iterator[tuple[str, Chart]]:
    """The charts of each part, the landings, the strings and the decays; none that has nothing to show."""
    for part in history.parts:
        stages = history.of_part(part)
        if not any(s.modes or s.decays for s in stages):
            continue
        names = chart_modes(stages)
        if names:
            drawn = names if look.is_wide else names[:1]
            yield f"drift of {part}", drift_chart(history, stages, drawn, settings, look)
        rings = rings_chart(history, stages[-2:], settings, look)
        if rings:
            yield f"rings of {part}", rings
        if look.is_wide and len(stages) > 1:
            sustain = sustain_chart(history, stages, settings, look)
            if sustain:
                yield f"sustain of {part}", sustain
        shown = stages if look.is_wide else stages[-2:]
        yield f"spectra of {part}", spectra_chart(shown, settings, look)
        compared = last_two(history, part, settings)
        if compared:
            yield f"before and after of {part}", before_after_chart(compared, look)
        side = family_beside(history, part, settings)
        if side:
            yield f"family of {part}", family_chart(side, look)
        if not look.is_wide:
            yield f"decay of {part}", decays_chart(stages[-1:], look)
    for stage, landings in landing_blocks(history):
        yield f"landings of {landings[0].mode}", landings_chart(stage, landings, settings, look)
    if history.slide is not None:
        yield "what a wider opening would do", slide_chart(history.slide, look).chart
    plucked = plucked_stage(history)
    if plucked:
        yield "strings", strings_chart(plucked, settings, look)
    if look.is_wide:
        yield from (("decays", page.drawn()) for page in decay_pages(history.stages, look))
