"""The sample shop's maker: the same bytes each time, those that lie in the repository, true to its own tables."""

from __future__ import annotations

import csv
import filecmp
import importlib.util
import math
import sys
import tomllib
from collections import defaultdict
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile

from tapbatch.model.settings import InstrumentSettings, ShopSettings

SHOP = Path(__file__).parents[2] / "sample_data"
TRUTH = tuple(f"truth_{name}.csv" for name in ("taps", "modes", "drift", "strings", "wood", "covered"))


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_data_make", SHOP / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # dataclasses look their module up by name while they are made
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, spec.name, module)
        patch.syspath_prepend(SHOP)
        patch.setattr(sys, "dont_write_bytecode", True)
        spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made(maker: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    maker.make(folder)
    return folder


def files_below(folder: Path) -> list[Path]:
    return sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())


def rows_of(name: str) -> list[dict[str, str]]:
    with (SHOP / name).open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def sound_of(path: Path) -> tuple[np.ndarray, int]:
    with soundfile.SoundFile(path) as sound:
        assert (sound.channels, sound.subtype) == (1, "PCM_16")
        return sound.read(dtype="int16").astype(int), sound.samplerate


@pytest.mark.slow
def test_making_twice_gives_the_same_bytes(maker: ModuleType, made: Path, tmp_path: Path) -> None:
    maker.make(tmp_path)
    assert files_below(tmp_path) == files_below(made)
    _, different, failed = filecmp.cmpfiles(made, tmp_path, map(str, files_below(made)), shallow=False)
    assert (different, failed) == ([], [])


def test_the_repository_holds_what_the_maker_makes(made: Path) -> None:
    assert files_below(SHOP / "recordings") == files_below(made / "recordings")
    for name in TRUTH:
        assert (SHOP / name).read_bytes() == (made / name).read_bytes()
    for path in files_below(made / "recordings"):
        kept, kept_rate = sound_of(SHOP / "recordings" / path)
        new, new_rate = sound_of(made / "recordings" / path)
        assert (len(kept), kept_rate) == (len(new), new_rate)
        # another machine's sine may differ in its last bit, and so the rounding to 16 bits by one
        assert np.max(np.abs(kept - new)) <= 1
        assert np.max(np.abs(kept)) < 32767


def test_it_is_small_enough() -> None:
    assert sum((SHOP / "recordings" / p).stat().st_size for p in files_below(SHOP / "recordings")) <= 7_000_000


def test_settings_are_understood_and_name_the_stages() -> None:
    ShopSettings.model_validate(tomllib.loads((SHOP / "shop.toml").read_text(encoding="utf-8")))
    modes = rows_of("truth_modes.csv")
    notes = {(row["instrument"], row["stage"]) for row in rows_of("notes.csv")}
    told = [*modes, *rows_of("truth_wood.csv")]
    assert notes == {(row["instrument"], row["stage"]) for row in told}
    for path in sorted((SHOP / "instruments").glob("*.toml")):
        written = tomllib.loads(path.read_text(encoding="utf-8"))
        written["strings"] = [{"note": note} for note in written.get("strings", [])]
        settings = InstrumentSettings.model_validate(written)
        own = [row for row in modes if row["instrument"] == path.stem]
        parts = {row["stage"]: row["part"] for row in own}
        assert all(parts[stage.name] == (stage.part or "body") for stage in settings.stage)
        # a label's frequency is that of the mode where it is first met
        first = {(row["part"], row["mode"]): float(row["freq_hz"]) for row in reversed(own)}
        for mode in settings.mode:
            assert first[mode.part, mode.label] == pytest.approx(mode.near_hz, abs=0.5)


