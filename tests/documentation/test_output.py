"""Pasted output is what the commands print: ``python -m tests.documentation.paste`` pastes it anew."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.documentation.pages import page, prose, section
from tests.documentation.paste import WITH_OUTPUT, blocks, pasted, print_all, shown_commands

# Numbers in pasted output may differ a little from one machine's linear algebra to the next, words may not.
NEAR = 0.3
NEAR_SHARE = 0.03

SHOWN = [(name, command, output) for name in WITH_OUTPUT for command, output in blocks(page(name))]


def test_four_commands_are_shown_with_what_they_print() -> None:
    assert {command.split()[0] for _, command, _ in SHOWN} == {"run", "read", "compare", "whatif"}


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return print_all(shown_commands(), tmp_path_factory.mktemp("shown"))


@pytest.mark.slow
@pytest.mark.parametrize(("name", "command", "output"), SHOWN, ids=[f"{n}:{c.split()[0]}" for n, c, _ in SHOWN])
def test_pasted_output_is_what_the_commands_print(
    name: str, command: str, output: str, printed: dict[str, str]
) -> None:
    assert_alike(output, printed[command])


def assert_alike(shown: str, printed: str) -> None:
    """Words must be equal, numbers near: run ``python -m tests.documentation.paste`` where this fails."""
    ours, theirs = shown.split(), printed.split()
    assert len(ours) == len(theirs), f"run python -m tests.documentation.paste; printed:\n{printed}"
    for said, found in zip(ours, theirs, strict=True):
        if said == found:
            continue
        a, b = (number(word) for word in (said, found))
        assert a is not None, f"pasted {said}, printed {found}"
        assert b is not None, f"pasted {said}, printed {found}"
        assert abs(a - b) <= NEAR + NEAR_SHARE * abs(a), f"pasted {said}, printed {found}"


def number(word: str) -> float | None:
    try:
        return float(word.strip("(),;"))
    except ValueError:
        return None


def test_the_figures_explained_in_the_readme_stand_in_its_output() -> None:
    session = section(page("README.md"), "## A small session")
    explained = re.findall(r"\b\d+\.\d\b(?= c\b| and \d+\.\d c\b)", prose(session).replace("\n", " "))
    assert len(explained) >= 5
    printed_figures = set(re.findall(r"\d+\.\d+", " ".join(output for _, output in blocks(session))))
    assert set(explained) <= printed_figures


def test_near_is_told_from_far() -> None:
    assert_alike("C4 +9.5 c", "C4  +9.6 c")
    with pytest.raises(AssertionError, match="pasted"):
        assert_alike("C4 +9.5 c", "C4 +12.5 c")
    with pytest.raises(AssertionError, match="pasted"):
        assert_alike("C4 +9.5 c", "D4 +9.5 c")


def test_output_is_pasted_where_the_command_stands() -> None:
    text = "before\n\n```console\n$ tapbatch read a.wav\nold \\1\n```\n\nbehind\n"
    anew = pasted(text, {"read a.wav": "new \\1\n"})
    assert anew == text.replace("old", "new")
    assert blocks(anew) == [("read a.wav", "new \\1\n")]


def test_a_command_alone_gets_its_output(tmp_path: Path) -> None:
    text = "```console\n$ tapbatch --version\n```\n"
    assert blocks(text) == [("--version", "")]
    printed = print_all(["--version"], tmp_path)
    assert pasted(text, printed).splitlines()[2].startswith("tapbatch ")
