"""What names say, in both forms; the expectations are the naming rules as a builder reads them."""

import hashlib
import unicodedata
from datetime import datetime

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import NamingError, SoundError
from tapbatch.model.names import (
    KINDS,
    MARKS,
    PARTS,
    STATES,
    date_in_name,
    identity,
    is_passing_name,
    is_sound_name,
    parse_name,
    stage_number,
)
from tests.refusals import cause, refused

path_like = st.lists(st.text(max_size=20), min_size=1, max_size=5).map("/".join)


# ------------------------------------------------------------- the two forms


def test_the_name_says_all():
    recording = parse_name("Cittern-07_03-bars fitted_pluck_top_free_at-bridge_step_again_12.wav", sha256="ab")
    assert recording.instrument == "cittern-07"
    assert recording.instrument_shown == "Cittern-07"
    assert recording.stage == "03-bars-fitted"
    assert recording.stage_shown == "03-bars fitted"
    assert (recording.kind, recording.part, recording.state, recording.point) == ("pluck", "top", "free", "bridge")
    assert (recording.take, recording.step, recording.again) == (12, True, True)
    assert (recording.path, recording.sha256) == (
        "Cittern-07_03-bars fitted_pluck_top_free_at-bridge_step_again_12.wav",
        "ab",
    )


def test_the_least_that_a_name_says():
    recording = parse_name("cittern-07_strung.m4a")
    assert (recording.instrument, recording.stage, recording.kind) == ("cittern-07", "strung", "tap")
    assert (recording.part, recording.state, recording.point, recording.take) == ("", "", "", None)
    assert not recording.step
    assert not recording.again


@pytest.mark.parametrize(
    "path",
    [
        "cittern-07_03-bars-fitted_top_free_2.wav",
        "cittern-07 - 03-bars-fitted - top - free - 2.wav",
        "Cittern-07 – 03-Bars-Fitted_FREE — Top_2.WAV",
        " cittern-07 _ 03-bars fitted _ free _ top _ 002 .wav",
        "cittern-07/cittern-07_03-bars-fitted_top_free_2.flac",
    ],
)
def test_separators_case_spaces_and_order_of_words_do_not_matter(path):
    recording = parse_name(path)
    assert (recording.instrument, recording.stage) == ("cittern-07", "03-bars-fitted")
    assert (recording.part, recording.state, recording.take) == ("top", "free", 2)


def test_folders_count_and_the_name_does_not():
    recording = parse_name("Cittern 07/05-voicing/top/at-bridge/step/guitar_other_back_9.m4a")
    assert (recording.instrument, recording.stage) == ("cittern-07", "05-voicing")
    assert (recording.part, recording.point, recording.step) == ("top", "bridge", True)
    assert recording.take is None


def test_words_may_stand_in_the_folder_of_the_stage_or_together():
    one = parse_name("cittern-07/05-voicing_top/free - again/x.wav")
    assert (one.stage, one.part, one.state, one.again) == ("05-voicing", "top", "free", True)


@pytest.mark.parametrize(
    "path",
    ["c_01-a_spot-Window_top.wav", "c - 01-a - top - SPOT-window.wav", "c/01-a/top/spot-window/New Recording 3.m4a"],
)
def test_a_spot_is_kept_by_its_identity(path):
    recording = parse_name(path)
    assert (recording.stage, recording.part, recording.spot, recording.point) == ("01-a", "top", "window", "")


def test_a_spot_and_a_point_are_kept_apart():
    recording = parse_name("c_01-a_at-bridge_spot-bench 2_again_3.wav")
    assert (recording.point, recording.spot, recording.again, recording.take) == ("bridge", "bench-2", True, 3)
    assert parse_name("c_01-a_at-bridge.wav").spot == ""


def test_a_part_never_comes_from_the_wording_of_the_stage():
    recording = parse_name("cittern-07_top.wav")
    assert (recording.stage, recording.part) == ("top", "")


def test_parts_that_the_settings_add():
    assert parse_name("cittern-07_glued_Sound Board.wav", ("sound board",)).part == "sound-board"
    with refused(NamingError, "cittern-07_glued_sound-board.wav", "'sound-board'"):
        parse_name("cittern-07_glued_sound-board.wav")


@pytest.mark.parametrize("word", [*PARTS, *STATES, *KINDS, *MARKS])
def test_every_word_of_the_lists_is_understood(word):
    recording = parse_name(f"cittern-07_glued_{word}.wav")
    said = {recording.part, recording.state, recording.kind}
    assert word in said or getattr(recording, word) is True


# ------------------------------------------------------------- what is refused


