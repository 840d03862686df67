"""What if on the sample shop, as it was before a cut that was made: the cut came to rest where it was said to.

What the modes truly did is in ``sample_data/truth_modes.csv``, from which the sounds were made.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path
from shutil import copytree, rmtree

import pytest

from tapbatch.model.what_if import Answer, Asked
from tapbatch.run.whatif import what_if
from tapbatch.shop.folder import open_shop
from tests.shops import bytes_below, tapbatch

# The areas of the opening before and after the last cut, in the notes of the sample shop.
BEFORE_MM2, AFTER_MM2 = 1109.0, 1167.0
LAST = "cittern-12/06-voicing/closed/step 6"


def across(area_mm2: float) -> float:
    return 2.0 * math.sqrt(area_mm2 / math.pi)


def truth(shop: Path, stage: str) -> dict[str, float]:
    with (shop / "truth_modes.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if (row["instrument"], row["stage"]) == ("cittern-12", stage)]
    return {row["mode"]: float(row["freq_hz"]) for row in rows}


@pytest.fixture(scope="module")
def before_the_cut(sample_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the sample shop, run, as it was before the last cut on the cittern."""
    shop = Path(copytree(sample_shop, tmp_path_factory.mktemp("whatif") / "shop"))
    gone = [str(p.relative_to(shop / "recordings")) for p in (shop / "recordings" / LAST).iterdir()]
    rmtree(shop / "recordings" / LAST)
    tapbatch("forget", *gone, shop)
    return shop


@pytest.fixture(scope="module")
def told(before_the_cut: Path) -> Answer:
    return what_if(open_shop(before_the_cut), "cittern-12", Asked(hole_mm=across(AFTER_MM2)))


def test_the_cut_came_to_rest_where_it_was_said_to(told: Answer, sample_shop: Path) -> None:
    assert told.stage_shown == "06-voicing step 5"
    came = truth(sample_shop, "06-voicing step 6")
    for mode, allowed in (("air", 4.0), ("top", 2.0)):
        found = next(r for r in told.rests if r.mode == mode)
        assert found.moved is not None
        cents = 1200.0 * math.log2(came[mode] / found.freq_hz)
        assert found.moved.low < cents < found.moved.high
        assert found.moved.cents == pytest.approx(cents, abs=allowed)


def test_the_command_says_it_in_80_columns_and_writes_nothing(before_the_cut: Path) -> None:
    kept = bytes_below(before_the_cut, hidden=True)
    asked = ("--hole-to", f"{across(AFTER_MM2):.2f}", "--temperature", "22")
    result = tapbatch("whatif", "cittern-12", *asked, before_the_cut)
    assert (result.status, result.err) == (0, "")
    assert max(map(len, result.out.splitlines())) <= 80
    assert f"opening: from {across(BEFORE_MM2):.2f} to {across(AFTER_MM2):.2f} mm across" in result.out
    assert "temperature: from 20.5 to 22 C" in result.out
    assert re.search(r"^air +A3 ", result.out, re.MULTILINE)
    assert bytes_below(before_the_cut, hidden=True) == kept


@pytest.mark.parametrize(
    ("options", "where"),
    [
        ((), "whatif"),
        (("--slot-to", "wide"), "--slot-to"),
        (("--hole-to", "20"), "--hole-to"),
        (("--hole-to", "nan"), "--hole-to"),
        (("--pitch", "880"), "--pitch"),
    ],
)
def test_what_makes_no_sense_is_one_line_and_status_2(
    options: tuple[str, ...], where: str, before_the_cut: Path
) -> None:
    result = tapbatch("whatif", "cittern-12", *options, before_the_cut)
    assert (result.status, result.out) == (2, "")
    assert len(result.err.splitlines()) == 1
    assert result.err.startswith(f"tapbatch: {where}")
