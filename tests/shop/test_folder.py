"""The shop folder read and checked: settings, bench notes, and what is said of those that are not understood."""

import datetime
import re
import tomllib

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tapbatch.model.errors import SettingsError, ShopError
from tapbatch.model.settings import (
    InstrumentSettings,
    ModeSetting,
    OpeningSetting,
    ShopSettings,
    StageSetting,
    StringSetting,
    TargetSetting,
)
from tapbatch.shop.folder import init_shop, open_shop
from tapbatch.shop.notes import COLUMNS
from tapbatch.shop.settings_files import EXPECTED
from tests.refusals import check, misses, refused


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
    return attention


def check_place(told, where, line, found, expected):
    """Check the line, the key and the value that an error names, and what it says was expected there."""
    check(told, where)
    assert misses(told.what, f"line {line}", *found) == []
    assert misses(told.remedy, *expected) == []
    for jargon in ("pydantic", "validation", "type=", "Input", "Value error", "loc"):
        assert jargon not in f"{told.what}; {told.remedy}"


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


SHOP_KEYS = tuple(ShopSettings.model_fields)
NOT_A_SHOP = [
    ("concert_pitch_hz = 4400", 1, ["concert_pitch_hz", "4400"], [EXPECTED["concert_pitch_hz"]]),
    ("paper = 'a3'", 1, ["paper", '"a3"'], [EXPECTED["paper"]]),
    ("\n\nspelling = 'b'", 3, ["spelling", '"b"'], [EXPECTED["spelling"]]),
    ("band_hz = [1500, 50]", 1, ["band_hz", "[1500, 50]"], [EXPECTED["band_hz"]]),
    ("band_hz = [50]", 1, ["band_hz", "[50]"], [EXPECTED["band_hz"]]),
    ("mains_hz = 55", 1, ["mains_hz", "55"], [EXPECTED["mains_hz"]]),
    ("steady_cents = nan", 1, ["steady_cents", "nan"], [EXPECTED["steady_cents"]]),
    ("steady_cents = true", 1, ["steady_cents", "true"], [EXPECTED["steady_cents"]]),
    ("concert_pich_hz = 440", 1, ["concert_pich_hz"], [*SHOP_KEYS, "concert_pitch_hz?"]),
    ("strings = ['G3']", 1, ["strings"], SHOP_KEYS),
    ("[stage]\nname = 'a'", 1, ["stage"], SHOP_KEYS),
    ("recordings = 3", 1, ["recordings", "3"], [EXPECTED["recordings"]]),
    ('results = "C:\\tables"', 1, ["results"], [EXPECTED["results"]]),
]
NOT_TOML = [
    ("concert_pitch_hz 440", 1, ["'concert_pitch_hz 440'"], ["key = value"]),
    ("a = 1\nspelling = “flat”", 2, ["'spelling = “flat”'"], ['"sharp"']),
    ("spelling = 'flat", 1, ["spelling", "'flat"], ["key = value"]),
    ('results = "C:\\shops"', 1, ["results"], ["/"]),
    ("[[stage]", 1, ["'[[stage]'"], ["[[stage]]", "[[mode]]", "[[target]]"]),
    ("a = " + "[" * 5000, 1, [f"'a = {'[' * 56}'"], ["key = value"]),
]


@pytest.mark.parametrize(("text", "line", "found", "expected"), [*NOT_A_SHOP, *NOT_TOML])
def test_a_shop_file_that_is_not_understood(root, text, line, found, expected):
    (root / "shop.toml").write_text(text, encoding="utf-8")
    with refused(SettingsError, "shop.toml") as caught:
        open_shop(root)
    check_place(caught.value, "shop.toml", line, found, expected)


def test_a_key_twice_is_said_on_its_second_line(root):
    (root / "shop.toml").write_text("mains_hz = 50\nmains_hz = 60", encoding="utf-8")
    with refused(SettingsError, "shop.toml", "line 2", "'mains_hz = 60'"):
        open_shop(root)


def test_each_slip_in_toml_has_its_own_remedy(root):
    remedies = set()
    for text, *_ in NOT_TOML:
        (root / "shop.toml").write_text(text, encoding="utf-8")
        with pytest.raises(SettingsError) as caught:
            open_shop(root)
        remedies.add(caught.value.remedy)
    assert len(remedies) == len(NOT_TOML)


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


@pytest.mark.parametrize("written", ['"2026-11-30"', "2026-11-30", '" 2026-11-30 "'])
def test_a_day_may_be_written_with_and_without_quotes(root, written):
    shop = open_shop(write_instrument(root, f"frozen = {written}\nreference = true\n"))
    assert shop.refused == ()
    own = shop.settings_of("cittern-07")
    assert (own.frozen, own.reference) == (datetime.date(2026, 11, 30), True)
    assert (shop.settings_of("other").frozen, shop.settings_of("other").reference) == (None, False)


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


