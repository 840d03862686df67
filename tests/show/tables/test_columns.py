"""The tables against what is promised of them, against spreadsheets' ways, and back."""

from __future__ import annotations

import csv
import io
import os
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.history import build_history
from tapbatch.model.errors import ShopError
from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import beside, put_file
from tapbatch.show.tables.columns import SCHEMA, table_bytes
from tapbatch.show.tables.frames import read_table
from tapbatch.show.tables.rows import attention_rows, history_to_tables
from tests.compare import builds
from tests.documentation.promised import COLUMNS
from tests.refusals import refused


def parsed(name: str, rows: list) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(table_bytes(name, rows).decode("utf-8"), newline="")))


@pytest.mark.parametrize("name", COLUMNS)
def test_the_columns_are_those_promised(name: str) -> None:
    # Columns of our own come after those that were promised.
    promised = COLUMNS[name].split(", ")
    assert [column.name for column in SCHEMA[name]][: len(promised)] == promised


def test_every_history_gives_the_same_bytes_twice_and_reads_back(any_history: History, tmp_path: Path) -> None:
    tables = history_to_tables(any_history)
    for name, rows in tables.items():
        assert table_bytes(name, rows) == table_bytes(name, history_to_tables(any_history)[name])
        (tmp_path / f"{name}.csv").write_bytes(table_bytes(name, rows))
        data = (tmp_path / f"{name}.csv").read_bytes()
        assert b"\r\n" not in data
        assert not data.startswith(b"\xef\xbb\xbf")
        frame = read_table(tmp_path / f"{name}.csv")
        assert len(frame) == len(rows)
        for column in SCHEMA[name]:
            kind = str(frame[column.name].dtype)
            assert kind == {"float": "float64", "int": "Int64", "bool": "boolean"}.get(column.kind, kind)
            if column.kind == "text":
                assert [*frame[column.name]] == [str(row[column.name] or "") for row in rows]


def test_numbers_come_back_within_their_digits(whole: History, tmp_path: Path) -> None:
    rows = history_to_tables(whole)["modes"]
    (tmp_path / "modes.csv").write_bytes(table_bytes("modes", rows))
    frame = read_table(tmp_path / "modes.csv")
    for row, freq, low, high in zip(rows, frame["freq_hz"], frame["freq_low_hz"], frame["freq_high_hz"], strict=True):
        # Three digits of the uncertainty: what rounding adds is at most half a hundredth of it.
        assert abs(freq - row["freq_hz"]) <= 0.005 * (high - low)
    assert frame["lead"].sum() == len(whole.stages)
    assert (frame["cents"] < 0).any()


def test_digits_follow_the_uncertainty(make_mode: Callable[..., StageMode], make_stage: Callable[..., Stage]) -> None:
    def written(half_cents: float) -> str:
        stage = make_stage("top", "free", "s", 1, [make_mode("r1", 234.5678912, half_cents=half_cents)])
        history = History(instrument="a", instrument_shown="a", stages=(stage,), drifts=())
        return parsed("modes", history_to_tables(history)["modes"])[0]["freq_hz"]

    # Half-widths of 0.0135, 0.135 and 13.8 Hz keep three significant digits each.
    assert [written(c) for c in (0.1, 1.0, 100.0)] == ["234.5679", "234.568", "234.6"]


def test_an_instrument_called_na_and_other_gaps_that_are_none(tmp_path: Path) -> None:
    names = ["NA", "nan", "null", "None", "", "true", "1e5", "007", " N/A"]
    rows = [{"recording": f"{n}.wav", "stage": name, "tap": None, "used": True} for n, name in enumerate(names)]
    (tmp_path / "taps.csv").write_bytes(table_bytes("taps", rows))
    frame = read_table(tmp_path / "taps.csv")
    assert [*frame["stage"]] == names
    assert frame["tap"].isna().all()
    assert [*frame["used"]] == [True] * len(names)


LETTERS = st.characters(exclude_categories=["Cs"]) | st.sampled_from("'=+-@\t\r\n,;\" \\x1bu\x00")


