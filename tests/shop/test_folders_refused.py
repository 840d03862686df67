"""Folders that the settings name and that would lose something: refused, with the reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.model.errors import SettingsError, ShopError
from tapbatch.shop import completion
from tapbatch.shop.folder import open_shop

NOBODY = "~nobody-is-called-so/taps"


def _shop(root: Path, settings: str) -> Path:
    (root / "recordings").mkdir()
    (root / "shop.toml").write_text(settings, encoding="utf-8")
    return root


@pytest.mark.parametrize("results", [".", "", "./", "recordings", "recordings/in", ".."])
def test_results_lie_neither_among_recordings_nor_around_them(tmp_path: Path, results: str) -> None:
    root = tmp_path / "shop"
    root.mkdir()
    with pytest.raises(ShopError) as refused:
        open_shop(_shop(root, f'results = "{results}"\n'))
    assert refused.value.where
    assert refused.value.remedy


@pytest.mark.parametrize("key", ["recordings", "results"])
def test_a_user_that_nobody_is_is_said_in_a_line(tmp_path: Path, key: str) -> None:
    with pytest.raises(SettingsError) as refused:
        open_shop(_shop(tmp_path, f'{key} = "{NOBODY}"\n'))
    assert refused.value.where == "shop.toml"
    assert key in refused.value.what


def test_the_tab_key_lives_with_such_a_setting(tmp_path: Path) -> None:
    assert completion.instruments(_shop(tmp_path, f'results = "{NOBODY}"\n')) == []
