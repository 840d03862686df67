"""A board, tapped: from recordings and sizes to ``wood.csv`` and to what the terminal says."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tapbatch.show.view.store import MOIST
from tapbatch.simulate import boards
from tapbatch.simulate import taps as sim
from tests.shops import RATE_HZ, Result, make_shop, rows_of, tapbatch, write_wav
from tests.wood.boards_sim import BOARD, SPRUCE

MODES = boards.board_modes(BOARD, SPRUCE)
# Where it is held and struck for each word: fractions of half the length and half the width.
HELD = 1 - 2 * 0.224
WAYS = {
    "along": ((0.95, 0.0), ((HELD, 0.0), (-HELD, 0.0))),
    "across": ((0.0, 0.95), ((0.0, HELD), (0.0, -HELD))),
    "twist": ((0.95, 0.95), ((0.0, 0.0),)),
}
NOTE = "instrument,stage,length_mm,width_mm,thickness_mm,mass_g\n"
SETTINGS = """band_hz = [20, 1500]

[[target]]
mode = "along"
note = "A1"
"""


def sound(word: str, number: int = 1) -> np.ndarray:
    """Three taps, 2.5 s apart, of a board held and struck as a word says."""
    rng = np.random.default_rng([606, number])
    at, held = WAYS[word]
    struck = boards.struck_board(MODES, at, held)
    strikes = [
        sim.Strike(onset_s=0.6 + 2.5 * n, modes=sim.scattered(list(struck), rng), contact_s=0.002) for n in range(3)
    ]
    noise = sim.white_noise(round(8.2 * RATE_HZ), rng, rms=1e-4)
    return sim.recording(strikes, duration_s=8.2, sample_rate_hz=RATE_HZ, noise=noise)[0]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    recordings = {f"board-07/01-bought/blank/{word}/{word}.wav": sound(word, n) for n, word in enumerate(WAYS)}
    root = make_shop(
        tmp_path_factory.mktemp("blank") / "shop",
        recordings,
        {
            "notes.csv": NOTE + "board-07,01-bought,550,210,4.1 4.1 4.2 4.0 4.1,206\n",
            "instruments/board-07.toml": SETTINGS,
        },
    )
    return root, tapbatch("run", root, "--full")


@pytest.mark.slow
def test_the_wood_of_a_simulated_board(shop: tuple[Path, Result]) -> None:
    """Its true values lie in the intervals of ``wood.csv``."""
    (row,) = rows_of(shop[0] / "results" / "board-07" / "wood.csv")
    assert (row["stage"], row["shape"], row["reason"], row["flags"]) == ("01-bought", "plate", "", "")
    density = BOARD.density_kg_m3
    truth = {
        "density_kg_m3": density,
        "e_along_gpa": SPRUCE.e_along_gpa,
        "e_across_gpa": SPRUCE.e_across_gpa,
        "g_gpa": SPRUCE.g_gpa,
        "speed_along_m_s": SPRUCE.speed_along_m_s(density),
        "radiation_m4_kg_s": SPRUCE.radiation_m4_kg_s(density),
        "stiffness_along_n_m": SPRUCE.e_along_gpa * 4.1**3 / 12,
    }
    for name, value in truth.items():
        assert float(row[f"{name}_low"]) < value < float(row[f"{name}_high"]), name
        assert float(row[name]) == pytest.approx(value, rel=0.03), name


@pytest.mark.slow
def test_the_terminal_leads_with_what_depends_least_on_the_caliper(shop: tuple[Path, Result]) -> None:
    said = shop[1].said
    assert said.index("radiates (c/rho)") < said.index("E along")
    assert "along on A1 (55.0 Hz, now 69.7): stop at 3." in said
    assert "no target" not in said
    assert shop[1].status == 0


@pytest.mark.slow
def test_a_mode_that_only_one_word_can_excite_is_used(shop: tuple[Path, Result]) -> None:
    """Held and tapped for the others, the twist stands still: only three taps of nine show it."""
    assert "50.8 Hz twist (1,1)" in shop[1].said


def test_a_target_of_a_board_needs_a_note_or_hertz(tmp_path: Path) -> None:
    root = make_shop(
        tmp_path / "shop", {}, {"instruments/board-1.toml": '[[target]]\nmode = "twist"\nnearest = true\n'}
    )
    done = tapbatch("run", root)
    assert done.status == 1
    assert "note, hz or stiff_as" in done.said


@pytest.mark.slow
def test_the_table_is_made_again_and_goes_with_the_blank(shop: tuple[Path, Result]) -> None:
    root = shop[0]
    table = root / "results" / "board-07" / "wood.csv"
    before = table.read_bytes()
    table.unlink()
    tapbatch("run", root)
    assert table.read_bytes() == before
    notes = root / "notes.csv"
    notes.write_text(NOTE + "board-07,01-bought,550,210,3.6 4.1 4.6,206\n", encoding="utf-8")
    said = tapbatch("run", root).said
    assert "wedged or arched" in said
    (row,) = rows_of(table)
    assert "wedged" in row["reason"]
    assert row["e_along_gpa"] == row["density_kg_m3"] == ""


@pytest.mark.slow
def test_all_blanks_stand_side_by_side_and_say_what_they_became(shop: tuple[Path, Result]) -> None:
    root = shop[0]
    (root / "instruments" / "board-07.toml").write_text(f'species = "spruce"\n{SETTINGS}', encoding="utf-8")
    (root / "instruments" / "lyre-2.toml").write_text('blank = { top = "Board-07" }\n', encoding="utf-8")
    tapbatch("run", root)
    (row,) = rows_of(root / "results" / "blanks.csv")
    assert (row["instrument"], row["species"], row["part"], row["into"]) == ("board-07", "spruce", "top", "lyre-2")
    (own,) = rows_of(root / "results" / "board-07" / "wood.csv")
    assert {name: row[name] for name in own} == own
    page = (root / "results" / "blanks.html").read_text(encoding="utf-8")
    assert all(text in page for text in ("board-07", "lyre-2 top", "c/rho", "spruce"))
    index = root / "results" / "index.html"
    assert 'href="blanks.html"' in index.read_text(encoding="utf-8")
    assert 'href="../blanks.html"' in (root / "results" / "board-07" / "page.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_store_on_paper_is_drawn_again_only_if_it_changed(shop: tuple[Path, Result]) -> None:
    root = shop[0]
    pdf = root / "results" / "blanks.pdf"
    tapbatch("run", root)
    whole, at = pdf.read_bytes(), pdf.stat().st_mtime_ns
    assert whole.startswith(b"%PDF-")
    tapbatch("run", root)
    assert pdf.stat().st_mtime_ns == at
    pdf.unlink()
    tapbatch("run", root)
    assert pdf.read_bytes() == whole
    pdf.write_bytes(b"half")
    (root / "results" / ".readings" / "store.json").write_text("{", encoding="utf-8")
    assert "set aside" in tapbatch("run", root).said
    assert pdf.read_bytes() == whole
    (root / "instruments" / "board-07.toml").write_text(f'species = "sitka spruce"\n{SETTINGS}', encoding="utf-8")
    tapbatch("run", root)
    assert pdf.read_bytes() != whole


@pytest.mark.slow
def test_figures_at_one_moisture_stand_beside_those_measured(shop: tuple[Path, Result]) -> None:
    """Wood Handbook: at 21.1 C and 50 % wood has 9.24 % moisture; E of Sitka spruce falls by 1.6 % a point."""
    root = shop[0]
    sizes = "board-07,01-bought,550,210,4.1 4.1 4.2 4.0 4.1,206"
    notes, table = root / "notes.csv", root / "results" / "blanks.csv"
    noted = NOTE.replace("mass_g", "mass_g,temperature_c,humidity_pct")
    rows = []
    for humidity in ("", "50"):
        notes.write_text(f"{noted}{sizes},21.1,{humidity}\n", encoding="utf-8")
        tapbatch("run", root)
        rows += rows_of(table)
    before, row = rows
    assert before["moisture_pct"] == before["e_along_gpa_at_12"] == before["density_kg_m3_at_12_low"] == ""
    added = {name for name in row if name == "moisture_pct" or "_at_12" in name}
    assert all(row[name] == before[name] for name in set(row) - added)
    assert row["moisture_pct"] == "9.2"
    e_gpa, e_at_12 = float(row["e_along_gpa"]), float(row["e_along_gpa_at_12"])
    assert e_at_12 == pytest.approx(e_gpa * (1 - 0.016) ** (12 - 9.24), rel=0.002)
    assert float(row["e_along_gpa_at_12_low"]) < e_at_12 < float(row["e_along_gpa_at_12_high"])
    assert float(row["density_kg_m3_at_12"]) > float(row["density_kg_m3"])
    assert MOIST in (root / "results" / "blanks.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_list_leads_to_the_wood_store_only_while_there_is_one(shop: tuple[Path, Result]) -> None:
    """Without its recordings the board is forgotten, and the page of the store goes with the link to it."""
    root = shop[0]
    index = root / "results" / "index.html"
    recordings = sorted((root / "recordings").rglob("*.wav"))
    names = [path.relative_to(root / "recordings").as_posix() for path in recordings]
    for path in recordings:
        path.unlink()
    tapbatch("forget", *names, root)
    tapbatch("run", root)
    assert not (root / "results" / "blanks.html").exists()
    assert not (root / "results" / "blanks.pdf").exists()
    assert "blanks.html" not in index.read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_quick_look_with_sizes_on_the_command_line(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "tap.wav", sound("twist"))
    done = tapbatch("read", path, "--blank", "550x210x4.1", "--mass", "206")
    assert done.status == 0
    assert "radiates (c/rho)" in done.said
    assert "caliper" in done.said
    (wood,) = json.loads(tapbatch("read", path, "--blank", "550x210x4.1", "--mass", "206", "--json").out)["wood"]
    truth = SPRUCE.radiation_m4_kg_s(BOARD.density_kg_m3)
    assert wood["radiation_m4_kg_s_low"] < truth < wood["radiation_m4_kg_s_high"]


@pytest.mark.parametrize("typed", ["550x210", "550x210xthin", "550x210x0", "axbxc", "1/2x3x4"])
def test_sizes_that_are_not_understood(tmp_path: Path, typed: str) -> None:
    path = write_wav(tmp_path / "tap.wav", np.zeros(4000))
    done = tapbatch("read", path, "--blank", typed, "--mass", "206")
    assert done.status == 1
    assert "--blank" in done.said


def test_a_mass_is_asked_for(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "tap.wav", np.zeros(4000))
    done = tapbatch("read", path, "--blank", "550x210x4.1")
    assert done.status == 1
    assert "--mass" in done.said
