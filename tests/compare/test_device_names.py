"""The name of a recorder is data: it is named as a caution, and nothing else changes, whatever it is called."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.history import build_history
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.say import moves
from tapbatch.show.tables.rows import history_to_tables
from tests.compare.builds import item, mode, reading

SETTINGS = InstrumentSettings()
SEARCHED_ONCE = ("Trigpoints Two", "points", "one tap", "state", "missing", "; ", "a; one tap; b", "the file is cut")
NAMES = st.sampled_from(SEARCHED_ONCE) | st.text(max_size=12)


def heard(before: str, after: str) -> History:
    """Two stages of three taps each, an octave of two modes, the second of which rings longer at the later stage."""
    early = [[mode(200.0 + 0.01 * n, 0.4 + 0.001 * n), mode(400.0, 0.3 + 0.001 * n)] for n in range(3)]
    late = [[mode(201.0 + 0.01 * n, 0.4 + 0.001 * n), mode(400.0, 0.6 + 0.001 * n)] for n in range(3)]
    items = [
        item("c_01-a.wav", reading(early, device=before), point="bridge"),
        item("c_02-b.wav", reading(late, device=after), point="bridge"),
    ]
    return build_history("cittern-07", items, SETTINGS, {})[0]


def verdicts(history: History) -> list[object]:
    """Return all that is decided of two stages: by mode, what moved and what rings longer, and what forbids it."""
    stages = history.stages
    sustain = side_by_side(stages[0], stages[1], SETTINGS).sustain
    said = [(moves.moved_text(d), moves.rings_text(d), moves.rings_limit(d)) for d in history.drifts]
    return [*(replace(d, cautions=(), first_cautions=()) for d in history.drifts), *sustain, *said]


ALIKE = verdicts(heard("", ""))


def test_there_is_something_to_change() -> None:
    assert ("longer", None) in {(c.verdict, c.why) for c in ALIKE if hasattr(c, "verdict") and hasattr(c, "why")}


@settings(max_examples=40)
@given(NAMES, NAMES)
def test_no_name_of_a_recorder_changes_a_verdict(before: str, after: str) -> None:
    history = heard(before, after)
    assert verdicts(history) == ALIKE
    kinds = [[c.kind for c in d.cautions] for d in history.drifts]
    assert kinds == [["recorder"] if before and after and before != after else []] * len(history.drifts)


@pytest.mark.parametrize("name", SEARCHED_ONCE)
def test_no_name_of_a_recorder_marks_a_recording(name: str) -> None:
    rows = history_to_tables(heard(name, "B"))["recordings"]
    assert [row["notice"] for row in rows] == ["", ""]
