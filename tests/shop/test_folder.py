"""The shop folder read and checked: settings, bench notes, and what is said of those that are not understood."""

import re
import tomllib

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tapbatch.model.errors import SettingsError, ShopError
from tapbatch.model.settings import (
    InstrumentSettings,
    ModeSetting,
    ShopSettings,
    StageSetting,
    StringSetting,
    TargetSetting,
)
from tapbatch.shop.folder import init_shop, open_shop
from tapbatch.shop.notes import COLUMNS
from tapbatch.shop.settings_files import EXPECTED
from tests.refusals import misses, refused


@pytest.fixture
def root(tmp_path):
    """Give a shop folder with nothing in it but an empty recordings/."""
    (tmp_path / "recordings").mkdir()
    (tmp_path / "instruments").mkdir()
    return tmp_path


def write_instrument(root, text, name="cittern-07.toml"):
    (root / "instruments" / name).write_text(text, encoding="utf-8")
    return root


def refusal(root, text):
    """Write an instrument's file that is not understood, and return the one attention it leads to."""
    shop = open_shop(write_instrument(root, text))
    assert shop.refused_instruments == {"cittern-07"}
    assert "cittern-07" not in shop.instruments
    (attention,) = shop.refused
    assert attention.where == "instruments/cittern-07.toml"
    line = f"{attention.what}; {attention.remedy}"
    assert "\n" not in line
    for jargon in ("pydantic", "validation", "type=", "Input", "Value error", "loc"):
        assert jargon not in line
    return line


# ---------------------------------------------------------------- the folder


def test_a_bare_folder_with_recordings_has_the_defaults(root):
    shop = open_shop(root)
    assert shop.settings == ShopSettings()
    assert (shop.recordings_dir, shop.results_dir) == (root / "recordings", root / "results")
    assert (shop.instruments, shop.refused, shop.refused_instruments, shop.notes) == ({}, (), frozenset(), {})
    assert shop.settings_of("anything") == InstrumentSettings()
    assert shop.extra_parts == ()


def test_folders_may_lie_elsewhere(root, tmp_path_factory):
    cloud = tmp_path_factory.mktemp("cloud")
    (root / "shop.toml").write_text(f'recordings = "{cloud.as_posix()}"\nresults = "out/tables"\n', encoding="utf-8")
    shop = open_shop(root)
    assert (shop.recordings_dir, shop.results_dir) == (cloud, root / "out" / "tables")
    assert open_shop(root, results=cloud.parent / "r").results_dir == cloud.parent / "r"


def test_what_is_missing_is_said(tmp_path):
    with refused(ShopError, tmp_path / "no", "tapbatch init") as missing:
        open_shop(tmp_path / "no")
    with refused(ShopError, tmp_path / "recordings"):
        open_shop(tmp_path)
    (tmp_path / "file").write_text("")
    with refused(ShopError, tmp_path / "file", "tapbatch init") as file:
        open_shop(tmp_path / "file")
    assert missing.value.what != file.value.what


@pytest.mark.parametrize("results", ["recordings", "recordings/results", "out/../recordings"])
def test_results_never_lie_among_the_recordings(root, results):
    (root / "shop.toml").write_text(f'results = "{results}"\n')
    with refused(ShopError, root / results):
        open_shop(root)
    with refused(ShopError, root / results):
        open_shop(root, results=root / results)


