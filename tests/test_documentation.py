"""README, DEVELOPERS and CHANGELOG against what the package is: pages that describe it cannot drift from it.

The commands, columns, flags and settings stand in the code; what was promised to users stands in the contract, where
that lies beside this checkout.
"""

from __future__ import annotations

import ast
import inspect
import re
import shlex
import shutil
import stat
import subprocess
from pathlib import Path
from typing import get_args

import pytest
import typer
from typer.testing import CliRunner

import tapbatch
from tapbatch.cli import app
from tapbatch.model import names as naming
from tapbatch.model import settings
from tapbatch.model.caution import CautionKind
from tapbatch.model.notice import OfRecording
from tapbatch.shop.notes import COLUMNS
from tapbatch.show.say import words
from tapbatch.show.say.notices import heading
from tapbatch.show.tables.columns import SCHEMA

ROOT = Path(__file__).parent.parent
CONTRACT = ROOT.parent / "shared" / "contract.md"
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text("utf-8")

with_contract = pytest.mark.skipif(not CONTRACT.exists(), reason="the contract is not beside this checkout")

# Numbers in pasted output may differ a little from one machine's linear algebra to the next, words may not.
NEAR = 0.3
NEAR_SHARE = 0.03


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
    heads = {i for i, row in enumerate(rows[1:]) if set("".join(row)) <= set("- ")}
    return [row for i, row in enumerate(rows) if i not in heads and i - 1 not in heads]


def coded(text: str) -> list[str]:
    """Return what stands between backticks."""
    return re.findall(r"`([^`]+)`", text)


def first_cells(text: str) -> list[str]:
    rows = table(text)
    assert rows
    assert all(all(row[1:2]) for row in rows), "a row says nothing"
    return [name for row in rows for name in coded(row[0])]


# ------------------------------------------------------------------ tables


@pytest.mark.parametrize("name", SCHEMA)
def test_every_column_is_explained_in_its_order(name: str) -> None:
    said = first_cells(section(README, f"### `{name}.csv`"))
    assert said == [column.name for column in SCHEMA[name]]


@with_contract
def test_the_columns_explained_are_those_of_the_contract() -> None:
    promised = re.findall(r"^\| `(\w+)\.csv` \|[^|]*\| `([^`]*)` \|$", CONTRACT.read_text("utf-8"), re.MULTILINE)
    known = {name: columns for name, columns in promised if f"{name}.csv" in README}
    assert {"recordings", "taps", "tap_modes", "modes", "drift", "sustain", "targets"} <= set(known)
    for name, columns in known.items():
        # Columns of our own come after those that were promised.
        promised_names = columns.split(", ")
        assert first_cells(section(README, f"### `{name}.csv`"))[: len(promised_names)] == promised_names


# ------------------------------------------------------------------- words


def flags_in_code() -> set[str]:
    """Return the flags that the package gives out: those added one by one, wherever that is."""
    sources = "\n".join(path.read_text("utf-8") for path in (ROOT / "tapbatch").rglob("*.py"))
    found = set(re.findall(r"flags\.(?:append|add)\(\s*\"([^\"]+)\"", sources))
    assert {"few-taps", "hum"} <= found
    return found


def test_every_flag_is_explained() -> None:
    assert set(first_cells(section(README, "### Flags"))) == set(words.FLAGS) | flags_in_code()


def test_every_verdict_is_explained_as_it_is_said() -> None:
    rows = table(section(README, "### Verdicts"))
    assert {coded(row[0])[0]: row[1] for row in rows} == dict(words.VERDICTS)


def test_every_notice_of_a_recording_is_explained_and_no_other() -> None:
    explained = first_cells(section(README, "### Notices"))
    begin = {heading(kind) for kind in get_args(OfRecording) if kind != "other"}
    assert {text for text in begin if not text.startswith(tuple(explained))} == set()
    assert {cell for cell in explained if not any(text.startswith(cell) for text in begin)} == set()


def test_every_caution_is_explained() -> None:
    explained = tuple(coded(" ".join(section(README, "### Cautions").split())))
    assert {kind for kind in get_args(CautionKind) if not any(cell.startswith(kind) for cell in explained)} == set()


# ---------------------------------------------------------------- commands


def commands() -> dict[str, list[str]]:
    """Return every command with its options, as the program itself has them."""
    group = typer.main.get_command(app)
    return {
        name: [opt for param in command.params for opt in param.opts if opt.startswith("--")]
        for name, command in group.commands.items()  # type: ignore[attr-defined]
    }


def command_rows() -> dict[str, str]:
    rows = table(section(README, "## The commands"))
    usages = [coded(row[0])[0] for row in rows if row[0].startswith("`tapbatch ")]
    return {usage.split()[1]: usage for usage in usages}


