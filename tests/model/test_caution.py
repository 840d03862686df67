"""Cautions are values: what forbids a verdict on ringing is told by kind, whatever names they carry."""

from __future__ import annotations

from typing import get_args

from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.caution import Caution, CautionKind, NoVerdict, forbids_verdict

KINDS: tuple[CautionKind, ...] = get_args(CautionKind)
FORBID = {"state", "points", "one tap", "identity"}
# Whatever a file may hold as the name of a recorder, and what once was searched for in sentences.
NAMES = st.sampled_from(
    ["Trigpoints Two", "points", "one tap", "state", "missing", "; ", "A; one tap", "state a, then b"]
) | st.text(max_size=12)


@given(st.sets(st.sampled_from(sorted(set(KINDS) - FORBID))), NAMES, NAMES)
def test_no_name_forbids_a_verdict(kinds: set[CautionKind], before: str, after: str) -> None:
    assert forbids_verdict(Caution(kind, before=(before,), after=(after,)) for kind in kinds) is None


def test_each_forbids_by_itself_and_the_state_comes_first() -> None:
    state = Caution("state", before=("closed",), after=("strung",))
    assert forbids_verdict([state]) == NoVerdict("state", state)
    assert forbids_verdict([Caution("points", before=("edge",), after=("bridge",))]) == NoVerdict("points")
    assert forbids_verdict([Caution("points")]) == NoVerdict("points")
    assert forbids_verdict([Caution("one tap"), Caution("identity")]) == NoVerdict("identity")
    assert forbids_verdict([Caution("one tap")]) == NoVerdict("one")
    assert forbids_verdict([Caution("one tap"), Caution("points"), state]) == NoVerdict("state", state)
    assert forbids_verdict([]) is None
