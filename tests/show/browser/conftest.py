"""One browser for all tests here, and pages on the disk to open in it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.article import card_of
from tests.show.browser.chromium import Chromium
from tests.show.browser.parsed import page_bytes


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    """Headless Chromium, skipped where there is none."""
    binary = shutil.which("chromium")
    if binary is None:
        pytest.skip("there is no chromium here: apt install chromium")
    browser = Chromium(binary, tmp_path_factory.mktemp("profile"))
    yield browser
    browser.close()


@pytest.fixture
def put_page(tmp_path: Path) -> Callable[..., str]:
    """The writer of a page of some histories; it returns where the page is."""

    def put(*histories: History, attention: tuple[Attention, ...] = ()) -> str:
        path = tmp_path / "index.html"
        path.write_bytes(page_bytes([card_of(h, InstrumentSettings()) for h in histories], attention))
        return path.as_uri()

    return put