def test_every_command_and_option_is_in_the_readme_and_no_other() -> None:
    usages = command_rows()
    assert set(usages) == set(commands())
    for name, options in commands().items():
        assert set(re.findall(r"--[a-z-]+", usages[name])) == {o for o in options if o != "--help"}


def test_every_option_is_explained() -> None:
    rows = [row for row in table(section(README, "## The commands")) if not row[0].startswith("`tapbatch ")]
    explained = {option for row in rows for option in re.findall(r"--[a-z-]+", row[0])}
    group = typer.main.get_command(app)
    known = {opt for param in group.params for opt in param.opts} | {o for opts in commands().values() for o in opts}
    assert explained == {opt for opt in known if opt.startswith("--")} - {"--help"}


def test_no_command_is_named_that_is_not_there() -> None:
    spoken = {found for text in (README, DEVELOPERS) for found in re.findall(r"`tapbatch ([a-z]+)\b", text)}
    spoken |= set(re.findall(r"\$ tapbatch ([a-z]+)\b", README))
    assert spoken <= set(commands())


def test_help_says_what_the_readme_says() -> None:
    runner = CliRunner()
    for name, usage in command_rows().items():
        said = runner.invoke(app, [name, "--help"]).output
        for option, value in re.findall(r"(--[a-z-]+)(?: ([A-Z]+))?", usage):
            assert re.search(rf"{option} {value}\b" if value else option, said), f"{name} {option} {value}"


@with_contract
def test_the_commands_are_used_as_the_contract_says() -> None:
    promised = re.findall(r"^\| `tapbatch (\w+)([^`]*)` \| ([^|]*) \|$", CONTRACT.read_text("utf-8"), re.MULTILINE)
    assert len(promised) >= 4
    usages = command_rows()
    for name, rest, _ in promised:
        if name in commands():
            assert usages[name].startswith(f"tapbatch {name}{rest}")


# ---------------------------------------------------------------- settings


def test_settings_of_the_shop_and_their_defaults() -> None:
    shop = section(README, "## Settings").split("`instruments/NAME.toml`")[0]
    rows = {coded(row[0])[0]: coded(row[1])[0].strip('"') for row in table(shop)}
    defaults = settings.ShopSettings().model_dump()
    assert list(rows) == list(defaults)
    for key, said in rows.items():
        value = defaults[key]
        plain = said.strip("[]").split(", ") if isinstance(value, tuple) else said
        assert plain == value if isinstance(value, str) else [float(p) for p in listed(plain)] == listed(value)


def listed(value: object) -> list:
    return list(value) if isinstance(value, list | tuple) else [float(str(value))]


def test_settings_of_an_instrument() -> None:
    own = section(README, "## Settings").split("`instruments/NAME.toml`")[1]
    said = {name.strip("[]") for name in first_cells(own)}
    assert said == set(settings.InstrumentSettings.model_fields) - set(settings.ShopSettings.model_fields)
    for key, model in (("stage", settings.StageSetting), ("mode", settings.ModeSetting)):
        row = next(row for row in table(own) if row[0] == f"`[[{key}]]`")
        assert set(coded(row[1])) >= set(model.model_fields)


def test_the_example_of_settings_is_understood(tmp_path: Path) -> None:
    from tapbatch.shop.settings_files import read_instrument_settings

    example = re.search(r"```toml\n(.*?)```", README, re.DOTALL)
    assert example is not None
    path = tmp_path / "cittern-07.toml"
    path.write_text(example[1], encoding="utf-8")
    assert read_instrument_settings(path, path.name, settings.ShopSettings()).mode[0].label == "air"


def test_columns_of_the_notes() -> None:
    assert sorted(first_cells(section(README, "## Bench notes"))) == sorted(COLUMNS)


def test_the_words_of_names() -> None:
    rows = {row[0].split(",")[0]: set(coded(row[1])) for row in table(section(README, "## How to name a recording"))}
    assert rows["kind"] == set(naming.KINDS)
    assert rows["part"] == set(naming.PARTS)
    assert rows["state"] == set(naming.STATES)
    assert set(naming.MARKS) == (rows["series"] | rows["set-up"])
    assert "at-" in rows["point"]


def test_the_names_given_as_examples_are_understood() -> None:
    named = re.findall(r"^recordings/(\S.*)$", section(README, "## How to name a recording"), re.MULTILINE)
    stages = [naming.parse_name(name) for name in named]
    assert len(stages) == 2
    assert {(s.instrument, s.stage, s.kind, s.state) for s in stages} == {
        ("cittern-07", "03-bars-fitted", "tap", "free")
    }


