"""The family on one staff: marks lie where the cents say, the present one is bold, in its room. No pixels."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.kin import KinReading, KinRow, KinStage, SideBySide
from tapbatch.show.draw.chart import SCREEN, Chart, Look
from tapbatch.show.draw.kin import family_chart, family_notes

PAPER = Look(width_mm=178.0, room_mm=200.0)


def stage(name: str) -> KinStage:
    return KinStage(
        instrument=name, instrument_shown=name, family="lute", part="body", state="closed", same="closed",
        stage_shown="05-closed", when="2025-03-04T10:00:00", opening_mm2=900.0, modes=(),
    )  # fmt: skip


def side_of(*of_modes: tuple[float | None, ...], names: tuple[str, ...] = ("air", "top")) -> SideBySide:
    """Return instruments at some frequencies, mode by mode; the last of them is the present one."""
    count = len(of_modes[0])

    def reading(hz: float | None, here: float | None) -> KinReading | None:
        if hz is None:
            return None
        apart = None if here is None else 1200.0 * math.log2(hz / here)
        return KinReading(hz, 4.0, apart, None if apart is None else 5.7)

    rows = [
        KinRow(name, tuple(reading(hz, at[-1] if n < count - 1 else None) for n, hz in enumerate(at)))
        for name, at in zip(names, of_modes, strict=False)
    ]
    return SideBySide(
        part="body", state="closed", concert_pitch_hz=440.0, spelling="sharp", present=count - 1, rows=tuple(rows),
        stages=tuple(stage(f"lute-{n}") for n in range(count)),
    )  # fmt: skip


def dot(chart: Chart, name: str) -> tuple[float, float]:
    (found,) = [m.pieces[0][0] for m in chart.marks if m.shape == "dots" and m.name == name]
    return float(found[0]), float(found[1])


@pytest.mark.parametrize("look", [PAPER, SCREEN])
def test_equal_intervals_are_equally_far_apart_in_every_band(look: Look) -> None:
    up = 2.0 ** (30.0 / 1200.0)
    chart = family_chart(side_of((220.0, 220.0 * up), (330.0 * up, 330.0)), look)
    first, second = (dot(chart, f"{m} lute-1")[0] - dot(chart, f"{m} lute-0")[0] for m in ("air", "top"))
    assert first == pytest.approx(-second, rel=1e-6)
    assert first > 3.0
    # A4 = 440 Hz, so 220 Hz is the note A3 (ISO 16): its dot lies on the line that bears this name.
    named = next(w for w in chart.words if w.text == "A3")
    assert dot(chart, "air lute-0")[0] == pytest.approx(named.x_mm)


def test_the_present_one_is_bold_and_full_and_a_line_shows_where_it_lies() -> None:
    chart = family_chart(side_of((219.0, 224.0, 221.0)), PAPER)
    assert {w.text for w in chart.words if w.bold} >= {"lute-2", "A3 +8 ± 4 c"}
    assert {w.text for w in chart.words if not w.bold} >= {"lute-0", "lute-1", "-16 ± 6 c", "+23 ± 6 c"}
    roles = {m.name: m.role for m in chart.marks if m.shape == "dots"}
    assert roles == {"air lute-0": "earlier reading", "air lute-1": "earlier reading", "air lute-2": "reading"}
    (thread,) = [m for m in chart.marks if m.role == "thread"]
    assert thread.pieces[0][:, 0] == pytest.approx(dot(chart, "air lute-2")[0])
    assert chart.description == "air: lute-0 A3 -8 ± 4 c, lute-1 A3 +31 ± 4 c, lute-2 A3 +8 ± 4 c"


def test_what_was_not_heard_has_no_dot() -> None:
    chart = family_chart(side_of((219.0, None), (None, 330.0)), PAPER)
    assert {m.name for m in chart.marks if m.shape == "dots"} == {"air lute-0", "top lute-1"}
    assert [w.text for w in chart.words].count("-") == 2


@given(hz=st.lists(st.floats(60.0, 1400.0), min_size=2, max_size=8), look=st.sampled_from([PAPER, SCREEN]))
def test_marks_stay_on_the_chart_however_far_apart(hz: list[float], look: Look) -> None:
    chart = family_chart(side_of(tuple(hz)), look)
    for mark in chart.marks:
        for piece in mark.pieces:
            assert piece[:, 0].min() >= -1e-6
            assert piece[:, 0].max() <= look.width_mm + 1e-6
            assert piece[:, 1].max() <= chart.height_mm + 1e-6


def test_what_lies_off_the_staff_is_written_at_its_edge() -> None:
    # An octave: both are the note A (ISO 16).
    chart = family_chart(side_of((440.0, 215.0, 220.0)), SCREEN)
    assert {m.name for m in chart.marks if m.shape == "dots"} == {"air lute-1", "air lute-2"}
    # The others are not crushed: 40 cents are told apart by more than a dot.
    assert abs(dot(chart, "air lute-1")[0] - dot(chart, "air lute-2")[0]) > 10.0
    written = next(w for w in chart.words if w.text == "A4")
    assert (written.anchor, written.x_mm) == ("right", pytest.approx(SCREEN.width_mm))


def test_bands_that_the_sheet_has_no_room_for_are_left_out() -> None:
    of_modes = [(200.0 + 50 * n,) * 8 for n in range(8)]
    names = tuple(f"m{n}" for n in range(8))
    whole = family_chart(side_of(*of_modes, names=names), replace(PAPER, room_mm=math.inf))
    short = family_chart(side_of(*of_modes, names=names), PAPER)
    assert short.height_mm <= 200.0 < whole.height_mm


def test_the_notes_say_which_stage_of_each_stands_there() -> None:
    ((stages, _),) = family_notes(side_of((219.0, 221.0)))
    assert stages.startswith("lute-0: 05-closed, 2025-03-04, opening 900 mm2; lute-1: ")
