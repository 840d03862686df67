"""Takes of one tap each decide together on the way from recordings to tables, and say where one is not asked."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.shops import RATE_HZ, bytes_below, make_shop, rows_of, tapbatch, write_wav

pytestmark = pytest.mark.usefixtures("drawn")
LN_1000 = math.log(1000.0)

# The second mode is clear in the first take alone; in the others it is 16 dB over the noise density.
LEVELS = (0.03, 7e-4, 7e-4, 7e-4)


def _take(weak: float, seed: int) -> np.ndarray:
    rng, time_s = np.random.default_rng([8, seed]), np.arange(2 * RATE_HZ) / RATE_HZ
    ring = np.exp(-LN_1000 / 0.3 * time_s)[None] * np.sin(2 * np.pi * np.array([[181.0], [613.0]]) * time_s)
    tap = np.array([0.3, weak]) @ ring
    return np.concatenate([np.zeros(RATE_HZ), tap]) + 1e-3 * rng.standard_normal(3 * RATE_HZ)


def _name(take: int) -> str:
    return f"lyre-2_01-joined_top_{take}.wav"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return make_shop(tmp_path / "shop", {_name(n): _take(weak, n) for n, weak in enumerate(LEVELS, 1)})


def _shown(shop: Path) -> Counter[int]:
    rows = rows_of(shop / "results" / "lyre-2" / "tap_modes.csv")
    return Counter(round(float(row["freq_hz"]), -2) for row in rows)


def test_a_mode_of_one_take_is_listed_in_all(shop: Path) -> None:
    assert tapbatch("run", shop).status == 0
    assert _shown(shop) == {200: 4, 600: 4}
    assert {row["taps"] for row in rows_of(shop / "results" / "lyre-2" / "modes.csv")} == {"4"}
    # A second run, and one that begins with nothing, end the same.
    before = bytes_below(shop / "results")
    tapbatch("run", shop)
    assert bytes_below(shop / "results") == before


def _spoil_taps(shop: Path) -> None:
    for path in (shop / "results" / ".readings").glob("*.taps"):
        path.write_bytes(path.read_bytes()[:-9])
    # Something must have changed, or nothing is made again.
    (shop / "notes.csv").write_text("instrument,stage,work\nlyre-2,01-joined,glued\n")


def _notices(shop: Path) -> list[str]:
    return [row["notice"] for row in rows_of(shop / "results" / "lyre-2" / "recordings.csv")]


def test_taps_that_are_damaged_are_kept_again(shop: Path) -> None:
    tapbatch("run", shop)
    kept = {name: data for name, data in bytes_below(shop / "results", hidden=True).items() if ".taps" in name}
    _spoil_taps(shop)
    result = tapbatch("run", shop)
    assert (result.status, result.notes) == (0, [])
    assert _shown(shop) == {200: 4, 600: 4}
    assert _notices(shop) == [""] * 4
    after = bytes_below(shop / "results", hidden=True)
    assert {name: after[name] for name in kept} == kept
    assert not [name for name in after if "refused" in name]


def test_a_take_that_is_gone_and_whose_taps_are_damaged_is_not_asked_and_says_so(shop: Path) -> None:
    tapbatch("run", shop)
    (shop / "recordings" / _name(4)).unlink()
    _spoil_taps(shop)
    assert tapbatch("run", shop).status == 0
    assert _shown(shop) == {200: 4, 600: 3}
    assert _notices(shop) == ["", "", "", "missing; not asked: too little of its taps is kept"]


def test_a_take_that_is_gone_is_still_asked(shop: Path) -> None:
    tapbatch("run", shop)
    (shop / "recordings" / _name(1)).unlink()
    assert tapbatch("run", shop).status == 0
    assert _shown(shop) == {200: 4, 600: 4}


def test_a_single_recording_is_not_asked_again(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {_name(1): _take(0.03, 1)})
    tapbatch("run", shop)
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", _take(0.03, 2))
    for path in (shop / "results" / ".readings").glob("*.taps"):
        path.unlink()
    tapbatch("run", shop)
    assert {row["notice"] for row in rows_of(shop / "results" / "lyre-2" / "recordings.csv")} == {""}
