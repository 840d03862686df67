"""The words of names, flags, verdicts, cautions and notices: docs/words.md says what the code says."""

from __future__ import annotations

import ast
import re
from typing import TYPE_CHECKING

from tapbatch.model import names
from tapbatch.show.say import words
from tests.documentation import promised
from tests.documentation.pages import ROOT, coded, first_cells, page, section, table

if TYPE_CHECKING:
    from collections.abc import Iterator

WORDS = page("docs/words.md")


def flags_in_code() -> set[str]:
    """Return the flags that the package gives out: those added one by one, wherever that is."""
    sources = "\n".join(path.read_text("utf-8") for path in (ROOT / "tapbatch").rglob("*.py"))
    found = set(re.findall(r"flags\.(?:append|add)\(\s*\"([^\"]+)\"", sources))
    assert {"few-taps", "hum"} <= found
    return found


def test_every_flag_is_explained() -> None:
    explained = first_cells(section(WORDS, "## Flags"))
    assert set(explained) == set(words.FLAGS) | flags_in_code()
    assert set(explained) >= promised.FLAGS
    assert len(explained) == len(set(explained))


def test_every_flag_says_what_to_do() -> None:
    assert all(len(row) == 3 and row[2] for row in table(section(WORDS, "## Flags")))


def test_every_verdict_is_explained_as_it_is_said() -> None:
    rows = table(section(WORDS, "## Verdicts"))
    assert {coded(row[0])[0]: row[1] for row in rows} == dict(words.VERDICTS)


def test_every_notice_is_explained() -> None:
    explained = first_cells(section(WORDS, "## Notices"))
    assert set(words.NOTICES) <= set(explained)
    sources = [
        (ROOT / "tapbatch" / name).read_text("utf-8") for name in ("measure/recording.py", "listen/sections.py")
    ]
    given = {text for source in sources for text in notices_of(source)}
    assert len(given) > 6
    assert {text for text in given if not text.startswith(tuple(explained))} == set()


def notices_of(source: str) -> Iterator[str]:
    """Yield how each notice in a module begins: the strings of its functions and lists that make notices."""
    for node in ast.walk(ast.parse(source)):
        makes = isinstance(node, ast.FunctionDef) and (node.name.endswith("_notice") or node.name == "_noticed")
        lists = isinstance(node, ast.Assign) and any(getattr(t, "id", "") == "notices" for t in node.targets)
        if makes or lists:
            docstring = ast.get_docstring(node, clean=False) if isinstance(node, ast.FunctionDef) else None
            beginnings = (text for part in ast.walk(node) if (text := beginning(part)))
            yield from (text for text in beginnings if text != docstring and len(text) > 5)


def beginning(node: ast.AST) -> str:
    """Return how a text in the code begins, up to the first value set into it; else nothing."""
    first = node.values[0] if isinstance(node, ast.JoinedStr) else node
    text = first.value if isinstance(first, ast.Constant) and isinstance(first.value, str) else ""
    return text if re.match(r"[a-z]", text) else ""


def test_the_words_of_names() -> None:
    rows = {row[0].split(",")[0]: set(coded(row[1])) for row in table(section(WORDS, "## Words in names"))}
    assert rows["kind"] == set(names.KINDS)
    assert rows["part"] == set(names.PARTS)
    assert rows["state"] == set(names.STATES)
    assert set(names.MARKS) == (rows["series"] | rows["set-up"])
    assert "at-" in rows["point"]


def test_the_names_given_as_examples_are_understood() -> None:
    for text in (section(WORDS, "## Words in names"), section(page("README.md"), "## Naming a recording")):
        named = re.findall(r"^recordings/(\S.*)$", text, re.MULTILINE)
        stages = [names.parse_name(name) for name in named]
        assert len(stages) == 2
        assert {(s.instrument, s.stage, s.kind, s.state) for s in stages} == {
            ("cittern-07", "03-bars-fitted", "tap", "free")
        }


def test_a_series_of_steps_is_named_as_shown() -> None:
    shown = re.findall(r"^(cittern-07_\S+\.wav)$", page("docs/recording.md"), re.MULTILINE)
    steps = [names.parse_name(name) for name in shown]
    assert [(s.stage, s.step, s.take) for s in steps] == [("05-voicing", True, 1), ("05-voicing", True, 2)]