@with_contract
def test_the_shop_folder_is_that_of_the_contract() -> None:
    drawn = re.search(r"```\n(my-shop/.*?)```", CONTRACT.read_text("utf-8"), re.DOTALL)
    ours = re.search(r"```text\n(my-shop/.*?)```", README, re.DOTALL)
    assert drawn is not None
    assert ours is not None
    files = r"[\w-]+\.(?:toml|csv|pdf)|\w+/"
    # Two of its tables come with commands that are not here yet.
    later = {"targets.csv", "strings.csv"} - {f"{name}.csv" for name in SCHEMA}
    assert set(re.findall(files, ours[1])) == set(re.findall(files, drawn[1])) - later


# ----------------------------------------------------------- pasted output


def blocks() -> list[tuple[str, str]]:
    return re.findall(r"```console\n\$ tapbatch ([^\n]*)\n(.*?)```", README, re.DOTALL)


def test_two_commands_are_shown_with_what_they_print() -> None:
    assert [command.split()[0] for command, _ in blocks()] == ["run", "read"]


@pytest.mark.slow
@pytest.mark.parametrize(("command", "pasted"), blocks(), ids=[command.split()[0] for command, _ in blocks()])
def test_pasted_output_is_what_the_commands_print(
    command: str, pasted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = shlex.split(command)
    if arguments[0] == "run":
        arguments += ["--results", str(tmp_path / "results")]
    monkeypatch.chdir(ROOT)
    printed = CliRunner().invoke(app, arguments).output
    assert_alike(pasted, printed)


def assert_alike(pasted: str, printed: str) -> None:
    """Words must be equal, numbers near: paste the output anew where this fails."""
    ours, theirs = pasted.split(), printed.split()
    assert len(ours) == len(theirs), printed
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


def test_near_is_told_from_far() -> None:
    assert_alike("C4 +9.5 c", "C4  +9.6 c")
    with pytest.raises(AssertionError, match="pasted"):
        assert_alike("C4 +9.5 c", "C4 +12.5 c")
    with pytest.raises(AssertionError, match="pasted"):
        assert_alike("C4 +9.5 c", "D4 +9.5 c")


# ------------------------------------------------------------- in Python


def test_every_public_name_is_explained_with_the_arguments_it_has() -> None:
    shown = [coded(row[0])[0] for row in table(section(README, "### In a notebook"))]
    assert {call.split("(")[0] for call in shown} == set(tapbatch.__all__) - {"__version__"}
    for call in shown:
        name, _, rest = call.partition("(")
        if rest:
            known = list(inspect.signature(getattr(tapbatch, name)).parameters)
            assert rest.rstrip(")").split(", ") == known[: rest.count(",") + 1]


@pytest.mark.slow
def test_the_example_in_python_runs(sample_shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_data").symlink_to(sample_shop)
    exec(compile(example, "README.md", "exec"), {})
    assert (tmp_path / "air.png").read_bytes().startswith(b"\x89PNG")


# --------------------------------------------------------- the other pages


def test_the_map_of_the_house_is_that_of_the_house() -> None:
    drawn = dict(re.findall(r"^- `(tapbatch/[\w/]+\.py)`: (.+)$", section(DEVELOPERS, "## The house"), re.MULTILINE))
    differ = sorted(set(drawn.items()) ^ set(modules().items()))
    assert not differ, "run: python tests/test_documentation.py, and paste what it prints into DEVELOPERS.md"


def modules() -> dict[str, str]:
    """Return each module of the package with the first line of its docstring; rooms' own files say nothing new."""
    found = {}
    for path in sorted((ROOT / "tapbatch").rglob("*.py")):
        if path.name != "__init__.py" or path.parent == ROOT / "tapbatch":
            docstring = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
            found[path.relative_to(ROOT).as_posix()] = docstring.partition("\n")[0]
    return found


def test_the_changes_begin_with_this_version() -> None:
    headings = re.findall(r"^## (\S+)", CHANGELOG, re.MULTILINE)
    assert headings[0] == tapbatch.__version__


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "sample_data/README.md"])
def test_links_lead_somewhere(page: str) -> None:
    text = (ROOT / page).read_text("utf-8")
    headings = {anchor(h) for h in re.findall(r"^#+ (.+)$", text, re.MULTILINE)}
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if link.startswith("#"):
            assert link[1:] in headings, link
        else:
            assert ((ROOT / page).parent / link.split("#")[0]).exists(), link


def anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


# --------------------------------------------------------- the two commands


def test_two_commands_do_all_set_up_and_ci_takes_them_from_here() -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv ")]
    assert len(lines) == 2
    assert lines[0].endswith("tapbatch run sample_data")
    assert lines[1].endswith("-m pytest")
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


if __name__ == "__main__":
    print("\n".join(f"- `{name}`: {said}" for name, said in modules().items()))
