"""The kinds of notices: each stands in one list, and each notice can be told from every other by its value."""

from __future__ import annotations

from tapbatch.model.notice import KINDS, KINDS_OF_RECORDING, Notice


def test_every_kind_stands_once() -> None:
    assert len(set(KINDS)) == len(KINDS)
    assert set(KINDS_OF_RECORDING) < set(KINDS)


def test_notices_are_equal_by_what_they_carry() -> None:
    assert Notice("cut", there_s=1.0) == Notice("cut", there_s=1.0)
    assert len({Notice(kind) for kind in KINDS}) == len(KINDS)
    assert Notice("renamed", path="a.wav", other_path="b.wav") != Notice(
        "renamed", path="data.wav", other_path="b.wav"
    )
