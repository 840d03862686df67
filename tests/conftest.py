"""What all tests share: where other people's sound lies, and one linear-algebra thread."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# Nested threads slow small matrices down, and several processes measure at once; before numpy is imported.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def real_recordings() -> Path:
    """The folder of real struck things, which lies beside the checkout and is no part of it."""
    folder = ROOT.parent / "shared" / "recordings"
    if not (folder / "truth.csv").exists():
        pytest.skip("the real recordings are not beside this checkout (../shared/recordings)")
    return folder
