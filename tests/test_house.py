"""The structure of the package: imports point one way, files stay small, heavy libraries are imported late."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent / "tapbatch"
TESTS = Path(__file__).parent
FILES = sorted(HOUSE.rglob("*.py"))

# The rooms in order: a room may import from those above it and from itself, and from no other. Rooms on one line do
# not import each other.
ORDER = (
    ("model",),
    ("wood", "box"),
    ("listen", "simulate"),
    ("measure",),
    ("compare",),
    ("shop",),
    ("results",),
    ("show.say",),
    ("show.view",),
    ("show.draw",),
    ("show.tables",),
    ("show.terminal", "show.pdf", "show.browser", "show.notebook"),
    ("run",),
    ("watch", "api"),
    ("cli",),
)
# Frames and charts for notebooks; no command imports them.
FOR_NOTEBOOKS = {"tapbatch.api", "tapbatch.show.tables.frames", "tapbatch.show.notebook"}
LEVEL = {f"tapbatch.{room}": level for level, rooms in enumerate(ORDER) for room in rooms}


def room_of(module: str) -> str:
    """Return the room that a module, or a name in it, belongs to; empty for the package itself."""
    return max((room for room in LEVEL if module == room or module.startswith(f"{room}.")), key=len, default="")


def points_back(module: str, name: str) -> bool:
    """Tell whether an import of ``name`` by ``module`` breaks the order."""
    here, there = room_of(module), room_of(name)
    return here != there and (LEVEL[there] if there else -1) >= LEVEL[here]


def module_of(path: Path) -> str:
    parts = path.relative_to(HOUSE.parent).with_suffix("").parts
    return ".".join(p for p in parts if p != "__init__")


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports_of(tree: ast.AST) -> set[str]:
    """Return what is imported from the house, down to the name: ``tapbatch.listen.taps.quiet_stretches``."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name their module in full"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.split(".")[0] == "tapbatch"}


def test_arrows_point_one_way() -> None:
    wrong = [
        (module_of(path), name)
        for path in FILES
        if room_of(module_of(path))
        for name in sorted(imports_of(tree_of(path)))
        if points_back(module_of(path), name)
    ]
    assert wrong == []


def test_the_rule_would_notice_an_arrow_that_points_back() -> None:
    assert points_back("tapbatch.measure.fit", "tapbatch.show.tables.columns.table_bytes")
    assert points_back("tapbatch.show.browser.page", "tapbatch.show.pdf.slip.draw_slip")
    assert not points_back("tapbatch.measure.sound", "tapbatch.listen.taps.quiet_stretches")


def test_every_file_is_in_a_room_and_few_are_beside_them() -> None:
    beside = {path.name for path in HOUSE.glob("*.py")}
    assert beside == {"__init__.py", "__main__.py", "api.py", "cli.py"}
    outside = {"tapbatch", "tapbatch.__main__", "tapbatch.show"}
    assert {module_of(path) for path in FILES if not room_of(module_of(path))} == outside


def test_nobody_imports_the_commands() -> None:
    callers = {module_of(path) for path in FILES if any("tapbatch.cli" in i for i in imports_of(tree_of(path)))}
    assert callers <= {"tapbatch.__main__"}


def test_files_stay_small_and_no_drawer_is_called_utils() -> None:
    files = [*FILES, *sorted(TESTS.rglob("*.py"))]
    long = {path.name: n for path in files if (n := len(path.read_text(encoding="utf-8").splitlines())) > 500}
    assert long == {}
    assert [
        path for path in files if {"utils", "util", "helpers", "misc", "common"} & {path.stem, path.parent.name}
    ] == []


def test_no_error_is_caught_or_raised_without_a_name() -> None:
    vague = {"Exception", "BaseException"}
    for path in FILES:
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.ExceptHandler):
                names = {n.id for n in ast.walk(node.type) if isinstance(n, ast.Name)} if node.type else vague
                assert not names & vague, (path, node.lineno)
            if isinstance(node, ast.Raise) and node.exc is not None:
                names = {n.id for n in ast.walk(node.exc) if isinstance(n, ast.Name)}
                assert not names & vague, (path, node.lineno)


