"""The pages of the documentation, and how tests read them: sections, tables, code, headings, links."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
DOCS = sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "docs").glob("*.md"))
PAGES = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "sample_data/README.md", *DOCS]
# What a maker reads; the other pages are for whoever changes the code, or say what changed.
MAKERS_PAGES = ["README.md", "sample_data/README.md", *DOCS]


def page(name: str) -> str:
    """Return the text of a page, by its path from the root of the checkout."""
    return (ROOT / name).read_text("utf-8")


def section(text: str, heading: str) -> str:
    """Return what stands below a heading, down to the next of the same rank or a higher one."""
    lines = text.splitlines()
    start = lines.index(heading)
    rank = heading.split(" ")[0].count("#")
    ends = (i for i, line in enumerate(lines[start + 1 :], start + 1) if re.match(rf"#{{1,{rank}}} ", line))
    return "\n".join(lines[start + 1 : next(ends, len(lines))])


def table(text: str) -> list[list[str]]:
    """Return the cells of all tables in a piece of Markdown, row by row, without headings and rules."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line.startswith("|")
    ]
    rules = {i for i, row in enumerate(rows) if set("".join(row)) <= set("- ")}
    return [row for i, row in enumerate(rows) if i not in rules and i + 1 not in rules]


def prose(text: str) -> str:
    """Return a page without its fenced blocks."""
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)


def coded(text: str) -> list[str]:
    """Return what stands between backticks."""
    return re.findall(r"`([^`]+)`", text)


def first_cells(text: str) -> list[str]:
    """Return the names in the first column of the tables in a section, each row of which must say something."""
    rows = table(text)
    assert rows
    assert all(all(row[1:2]) for row in rows), "a row says nothing"
    return [name for row in rows for name in coded(row[0])]


def anchors(text: str) -> set[str]:
    """Return the anchors that the headings of a page give."""
    return {anchor(heading) for heading in re.findall(r"^#+ (.+)$", prose(text), re.MULTILINE)}


def anchor(heading: str) -> str:
    """Return the anchor of a heading, by the rule of the sites that show Markdown."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def links(text: str) -> list[str]:
    """Return where the links and pictures of a page lead."""
    return re.findall(r"\]\(([^)\s]+)\)", text)