@given(st.lists(st.text(LETTERS, max_size=8), max_size=6))
def test_any_text_comes_back(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    path = tmp_path_factory.mktemp("any") / "taps.csv"
    path.write_bytes(table_bytes("taps", [{"recording": "x.wav", "stage": text} for text in texts]))
    assert [*read_table(path)["stage"]] == texts


RUNS = re.compile(r"\s*[=+\-@\t\r]")
"""What makes a cell a formula (OWASP, CSV Injection, 2024); some programs pass over spaces in front."""


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", " =", ";=", "x; =", "x\t=", "'=", "';'=", "\n="])
@pytest.mark.parametrize("parted_at", [",", ";", "\t"])
def test_no_cell_is_a_formula_wherever_a_program_parts_columns(start: str, parted_at: str) -> None:
    row = {"where": f"{start}cmd|' /C calc'!A0", "problem": f"a;b,{start}cmd", "remedy": f"{start}cmd;{start}cmd"}
    text = table_bytes("attention", [row]).decode()
    cells = [cell for line in csv.reader(io.StringIO(text), delimiter=parted_at) for cell in line]
    assert len(cells) > 3 or parted_at != ","
    assert [cell for cell in cells if RUNS.match(cell)] == []


def test_a_negative_number_stays_a_number() -> None:
    (cells,) = parsed("drift", [{"mode": "-r1", "freq_change_cents": -42.5}])
    assert (cells["mode"], cells["freq_change_cents"]) == ("'-r1", "-42.500")


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=12))
def test_no_table_holds_a_character_that_steers(text: str) -> None:
    written = table_bytes("attention", [{"where": text}]).decode()
    assert [c for c in written if unicodedata.category(c) == "Cc" and c != "\n"] == []
    assert written.count("\n") == 2
    assert not set(written) & set("\u200e\u200f\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def test_unknown_numbers_are_empty_and_zero_has_no_sign() -> None:
    row = {"freq_change_hz": float("nan"), "cents_low": float("-inf"), "cents_high": None, "t60_low_pct": -1e-9}
    (cells,) = parsed("drift", [row])
    assert [cells[k] for k in ("freq_change_hz", "cents_low", "cents_high", "t60_low_pct")] == ["", "", "", "0.00"]


def test_a_name_that_is_no_valid_text_is_written_as_its_code() -> None:
    assert b"caf\\udce9.wav" in table_bytes("attention", [{"where": "caf\udce9.wav"}])


def test_a_column_that_the_table_lacks_is_a_mistake() -> None:
    with pytest.raises(KeyError, match="colour"):
        table_bytes("taps", [{"colour": "blue"}])


def test_missing_recordings_stages_and_levels(whole: History) -> None:
    tables = history_to_tables(whole)
    missing = [row["stage"] for row in tables["recordings"] if "missing" in str(row["notice"]).split("; ")]
    assert missing == ["06-edges"]
    assert all("/" in str(row["recording"]) for row in tables["recordings"])
    assert {row["to_stage"] for row in tables["drift"]} <= {stage.stage_shown for stage in whole.stages}
    first_tap = [row for row in tables["tap_modes"] if row["stage"] == "05-glued up" and row["tap"] == 1]
    assert [(row["mode"], row["level_db"]) for row in first_tap][:2] == [("air", -4.0), ("main", 0.0)]
    assert sum(row["used"] is False for row in tables["taps"]) == len(whole.stages)


def test_a_stage_is_spelled_alike_in_every_table(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    stages = [
        make_stage("top", "free", name, n, [make_mode("r1", 200.0 + n)]) for n, name in enumerate(("Übung", "B"))
    ]
    tables = history_to_tables(make_history(stages))
    assert {row["stage"] for row in tables["modes"]} == {"Übung", "B"}
    assert (tables["drift"][0]["from_stage"], tables["drift"][0]["to_stage"]) == ("Übung", "B")


def test_attention_is_sorted_and_once() -> None:
    items = [Attention(where=w, what="no name", remedy="rename") for w in ("b.wav", "a.wav", "b.wav")]
    assert [row["where"] for row in attention_rows(items)] == ["a.wav", "b.wav"]


# --------------------------------------------------------------- writing


def test_an_unchanged_file_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "results" / "modes.csv"
    put_file(path, b"one")
    os.utime(path, ns=(1, 1))
    before = path.stat()
    assert put_file(path, b"one") is None
    assert (path.stat().st_mtime_ns, path.stat().st_ino) == (before.st_mtime_ns, before.st_ino)
    put_file(path, b"two")
    assert path.stat().st_mtime_ns != before.st_mtime_ns
    assert [p.name for p in path.parent.iterdir()] == ["modes.csv"]


def _refuse(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    replace = Path.replace

    def refuse(self: Path, target: Path) -> Path:
        if target.name in names:
            raise PermissionError(13, "Permission denied")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", refuse)


def test_a_file_held_open_keeps_its_content_and_the_new_one_lies_beside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "modes.csv"
    put_file(path, b"old")
    with monkeypatch.context() as held:
        _refuse(held, "modes.csv")
        notice = put_file(path, b"new")
    assert notice is not None
    assert (notice.kind, notice.path, notice.other_path) == ("not replaced", str(path), "modes (new).csv")
    assert (path.read_bytes(), beside(path).read_bytes()) == (b"old", b"new")
    assert put_file(path, b"newer") is None
    assert [p.name for p in tmp_path.iterdir()] == ["modes.csv"]


def test_where_nothing_can_be_replaced_one_line_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "modes.csv"
    put_file(path, b"old")
    _refuse(monkeypatch, "modes.csv", "modes (new).csv")
    with refused(ShopError, path, "modes.csv", "modes (new).csv"):
        put_file(path, b"new")
    assert [p.name for p in tmp_path.iterdir()] == ["modes.csv"]


def test_a_folder_that_is_a_file_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with refused(ShopError, tmp_path / "results" / "modes.csv"):
        put_file(tmp_path / "results" / "modes.csv", b"x")


@pytest.mark.parametrize(
    ("name", "text", "values"),
    [
        ("colours.csv", "a\n", tuple(SCHEMA)),
        ("modes.csv", "part,state\n", ("stage", "freq_hz")),
        ("taps.csv", "recording,stage,tap,onset_s,peak_dbfs,snr_db,used,reason\na,b,x,,,,,\n", ("tap",)),
        ("drift.csv", "", ()),
    ],
)
def test_a_table_that_is_none_is_refused_in_one_line(
    tmp_path: Path, name: str, text: str, values: tuple[str, ...]
) -> None:
    (tmp_path / name).write_text(text, "utf-8")
    with refused(ShopError, tmp_path / name, *values):
        read_table(tmp_path / name)


def test_a_table_that_is_missing_is_refused(tmp_path: Path) -> None:
    with refused(ShopError, tmp_path / "modes.csv", "No such file"):
        read_table(tmp_path / "modes.csv")


def test_a_mode_of_unknown_decay_leaves_t60_and_q_empty() -> None:
    """In the tap that does not tell it, and at a stage whose taps all do not."""
    known = builds.mode(240.0, 0.4)
    vague = replace(known, t60_log_se=3.0, flags=("unresolved",))
    items = [
        builds.item("c_01-s_1.wav", builds.reading([[known], [vague], [known]])),
        builds.item("c_02-s_1.wav", builds.reading([[vague]] * 3)),
    ]
    tables = history_to_tables(build_history("cittern-07", items, InstrumentSettings(), {})[0])
    taps = [(row["t60_s"], row["t60_se_s"], row["q"] is None) for row in tables["tap_modes"]]
    assert [tap[0] is None for tap in taps] == [False, True, False, True, True, True]
    assert taps[1] == (None, None, True)
    first, second = tables["modes"]
    assert first["t60_s"] is not None
    assert [second[name] for name in ("t60_s", "t60_low_s", "t60_high_s", "q")] == [None] * 4
    assert "unresolved" in str(second["flags"])
    cells = table_bytes("modes", [second]).decode().splitlines()[1].split(",")
    assert [cells[n] for n, column in enumerate(SCHEMA["modes"]) if column.name in ("t60_s", "q")] == ["", ""]
