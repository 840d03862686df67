"""What ``import tapbatch`` gives: the numbers of the tables, with their types and units, and simulated truth."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

import tapbatch
from tapbatch.model.errors import ShopError, SoundError
from tapbatch.show.tables.columns import OF_SHOP, SCHEMA
from tests.refusals import refused
from tests.shops import BODY, bytes_below, make_shop, rows_of, taps
from tests.shops import tapbatch as command

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two instruments, one called NA; the top of the other went down by 40 cents."""
    shop = make_shop(
        tmp_path_factory.mktemp("interface") / "shop",
        {
            "lyre-2_01-joined_top.wav": taps(1),
            "lyre-2_02-thinned_top.wav": taps(2, cents=-40),
            "NA_01 closed.wav": taps(3),
            "NA_02_odd.wav": taps(4),
        },
    )
    assert command("run", shop).status == 1
    return shop


def test_importing_is_quick_and_brings_nothing_heavy() -> None:
    code = (
        "import sys, tapbatch\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'av', 'soundfile', 'pydantic', 'rich', 'typer'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
        "assert 'load_table' in dir(tapbatch)\n"
        "tapbatch.load_table\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (0, "")


def test_every_public_name_is_there_and_says_what_it_is() -> None:
    for name in set(tapbatch.__all__) - {"__version__"}:
        assert getattr(tapbatch, name).__doc__
    with pytest.raises(AttributeError, match="'measure_all'"):
        tapbatch.measure_all  # noqa: B018


# --------------------------------------------------------------- readings


def test_readings_are_what_the_run_said_and_nothing_is_written(shop: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in shop.rglob("*")}
    readings = tapbatch.load_readings(shop)
    assert {path: path.stat().st_mtime_ns for path in shop.rglob("*")} == before
    assert list(readings) == ["lyre-2", "na"]
    assert readings["na"].instrument_shown == "NA"
    table = rows_of(shop / "results" / "lyre-2" / "drift.csv")
    drifts = readings["lyre-2"].drifts
    assert [(d.mode, d.verdict) for d in drifts] == [(row["mode"], row["verdict"]) for row in table]
    assert [d.freq_change_cents for d in drifts] == pytest.approx([-40] * len(BODY), abs=2)


def test_a_recording_that_no_run_has_measured_is_left_out(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"lyre-2_01-joined_top.wav": taps(1)})
    assert tapbatch.load_readings(str(shop)) == {}
    assert "results" not in {path.name for path in shop.iterdir()}


def test_readings_of_no_shop_are_one_clear_line(tmp_path: Path) -> None:
    with refused(ShopError, tmp_path / "nowhere"):
        tapbatch.load_readings(tmp_path / "nowhere")


# ----------------------------------------------------------------- tables


@pytest.mark.parametrize("name", SCHEMA)
def test_a_table_has_its_columns_types_and_units(shop: Path, name: str) -> None:
    frame = tapbatch.load_table(shop, name)
    own = ["instrument"] if name not in OF_SHOP else []
    assert list(frame) == [*own, *(column.name for column in SCHEMA[name])]
    for column in SCHEMA[name]:
        kind = str(frame[column.name].dtype)
        assert kind == {"float": "float64", "int": "Int64", "bool": "boolean"}.get(column.kind, kind)
        # The contract has units in the names of columns; a count, a ratio or a text has none.
        unit = frame.attrs["units"].get(column.name)
        endings = {
            "_kg_s": "m4/(kg s)",
            "_m_s": "m/s",
            "_n_m": "N m",
            "_gpa": "GPa",
            "_mm": "mm",
            "_g": "g",
            "_hz": "Hz",
            "_s": "s",
            "_db": "dB",
            "_dbfs": "dBFS",
            "_pct": "%",
            "_cents": "cents",
            "_n": "N",
        }
        said = [endings[end] for end in endings if column.name.endswith(end) and column.kind != "text"]
        assert not said or unit == said[0]


def test_one_instrument_is_part_of_all_and_na_is_a_name(shop: Path) -> None:
    every, one = tapbatch.load_table(shop, "modes"), tapbatch.load_table(shop, "modes", "Lyre-2")
    assert set(every["instrument"]) == {"lyre-2", "na"}
    pd.testing.assert_frame_equal(every[every["instrument"] == "lyre-2"], one)
    assert every.attrs["units"] == one.attrs["units"]
    # what is taken out of a table keeps the units
    assert one[one["lead"]].attrs["units"]["freq_hz"] == "Hz"
    assert tapbatch.load_table(shop, "attention")["where"].tolist() == ["NA_02_odd.wav"]


def test_a_table_that_is_not_there_is_one_clear_line(shop: Path, tmp_path: Path) -> None:
    with refused(ShopError, shop, "'lute'", "lyre-2", "na"):
        tapbatch.load_table(shop, "modes", "lute")
    with refused(ShopError, tmp_path / "shop", "tapbatch run"):
        tapbatch.load_table(make_shop(tmp_path / "shop", {}), "modes")
    with pytest.raises(ValueError, match=r"'colours'.*recordings, taps"):
        tapbatch.load_table(shop, "colours")
    elsewhere = tmp_path / "elsewhere"
    assert command("run", shop, "--results", elsewhere).status == 1
    assert len(tapbatch.load_table(shop, "taps", "na", elsewhere)) == len(tapbatch.load_table(shop, "taps", "na"))


