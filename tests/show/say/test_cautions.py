"""The words of cautions: every kind has some, names stay whole, and several are parted as the table parts them."""

from __future__ import annotations

from typing import get_args

import pytest

from tapbatch.model.caution import Caution, CautionKind, NoVerdict, NoVerdictKind
from tapbatch.show.say.cautions import (
    EXPLANATIONS,
    caution_text,
    cautions_text,
    no_verdict_text,
)

SAID = {
    Caution("state", before=("",), after=("strung",)): "state not given, then strung",
    Caution("points", before=("bridge", "edge"), after=("",)): "points bridge and edge, then not given",
    Caution("points"): "points: none in common",
    Caution("codec", before=("lossless",), after=("lossy",)): "codec lossless, then lossy",
    Caution(
        "sample rate", before_rates_hz=(44100,), after_rates_hz=(44100, 48000)
    ): "sample rate 44100, then 44100 and 48000 Hz",
    Caution("recorder", before=("Trigpoints Two",), after=("B",)): "recorder Trigpoints Two, then B",
    Caution("method", before=("15",), after=("18",)): "method 15, then 18",
    Caution("level", louder_db=6.6): "taps 7 dB louder",
    Caution("level", louder_db=-6.6): "taps 7 dB softer",
    Caution("concert pitch", before_hz=440.0, after_hz=431.0): "concert pitch 440, then 431 Hz",
    Caution("strings", after_cents=-14.0): "strings -14 cents",
    Caution("strings", before_cents=8.0): "strings +8 cents before",
    Caution("strings", before_cents=8.0, after_cents=-14.0): "strings -14 cents (+8 before)",
    Caution("days", days=14): "14 days passed",
    Caution("temperature", before_c=20.0, after_c=24.5): "temperature 20, then 24.5 C",
    Caution("humidity", before_pct=45.0, after_pct=60.0): "humidity 45, then 60 %",
    Caution("string pitch", before_hz=440.0, after_hz=436.5, tension_pct=-1.6): (
        "string pitch 440, then 436.5 Hz (tension -1.6 %)"
    ),
    Caution("new strings"): "new strings",
    Caution("new strings", is_before=True): "new strings before",
    Caution("one tap"): "one tap",
    Caution("reference", before=("Bar-1",), moved_cents=2.14, half_cents=1.5, days=1): (
        "the reference Bar-1 rose 2.1 c (± 1.5 c) between the same days, taken off"
    ),
    Caution("reference", before=("Bar-1", "Old"), moved_cents=-2.14, half_cents=1.5, days=0): (
        "the references Bar-1 and Old fell 2.1 c (± 1.5 c) on the same day, taken off"
    ),
    Caution("reference", before=("Bar-1",), moved_cents=0.01, half_cents=1.5, days=3, is_air=True): (
        "the reference Bar-1 did not move (± 1.5 c) between the same days, not taken off an air mode"
    ),
    Caution("identity"): "may be a neighbour",
}


@pytest.mark.parametrize("caution", SAID, ids=SAID.values())
def test_a_caution_is_said(caution: Caution) -> None:
    assert caution_text(caution) == SAID[caution]


def test_every_kind_is_said_and_explained() -> None:
    assert {caution.kind for caution in SAID} == set(EXPLANATIONS) == set(get_args(CautionKind))


def test_several_are_parted_as_the_table_parts_them() -> None:
    assert cautions_text([Caution("days", days=2), Caution("one tap")]) == "2 days passed; one tap"
    assert cautions_text([]) == ""


@pytest.mark.parametrize("kind", get_args(NoVerdictKind))
def test_every_reason_for_no_verdict_is_said(kind: NoVerdictKind) -> None:
    assert no_verdict_text(NoVerdict(kind))
    assert no_verdict_text(NoVerdict(kind), explained=True).startswith(no_verdict_text(NoVerdict(kind)))


def test_a_reason_names_what_differs() -> None:
    state = Caution("state", before=("closed",), after=("strung",))
    assert no_verdict_text(NoVerdict("state", state)) == caution_text(state)
    assert no_verdict_text(None) == no_verdict_text(None, explained=True) == ""