def test_what_the_story_promises_is_in_the_truth() -> None:
    drifts = defaultdict(dict)
    rows = rows_of("truth_drift.csv")
    for row in (r for r in rows if r["instrument"] == "kantele-03"):
        drifts[row["part"], row["to_stage"]][row["mode"]] = row
    moves = [abs(float(r["freq_change_cents"])) for r in rows if r["freq_change_cents"]]
    assert all(move < 1 or 5 <= move <= 60 for move in moves)
    varnish = drifts["body", "09-varnished"].values()
    assert {row["verdict"] for row in varnish} == {"steady"}
    assert max(float(row["t60_change_pct"]) for row in varnish) < -5
    assert {drifts["top", stage]["edge"]["verdict"] for part, stage in drifts if part == "top"} == {"steady"}
    assert drifts["top", "05-bars-fitted"]["bar-end"]["verdict"] == "new"
    assert drifts["top", "06-bars-carved"]["bar-end"]["verdict"] == "gone"
    at = {(r["stage"], r["mode"]): float(r["freq_hz"]) for r in rows_of("truth_modes.csv") if r["part"] == "top"}
    assert at["02-top-thinned", "cup"] < at["02-top-thinned", "wave"]
    assert at["05-bars-fitted", "cup"] > at["05-bars-fitted", "wave"]


def test_modes_and_drifts_agree() -> None:
    modes = {
        (r["instrument"], r["part"], r["stage"], r["mode"]): (float(r["freq_hz"]), float(r["t60_s"]))
        for r in rows_of("truth_modes.csv")
    }
    for row in rows_of("truth_drift.csv"):
        before = modes.get((row["instrument"], row["part"], row["from_stage"], row["mode"]))
        after = modes.get((row["instrument"], row["part"], row["to_stage"], row["mode"]))
        if before is None or after is None:
            assert row["verdict"] == ("new" if before is None else "gone")
            continue
        # a cent is the 1200th part of an octave
        assert float(row["freq_change_cents"]) == pytest.approx(1200 * math.log2(after[0] / before[0]), abs=0.02)
        assert float(row["t60_change_pct"]) == pytest.approx(100 * (after[1] / before[1] - 1), abs=0.02)
        assert 80 < after[0] < 900
        assert 0.1 < after[1] < 0.5