# ---------------------------------------------------------------- shop.toml


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("concert_pitch_hz = 4400", r"line 1, concert_pitch_hz: found 4400; expected A4 in hertz, from 380 to 470"),
        ("paper = 'a3'", r'line 1, paper: found "a3"; expected "A4" or "Letter"'),
        ("\n\nspelling = 'b'", r'line 3, spelling: found "b"; expected "sharp" or "flat"'),
        ("band_hz = [1500, 50]", r"band_hz: found \[1500, 50\]; expected two frequencies in hertz, low then high"),
        ("band_hz = [50]", r"band_hz: found \[50\]; expected two"),
        ("mains_hz = 55", r"mains_hz: found 55; expected 50 or 60"),
        ("steady_cents = nan", r"steady_cents: found nan; expected cents"),
        ("steady_cents = true", r"steady_cents: found true; expected cents"),
        ("concert_pich_hz = 440", r"line 1, concert_pich_hz: found an unknown key.*did you mean concert_pitch_hz"),
        ("strings = ['G3']", r"strings: found an unknown key"),
        (
            "concert_pitch_hz 440",
            r"line 1: found 'concert_pitch_hz 440', which is not understood; expected key = value",
        ),
        ("a = 1\nspelling = “flat”", r"line 2: found 'spelling = “flat”'.*expected straight quotes"),
        ("spelling = 'flat", r"line 1: found.*quotes and brackets closed"),
        ("mains_hz = 50\nmains_hz = 60", r"line 2: found 'mains_hz = 60'.*each key once"),
        ('results = "C:\\shops"', r"line 1: found.*a path with / in it, or in single quotes"),
        ('results = "C:\\tables"', r"results: found .*; expected a folder in quotes, with / between"),
        ("[[stage]", r"line 1: found '\[\[stage\]'.*on a line of its own"),
        ("[stage]\nname = 'a'", r"line 1, stage: found an unknown key"),
        ("recordings = 3", r"recordings: found 3; expected a folder in quotes"),
        ("a = " + "[" * 5000, r"which is not understood"),
    ],
)
def test_a_shop_file_that_is_not_understood(root, text, message):
    (root / "shop.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=message) as caught:
        open_shop(root)
    assert caught.value.where == "shop.toml"
    assert "\n" not in str(caught.value)


def test_a_shop_file_from_other_editors(root):
    text = 'concert_pitch_hz = 415\r\nspelling = "flat"\r\n'
    for raw in (text.encode("utf-8-sig"), text.encode("utf-16"), text.encode()):
        (root / "shop.toml").write_bytes(raw)
        assert open_shop(root).settings == ShopSettings(concert_pitch_hz=415, spelling="flat")
    (root / "shop.toml").write_bytes(b"# one\nresults = 'M\xe4rz'\n")
    with refused(SettingsError, "shop.toml", "line 2", "UTF-8"):
        open_shop(root)
    (root / "shop.toml").unlink()
    (root / "shop.toml").mkdir()
    with refused(SettingsError, "shop.toml"):
        open_shop(root)


@given(st.text())
@example("a." * 1500 + "a = 1")
@example("a = " + "[" * 5000)
@example("steady_cents = " + "4" * 5000)
@example("a = 1979-13-01")
@example("[[stage]]\n[stage]")
@example("band_hz = [0.0, 1e999]")
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=100)
def test_any_text_is_settings_or_a_settings_error(root, text):
    (root / "shop.toml").write_text(text, encoding="utf-8", errors="replace", newline="")
    write_instrument(root, text.encode("utf-8", "replace").decode())
    try:
        shop = open_shop(root)
    except SettingsError as error:
        message = str(error)
    else:
        message = ""
        assert shop.settings_of("other").concert_pitch_hz == shop.settings.concert_pitch_hz
    assert "\n" not in message


# ---------------------------------------------------------------- instruments


def test_an_instrument_overrides_only_what_it_sets(root):
    (root / "shop.toml").write_text('concert_pitch_hz = 431\nspelling = "flat"\nmains_hz = 60\npaper = "Letter"\n')
    shop = open_shop(write_instrument(root, "concert_pitch_hz = 415\n", "Cittern 07.TOML"))
    own = shop.settings_of("cittern-07")
    assert (own.concert_pitch_hz, own.spelling, own.mains_hz, own.paper) == (415, "flat", 60, "Letter")
    assert shop.settings_of(" CITTERN 07 ") is own
    assert shop.settings_of("other").concert_pitch_hz == 431


