"""What each face answers of an instrument, read back from what it puts out: PDF, HTML, lines and workbook.

A reader gives texts by question, without their intervals and without capitals; a question for which a face has no
room is missing. None of the readers asks the package what it meant to show.
"""

from __future__ import annotations

import io
import re

import openpyxl
import pypdf

from tests.show.browser.parsed import parse

Told = dict[str, str]

_QUESTIONS = {"Moved?": "moved", "How far?": "far", "Rings longer?": "rings", "Trust it?": "trust"}
_NOTE = re.compile(r"([A-G][#b]?-?\d) ([-+\d.]+) c(?:ents)?,? (± [\d.?]+)")
_MOVE = (
    r"((?:probably )?(?:up|down) [\d.]+ c(?: \([^)]*\))?(?: by itself| along with the others)?"
    r"|(?:did not move by itself|cannot tell)(?:, [-+\d.]+ c)?|new here|no longer heard)"
)
_INTERVAL = re.compile(r" \([-+.\d]+ (?:to [-+.\d]+|c)\)|, [-+\d]+ c in all|(?<=annot tell), [-+.\d]+ %")


def flat(text: str) -> str:
    """Text on one line, so that it is the same wherever it was wrapped."""
    return " ".join(text.split())


def brief(text: str) -> str:
    """An answer without intervals and capitals, cut where its detail begins."""
    return _INTERVAL.sub("", text).strip().lower()


def note_of(text: str) -> str:
    found = _NOTE.search(text)
    assert found, text
    return " ".join(found.groups())


def pages_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def by_question(page: str) -> dict[str, list[str]]:
    """The lines that follow each question on a page of a PDF."""
    said: dict[str, list[str]] = {}
    lines: list[str] = []
    for line in page.splitlines():
        question = next((q for q in _QUESTIONS if line.startswith(f"{q} ")), None)
        if question:
            lines = said[_QUESTIONS[question]] = []
        lines.append(line.removeprefix(f"{question} "))
    return said


def of_slip(pdf: bytes) -> Told:
    page = re.split(r"\nThe other |\nNoticed\n", pages_of(pdf)[0])[0]
    said = by_question(page)
    moved, trust = flat(" ".join(said["moved"])), flat(" ".join(said["trust"]))
    differed = moved.partition("differs besides the wood: ")[2]
    rings = flat(" ".join(said["rings"]))
    whole_answer = re.match(_MOVE, moved, re.IGNORECASE)
    return {
        "note": note_of(flat(page)),
        "differed": differed,
        "trust": brief(said["trust"][0]),
        "flags": trust,
        "t60": (re.findall(r"[Rr]ings ([\d.]+)", rings) or [""])[0],
        # What is said of a move may go on in the next line; the others fit into one.
        **{name: brief(said[name][0]) for name in ("moved", "far", "rings") if name in said},
        **({"moved": brief(whole_answer[1])} if whole_answer else {}),
    }


def of_card(pdf: bytes) -> Told:
    page = pages_of(pdf)[1]
    said = by_question(page.rsplit("\n", 1)[0])
    return {
        "note": note_of(flat(page)),
        "differed": flat(" ".join(said["moved"])).partition("besides the wood: ")[2],
        "trust": brief(said["trust"][0]),
        "flags": flat(" ".join(said["trust"][1:])),
        **{name: brief(said[name][0]) for name in ("moved", "far", "rings") if name in said},
    }


def of_page(page: bytes) -> Told:
    article = parse(page).one("article")
    said = {name: each for name in _QUESTIONS.values() for each in article.all("div", class_=name)}
    limits = {name: " ".join(s.text for s in each.all("span", class_="caution")) for name, each in said.items()}
    return {
        "note": note_of(f"{article.one('p', class_='note').text} {article.one('p', class_='cents').text}"),
        "differed": limits["moved"].partition("differs besides the wood: ")[2],
        "flags": limits["trust"],
        "t60": (re.findall(r"[Rr]ings ([\d.]+)", said["rings"].text) or [""])[0],
        **{name: brief(each.one("strong").text) for name, each in said.items()},
    }


def of_list(page: bytes) -> Told:
    """The row in the list of all instruments."""
    note, sure, moved, far, _ = (td.text for td in parse(page).one("table", id="all").one("tbody").all("td"))
    told = {
        "note": note_of(f"{note} {sure}"),
        "trust": sure.rsplit(", ", 1)[1],
        "moved": brief(moved.removesuffix(" (caution)")),
    }
    return {**told, "far": brief(far)} if far else told


def of_terminal(lines: list[str]) -> Told:
    """What is printed in full when a recording of the stage arrives: the three answers first, then mode by mode."""
    stands = flat("\n".join(lines)).partition(" heard, ")[0]
    table = next(n for n, line in enumerate(lines) if line.lstrip().startswith("note "))
    t60 = re.search(r"± \S+ c +[\d.]+ +([\d.]+)", lines[table + 1])
    moved = re.search(f": {_MOVE}", stands)
    said = moved[1] if moved else "first stage"
    return {"note": note_of(stands), "moved": brief(said), "t60": t60[1] if t60 else "", "stands": stands}


def ways_of(stands: str) -> list[tuple[str, str]]:
    """How far it is to what may be reached, and which way, such as ``("9.5", "to fall")``."""
    to_target = re.findall(r"([\d.]+) c (to rise|to fall)", stands)
    return to_target + [(size, way) for way, size in re.findall(r"\b(up|down) to [A-G][#b]?\d ([\d.]+) c", stands)]


def of_workbook(data: bytes) -> dict[str, list[dict[str, object]]]:
    """The sheets as rows by column."""
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    tables = {}
    for sheet in book.worksheets:
        head, *rows = sheet.iter_rows(values_only=True)
        tables[sheet.title] = [dict(zip(map(str, head), row, strict=True)) for row in rows]
    return tables
