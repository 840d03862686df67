"""What the tab key offers, through the parser's own way and through a real shell."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tapbatch.shop.completion import gone, instruments, stages
from tests.shops import make_shop, tapbatch, taps, write_wav

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two instruments, one of whose recordings is gone, with results that lie elsewhere."""
    shop = make_shop(
        tmp_path_factory.mktemp("bench") / "shop",
        {
            "Lyre 2_01 joined_top.wav": taps(1),
            "Lyre 2_02 thinned_top.wav": taps(2, cents=-20),
            "rebec-1_01 (belly) & back_top.wav": taps(3),
        },
        {"shop.toml": 'results = "tables"\n'},
    )
    assert tapbatch("run", shop).status == 0
    (shop / "recordings" / "Lyre 2_02 thinned_top.wav").unlink()
    assert tapbatch("run", shop).status == 0
    return shop


def offered(words: str, place: int, folder: Path, *, how: str = "complete_bash") -> list[str]:
    """Return what is offered for a word of a line typed so far, by a process of its own, as a shell asks for it."""
    asked = {"COMP_WORDS": words, "COMP_CWORD": str(place), "_TAPBATCH_COMPLETE": how}
    done = subprocess.run(
        [sys.executable, "-m", "tapbatch"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "", **asked},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    return done.stdout.split("\n")[:-1] if done.stdout.strip() else []


def test_instruments_stages_and_what_is_gone_are_those_of_the_shop(shop: Path) -> None:
    for below in (shop, shop.parent):
        assert instruments(below) == ["lyre-2", "rebec-1"]
        assert stages("Lyre 2", below) == ["01-joined", "02-thinned"]
        assert gone(below) == ["Lyre 2_02 thinned_top.wav"]


def test_where_nothing_can_be_read_nothing_is_offered(tmp_path: Path) -> None:
    assert (instruments(tmp_path / "no"), stages("a", tmp_path), gone(tmp_path)) == ([], [], [])
    (tmp_path / "results" / "a").mkdir(parents=True)
    (tmp_path / "results" / "a" / "recordings.csv").write_bytes(b"stage\n\xff\n")
    (tmp_path / "shop.toml").write_text("results = [")
    assert (instruments(tmp_path), stages("a", tmp_path), gone(tmp_path)) == (["a"], [], [])


@pytest.mark.parametrize(
    ("words", "place", "expected"),
    [
        ("tapbatch comp", 1, ["compare"]),
        ("tapbatch compare ", 2, ["lyre-2", "rebec-1"]),
        ("tapbatch compare ly", 2, ["lyre-2"]),
        ("tapbatch compare lyre-2 ", 3, ["01-joined", "02-thinned"]),
        ("tapbatch compare lyre-2 01-joined 02", 4, ["02-thinned"]),
        ("tapbatch compare lyre-2 01-joined reb", 4, [r"rebec-1/01-\(belly\)-\&-back"]),
        ("tapbatch forget ", 2, [r"Lyre\ 2_02\ thinned_top.wav"]),
        ("tapbatch run --ex", 2, ["--excel"]),
    ],
)
def test_the_tab_key_offers_what_fits(words: str, place: int, expected: list[str], shop: Path) -> None:
    assert offered(words, place, shop) == expected


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_a_real_bash_completes(shop: Path, tmp_path: Path) -> None:
    program = tmp_path / "tapbatch"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tapbatch "$@"\n')
    program.chmod(0o755)
    typed = (
        'eval "$(_TAPBATCH_COMPLETE=source_bash tapbatch)"\n'
        "COMP_WORDS=(tapbatch compare lyre-2 0)\nCOMP_CWORD=3\n_tapbatch_completion tapbatch\n"
        'printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    path = f"{tmp_path}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", typed],
        env={**os.environ, "PATH": path, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": ""},
        cwd=shop,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout.split(), done.stderr) == (["01-joined", "02-thinned"], "")


def test_names_of_a_shop_that_gained_a_stage_are_offered_after_the_next_run(shop: Path) -> None:
    write_wav(shop / "recordings" / "rebec-1_02 edged_top.wav", taps(4))
    assert stages("rebec-1", shop) == ["01-(belly)-&-back"]
    tapbatch("run", shop)
    assert stages("rebec-1", shop) == ["01-(belly)-&-back", "02-edged"]