def test_taps_are_where_the_table_says() -> None:
    heard = defaultdict(list)
    for row in rows_of("truth_taps.csv"):
        heard[row["recording"]].append(row)
    for path, rows in heard.items():
        sound, rate_hz = sound_of(SHOP / "recordings" / path)
        for row in rows:
            start = round(float(row["onset_s"]) * rate_hz)
            if row["is_tap"] == "true":
                before = np.sqrt(np.mean(sound[start - rate_hz // 50 : start] ** 2.0))
                after = np.sqrt(np.mean(sound[start + rate_hz // 500 : start + rate_hz // 50] ** 2.0))
                assert after > 10 * before
    taps = [sum(row["is_tap"] == "true" for row in rows) for rows in heard.values()]
    assert set(taps) == {5, 4, 0}


@pytest.mark.slow
def test_every_mode_can_be_heard_in_every_recording(maker: ModuleType) -> None:
    # a tone is found 99 times in 100 at an energy of 20 dB over the two-sided noise density; 25 leaves room. Pink
    # noise of power P spread as 1/f from 20 Hz to half the rate, and evenly below 20 Hz, has P/(1 + ln(fs/40))/f.
    for take in (t for t in maker.TAKES if t.taps):
        _, truth = maker.tapped(take)
        taps = [event.modes for event in truth if event.is_tap]
        assert len(taps) == take.taps
        if isinstance(take.part, maker.Planed):
            continue  # some modes of a board are hardly struck where another is aimed at
        for per_tap in zip(*taps, strict=True):
            density = maker.NOISE_RMS**2 / (1 + math.log(take.rate_hz / 40)) / per_tap[0].freq_hz
            over_db = [mode.energy_db - 10 * math.log10(density / 2) for mode in per_tap]
            assert np.median(over_db) > 25, (take.path, per_tap[0].freq_hz)


def test_the_shop_holds_each_kind_of_thing() -> None:
    names = [p.as_posix() for p in files_below(SHOP / "recordings")]
    for word in (
        "_again",
        "_room",
        "_pluck",
        "_step_4",
        "_tpo_",
        " - at-edge",
        "/top/free/",
        "/step 6/New",
        "/blank/twist/",
        "/covered/",
    ):
        assert any(word in name for name in names), word
    assert {Path(name).suffix for name in names} == {".wav", ".flac"}
    assert {row["what"] for row in rows_of("truth_taps.csv")} >= {"tap", "bounce", "knock", "speech", "pluck"}
    rates = {sound_of(SHOP / "recordings" / name)[1] for name in names}
    assert rates == {16000, 22050, 44100}


def test_the_earlier_citterns_obey_two_coupled_oscillators() -> None:
    """Christensen & Vistisen (JASA 68, 1980): the product of both goes with Helmholtz's frequency of the opening.

    So it goes with the root of the conductance, here of a round hole of radius a and the channel behind it: from
    1/C = 1/(2 a) + edge/(pi a**2) (Rayleigh, Theory of Sound, section 306 and following).
    """
    at = {(r["instrument"], r["stage"], r["mode"]): float(r["freq_hz"]) for r in rows_of("truth_modes.csv")}
    for name in ("cittern-09", "cittern-11"):
        notes = [row for row in rows_of("notes.csv") if row["instrument"] == name]
        ratios = []
        for row in notes:
            area, edge = float(row["opening_mm2"]), float(row["opening_edge_mm"])
            conductance = 1 / (1 / (2 * math.sqrt(area / math.pi)) + edge / area)
            ratios.append(at[name, row["stage"], "air"] * at[name, row["stage"], "top"] / math.sqrt(conductance))
        assert len(notes) >= 4
        assert ratios == pytest.approx([ratios[0]] * len(ratios), rel=1e-6)
        # and the air ends on the note that cittern-12 is to reach: A3, 220 Hz at A4 = 440 Hz (ISO 16)
        assert abs(1200 * math.log2(at[name, notes[-1]["stage"], "air"] / 220.0)) < 5


def test_the_covered_box_reads_what_two_coupled_oscillators_say() -> None:
    """Shut, the air is a spring: f_c^2 = f-^2 + f+^2 - f_h^2 and f_p f_h = f- f+ (the same paper)."""
    shut = {row["mode"]: float(row["freq_hz"]) for row in rows_of("truth_covered.csv")}
    at = {(r["instrument"], r["stage"], r["mode"]): float(r["freq_hz"]) for r in rows_of("truth_modes.csv")}
    air, top = (at["cittern-11", "05-closed", mode] for mode in ("air", "top"))
    alone_hz = math.sqrt(air**2 + top**2 - shut["top"] ** 2)
    # f_c^2 = f_p^2 + f_ap^2: the coupling is the same at the last stage.
    top_hz = air * top / alone_hz
    last_air, last_top = (at["cittern-11", "06-voicing step 3", mode] for mode in ("air", "top"))
    last_alone_hz = math.sqrt(last_air**2 + last_top**2 - shut["top"] ** 2)
    assert last_air * last_top / last_alone_hz == pytest.approx(top_hz, rel=1e-5)
    assert "air" not in shut


def test_the_board_weighs_what_its_sizes_say_and_gets_thinner() -> None:
    truth = rows_of("truth_wood.csv")
    notes = {(row["instrument"], row["stage"]): row for row in rows_of("notes.csv")}
    for row in truth:
        noted = notes[row["instrument"], row["stage"]]
        for name in ("length_mm", "width_mm", "mass_g"):
            assert float(noted[name]) == float(row[name])
        assert np.mean([float(each) for each in noted["thickness_mm"].split()]) == pytest.approx(
            float(row["thickness_mm"])
        )
    densities = [
        float(r["mass_g"]) / float(r["length_mm"]) / float(r["width_mm"]) / float(r["thickness_mm"]) for r in truth
    ]
    assert densities == pytest.approx([densities[0]] * len(truth), rel=1e-3)
    thick_mm = [float(r["thickness_mm"]) for r in truth]
    assert thick_mm == sorted(thick_mm, reverse=True)
