"""Misspelt notes and oddly parted names: the nearest that is known is offered, and only what is meant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.names import parse_name
from tapbatch.model.settings import InstrumentSettings
from tapbatch.shop.known_names import Known, known_names, right_form, unknown_instruments, unknown_stages

SETTINGS = InstrumentSettings.model_validate({"stage": [{"name": "07-strung"}, {"name": "05-box closed"}]})


@pytest.fixture
def known() -> Known:
    names = ["Cittern-12_03-bars-fitted_top.wav", "Cittern-12_06-voicing_step_1.wav", "lyre-2/01-thinned/take.wav"]
    return known_names(map(parse_name, names), {"cittern-12": SETTINGS})


def test_an_instrument_of_the_notes_that_is_not_known_is_named_once_with_the_nearest(known: Known) -> None:
    notes = [("citern-12", "07-strung"), ("citern-12", "05-box-closed"), ("lyre-2", "01-thinned")]
    (item,) = unknown_instruments(notes, known)
    assert item.where == "notes.csv"
    assert "citern-12" in item.what
    assert item.remedy.startswith("did you mean 'Cittern-12'?")


def test_a_stage_of_the_notes_that_is_not_known_is_named_with_the_nearest(known: Known) -> None:
    stages = ["07-strng", "05-box-closed", "06-voicing", "06-voicing-step-1"]
    (item,) = unknown_stages([("cittern-12", stage) for stage in stages], known)
    assert "07-strng" in item.what
    assert item.remedy.startswith("did you mean '07-strung'?")


def test_where_nothing_is_known_nothing_is_offered() -> None:
    (item,) = unknown_instruments([("lyre-2", "s")], known_names([], {}))
    assert "did you mean" not in item.remedy


@pytest.mark.parametrize(
    ("path", "right"),
    [
        ("Cittern-12-05-box-closed.wav", "Cittern-12_05-box closed.wav"),
        ("cittern 12 03 bars fitted top 2.WAV", "Cittern-12_03-bars-fitted_top_2.WAV"),
        ("cittern_12_03-bars-fitted_top.m4a", "Cittern-12_03-bars-fitted_top.m4a"),
        ("Cittern-12-07-strung-strung-at-bridge-3.wav", "Cittern-12_07-strung_strung_at-bridge_3.wav"),
        ("lyre-2/lyre-2-01-thinned.wav", "lyre-2/lyre-2_01-thinned.wav"),
        ("Cittern-12-06-voicing-step-4.wav", "Cittern-12_06-voicing_step_4.wav"),
        ("Cittern-12-06-voicing-step-1-2.wav", "Cittern-12_06-voicing step 1_2.wav"),
        # Neither the instrument nor the stage is known, or what follows is no word that names use.
        ("citern-12-05-box-closed.wav", ""),
        ("Cittern-12-09-varnished.wav", ""),
        ("lyre-2-05-box-closed.wav", ""),
        ("Cittern-12-07-strung-rosette.wav", ""),
        # Folders say what it is, or the name is right as it is.
        ("Cittern-12/07-strung/Cittern-12-07-strung.wav", ""),
        ("Cittern-12_07-strung.wav", ""),
    ],
)
def test_a_name_that_is_parted_oddly_is_offered_its_right_form(known: Known, path: str, right: str) -> None:
    assert right_form(path, known) == right


def test_a_name_that_another_file_has_gets_a_take_number(known: Known) -> None:
    taken = ["Cittern-12_07-strung.wav", "Cittern-12_07-strung_2.wav"]
    assert right_form("Cittern-12-07-strung.wav", known, taken) == "Cittern-12_07-strung_3.wav"


@given(st.text(max_size=40))
def test_what_is_offered_always_names_a_known_instrument_and_stage(rest: str) -> None:
    known = known_names([parse_name("Cittern-12_03-bars-fitted_top.wav")], {"cittern-12": SETTINGS})
    right = right_form(f"Cittern-12-03-bars-fitted{rest}.wav", known)
    if right:
        said = parse_name(right)
        assert said.stage in known.stages[said.instrument]