OWN_KEYS = tuple(InstrumentSettings.model_fields)
NOT_AN_INSTRUMENT = [
    ("concert_pitch_hz = 500", 1, ["concert_pitch_hz", "500"], [EXPECTED["concert_pitch_hz"]]),
    ("x = 1", 1, ["x"], OWN_KEYS),
    ('recordings = "r"', 1, ["recordings"], OWN_KEYS),
    ('strings = ["G3", "H3"]', 1, ["strings, number 2, note", '"H3"'], [EXPECTED["strings.note"]]),
    ('strings = ["G"]', 1, ["strings, number 1, note", '"G"'], [EXPECTED["strings.note"]]),
    ("strings = [3]", 1, ["strings, number 1", "3"], [EXPECTED["strings"]]),
    ("strings = 'G3'", 1, ["strings", '"G3"'], [EXPECTED["strings"]]),
    (
        "strings = [{ note = 'G3', diameter_mm = inf }]",
        1,
        ["strings, number 1, diameter_mm", "inf"],
        [EXPECTED["strings.diameter_mm"]],
    ),
    ("frozen = '30.11.2026'", 1, ["frozen", '"30.11.2026"'], [EXPECTED["frozen"]]),
    ("frozen = '2026-02-30'", 1, ["frozen", '"2026-02-30"'], [EXPECTED["frozen"]]),
    ("frozen = 20261130", 1, ["frozen", "20261130"], [EXPECTED["frozen"]]),
    ("frozen = 2026-11-30T10:00:00", 1, ["frozen", "2026-11-30T10:00:00"], [EXPECTED["frozen"]]),
    ("frozen = true", 1, ["frozen", "true"], [EXPECTED["frozen"]]),
    ("reference = 'a bar'", 1, ["reference", '"a bar"'], [EXPECTED["reference"]]),
    (
        "reference = true\n[[mode]]\nlabel='a'\nnear_hz=90\n[[target]]\nmode='a'\nnearest=true",
        5,
        ["[[target]] 1"],
        ["reference = true"],
    ),
    ("scale_mm = true", 1, ["scale_mm", "true"], [EXPECTED["scale_mm"]]),
    ("stage = 'top'", 1, ["stage", '"top"'], [EXPECTED["stage"]]),
    ("[[stage]]\npart = 'top'", 1, ["[[stage]] 1, name"], [EXPECTED["stage.name"]]),
    ("[[stage]]\nname = '12'", 2, ["[[stage]] 1, name", '"12"'], [EXPECTED["stage.name"]]),
    ("[[stage]]\nname = 2026-03-14", 2, ["[[stage]] 1, name", "2026-03-14"], [EXPECTED["stage.name"]]),
    (
        "[[stage]]\nname='a'\n[[stage]]\nname='b'\nstate='fre'",
        5,
        ["[[stage]] 2, state", '"fre"'],
        [EXPECTED["stage.state"], "free?"],
    ),
    ("[[stage]]\nname = 'a'\npart = 'strung'", 3, ["[[stage]] 1, part", '"strung"'], ["top"]),
    ("[[stage]]\nname = 'a'\n[[stage]]\nname = 'A '", 4, ["[[stage]] 2, name", '"A"', "[[stage]] 1"], []),
    ("[[mode]]\nlabel = 'r12'\nnear_hz = 100", 2, ["[[mode]] 1, label", '"r12"'], ["r1"]),
    ("[[mode]]\nlabel = 'a'\nnear_hz = -1", 3, ["[[mode]] 1, near_hz", "-1"], [EXPECTED["mode.near_hz"]]),
    (
        "[[mode]]\nlabel = 'a'\nnear_hz = 9\nkind = 'wood'",
        4,
        ["[[mode]] 1, kind", '"wood"'],
        [EXPECTED["mode.kind"]],
    ),
    ("[[mode]]\nlabl = 'a'\nnear_hz = 9", 1, ["[[mode]] 1, label"], [EXPECTED["mode.label"]]),
    (
        "[[mode]]\nlabel='a'\nnear_hz=9\n[[mode]]\nlabel='a'\nnear_hz=8",
        5,
        ["[[mode]] 2, label", '"a"', "[[mode]] 1"],
        [],
    ),
]


GERMAN_B = 'spelling = "german"\nconcert_pitch_hz = 440\n'
AIR = '[[mode]]\nlabel = "air"\nnear_hz = 240\n[[target]]\nmode = "air"\n'
# A#3 is 233.08 Hz and B3 is 246.94 Hz at A4 = 440 Hz (ISO 16).
NOT_AN_INSTRUMENT += [
    (f'{GERMAN_B}{AIR}note = "B3"', 8, ["target", '"B3"'], ["hz = 233.08 for B flat", "hz = 246.94 for H"]),
    (f'{GERMAN_B}strings = ["B3"]', 3, ["strings, number 1", '"B3"'], ["Bb (233.08 Hz)", "H (246.94 Hz)"]),
    ('strings = ["H3"]', 1, ["strings, number 1", '"H3"'], ['spelling = "german"']),
    ('strings = ["sol3"]', 1, ["strings, number 1", '"sol3"'], ['spelling = "solfege"']),
]