# ------------------------------------------------------------ one file


def test_a_file_is_measured_as_the_command_measures_it(shop: Path) -> None:
    path = shop / "recordings" / "lyre-2_01-joined_top.wav"
    before = bytes_below(shop, hidden=True)
    modes = tapbatch.measure_file(path, concert_pitch_hz=431)
    assert bytes_below(shop, hidden=True) == before
    assert modes["freq_hz"].to_numpy() == pytest.approx([mode.freq_hz for mode in BODY], rel=5e-4)
    assert modes["freq_hz"].is_monotonic_increasing
    # 1200 log2(268/(431 * 2**(-9/12))) = 77.5 cents over C4 at A4 = 431 Hz, that is 22.5 under C#4
    lead = modes[modes["lead"]].iloc[0]
    assert (lead["note"], lead["cents"]) == ("C#4", pytest.approx(-22.5, abs=1))
    assert (modes["freq_low_hz"] < modes["freq_hz"]).all()
    high = tapbatch.measure_file(path, band_hz=(300, 1500))
    assert high["freq_hz"].min() > 300


def test_a_file_that_cannot_be_measured_is_one_clear_line(tmp_path: Path) -> None:
    with refused(SoundError, tmp_path / "gone.wav") as gone:
        tapbatch.measure_file(tmp_path / "gone.wav")
    (tmp_path / "empty.wav").write_bytes(b"")
    with refused(SoundError, "empty.wav") as empty:
        tapbatch.measure_file(tmp_path / "empty.wav")
    assert gone.value.what != empty.value.what
    assert issubclass(SoundError, tapbatch.TapbatchError)
    with pytest.raises(ValueError, match="concert_pitch_hz"):
        tapbatch.measure_file(tmp_path / "empty.wav", concert_pitch_hz=4400)


def test_a_file_without_a_tap_gives_no_row(tmp_path: Path) -> None:
    noise = np.random.default_rng(4).standard_normal(16000) * 1e-3
    soundfile.write(tmp_path / "quiet.wav", noise, 8000)
    modes = tapbatch.measure_file(tmp_path / "quiet.wav")
    assert len(modes) == 0
    assert list(modes) == [column.name for column in SCHEMA["modes"]]


# ----------------------------------------------------------- simulated truth


def test_the_same_seed_is_the_same_file_and_another_is_not(tmp_path: Path) -> None:
    written = []
    for seed in (1, 1, 2):
        tapbatch.simulate_recording(tmp_path / "tap.wav", [(220.0, 0.3, 0.1)], seed=seed, taps=1)
        written.append((tmp_path / "tap.wav").read_bytes())
    assert written[0] == written[1] != written[2]


def test_the_bound_is_that_of_the_worked_figure(tmp_path: Path) -> None:
    """A mode at 187 Hz with a T60 of 0.35 s whose energy is 60 dB over the noise density is known to 0.058 cent and
    0.2 % (Yao & Pandit 1995, worked in :func:`tapbatch.measure.bound.lone_mode_bound`); four taps halve both."""
    rate_hz, noise_rms, t60_s = 48000, 1e-4, 0.35
    # a**2 T60/(4 ln 1000) over noise_rms**2/rate is 1e6; the mallet leaves 0.858 of the amplitude (simulate.tap)
    amplitude = math.sqrt(1e6 * noise_rms**2 / rate_hz * 4 * math.log(1000) / t60_s) / 0.858
    for taps_, share in ((1, 1.0), (4, 0.5)):
        truth = tapbatch.simulate_recording(
            tmp_path / "tap.wav", [(187.0, t60_s, amplitude)], taps=taps_, noise_rms=noise_rms, sample_rate_hz=rate_hz
        )
        cents = 1200 * math.log2(1 + truth["freq_bound_hz"][0] / 187)
        assert cents == pytest.approx(0.058 * share, rel=0.01)
        assert truth["t60_bound_s"][0] / t60_s == pytest.approx(0.002 * share, rel=0.01)


@pytest.mark.parametrize(
    ("modes", "other", "match"),
    [
        ([], {}, r" \[\], "),
        ([(220.0, 0.3, 0.1)], {"taps": 0}, r" 0, "),
        ([(220.0, 0.3, 0.1)], {"noise_rms": 0.0}, r"noise_rms.* 0\.0$"),
        ([(220.0, 0.3, 3.0)], {}, r" [23]\.\d\d "),
        ([(5000.0, 0.3, 0.1)], {"sample_rate_hz": 8000}, r"\b5000\b.*\b10000\b"),
        ([(220.0, 0.0, 0.1)], {}, r"t60_s=0\.0\b"),
    ],
)
def test_what_cannot_be_simulated_is_refused_and_nothing_is_written(
    modes: list, other: dict, match: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match=match):
        tapbatch.simulate_recording(tmp_path / "tap.wav", modes, **other)
    assert list(tmp_path.iterdir()) == []
