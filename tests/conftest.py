"""What all tests share: where other people's sound lies, and one linear-algebra thread."""

from __future__ import annotations

import os
from pathlib import Path
from shutil import copytree, ignore_patterns

import pytest

# Nested threads slow small matrices down, and several processes measure at once; before numpy is imported.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def sample_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sample shop, in a folder of its own, run once for all tests that look at its results."""
    from tests.shops import bytes_below, tapbatch

    shop = Path(
        copytree(
            ROOT / "sample_data", tmp_path_factory.mktemp("sample") / "sample_data", ignore=ignore_patterns("results")
        )
    )
    before = bytes_below(shop, hidden=True)
    result = tapbatch("run", shop)
    (shop.parent / "said.txt").write_text(f"{result.status}\n{result.out}{result.err}", encoding="utf-8")
    after = bytes_below(shop, hidden=True)
    assert {name: data for name, data in after.items() if not name.startswith("results/")} == before
    return shop


@pytest.fixture(scope="session")
def real_recordings() -> Path:
    """The folder of recordings of real struck things."""
    return ROOT / "tests" / "recordings"
