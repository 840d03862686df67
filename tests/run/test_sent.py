"""The name that a recording from a phone gets, and what is taken for sound."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.errors import SoundError
from tapbatch.model.names import SOUND_ENDINGS, is_sound_name
from tapbatch.run.sent import cleaned_name

ODD = '<>:"|?*\\/\0\n\r\t\x1b\x7f\u202e\u2028\ud800 .~'


@given(
    stem=st.text(st.one_of(st.characters(exclude_categories=[]), st.sampled_from(ODD)), max_size=300),
    ending=st.sampled_from(sorted(SOUND_ENDINGS)),
)
def test_every_name_becomes_one_that_any_system_takes(stem: str, ending: str) -> None:
    name = cleaned_name(f"{stem}.{ending}")
    assert is_sound_name(name)
    assert Path(name).name == name
    assert len(name.encode()) <= 255
    assert name.isprintable()
    assert not set(name) & set('<>:"|?*\\/')
    assert name == name.strip()
    assert name[0] not in ".~"
    # Names that are devices on some systems, whatever follows the first dot.
    assert name.split(".")[0].lower() not in {"con", "prn", "aux", "nul", "com1", "lpt9"}
    assert cleaned_name(name) == name


@pytest.mark.parametrize("name", ["COM\u00b9.wav", "lpt\u00b3.a.wav", "CONIN$.wav", "con .a.wav"])
def test_names_of_devices_are_no_names_of_files(name: str) -> None:
    # Windows, "Naming Files, Paths, and Namespaces": superscript digits count as digits.
    assert cleaned_name(name) == f"_{name}"


@pytest.mark.parametrize(
    "name", ["", "a", "a.", ".wav.exe", "a.exe", "a.wav/", "a.wav\0", "now.csv", "a.w\u0430v", "a.html"]
)
def test_what_is_not_named_like_a_recording_is_refused(name: str) -> None:
    with pytest.raises(SoundError) as told:
        cleaned_name(name)
    assert told.value.where
