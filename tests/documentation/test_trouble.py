"""docs/trouble.md quotes messages: each must be one that the program can say."""

from __future__ import annotations

import ast
from functools import cache

import pytest

from tests.documentation.pages import ROOT, coded, page, table

# What the page quotes that is no message: names of columns, values, flags, files and commands.
NO_MESSAGES = {"used", "false", "watch"}
QUOTED = [quoted for row in table(page("docs/trouble.md")) for quoted in coded(row[0]) if quoted not in NO_MESSAGES]


@cache
def said_in_code() -> tuple[str, ...]:
    """Return every piece of text in the package that is not a docstring."""
    found = set()
    for path in (ROOT / "tapbatch").rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
                found.add(node.value)
    return tuple(found)


def test_the_page_quotes_messages() -> None:
    assert len(QUOTED) > 12


@pytest.mark.parametrize("quoted", QUOTED)
def test_a_message_quoted_is_one_that_is_said(quoted: str) -> None:
    for piece in quoted.split("…"):
        assert any(piece.strip() in text for text in said_in_code()), piece
