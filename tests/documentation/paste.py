"""Output pasted into the pages: ``python -m tests.documentation.paste`` runs the commands shown and pastes it anew.

A block is fenced as ``console``; its first line is ``$ tapbatch …``, and what the command prints stands below. The
commands of all pages are run in the order of :data:`WITH_OUTPUT`, in a copy of the sample shop that nobody has run
before. ``--check`` writes nothing and ends with status 1 where a page would change by so much as a letter.
"""

from __future__ import annotations

import argparse
import re
import shlex
import sys
import tempfile
from contextlib import chdir
from pathlib import Path
from shutil import copytree, ignore_patterns

from typer.testing import CliRunner

from tapbatch.cli import app
from tests.documentation.pages import MAKERS_PAGES, ROOT, page

_BLOCK = re.compile(r"^```console\n\$ tapbatch ([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
WITH_OUTPUT = [name for name in MAKERS_PAGES if _BLOCK.search(page(name))]


def blocks(text: str) -> list[tuple[str, str]]:
    """Return each command shown on a page with what is pasted below it."""
    return _BLOCK.findall(text)


def print_all(commands: list[str], folder: Path) -> dict[str, str]:
    """Return what each command prints, run one after the other on a fresh copy of the sample shop in ``folder``."""
    copytree(ROOT / "sample_data", folder / "sample_data", ignore=ignore_patterns("results"))
    printed = {}
    with chdir(folder):
        for command in commands:
            result = CliRunner().invoke(app, shlex.split(command))
            if result.exception is not None and not isinstance(result.exception, SystemExit):
                raise result.exception
            printed[command] = result.output
    return printed


def shown_commands() -> list[str]:
    """Return the commands of all pages, each once, in the order in which they are run."""
    return list(dict.fromkeys(command for name in WITH_OUTPUT for command, _ in blocks(page(name))))


def pasted(text: str, printed: dict[str, str]) -> str:
    """Return a page with the output of its commands pasted anew."""
    return _BLOCK.sub(lambda block: f"```console\n$ tapbatch {block[1]}\n{printed[block[1]]}```", text)


def main() -> int:
    """Paste the output anew; return 1 where ``--check`` finds a page that would change."""
    parser = argparse.ArgumentParser(prog="python -m tests.documentation.paste", description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing, say which pages would change")
    check = parser.parse_args().check
    with tempfile.TemporaryDirectory() as folder:
        printed = print_all(shown_commands(), Path(folder))
    changed = 0
    for name in WITH_OUTPUT:
        before = page(name)
        after = pasted(before, printed)
        if after != before:
            changed += 1
            print(f"{name}: {'would change' if check else 'pasted'}")
            if not check:
                (ROOT / name).write_text(after, encoding="utf-8")
    return 1 if check and changed else 0


if __name__ == "__main__":
    sys.exit(main())
