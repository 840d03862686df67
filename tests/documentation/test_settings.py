"""docs/settings.md against the settings and notes that are read: keys, defaults, columns, an example."""

from __future__ import annotations

import re
from pathlib import Path

from tapbatch.model import settings
from tapbatch.shop.notes import COLUMNS
from tapbatch.shop.settings_files import read_instrument_settings
from tests.documentation.pages import coded, first_cells, page, section, table

SETTINGS = page("docs/settings.md")


def test_settings_of_the_shop_and_their_defaults() -> None:
    rows = {coded(row[0])[0]: coded(row[1])[0].strip('"') for row in table(section(SETTINGS, "## The whole shop"))}
    defaults = settings.ShopSettings().model_dump()
    assert list(rows) == list(defaults)
    for key, said in rows.items():
        value = defaults[key]
        plain = said.strip("[]").split(", ") if isinstance(value, tuple) else said
        assert plain == value if isinstance(value, str) else [float(p) for p in listed(plain)] == listed(value)


def listed(value: object) -> list:
    return list(value) if isinstance(value, list | tuple) else [float(str(value))]


def test_settings_of_an_instrument() -> None:
    own = section(SETTINGS, "## One instrument")
    said = {name.strip("[]") for name in first_cells(own)}
    assert said == set(settings.InstrumentSettings.model_fields) - set(settings.ShopSettings.model_fields)
    for key, model in (("stage", settings.StageSetting), ("mode", settings.ModeSetting)):
        row = next(row for row in table(own) if row[0] == f"`[[{key}]]`")
        assert set(coded(row[1])) >= set(model.model_fields)


def test_ways_to_give_a_target() -> None:
    said = {key for line in coded(section(SETTINGS, "## Targets")) for key in re.findall(r"^(\w+) = ", line)}
    assert said == set(settings.TargetSetting.model_fields) - {"mode", "tolerance_cents"}


def test_the_example_of_settings_is_understood(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", SETTINGS, re.DOTALL)
    path = tmp_path / "cittern-07.toml"
    path.write_text(example, encoding="utf-8")
    assert read_instrument_settings(path, path.name, settings.ShopSettings()).mode[0].label == "air"


def test_columns_of_the_notes() -> None:
    assert sorted(first_cells(section(SETTINGS, "## Bench notes"))) == sorted(COLUMNS)
