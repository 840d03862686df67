"""The words of notices: every kind has some, those of a recording begin as the documentation lists them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tapbatch.model.history import Heard
from tapbatch.model.notice import KINDS, KINDS_OF_RECORDING, Notice
from tapbatch.shop import completion
from tapbatch.show.say.notices import (
    EXPLANATIONS,
    notice_explained,
    notice_text,
    notices_of,
    notices_text,
)
from tests.compare.builds import item, reading
from tests.show.say.examples import NOTICES

# How a notice of a recording begins, as the documentation lists it, where that is not its kind.
HEADINGS = {"cut": "the file is cut", "channel": "stereo"}


def test_every_kind_has_an_example_here() -> None:
    assert set(NOTICES) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_notice_says_all_that_it_carries_in_one_line(kind: str) -> None:
    text = notice_text(NOTICES[kind])  # type: ignore[index]
    assert text
    assert "\n" not in text
    assert "None" not in text
    carried = NOTICES[kind]  # type: ignore[index]
    names = (carried.path, carried.other_path, carried.part, carried.stage, carried.name, carried.text)
    assert all(name in text for name in (*names, *carried.names) if name)


@pytest.mark.parametrize("kind", KINDS_OF_RECORDING)
def test_a_notice_of_a_recording_begins_as_listed(kind: str) -> None:
    notice = NOTICES[kind]  # type: ignore[index]
    text = re.sub(r"^[0-9]+ ", "", notice_text(notice))
    assert notice.kind == "other" or text.startswith(HEADINGS.get(notice.kind, notice.kind))


def test_what_is_said_shortly_is_explained() -> None:
    for kind, meaning in EXPLANATIONS.items():
        assert notice_explained(NOTICES[kind]) == f"{notice_text(NOTICES[kind])}: {meaning}"
    assert set(KINDS_OF_RECORDING) - set(EXPLANATIONS) == {"channel", "in line", "other"}


def test_the_same_number_is_said_in_each_of_its_forms() -> None:
    assert notice_text(Notice("cut", there_s=1.524)) == "the file is cut: 1.52 s are there, and no end"
    assert notice_text(Notice("channel", number=5, count=6)) == "6 channels: channel 5 is used"
    assert notice_text(Notice("low sample rate", highest_hz=3680.0)) == "low sample rate: heard up to 3680 Hz only"
    kept = Notice("new method", method="15", method_before="14", count=3, kept_count=0)
    assert "kept" not in notice_text(kept)


def test_a_missing_recording_is_said_first_and_nothing_twice() -> None:
    recording, read, _ = item("c_01-a.wav", replace(reading([]), notices=(Notice("clipped"), Notice("clipped"))))
    heard = Heard(recording=recording, reading=read, part="body", state="", missing=True)
    assert notices_text(notices_of(heard)) == "missing; clipped"
    assert notices_text(notices_of(replace(heard, missing=False))) == "clipped"


def test_set_ups_within_a_recording_are_said() -> None:
    assert notice_text(Notice("set-ups", counts=(3, 3, 3))) == "3 set-ups: 3, 3, 3 taps"
    assert notice_text(Notice("set-ups", counts=(9,))) == "1 set-up: 9 taps"
    assert notice_text(Notice("set-ups", counts=(1,))) == "1 set-up: 1 tap"
    recording, read, _ = item("c_01-a_resets.wav", reading([[], []]), resets=True)
    heard = Heard(recording=recording, reading=read, part="body", state="")
    assert notices_text(notices_of(heard)) == "1 set-up: 2 taps"
    assert notices_of(replace(heard, recording=replace(recording, resets=False))) == ()
    assert notices_of(replace(heard, recording=replace(recording, kind="room"))) == ()


def test_completion_finds_what_the_table_says_of_a_missing_recording(tmp_path: Path) -> None:
    folder = tmp_path / "results" / "lyre-2"
    folder.mkdir(parents=True)
    rows = [f"a.wav,{notice_text(Notice('missing'))}", f"b.wav,{notice_text(Notice('clipped'))}"]
    (folder / "recordings.csv").write_text("\n".join(["recording,notice", *rows, ""]), encoding="utf-8")
    assert completion.gone(tmp_path) == ["a.wav"]