# by cause: the name, and what the message must name, besides the path
REFUSED = {
    "no stage": [("IMG 0012.wav", "INSTRUMENT_STAGE.wav"), ("cittern-07.wav", "INSTRUMENT_STAGE.wav")],
    "no letter": [("cittern-07_12.wav", "'12'"), ("cittern-07/03 - bars/x.wav", "'03'", "03-bars-fitted")],
    "unknown word": [
        ("cittern-07_glued_topp.wav", "'topp'", "'top'"),
        ("cittern-07_glued_clampd.wav", "'clampd'", "'clamped'"),
        ("cittern-07_glued_agian.wav", "'agian'", "'again'"),
        ("cittern-07/glued/freee/x.wav", "'freee'", "'free'"),
        ("cittern-07_glued_rosette.wav", "'rosette'", "'at-rosette'"),
        ("cittern-07_glued_at-.wav", "'at-'"),
        ("cittern-07_glued_spot-.wav", "'spot-'"),
        ("cittern-07_glued_sopt-door.wav", "'sopt-door'", "'spot-window'"),
    ],
    "part twice": [("cittern-07_glued_top_back.wav", "'top'", "'back'")],
    "spot twice": [("cittern-07_glued_spot-door_spot-window.wav", "'door'", "'window'")],
    "state twice": [("cittern-07_glued_free_rim.wav", "'free'", "'rim'")],
    "number": [
        ("cittern-07_glued_2_top.wav", "'2'"),
        ("cittern-07_glued_1_2.wav", "'1'"),
        ("cittern-07/glued/3/x.wav", "'3'"),
    ],
    "empty field": [("cittern-07__glued.wav",), ("_glued.wav",)],
    "folder without stage": [("cittern-07/New_Recording.m4a", "'cittern-07'", "INSTRUMENT/STAGE")],
    "outside": [("../cittern-07/glued/x.wav", "recordings")],
    "no text": [("cittern\udcff_glued.wav",)],
    "too long": [
        ("a" * 245 + "_s.wav", 245, 40),
        ("ß" * 120 + "_s.wav", 120, 40),
        ("d" * 200 + "/stage/x.wav", 200, 40),
    ],
}


@pytest.mark.parametrize("known", REFUSED)
def test_what_names_do_not_say_is_refused_with_a_remedy(known):
    causes = set()
    for path, *values in REFUSED[known]:
        with refused(NamingError, path.replace("\udcff", "?"), *values) as caught:
            parse_name(path)
        causes.add(cause(caught.value))
    assert len(causes) == 1


def test_each_cause_is_told_from_every_other():
    causes = set()
    for (path, *_), *_ in REFUSED.values():
        with pytest.raises(NamingError) as caught:
            parse_name(path)
        causes.add(cause(caught.value))
    assert len(causes) == len(REFUSED)


@given(path_like)
@example("a_b_\x00.wav")
@example("a_b\n_\ud800.wav")
@example("a/" + "9" * 5000 + "b/x")
@example("a_b_" + "9" * 5000 + ".wav")
def test_any_text_is_a_recording_or_a_naming_error(path):
    try:
        recording = parse_name(path)
    except NamingError as error:
        message = str(error)
    else:
        message = ""
        assert recording.instrument
        assert any(c.isalpha() for c in recording.stage)
        assert "/" not in recording.instrument + recording.stage
        recording.stage_shown.encode("utf-8")
    message.encode("utf-8")
    assert "\n" not in message


# ------------------------------------------------------------- identity


@given(st.text())
@example("İΑΣ ΑΣ.")
@example("con. con.")
@example("\u212b")
def test_identity_is_idempotent_and_a_folder_everywhere(text):
    once = identity(text)
    assert identity(once) == once
    assert unicodedata.is_normalized("NFC", once)
    assert once == once.lower()
    assert not set(once) & set('<>:"/\\|?* \t\n\x00')
    assert not once.endswith((".", " "))
    assert once.split(".")[0] not in {"con", "prn", "aux", "nul", "com1", "lpt9"}


@given(st.text(alphabet=st.characters(codec="utf-8", categories=["L", "N", "Zs"])))
def test_identity_passes_over_case_unicode_form_and_outer_spaces(text):
    assert identity(f"  {unicodedata.normalize('NFD', text)} ") == identity(text)
    assert identity(text.lower()) == identity(text)


def test_identity_as_the_contract_says_it():
    assert identity("Cittern-07") == identity("cittern-07")
    assert identity("05-voicing   step 1") == "05-voicing-step-1"
    assert identity("a: b/c?") == "a-b-c-"
    assert identity("Mándola\u0301") == identity("MÁNDOLÁ")
    assert identity("LPT1") == "lpt1-"
    assert identity("console") == "console"


# ------------------------------------------------------------- numbers, dates, endings


