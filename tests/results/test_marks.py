"""Marks and cards: what is written is read back, and what does not fit is refused."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.compare.across import Learned, Then
from tapbatch.compare.bench import SetupEvidence, bench_of, setup_evidence
from tapbatch.compare.history import build_history
from tapbatch.compare.moves.belief import Evidence
from tapbatch.compare.moves.priors import COMMON_STEPS, OWN_STEPS
from tapbatch.compare.setups import Contrast, SetupContrasts
from tapbatch.compare.step_course import Taken
from tapbatch.compare.step_taught import TaughtStage, TaughtSteps
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.reading import Attention
from tapbatch.model.reference import Sitting, SittingTaps
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.marks import Mark, card_path, put_card, read_card, read_marks, write_mark
from tapbatch.results.readings import FOLDER
from tapbatch.results.sealed import RefusedError, unseal
from tests.compare.drift_sim import again_build

MARK = Mark(
    instrument="lyre-2", inputs="a", learned=None, tables="b", report="c", card=("d", 1, 2),
    files={"modes.csv": (3, 4)}, lines=("lyre-2: A3",), notices=(),
    attention=(Attention(where="a.wav", what="it is cut", remedy="copy it again"),),
)  # fmt: skip
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
NAMES = TEXT.filter(lambda name: name not in ("", ".", "..") and not set(name) & set("/\0"))
POSITIVE = st.floats(0, 1e3, allow_nan=False)
CONTRASTS = st.builds(Contrast, POSITIVE, POSITIVE, st.integers(1, 9), st.integers(1, 9))
STAGES = st.lists(st.lists(CONTRASTS, max_size=2).map(tuple), max_size=2).map(tuple)
LOGS = st.floats(-700.0, 0.0)
EVIDENCE = st.builds(
    Evidence,
    own=st.lists(LOGS, min_size=OWN_STEPS, max_size=OWN_STEPS).map(tuple),
    common=st.lists(LOGS, min_size=COMMON_STEPS, max_size=COMMON_STEPS).map(tuple),
)
PIECES = st.lists(EVIDENCE, max_size=2).map(tuple)
TAUGHT = st.builds(SetupEvidence, PIECES, PIECES)
ANY = st.none() | st.floats(-1e4, 1e4)
DAYS = st.dates().map(str)
SITTING_TAPS = st.builds(
    SittingTaps,
    values=st.tuples(st.tuples(ANY, ANY)),
    variances=st.tuples(st.tuples(POSITIVE, st.none())),
    levels_db=st.tuples(st.floats(-90.0, 0.0)),
    point=TEXT,
    spot=TEXT,
    room=st.just(()) | st.tuples(POSITIVE, POSITIVE),
)
SITTINGS = st.lists(
    st.builds(
        Sitting, instrument=NAMES, instrument_shown=TEXT, part=TEXT, state=TEXT, method=TEXT, day=DAYS,
        at=st.just("") | st.datetimes().map(datetime.isoformat), modes=st.tuples(TEXT, TEXT),
        taps=st.lists(SITTING_TAPS, max_size=2).map(tuple),
    ),
    max_size=2,
).map(tuple)  # fmt: skip
MOMENTS = st.just("") | st.datetimes().map(datetime.isoformat)
CELLS = st.tuples(TEXT, st.integers(0, 9), st.floats(-10.0, 10.0), POSITIVE, st.integers(1, 99))
STEPS = st.builds(
    TaughtSteps, instrument=NAMES, family=TEXT, part=TEXT, state=TEXT, mode=TEXT, work=TEXT, begins=st.integers(0, 9),
    steady_cents=st.floats(0.1, 50.0),
    stages=st.tuples(*[st.builds(TaughtStage, MOMENTS, st.none() | POSITIVE, st.tuples(CELLS))] * 2),
    steps=st.just(((0, 1),)), taken=st.tuples(st.builds(Taken, ANY, ANY)),
)  # fmt: skip
LEARNED = st.builds(
    Learned,
    setups=st.builds(SetupContrasts, STAGES, STAGES),
    evidence=TAUGHT,
    rests=st.lists(st.tuples(TEXT, TEXT, st.floats(20, 12000)), max_size=2).map(tuple),
    sittings=SITTINGS,
    then=st.lists(st.builds(Then, until=DAYS, evidence=TAUGHT, sittings=SITTINGS), max_size=1).map(tuple),
    steps=st.lists(STEPS, max_size=2).map(tuple),
)
CENTS = st.floats(-1e4, 1e4)
FORECASTS = st.builds(
    ForecastCame, part=TEXT, mode=TEXT, stage=TEXT, work=TEXT, step_cents=CENTS, step_low_cents=CENTS,
    step_high_cents=CENTS, overshoot=st.floats(0.0, 1.0), came_cents=CENTS, came_over=st.booleans(), basis=TEXT,
)  # fmt: skip
FACTS = st.tuples(st.integers(0, 2**50), st.integers(-(2**62), 2**62))
MARKS = st.builds(
    Mark,
    instrument=NAMES,
    inputs=TEXT,
    learned=st.none() | LEARNED,
    tables=TEXT,
    report=TEXT,
    card=st.tuples(TEXT, st.integers(0, 2**50), st.integers(0, 2**62)),
    files=st.dictionaries(NAMES, FACTS, max_size=2),
    lines=st.lists(TEXT, max_size=2).map(tuple),
    notices=st.lists(TEXT, max_size=2).map(tuple),
    attention=st.lists(st.builds(Attention, where=TEXT, what=TEXT, remedy=TEXT), max_size=2).map(tuple),
    forecasts=st.lists(FORECASTS, max_size=2).map(tuple),
)


@settings(max_examples=50)
@given(mark=MARKS)
def test_a_mark_comes_back_equal(mark: Mark, tmp_path_factory: pytest.TempPathFactory) -> None:
    results = tmp_path_factory.mktemp("results")
    write_mark(results, mark)
    marks = read_marks(results)
    assert (marks.of, marks.refused) == ({mark.instrument: mark}, ())


def test_evidence_of_set_ups_survives(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    stages = build_history("cittern-07", again_build(rng, 1.0, 2), InstrumentSettings(), {})[0].stages
    evidence = setup_evidence(stages)
    assert (len(evidence.freq), len(evidence.t60)) == (2, 2)
    write_mark(tmp_path, replace(MARK, learned=Learned(evidence=evidence)))
    learned = read_marks(tmp_path).of["lyre-2"].learned
    assert learned is not None
    assert learned.evidence == evidence
    believed, read = bench_of([evidence]), bench_of([learned.evidence])
    assert read.freq.common.tolist() == believed.freq.common.tolist()
    assert believed.freq.common.tolist() != bench_of([]).freq.common.tolist()


def test_a_mark_without_evidence_is_read(tmp_path: Path) -> None:
    edited(tmp_path, lambda data: data.update({"lent": {"setups": [[], []], "rests": [["top", "air", 182.0]]}}))
    assert read_marks(tmp_path).of["lyre-2"].learned == Learned(rests=(("top", "air", 182.0),))


def test_half_characters_become_question_marks(tmp_path: Path) -> None:
    write_mark(tmp_path, replace(MARK, notices=("\udcff",)))
    assert read_marks(tmp_path).of["lyre-2"].notices == ("?",)


def edited(results: Path, edit: Callable[[dict[str, Any]], None]) -> Path:
    """Write the mark as version 0.1 would, without a checksum, after an edit and under the name that fits."""
    write_mark(results, MARK)
    (path,) = (results / FOLDER).glob("standing-*.json")
    data = json.loads(unseal(path.read_bytes())[0])
    path.unlink()
    edit(data)
    digest = hashlib.sha256(str(data.get("instrument")).encode()).hexdigest()[:16]
    path = results / FOLDER / f"standing-{digest}.json"
    path.write_text(json.dumps(data))
    return path


def test_a_mark_of_0_1_without_a_checksum_is_read(tmp_path: Path) -> None:
    edited(tmp_path, lambda data: None)
    assert read_marks(tmp_path).of == {"lyre-2": MARK}


_FLAT = [0.0] * COMMON_STEPS


@pytest.mark.parametrize(
    "wrong",
    [
        *({"instrument": name} for name in ("../../victim", "..", ".", "", "a/b", "/tmp", 7)),
        {"lines": [1, 2]},
        {"attention": [{"where": 1, "what": 2, "remedy": 3}]},
        {"files": {"../modes.csv": [1, 2]}},
        {"files": {"modes.csv": [1, "2"]}},
        {"card": ["d", 2**70, 2]},
        {"card": ["d", 1]},
        {"lent": {"setups": [[], []], "rests": [["top", "air", "high"]]}},
        {"lent": {"setups": [[[[-1.0, 0.0, 1, 1]]], []], "rests": []}},
        {"lent": {"setups": [[], []], "rests": [], "evidence": [[[["top"], [0.0], [0.0]]], []]}},
        {"lent": {"setups": [[], []], "rests": [], "evidence": [[[["top"], [1.0] * OWN_STEPS, _FLAT]], []]}},
        {"more": 1},
    ],
    ids=str,
)
def test_a_mark_that_does_not_fit_is_refused(wrong: dict[str, Any], tmp_path: Path) -> None:
    path = edited(tmp_path, lambda data: data.update(wrong))
    marks = read_marks(tmp_path)
    assert (marks.of, [each.path for each in marks.refused]) == ({}, [path])


def test_a_mark_under_another_name_is_refused(tmp_path: Path) -> None:
    path = edited(tmp_path, lambda data: None)
    other = path.rename(path.with_name("standing-0000000000000000.json"))
    assert [each.path for each in read_marks(tmp_path).refused] == [other]


CARD = b'{\n "instrument": "lyre-2",\n "recorded": "",\n "row": "<tr></tr>",\n "article": "<article></article>"\n}'


def test_a_card_comes_back_as_it_was_put(tmp_path: Path) -> None:
    digest, size, _ = put_card(tmp_path, "lyre-2", CARD)
    assert read_card(tmp_path, "lyre-2") == CARD
    assert (digest, size) == (hashlib.sha256(CARD).hexdigest()[:16], card_path(tmp_path, "lyre-2").stat().st_size)


@pytest.mark.parametrize(
    "data",
    [b"", b"{}", b"[" * 100_000, CARD[:-1], CARD.replace(b"lyre-2", b"na"), CARD.replace(b'"<tr></tr>"', b"1")],
)
def test_a_card_that_does_not_fit_is_refused(data: bytes, tmp_path: Path) -> None:
    put_card(tmp_path, "lyre-2", CARD)
    card_path(tmp_path, "lyre-2").write_bytes(data)
    with pytest.raises(RefusedError) as caught:
        read_card(tmp_path, "lyre-2")
    assert caught.value.path == card_path(tmp_path, "lyre-2")
    assert caught.value.why
