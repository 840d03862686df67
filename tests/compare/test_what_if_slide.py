"""The openings of a slide, and that each of its places says what an answer at that opening says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.box.growth import Hole
from tapbatch.compare.what_if import answer
from tapbatch.compare.what_if_slide import FARTHEST, MOST_SIZES, openings_ahead, slide_of
from tapbatch.compare.working_on import with_working_on
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Asked, Slide
from tests.compare.test_what_if import AREAS, seen_of
from tests.compare.voicing import LABELS, landed, step, up

TARGET = [{"mode": "air", "note": "F3"}]


def voiced(state: str = "closed", **settings: Any) -> tuple[History, Slide | None]:
    items = [step(n + 1, up(176.0, 12.0 * n), 262.0, state=state) for n in range(len(AREAS))]
    notes: dict[str, Any] = {f"05-voicing-step-{n + 1}": {"opening_mm2": a} for n, a in enumerate(AREAS)}
    wanted = {"target": TARGET, **settings}
    history, _ = landed(*items, notes=notes, **wanted)
    of = InstrumentSettings.model_validate({"mode": LABELS, **wanted})
    history = with_working_on(history, of, {})
    return history, slide_of(history, of)


@given(st.floats(5.0, 200.0), st.floats(0.01, FARTHEST))
def test_openings_grow_from_now_by_round_steps_and_are_not_many(now: float, doublings: float) -> None:
    openings = openings_ahead(Hole("round", now), doublings)
    sizes = [one.length_mm for one in openings]
    assert sizes[0] == now
    assert sizes == sorted(set(sizes))
    assert len(sizes) <= MOST_SIZES
    assert openings[-1].area_mm2 <= openings[0].area_mm2 * 2.0**doublings * (1.0 + 1e-6)


def test_each_place_is_where_an_answer_puts_the_mode() -> None:
    history, slide = voiced()
    assert slide is not None
    (air, _) = slide.lines
    assert air.mode == "air"
    for n in (len(slide.openings) // 2, len(slide.openings) - 1):
        asked = Asked(hole_mm=slide.openings[n].length_mm)
        told = answer(seen_of(history, target=TARGET), asked).rests[0]
        place = air.places_hz[n]
        assert told.moved is not None
        assert place is not None
        wanted = [up(air.freq_hz, c) for c in (told.moved.low, told.moved.cents, told.moved.high)]
        # Between the openings that are worked out it is interpolated.
        assert place == pytest.approx(wanted, rel=3e-4)


def test_it_begins_at_the_reading_and_has_the_stages_and_the_target() -> None:
    _, slide = voiced()
    assert slide is not None
    air = slide.lines[0]
    assert air.places_hz[0] is not None
    assert air.places_hz[0][1] == air.freq_hz
    assert [hz for _, hz in air.stages] == pytest.approx([up(176.0, 12.0 * n) for n in range(4)], rel=1e-4)
    assert air.aims[0][1] == pytest.approx(174.61, abs=0.01)
    assert air.is_drawn


def test_it_ends_where_nobody_can_say() -> None:
    _, slide = voiced()
    assert slide is not None
    # All steps so far took the opening from 400 to 532.4 mm2: so much again.
    assert slide.openings[-1].area_mm2 <= 532.4**2 / 400.0


def test_under_tension_or_without_an_opening_there_is_none() -> None:
    assert voiced("strung")[1] is None
    history, _ = voiced()
    bare = replace(history, stages=tuple(replace(s, note=None) for s in history.stages))
    assert slide_of(bare, InstrumentSettings.model_validate({"mode": LABELS})) is None
