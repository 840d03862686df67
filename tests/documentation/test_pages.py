"""The pages themselves: short enough to read, links that lead somewhere, pictures in place, the two commands."""

from __future__ import annotations

import re
import shutil
import stat
import subprocess
import tomllib
from pathlib import PurePosixPath

import pytest

import tapbatch
from tests.documentation.pages import (
    DOCS,
    MAKERS_PAGES,
    PAGES,
    ROOT,
    anchors,
    coded,
    links,
    page,
    prose,
    section,
    table,
)

README = page("README.md")
LONGEST = dict.fromkeys(PAGES, 249) | {"README.md": 250, "DEVELOPERS.md": 199}
LARGEST_PICTURE_BYTES = 200_000


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_short_enough_to_read(name: str) -> None:
    assert len(page(name).splitlines()) <= LONGEST[name]


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_somewhere(name: str) -> None:
    for link in links(page(name)):
        if link.startswith(("https://", "http://")):
            continue
        path, _, heading = link.partition("#")
        target = (ROOT / name).parent / path if path else ROOT / name
        assert target.exists(), link
        if heading:
            assert heading in anchors(target.read_text("utf-8")), link


def test_anchors_that_are_not_there_are_noticed() -> None:
    assert anchors("# `drift.csv`\n```text\n# code\n```\n## Setting up again: again\n") == {
        "driftcsv",
        "setting-up-again-again",
    }


def test_the_readme_leads_to_every_page_and_each_leads_back() -> None:
    assert set(links(README)) >= {*DOCS, "DEVELOPERS.md", "CHANGELOG.md", "sample_data/README.md"}
    for name in DOCS:
        assert "../README.md" in links(page(name)), name


@pytest.mark.parametrize("name", [*DOCS, "README.md"])
def test_a_page_with_many_sections_lists_them(name: str) -> None:
    text = page(name)
    headings = set(re.findall(r"^## (.+)$", text, re.MULTILINE))
    listed = {link[1:] for link in links(text) if link.startswith("#")}
    assert {h for h in headings if anchors(f"# {h}") <= listed} == headings


def test_the_pictures_are_there_and_small() -> None:
    shown = [link for link in links(README) if link.endswith(".png")]
    assert sorted(PurePosixPath(link).name for link in shown) == ["page.png", "slip.png"]
    for link in shown:
        data = (ROOT / link).read_bytes()
        assert data.startswith(b"\x89PNG")
        assert len(data) <= LARGEST_PICTURE_BYTES


def test_a_page_ends_a_sentence_before_a_newcomer_loses_it() -> None:
    """No paragraph of a maker's page is longer than the one that once held all cautions (153 words)."""
    for name in MAKERS_PAGES:
        paragraphs = [p for p in prose(page(name)).split("\n\n") if not p.lstrip().startswith(("|", "-", "1.", "#"))]
        assert max(len(p.split()) for p in paragraphs) <= 120, name


def test_each_caution_names_work_danger_and_what_to_do() -> None:
    rows = table(section(README, "## Before you cut"))
    assert len(rows) >= 5
    assert all(len(row) == 3 and all(row) for row in rows)


def test_the_changes_begin_with_this_version() -> None:
    headings = re.findall(r"^## (\S+)", page("CHANGELOG.md"), re.MULTILINE)
    assert headings[0] == tapbatch.__version__


def test_what_developers_are_pointed_at_is_there() -> None:
    said = [code for code in coded(prose(page("DEVELOPERS.md"))) if "/" in code or code.endswith((".py", ".md"))]
    said = [code for code in said if re.fullmatch(r"[\w./-]+", code)]
    assert len(said) > 10
    made = ("results/", "recordings/", ".readings")
    missing = [name for name in said if not (ROOT / name).exists() and not (ROOT / "tapbatch" / name).exists()]
    assert [name for name in missing if not name.startswith(made)] == []


def test_modules_that_developers_may_run_are_there() -> None:
    for module in set(re.findall(r"python -m (tests[\w.]*)", page("DEVELOPERS.md"))):
        path = ROOT / module.replace(".", "/")
        assert (path / "__main__.py").exists() or path.with_suffix(".py").exists(), module


def test_extras_that_are_named_can_be_installed() -> None:
    named = {extra for name in PAGES for extra in re.findall(r"'(?:tapbatch|\.)\[(\w+)\]'", page(name))}
    assert named == set(
        tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
    )


def test_two_commands_do_all_set_up_and_ci_takes_them_from_here() -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv ")]
    assert len(lines) == 2
    assert lines[0].endswith("tapbatch run sample_data")
    assert "-m pytest" in lines[1]
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert not any(line in script for line in lines)
    assert "README.md" in script


def test_ci_can_be_run() -> None:
    path = ROOT / ".ci" / "run"
    assert path.stat().st_mode & stat.S_IXUSR
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("there is no bash to check it with")
    checked = subprocess.run([bash, "-n", str(path)], capture_output=True, text=True, check=False)
    assert (checked.returncode, checked.stderr) == (0, "")
