"""What if with a known box: against two coupled oscillators worked out here, with openings in closed form.

The truth is not the code's: ``f-^2`` and ``f+^2`` are the roots of ``x^2 - (fp^2 + fap^2 + fh^2) x + fp^2 fh^2``
(Christensen & Vistisen, J. Acoust. Soc. Am. 68, 1980), ``fh = c/(2 pi) sqrt(C/V)``. A circle conducts by its
diameter, an ellipse by ``pi a / K(e)`` (Rayleigh, The Theory of Sound, section 306), in series with its edge,
``area/edge``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from scipy.special import ellipk

from tapbatch.compare.what_if import answer
from tapbatch.compare.what_if_opening import opening_now, opening_then
from tapbatch.compare.what_if_slide import slide_of
from tapbatch.compare.working_on import with_working_on
from tapbatch.model.history import Note, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Answer, Asked
from tapbatch.show.say.what_if import against_text
from tests.compare.test_what_if import rest, seen_of
from tests.compare.voicing import landed, step

EDGE_MM, VOLUME_L = 2.5, 7.0


@dataclass(frozen=True)
class Made:
    """A box: its volume, its top alone, and how strongly both are coupled."""

    volume_l: float = VOLUME_L
    top_hz: float = 250.0
    coupling_hz: float = 120.0


BOX = Made()


def conductance_mm(length_mm: float, width_mm: float) -> float:
    a, b = length_mm / 2.0, width_mm / 2.0
    open_mm = math.pi * a / float(ellipk(1.0 - (b / a) ** 2))
    return 1.0 / (1.0 / open_mm + EDGE_MM / (math.pi * a * b))


def box_hz(length_mm: float, width_mm: float = 0.0, celsius: float = 20.0, box: Made = BOX) -> tuple[float, float]:
    """Return the two resonances, in dry air."""
    speed = 331.3 * math.sqrt(1.0 + celsius / 273.15)
    c_m = conductance_mm(length_mm, width_mm or length_mm) / 1000.0
    air2 = (speed / (2.0 * math.pi)) ** 2 * c_m / (box.volume_l / 1000.0)
    total, product = box.top_hz**2 + box.coupling_hz**2 + air2, box.top_hz**2 * air2
    apart = math.sqrt(total**2 - 4.0 * product)
    return math.sqrt((total - apart) / 2.0), math.sqrt((total + apart) / 2.0)


def of_box(
    sizes: list[tuple[float, float]], shape: str = "round", box: Made = BOX, **settings: Any
) -> tuple[Any, dict[str, Any]]:
    """Return the history of a box whose opening grew, and its settings."""
    items, notes = [], {}
    for n, (length, width) in enumerate(sizes):
        items.append(step(n + 1, *reversed(box_hz(length, width, box=box)), state="closed"))
        noted = {"opening_length_mm": length, "temperature_c": 20.0, "humidity_pct": 0.0}
        notes[f"05-voicing-step-{n + 1}"] = {**noted, **({"opening_width_mm": width} if width else {})}
    opening: dict[str, Any] = {"shape": shape, "length_mm": sizes[0][0], "edge_mm": EDGE_MM}
    if sizes[0][1]:
        opening["width_mm"] = sizes[0][1]
    air, main = box_hz(*sizes[0], box=box)
    labels = [{"label": "air", "near_hz": air, "kind": "air"}, {"label": "main", "near_hz": main, "kind": "plate"}]
    said = {"mode": labels, "opening": [opening], "target": [{"mode": "air", "hz": 150.0}], **settings}
    history, _ = landed(*items, notes=notes, **said)
    return history, said


ROUND = [(60.0, 0.0), (62.0, 0.0), (64.0, 0.0), (66.0, 0.0)]
OVAL = [(90.0, 30.0), (94.0, 31.0), (98.0, 32.0), (102.0, 33.0)]


def told(
    sizes: list[tuple[float, float]], asked: Asked, shape: str = "round", box: Made = BOX, **settings: Any
) -> Answer:
    history, said = of_box(sizes, shape, box, **settings)
    return answer(seen_of(history, **said), asked)


@pytest.mark.parametrize("settings", [{"box_volume_l": VOLUME_L}, {}])
def test_a_hole_far_beyond_the_steps_comes_to_rest_where_two_oscillators_say(settings: dict[str, Any]) -> None:
    far = told(ROUND, Asked(hole_mm=78.0), **settings)
    for mode, hz in zip(("air", "main"), box_hz(78.0), strict=True):
        found = rest(far, mode)
        assert found.effects[0].by_box
        assert found.moved is not None
        came = 1200.0 * math.log2(hz / found.freq_hz)
        assert found.moved.low < came < found.moved.high
        assert found.moved.cents == pytest.approx(came, abs=15.0)


def test_an_oval_conducts_by_its_shape_and_not_by_its_area_alone() -> None:
    # Longer or wider by the same area: the longer one conducts more.
    longer = rest(told(OVAL, Asked(slot_mm=(33.0, 118.0)), "oval", box_volume_l=VOLUME_L), "air")
    wider = rest(told(OVAL, Asked(slot_mm=(33.0 * 118.0 / 102.0, 102.0)), "oval", box_volume_l=VOLUME_L), "air")
    assert longer.moved is not None
    assert wider.moved is not None
    assert longer.moved.cents > wider.moved.cents


@pytest.mark.slow
def test_ovals_of_many_boxes_come_to_rest_where_two_oscillators_say() -> None:
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(12):
        box = Made(rng.uniform(5.0, 12.0), rng.uniform(200.0, 300.0), rng.uniform(80.0, 160.0))
        found = rest(told(OVAL, Asked(slot_mm=(33.0, 118.0)), "oval", box, box_volume_l=box.volume_l), "air")
        assert found.moved is not None
        came = 1200.0 * math.log2(box_hz(118.0, 33.0, box=box)[0] / found.freq_hz)
        held += found.moved.low < came < found.moved.high
    # Of twelve intervals of 95 %, chance alone leaves fewer than nine in under one run in a thousand.
    assert held >= 9


def test_warmth_counts_by_the_share_of_air_that_the_box_has() -> None:
    # With dry air the box alone moves as two oscillators do; what is wood of it falls by two cents a kelvin.
    warm = told(ROUND, Asked(temperature_c=26.0), box_volume_l=VOLUME_L)
    low, high = zip(box_hz(66.0), box_hz(66.0, celsius=26.0), strict=True)
    moves = [1200.0 * math.log2(b / a) for a, b in (low, high)]
    whole = 600.0 * math.log2(299.15 / 293.15)
    for mode, of_air in zip(("air", "main"), moves, strict=True):
        found = rest(warm, mode).moved
        assert found is not None
        wood = (1.0 - of_air / whole) * -2.0 * 6.0
        assert found.cents == pytest.approx(of_air + wood, abs=1.5)
        assert found.high - found.low < 25.0
    # The shares of the two make one (their product is fp fh).
    assert sum(moves) == pytest.approx(whole, rel=0.02)


def test_no_opening_is_told_of_beyond_four_times_the_area() -> None:
    far = told(ROUND, Asked(hole_mm=133.0), box_volume_l=VOLUME_L)
    assert {r.effects[0].unknown for r in far.rests} == {"box"}


def test_a_cut_and_warmth_together_are_a_box_that_has_both() -> None:
    both = rest(told(ROUND, Asked(hole_mm=70.0, temperature_c=26.0), box_volume_l=VOLUME_L), "air")
    assert both.moved is not None
    cut = 1200.0 * math.log2(box_hz(70.0)[0] / both.freq_hz)
    warm = 1200.0 * math.log2(box_hz(70.0, celsius=26.0)[0] / box_hz(70.0)[0])
    assert both.moved.low < cut + warm < both.moved.high


def test_the_slide_of_a_box_reaches_twice_the_area_and_follows_the_oscillators() -> None:
    history, said = of_box(ROUND, box_volume_l=VOLUME_L)
    settings = InstrumentSettings.model_validate(said)
    slide = slide_of(with_working_on(history, settings, {}), settings)
    assert slide is not None
    assert slide.box is not None
    assert slide.openings[-1].area_mm2 > 1.9 * slide.openings[0].area_mm2
    air = next(line for line in slide.lines if line.mode == "air")
    for size, place in list(zip(slide.openings, air.places_hz, strict=True))[1:]:
        assert place is not None
        assert place[0] < box_hz(size.length_mm)[0] < place[2]
    widths = [place[2] / place[0] for place in air.places_hz if place]
    assert widths[-1] > widths[5]
    assert np.all(np.diff([place[1] for place in air.places_hz[1:] if place]) > 0)


def test_the_slide_of_ovals_is_told_by_area_and_grows_as_they_did() -> None:
    history, said = of_box(OVAL, "oval", box_volume_l=VOLUME_L)
    settings = InstrumentSettings.model_validate(said)
    slide = slide_of(with_working_on(history, settings, {}), settings)
    assert slide is not None
    assert not slide.is_round
    assert slide.extents[0] == pytest.approx(math.pi / 4.0 * 102.0 * 33.0)
    assert slide.openings[-1].length_mm > 102.0
    assert slide.openings[-1].width_mm > 33.0


@pytest.mark.parametrize(
    ("noted", "settings", "size"),
    [
        ({"opening_mm2": math.pi * 400.0}, {}, ("round", 40.0, 0.0)),
        ({"opening_length_mm": 40.0}, {}, ("round", 40.0, 0.0)),
        ({"opening_length_mm": 70.0, "opening_width_mm": 6.0}, {}, ("oval", 70.0, 6.0)),
        (
            {"opening_length_mm": 72.0, "opening_width_mm": 6.0},
            {"opening": [{"shape": "slot", "length_mm": 70.0, "width_mm": 6.0}]},
            ("slot", 72.0, 6.0),
        ),
    ],
)
def test_the_opening_now_is_what_notes_and_settings_say(
    noted: dict[str, Any], settings: dict[str, Any], size: tuple[str, float, float]
) -> None:
    stage = Stage(
        part="body", state="closed", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0, heard=(), modes=(),
        decays=(), note=Note(instrument="c", stage="s", **noted),
    )  # fmt: skip
    now = opening_now([stage], InstrumentSettings.model_validate(settings))
    assert now is not None
    assert (now.shape, pytest.approx(now.length_mm), pytest.approx(now.width_mm)) == size
    then = opening_then(now, Asked(slot_mm=(7.0, 80.0)))
    assert then is not None
    assert (then.width_mm, then.length_mm) == (7.0, 80.0)
    assert then.shape == ("slot" if now.shape == "round" else now.shape)


def test_where_steps_and_box_surely_disagree_both_count_and_it_is_said() -> None:
    # The readings are those of a box that opened twice as far as its notes say: the volume tells otherwise.
    sizes = [(60.0 + 2.0 * n, 0.0) for n in range(4)]
    far = [(60.0 + 8.0 * n, 0.0) for n in range(4)]
    items = [step(n + 1, *reversed(box_hz(*size)), state="closed") for n, size in enumerate(far)]
    notes = {f"05-voicing-step-{n + 1}": {"opening_length_mm": size[0]} for n, size in enumerate(sizes)}
    _, said = of_box(sizes, box_volume_l=VOLUME_L)
    said["mode"] = [{**m, "near_hz": hz} for m, hz in zip(said["mode"], box_hz(72.0), strict=True)]
    history, _ = landed(*items, notes=notes, **said)
    found = rest(answer(seen_of(history, **said), Asked(hole_mm=71.0)), "air")
    (effect,) = found.effects
    assert effect.by_box
    assert effect.against is not None
    assert found.moved is not None
    # Both are in the interval: the middle of the steps, and what the box alone would do from there.
    alone = 1200.0 * math.log2(box_hz(71.0)[0] / box_hz(66.0)[0])
    assert found.moved.low < alone < effect.against.cents < found.moved.high
    assert "steps alone say" in against_text(found)