def test_every_public_thing_says_what_it_is() -> None:
    for path in FILES:
        tree = tree_of(path)
        assert ast.get_docstring(tree) or path.read_text(encoding="utf-8").strip() == "", path
        for node in tree.body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
                assert ast.get_docstring(node), (path, node.name)


def test_no_global_seed_and_no_pyplot() -> None:
    for path in FILES:
        text = path.read_text(encoding="utf-8")
        assert "pyplot" not in {part for name in _all_imports(tree_of(path)) for part in name.split(".")}, path
        assert "np.random.seed" not in text, path
        assert "random.seed(" not in text, path


def _all_imports(tree: ast.AST) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_no_maths_prints_or_draws() -> None:
    # only the terminal and the commands print; only ``show`` draws
    for path in FILES:
        module = module_of(path)
        if module.startswith("tapbatch.show") or module == "tapbatch.cli":
            continue
        calls = {
            n.func.id for n in ast.walk(tree_of(path)) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
        }
        assert "print" not in calls, path
        assert not {
            name for name in _all_imports(tree_of(path)) if name.split(".")[0] in ("matplotlib", "reportlab", "rich")
        }, path


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("tapbatch.cli", "numpy scipy matplotlib reportlab pandas librosa av soundfile pydantic rich"),
        ("tapbatch.run.one_pass", "scipy.signal matplotlib reportlab pandas librosa av"),
        ("tapbatch.measure.recording", "matplotlib reportlab pandas librosa av"),
    ],
)
def test_heavy_libraries_come_late(module: str, absent: str) -> None:
    code = f"import sys, {module}\nprint(' '.join(m for m in {absent.split()} if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=HOUSE.parent)
    assert done.stdout.strip() == ""


# The package of each extra, and the only modules that may import it; no command may need one.
EXTRAS = {"distributed": ("cluster", {"tapbatch.run.cluster"}), "pandas": ("notebook", FOR_NOTEBOOKS)}


def test_what_is_imported_is_what_is_declared() -> None:
    """Each third-party package that is imported is a dependency, or comes with the extra of its one room."""
    declared = tomllib.loads((HOUSE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    dependencies = {_package(text) for text in declared["dependencies"]}
    importers: dict[str, set[str]] = {}
    for path in FILES:
        for name in _all_imports(tree_of(path)):
            top = name.split(".")[0]
            if top not in sys.stdlib_module_names and top not in ("tapbatch", "__future__"):
                importers.setdefault(top, set()).add(module_of(path))
    for name, (extra, allowed) in EXTRAS.items():
        # The cluster imports its library by name, which does not show here.
        assert importers.pop(name, set()) <= allowed
        assert name in {_package(text) for text in declared["optional-dependencies"][extra]}
        assert name not in dependencies
    assert set(importers) == dependencies


def _package(requirement: str) -> str:
    return re.split(r"[^\w-]", requirement.lower())[0]


@pytest.mark.parametrize("command", ["--help", "run", "read", "compare", "forget", "init"])
def test_no_command_needs_an_extra(command: str, tmp_path: Path) -> None:
    blocked = "".join(f"sys.modules[{name!r}] = None\n" for name in EXTRAS)
    given = (
        []
        if command == "--help"
        else {"read": ["no.wav"], "compare": ["a", "b", "c"], "forget": ["x"]}.get(command, [])
    )
    code = f"import sys\n{blocked}sys.argv[1:] = {[command, *given]!r}\nfrom tapbatch.cli import main\nmain()"
    env = {**os.environ, "PYTHONPATH": str(HOUSE.parent)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, env=env, check=False
    )
    assert done.returncode in (0, 1, 2)
    assert "ImportError" not in done.stderr
    assert "Traceback" not in done.stderr


def test_importing_a_module_does_no_work() -> None:
    """Importing every module prints nothing, writes nothing and starts no thread."""
    names = [module_of(path) for path in FILES if path.name not in ("__main__.py",)]
    code = (
        "import importlib, os, sys, threading\n"
        "before = set(os.listdir('.'))\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
        "assert set(os.listdir('.')) == before\n"
        "print(threading.active_count())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=HOUSE.parent)
    assert (done.stdout.strip(), done.stderr) == ("1", "")