@pytest.mark.parametrize(
    ("stage", "number"),
    [("03-bars", 3.0), ("2.5-sanded", 2.5), ("2,5 sanded", 2.5), ("10a", 10.0), ("bars 3", None), ("", None)],
)
def test_number_in_front_of_a_stage(stage, number):
    assert stage_number(stage) == number


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("IMG 20260314 101112.m4a", "2026-03-14T10:11:12"),
        ("2026-03-14 10.11.12.m4a", "2026-03-14T10:11:12"),
        ("cittern-07_top_20260314_101112.wav", "2026-03-14T10:11:12"),
        ("20260314101112.wav", "2026-03-14T10:11:12"),
        ("VID_20260314_101112345.mp4", "2026-03-14T10:11:12"),
        ("2026_03_14_10_11_12.wav", "2026-03-14T10:11:12"),
        ("Audio 2026-03-14 at 1.11.12 PM.m4a", "2026-03-14T13:11:12"),
        ("2026-03-14T10-11-12.wav", "2026-03-14T10:11:12"),
        ("AUD-20260314-0003.opus", "2026-03-14"),
        ("cittern-07_top_20260314.wav", "2026-03-14"),
        ("x_20260314_991112.wav", "2026-03-14"),
        ("2026-03-14/x.wav", ""),
        ("20261314.wav", ""),
        ("2026-02-30.wav", ""),
        ("19041231.wav", ""),
        ("120260314.wav", ""),
        ("take 12.wav", ""),
    ],
)
def test_date_in_a_name(name, date):
    assert date_in_name(name) == date


@given(st.text())
def test_a_date_is_of_the_calendar_or_none(text):
    found = date_in_name(text)
    assert not found or datetime.fromisoformat(found).year >= 1990


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2099, 12, 31)),
    st.sampled_from(["%Y%m%d_%H%M%S", "%Y-%m-%d %H.%M.%S"]),
)
def test_any_date_is_found_as_phones_write_it(moment, form):
    assert date_in_name(f"REC {moment.strftime(form)}.wav") == moment.replace(microsecond=0).isoformat()


@pytest.mark.parametrize(
    ("path", "heard"),
    [
        ("a_b.wav", True), ("A_B.FLAC", True), ("x/y/New Recording 3.m4a", True), ("a_b.3gp", True),
        ("a_b.1.opus", True), ("a_b.txt", False), ("a_b", False), ("wav", False), (".a_b.wav", False),
        ("._a_b.wav", False), (".sync/a_b.wav", False), ("~$a_b.wav", False), ("a_b.wav.part", False),
        ("a_b.wav.crdownload", False), ("a_b.wav.tmp", False), (".a_b.wav.icloud", False), ("a_b.wav.icloud", False),
        ("a_b.wav~", False), ("__MACOSX/a_b.wav", False), (".wav", False), ("", False),
    ],
)  # fmt: skip
def test_which_names_are_listened_to(path, heard):
    assert is_sound_name(path) is heard


def test_temporary_names_are_told_from_other_files():
    assert is_passing_name("a_b.wav.partial")
    assert not is_passing_name("README.txt")


def test_a_name_that_just_fits_a_folder_of_results_is_kept_whole():
    assert parse_name("a" * 150 + "_" + "s" * 300 + ".wav").instrument == "a" * 150


def test_hash_of_a_file(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc"
    assert hash_file(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hash_file(path) == hashlib.sha256(b"abc").hexdigest()
    with refused(SoundError, tmp_path.name):
        hash_file(tmp_path)


@pytest.mark.parametrize(
    ("path", "number"),
    [
        ("cittern-07/05-voicing/step/a.wav", 0),
        ("cittern-07/05-voicing/step 3/a.wav", 3),
        ("cittern-07/05-voicing/closed/Step-03/a.wav", 3),
        ("cittern-07_05-voicing_step 12_2.wav", 12),
    ],
)
def test_a_step_may_be_numbered(path: str, number: int) -> None:
    named = parse_name(path)
    assert (named.step, named.step_number) == (True, number)


@pytest.mark.parametrize("word", ["step 0", "step x", "step 12345", "step -1", "steps 3"])
def test_a_number_of_a_step_counts_from_one(word: str) -> None:
    with pytest.raises(NamingError):
        parse_name(f"cittern-07/05-voicing/{word}/a.wav")


def test_a_word_says_what_the_taps_of_a_blank_aim_at() -> None:
    found = parse_name("board-07/01-bought/blank/twist/New Recording 3.m4a")
    assert (found.part, found.aim, found.point) == ("blank", "twist", "twist")
    assert parse_name("board-07_01-bought_blank_along_at-end.wav").point == "end"
    assert parse_name("board-07_01-bought_blank.wav").aim == ""


@pytest.mark.parametrize("name", ["lute-5_thinned_top_along.wav", "board-07_bought_blank_along_twist.wav"])
def test_an_aim_is_for_a_blank_and_given_once(name: str) -> None:
    with pytest.raises(NamingError):
        parse_name(name)