@pytest.mark.parametrize("target", ['note = "H3"', 'note = "Bb3"', "hz = 233.08"])
def test_a_german_target_that_can_be_read_in_one_way_is_understood(root, target):
    write_instrument(root, f"{GERMAN_B}{AIR}{target}")
    assert open_shop(root).settings_of("cittern-07").spelling == "german"


@pytest.mark.parametrize(("text", "line", "found", "expected"), NOT_AN_INSTRUMENT)
def test_an_instrument_that_is_not_understood_is_withheld(root, text, line, found, expected):
    check_place(refusal(root, text), "instruments/cittern-07.toml", line, found, expected)
    with refused(SettingsError, "Cittern-07", "instruments"):
        open_shop(root).settings_of("Cittern-07")


MODES = "[[mode]]\nlabel = 'air'\nnear_hz = 190\n[[mode]]\nlabel = 'top'\nnear_hz = 330\n[[target]]\n"
ONE_AIM = ["note", "hz", "nearest = true", "like"]
NO_SENSE = [
    ("mode = 'air'", 7, ["[[target]] 1", "mode"], ONE_AIM),
    ("mode = 'air'\nnote = 'A3'\nhz = 220", 7, ["[[target]] 1", "mode", "note", "hz"], ONE_AIM),
    ("mode = 'air'\nnearest = false", 7, ["[[target]] 1", "mode", "nearest"], ONE_AIM),
    ("mode = 'air'\ncents_from = 'top'", 7, ["[[target]] 1", "cents_from"], ["cents", "cents_from"]),
    ("mode = 'ari'\nnote = 'A3'", 8, ["[[target]] 1, mode", '"ari"'], [EXPECTED["target.mode"], '"air"?']),
    ("mode = 'r1'\nnote = 'A3'", 8, ["[[target]] 1, mode", '"r1"'], [EXPECTED["target.mode"]]),
    ("mode = 'air'\nnote = 'A'", 9, ["[[target]] 1, note", '"A"'], [EXPECTED["target.note"]]),
    ("mode = 'air'\nlike = 'Cittern 07'", 9, ["[[target]] 1, like", '"cittern-07"'], [EXPECTED["target.like"]]),
    (
        "mode = 'air'\ncents_from = 'air'\ncents = 1",
        9,
        ["[[target]] 1, cents_from", '"air"'],
        [EXPECTED["target.cents_from"]],
    ),
    (
        "mode = 'air'\ncents_from = 'x'\ncents = 1",
        9,
        ["[[target]] 1, cents_from", '"x"'],
        [EXPECTED["target.cents_from"]],
    ),
    (
        "mode = 'air'\nhz = 200\ntolerance_cents = 0",
        10,
        ["[[target]] 1, tolerance_cents", "0"],
        [EXPECTED["target.tolerance_cents"]],
    ),
]


@pytest.mark.parametrize(("text", "line", "found", "expected"), NO_SENSE)
def test_a_target_that_makes_no_sense(root, text, line, found, expected):
    check_place(refusal(root, MODES + text), "instruments/cittern-07.toml", line, found, expected)


def test_a_label_of_two_parts_cannot_be_aimed_at(root):
    text = "[[mode]]\nlabel='1'\nnear_hz=90\npart='top'\n[[mode]]\nlabel='1'\nnear_hz=80\npart='back'\n"
    assert open_shop(write_instrument(root, text)).refused == ()
    told = refusal(root, text + "[[target]]\nmode='1'\nhz=100")
    check_place(told, "instruments/cittern-07.toml", 10, ["[[target]] 1, mode", '"1"'], [EXPECTED["target.mode"]])
    # a label that no mode has gets another remedy: the nearest label
    unknown = refusal(root, text + "[[target]]\nmode='2'\nhz=100")
    assert '"1"?' in unknown.remedy
    assert '"1"?' not in told.remedy
    assert len(told.remedy) > len(f"expected {EXPECTED['target.mode']}; ")


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
    tables["opening"] = OpeningSetting
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
        "inbox/README.txt",
        "notes.csv",
    ]
    shop = open_shop(tmp_path / "my shop")
    assert shop.settings == ShopSettings()
    assert (shop.instruments, shop.refused, shop.notes) == ({}, (), {})
    assert written[4].read_text(encoding="utf-8").strip().split(",") == list(COLUMNS)


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
    assert len(init_shop(root)) == 5
    with refused(ShopError, root / "notes.csv" / "shop"):
        init_shop(root / "notes.csv" / "shop")
