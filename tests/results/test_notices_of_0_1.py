"""Notices that version 0.1 kept as sentences, each of which it could write, and what is kept from now on."""

from __future__ import annotations

import json
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.notice import KINDS, Notice
from tapbatch.results.kept_notices import notice_from_plain, notice_to_plain
from tapbatch.results.notices_of_0_1 import notice_of_0_1

# As 0.1 wrote them: listen/sections.py and reading.py of that version.
OF_0_1 = {
    "the file is cut: 1.52 of 3.05 s are there": Notice("cut", there_s=1.52, promised_s=3.05),
    "the file is cut: 0.00 s are there, and no end": Notice("cut", there_s=0.0),
    "damaged: 3 of its pieces could not be decoded": Notice("damaged", count=3),
    "stereo: the left channel is used": Notice("channel", number=1, count=2),
    "stereo: the right channel is used": Notice("channel", number=2, count=2),
    "6 channels: channel 5 is used": Notice("channel", number=5, count=6),
    "lossy codec (aac)": Notice("lossy codec", name="aac"),
    "lossy codec (opencore_amrnb)": Notice("lossy codec", name="opencore_amrnb"),
    "low sample rate (6000 Hz)": Notice("low sample rate", rate_hz=6000),
    "low sample rate: heard up to 3680 Hz only": Notice("low sample rate", highest_hz=3680.0),
    "non-finite samples (4 set to 0)": Notice("non-finite samples", count=4),
    "silence": Notice("silence"),
    "clipped": Notice("clipped"),
    "no tap: nothing in it could be measured": Notice("no tap"),
    "crowded: what comes after 12 minutes is left out": Notice("crowded", there_s=720.0),
    "automatic gain: the noise floor breathes": Notice("automatic gain"),
}


@pytest.mark.parametrize("sentence", OF_0_1)
def test_every_sentence_is_understood(sentence: str) -> None:
    assert notice_of_0_1(sentence) == notice_from_plain(sentence) == OF_0_1[sentence]


@given(st.text())
def test_what_is_not_understood_is_kept_as_text(text: str) -> None:
    found = notice_of_0_1(text)
    assert text in OF_0_1 or (found.kind, found.text) == ("other", text) or found.kind in KINDS


@pytest.mark.parametrize("text", ["", "clipped ", "came on tape", "the file is cut: soon", "missing", "clipped\n"])
def test_nothing_is_taken_for_what_it_is_not(text: str) -> None:
    assert notice_of_0_1(text) == Notice("other", text=text)


WORDS = st.text(max_size=8)
NOTICES = st.builds(
    Notice, kind=st.sampled_from(KINDS), path=WORDS, text=WORDS, name=WORDS,
    names=st.lists(WORDS, max_size=3).map(tuple), count=st.none() | st.integers(0, 10**6),
    there_s=st.none() | st.floats(0.0, 1e6), rate_hz=st.none() | st.integers(1, 10**6),
)  # fmt: skip


@given(NOTICES)
def test_a_notice_comes_back_equal(notice: Notice) -> None:
    plain = json.loads(json.dumps(notice_to_plain(notice)))
    assert notice_from_plain(plain) == notice
    assert set(plain) <= {field.name for field in fields(Notice)}


@pytest.mark.parametrize("plain", [None, 3, [], {}, {"kind": "of a later version"}, {"kind": ["clipped"]}])
def test_what_another_version_wrote_is_no_error(plain: object) -> None:
    assert notice_from_plain(plain).kind == "other"


def test_a_field_of_a_later_version_is_passed_over() -> None:
    assert notice_from_plain({"kind": "clipped", "loudness_db": 3.0}) == Notice("clipped")
