"""docs/tables.md: every column in its order, what was promised of them, and what a notebook gets."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

import tapbatch
from tapbatch.show.tables.columns import SCHEMA
from tests.documentation import promised
from tests.documentation.pages import coded, first_cells, page, section, table

# Forecasts and boards have pages of their own.
TABLES = "\n".join(map(page, ("docs/tables.md", "docs/next-cut.md", "docs/wood.md")))


@pytest.mark.parametrize("name", SCHEMA)
def test_every_column_is_explained_in_its_order(name: str) -> None:
    said = first_cells(section(TABLES, f"### `{name}.csv`"))
    assert said == [column.name for column in SCHEMA[name]]


def test_no_table_is_explained_that_is_not_there() -> None:
    assert set(re.findall(r"^### `(\w+)\.csv`$", TABLES, re.MULTILINE)) == set(SCHEMA)


@pytest.mark.parametrize("name", promised.COLUMNS)
def test_promised_columns_come_first_and_keep_their_names(name: str) -> None:
    names = promised.COLUMNS[name].split(", ")
    assert [column.name for column in SCHEMA[name]][: len(names)] == names


def test_every_public_name_is_explained_with_the_arguments_it_has() -> None:
    shown = [coded(row[0])[0] for row in table(section(TABLES, "## In a notebook"))]
    assert {call.split("(")[0] for call in shown} == set(tapbatch.__all__) - {"__version__"}
    for call in shown:
        name, _, rest = call.partition("(")
        if rest:
            known = list(inspect.signature(getattr(tapbatch, name)).parameters)
            assert rest.rstrip(")").split(", ") == known[: rest.count(",") + 1]


@pytest.mark.slow
def test_the_example_in_python_runs(sample_shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", TABLES, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_data").symlink_to(sample_shop)
    exec(compile(example, "docs/tables.md", "exec"), {})
    assert (tmp_path / "air.png").read_bytes().startswith(b"\x89PNG")
