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
from tests.show.browser.parsed import pages_bytes


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
    """The writer of the pages of some histories; it returns where the list is, or with ``own`` the first page."""

    def put(*histories: History, attention: tuple[Attention, ...] = (), own: bool = False) -> str:
        cards = [card_of(h, InstrumentSettings()) for h in histories]
        names = ["index.html", *(f"i{n}/page.html" for n in range(len(cards)))]
        for name, data in zip(names, pages_bytes(cards, attention), strict=True):
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_bytes(data)
        return (tmp_path / names[own]).as_uri()

    return put