def test_all_that_an_instrument_may_set(root):
    text = """
        family = "cittern"
        playing_pitch_hz = 415
        scale_mm = 520.0
        strings = ["D5", { note = "A♭4", unit_weight_g_m = 0.5, double = true }]
        [[stage]]
        name = "01 top"
        part = "Sound Board"
        state = "Free"
        concert_pitch_hz = 431
        [[mode]]
        label = "air"
        near_hz = 190
        kind = "air"
        [[mode]]
        label = "T1"
        near_hz = 330
        part = "rose"
        [[target]]
        mode = "air"
        nearest = true
        [[target]]
        mode = "air"
        like = "Cittern 04"
        tolerance_cents = 5
        [[target]]
        mode = "T1"
        cents_from = "air"
        cents = 950
    """
    shop = open_shop(write_instrument(root, text))
    assert shop.refused == ()
    own = shop.settings_of("cittern-07")
    assert own.strings == (StringSetting(note="D5"), StringSetting(note="A♭4", unit_weight_g_m=0.5, double=True))
    assert own.stage == (StageSetting(name="01 top", part="sound-board", state="free", concert_pitch_hz=431),)
    assert [m.part for m in own.mode] == ["body", "rose"]
    assert own.target[1] == TargetSetting(mode="air", like="cittern-04", tolerance_cents=5)
    assert shop.extra_parts == ("rose", "sound-board")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("concert_pitch_hz = 500", r"line 1, concert_pitch_hz: found 500; expected A4 in hertz, from 380 to 470"),
        ("x = 1", "line 1, x: found an unknown key; expected one of .*did you mean"),
        ('recordings = "r"', "recordings: found an unknown key"),
        ('strings = ["G3", "H3"]', 'line 1, strings, number 2, note: found "H3"; expected a note in quotes'),
        ('strings = ["G"]', 'found "G"; expected a note'),
        ("strings = [3]", "strings, number 1: found 3; expected notes like"),
        ("strings = 'G3'", 'strings: found "G3"; expected notes like'),
        ("strings = [{ note = 'G3', diameter_mm = inf }]", "diameter_mm: found inf; expected millimetres"),
        ("scale_mm = true", "scale_mm: found true; expected millimetres"),
        ("stage = 'top'", r'stage: found "top"; expected tables that begin with \[\[stage\]\]'),
        ("[[stage]]\npart = 'top'", r"line 1, \[\[stage\]\] 1, name: found nothing; expected the name of a stage"),
        ("[[stage]]\nname = '12'", r"line 2, \[\[stage\]\] 1, name: found \"12\"; expected .* at least one letter"),
        ("[[stage]]\nname = 2026-03-14", r"name: found 2026-03-14; expected the name of a stage in quotes"),
        (
            "[[stage]]\nname='a'\n[[stage]]\nname='b'\nstate='fre'",
            r"line 5, \[\[stage\]\] 2, state: found \"fre\".*free",
        ),
        ("[[stage]]\nname = 'a'\npart = 'strung'", r'part: found "strung"; expected .* another use'),
        ("[[stage]]\nname = 'a'\n[[stage]]\nname = 'A '", r'\[\[stage\]\] 2, name: found "A" as in \[\[stage\]\] 1'),
        (
            "[[mode]]\nlabel = 'r12'\nnear_hz = 100",
            r'line 2, \[\[mode\]\] 1, label: found "r12"; expected another label',
        ),
        ("[[mode]]\nlabel = 'a'\nnear_hz = -1", r"near_hz: found -1; expected hertz, over 0"),
        ("[[mode]]\nlabel = 'a'\nnear_hz = 9\nkind = 'wood'", r'kind: found "wood"; expected one of "air", "plate"'),
        ("[[mode]]\nlabl = 'a'\nnear_hz = 9", r"\[\[mode\]\] 1, label: found nothing"),
        ("[[mode]]\nlabel='a'\nnear_hz=9\n[[mode]]\nlabel='a'\nnear_hz=8", r'\[\[mode\]\] 2, label: found "a" as in'),
    ],
)
def test_an_instrument_that_is_not_understood_is_withheld(root, text, message):
    assert re.search(message, refusal(root, text))
    with refused(SettingsError, "Cittern-07", "instruments"):
        open_shop(root).settings_of("Cittern-07")


MODES = "[[mode]]\nlabel = 'air'\nnear_hz = 190\n[[mode]]\nlabel = 'top'\nnear_hz = 330\n[[target]]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("mode = 'air'", r"line 7, \[\[target\]\] 1: found mode; expected one of note, hz, nearest = true"),
        ("mode = 'air'\nnote = 'A3'\nhz = 220", r"found mode and note and hz; expected one of note"),
        ("mode = 'air'\nnearest = false", r"expected one of note, hz, nearest = true"),
        ("mode = 'air'\ncents_from = 'top'", r"cents and cents_from go together"),
        (
            "mode = 'ari'\nnote = 'A3'",
            r'line 8, \[\[target\]\] 1, mode: found "ari"; expected the label.*did you mean "air"',
        ),
        ("mode = 'r1'\nnote = 'A3'", r'mode: found "r1"; expected the label of a \[\[mode\]\]'),
        ("mode = 'air'\nnote = 'A'", r'line 9, \[\[target\]\] 1, note: found "A"; expected a note in quotes'),
        ("mode = 'air'\nlike = 'Cittern 07'", r'like: found "cittern-07"; expected the name of another instrument'),
        ("mode = 'air'\ncents_from = 'air'\ncents = 1", r'cents_from: found "air"; expected the label of another'),
        ("mode = 'air'\ncents_from = 'x'\ncents = 1", r'cents_from: found "x"; expected the label of another'),
        ("mode = 'air'\nhz = 200\ntolerance_cents = 0", r"tolerance_cents: found 0; expected cents, over 0"),
    ],
)
def test_a_target_that_makes_no_sense(root, text, message):
    assert re.search(message, refusal(root, MODES + text))


