"""Compare the tables of two versions of the tool, digit by digit.

    python -m tests.benchmarks.same_digits OLD_TREE NEW_TREE [--shop NAME ...] [--jobs N]

Each tree is a checkout; only its command line is used, so that any version can be compared with any other. For
``sample`` (the sample shop of the old tree, run by both), ``own-sample`` (each tree's own sample shop, where the two
differ) and ``real`` (the recordings of real things in ``tests/recordings``) each tree runs on a fresh copy.

Conventions: every CSV table below ``results/`` is compared row by row and column by column, each cell as the text
that is printed there. Columns of *wording* (sentences for people: ``notice``, ``caution``, ``reason`` and those of
``attention.csv``) may differ, and differences are listed. A difference in any other column fails, as does a missing
table, column or row. New tables and columns are named. The exit status is 0, or 1 if anything failed. The processor
seconds of each run are printed, but not judged.
"""

from __future__ import annotations

import argparse
import csv
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from filecmp import dircmp
from pathlib import Path
from shutil import copytree, ignore_patterns

from tests.recordings import make_real_shop

WORDING = frozenset({"notice", "caution", "first_caution", "reason"})
WORDING_TABLES = frozenset({"attention.csv"})
SHOWN = 5

Table = tuple[list[str], list[list[str]]]


@dataclass
class Compared:
    """The comparison of one table: the number of equal cells, what differs, and what is new."""

    cells: int = 0
    numbers: int = 0
    wrong: list[str] = field(default_factory=list)
    worded: list[str] = field(default_factory=list)
    new: list[str] = field(default_factory=list)


def is_number(text: str) -> bool:
    """Tell whether a cell is a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def read_csv(path: Path) -> Table:
    """Return the header and the rows of a table."""
    with path.open(encoding="utf-8", newline="") as text:
        header, *rows = csv.reader(text)
    return header, rows


def compare_tables(name: str, old: Table, new: Table) -> Compared:
    """Compare a table with its earlier version."""
    found = Compared(new=[f"column {column}" for column in new[0] if column not in old[0]])
    found.wrong += [f"column {column} is gone" for column in old[0] if column not in new[0]]
    if len(old[1]) != len(new[1]):
        found.wrong.append(f"{len(old[1])} rows before, {len(new[1])} now")
        return found
    for column in old[0]:
        if column not in new[0]:
            continue
        at_old, at_new = old[0].index(column), new[0].index(column)
        wording = column in WORDING or name in WORDING_TABLES
        for number, (before, after) in enumerate(zip(old[1], new[1], strict=True), start=2):
            was, now = before[at_old], after[at_new]
            found.cells += 1
            found.numbers += is_number(was)
            if was != now:
                (found.worded if wording else found.wrong).append(f"{column}, line {number}: {was!r} -> {now!r}")
    return found


def compare_results(old: Path, new: Path) -> Iterator[tuple[str, Compared]]:
    """Compare every table below two folders of results; yields its path and the comparison."""
    tables = [{p.relative_to(folder).as_posix() for p in folder.rglob("*.csv")} for folder in (old, new)]
    if not tables[0]:
        yield "no table", Compared(wrong=["the old tree wrote none"])
    for name in sorted(tables[0] | tables[1]):
        if name not in tables[1]:
            yield name, Compared(wrong=["the table is gone"])
        elif name not in tables[0]:
            yield name, Compared(new=["the table"])
        else:
            yield name, compare_tables(Path(name).name, read_csv(old / name), read_csv(new / name))


def copy_of_sample(tree: Path, shop: Path) -> Path:
    """Copy the sample shop of a tree."""
    return Path(copytree(tree / "sample_data", shop, ignore=ignore_patterns("results")))


def alike(one: dircmp[str]) -> bool:
    """Tell whether two folders hold the same files, apart from results."""
    same = not (one.left_only or one.right_only or one.diff_files or one.funny_files)
    return same and all(alike(below) for below in one.subdirs.values())


def run(tree: Path, shop: Path, jobs: int) -> tuple[int, float]:
    """Run a tree's tool on a shop; return its exit status and the processor seconds it took."""
    where = {**os.environ, "PYTHONPATH": str(tree), "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    asked = [sys.executable, "-c", "import tapbatch; print(tapbatch.__file__)"]
    found = subprocess.run(asked, env=where, cwd=shop.parent, capture_output=True, text=True, check=True).stdout
    if not Path(found.strip()).resolve().is_relative_to(tree):
        raise SystemExit(f"{found.strip()} would run, not the tree {tree}")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "tapbatch", "run", str(shop), "--jobs", str(jobs)]
    done = subprocess.run(command, env=where, cwd=shop.parent, capture_output=True, text=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if not (shop / "results").is_dir():
        raise SystemExit(f"{tree} gave no results, exit status {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.returncode, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def compare_shop(name: str, old: Path, new: Path, folder: Path, jobs: int) -> bool:
    """Run both trees on one shop, print the comparison, and tell whether everything is the same."""
    makers = {
        "sample": lambda _, shop: copy_of_sample(old, shop),
        "own-sample": copy_of_sample,
        "real": lambda _, shop: make_real_shop(shop),
    }
    shops, statuses = [], []
    print(f"== {name}", flush=True)
    for tree, which in ((old, "old"), (new, "new")):
        # Both use the same place in turn, so that printed paths cannot differ.
        (folder / name).mkdir(parents=True, exist_ok=True)
        shop = makers[name](tree, folder / name / "shop")
        status, cpu_s = run(tree, shop, jobs)
        shops.append(shop.rename(folder / name / which))
        statuses.append(status)
        print(f"{which}: exit status {status}, {cpu_s:.1f} s of the processor", flush=True)
    same = statuses[0] == statuses[1]
    if not same:
        print("DIFFERENT exit status")
    for table, found in compare_results(shops[0] / "results", shops[1] / "results"):
        print_table(table, found)
        same = same and not found.wrong
    return same


def print_table(name: str, found: Compared) -> None:
    verdict = "DIFFERENT" if found.wrong else "same"
    print(
        f"{verdict:10}{name:36}{found.cells:6} cells,{found.numbers:6} numbers;"
        f" different {len(found.wrong)}, wording {len(found.worded)}, new {len(found.new)}"
    )
    for mark, lines in (("!", found.wrong), ("wording:", dict.fromkeys(found.worded)), ("new:", found.new)):
        for line in list(lines)[:SHOWN]:
            print(f"    {mark} {line}")
        if len(lines) > SHOWN:
            print(f"    {mark} and {len(lines) - SHOWN} more")


def main() -> None:
    """Compare the trees asked for; exit with 1 if they differ."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.same_digits", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("old", type=Path, metavar="OLD_TREE")
    parser.add_argument("new", type=Path, metavar="NEW_TREE")
    parser.add_argument("--shop", action="append", choices=["sample", "own-sample", "real"], help="all by default")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes that measure; 1")
    asked = parser.parse_args()
    old, new = asked.old.resolve(), asked.new.resolve()
    unread = ["results", "__pycache__", "make.py", "story.py", "README.md"]
    own = dircmp(old / "sample_data", new / "sample_data", ignore=unread)
    names = asked.shop or ["sample", *([] if alike(own) else ["own-sample"]), "real"]
    with tempfile.TemporaryDirectory(prefix="same-digits-") as folder:
        results = [compare_shop(name, old, new, Path(folder), asked.jobs) for name in names]
    print("all numbers are the same" if all(results) else "DIFFERENT: see the lines marked with !")
    raise SystemExit(0 if all(results) else 1)


if __name__ == "__main__":
    main()