def test_a_label_of_two_parts_cannot_be_aimed_at(root):
    text = "[[mode]]\nlabel='1'\nnear_hz=90\npart='top'\n[[mode]]\nlabel='1'\nnear_hz=80\npart='back'\n"
    assert open_shop(write_instrument(root, text)).refused == ()
    assert "two parts use this label" in refusal(root, text + "[[target]]\nmode='1'\nhz=100")


def test_two_files_of_one_instrument_are_both_withheld(root):
    write_instrument(root, "", "cittern-07.toml")
    shop = open_shop(write_instrument(root, "", "Cittern 07.toml"))
    assert shop.refused_instruments == {"cittern-07"}
    assert shop.instruments == {}
    (told,) = shop.refused
    assert misses(f"{told.where} {told.what}", "instruments/cittern-07.toml", "instruments/Cittern 07.toml") == []


def test_one_bad_instrument_leaves_the_others(root):
    write_instrument(root, "concert_pitch_hz = 1", "bad.toml")
    shop = open_shop(write_instrument(root, "concert_pitch_hz = 415", "good.toml"))
    assert (set(shop.instruments), shop.refused_instruments) == ({"good"}, {"bad"})
    write_instrument(root, "not toml at all", ".hidden.toml")
    write_instrument(root, "not toml at all", "good.toml.part")
    assert len(open_shop(root).refused) == 1


def test_every_key_has_its_words():
    """What may be set and what errors say of it cannot drift apart."""
    keys = set(InstrumentSettings.model_fields) | set(ShopSettings.model_fields)
    tables = {"strings": StringSetting, "stage": StageSetting, "mode": ModeSetting, "target": TargetSetting}
    keys |= {f"{table}.{key}" for table, model in tables.items() for key in model.model_fields}
    assert set(EXPECTED) == keys


# ---------------------------------------------------------------- notes.csv


def test_notes_come_with_the_shop(root):
    (root / "notes.csv").write_text("instrument,stage,date,work,temperature_c\na,b,,,20\na,c,,,hot\n")
    shop = open_shop(root)
    assert set(shop.notes) == {("a", "b")}
    assert shop.refused[0].where == "notes.csv"


# ---------------------------------------------------------------- a new shop


def test_a_new_shop_opens_with_the_defaults(tmp_path):
    written = init_shop(tmp_path / "my shop")
    assert [p.relative_to(tmp_path / "my shop").as_posix() for p in written] == [
        "shop.toml",
        "instruments/EXAMPLE.toml.txt",
        "recordings/README.txt",
        "notes.csv",
    ]
    shop = open_shop(tmp_path / "my shop")
    assert shop.settings == ShopSettings()
    assert (shop.instruments, shop.refused, shop.notes) == ({}, (), {})
    assert written[3].read_text(encoding="utf-8").strip().split(",") == list(COLUMNS)


def uncommented(text):
    return re.sub(r"(?m)^#(?=[^ \n])", "", text)


def test_the_comments_of_a_new_shop_are_settings(root):
    new = root / "new"
    init_shop(new)
    text = uncommented((new / "shop.toml").read_text(encoding="utf-8"))
    assert set(tomllib.loads(text)) == set(ShopSettings.model_fields)
    (new / "shop.toml").write_text(text, encoding="utf-8")
    text = uncommented((new / "instruments" / "EXAMPLE.toml.txt").read_text(encoding="utf-8"))
    assert set(tomllib.loads(text)) == set(InstrumentSettings.model_fields)
    write_instrument(new, text)
    shop = open_shop(new)
    assert shop.settings == ShopSettings()
    assert shop.refused == ()
    assert len(shop.settings_of("cittern-07").target) == 2


def test_a_new_shop_overwrites_nothing(root):
    (root / "notes.csv").write_text("mine")
    with refused(ShopError, root, "notes.csv"):
        init_shop(root)
    assert not (root / "shop.toml").exists()
    assert (root / "notes.csv").read_text() == "mine"
    (root / "notes.csv").unlink()
    assert len(init_shop(root)) == 4
    with refused(ShopError, root / "notes.csv" / "shop"):
        init_shop(root / "notes.csv" / "shop")
