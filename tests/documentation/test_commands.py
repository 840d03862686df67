"""docs/commands.md against the program: commands, options, exit status, and the shop folder that they work on."""

from __future__ import annotations

import re

import typer
from typer.testing import CliRunner

from tapbatch.cli import app
from tests.documentation import promised
from tests.documentation.pages import DOCS, PAGES, coded, first_cells, page, prose, section, table

COMMANDS = page("docs/commands.md")


def commands() -> dict[str, list[str]]:
    """Return every command with its options, as the program itself has them."""
    group = typer.main.get_command(app)
    return {
        name: [opt for param in command.params for opt in param.opts if opt.startswith("--")]
        for name, command in group.commands.items()  # type: ignore[attr-defined]
    }


def known_options() -> set[str]:
    """Return every option of every command, and of the program itself."""
    top = [opt for param in typer.main.get_command(app).params for opt in param.opts]
    return {opt for options in (top, *commands().values()) for opt in options if opt.startswith("--")}


def usages() -> dict[str, str]:
    """Return how the page says each command is used."""
    said = [coded(row[0])[0] for row in table(section(COMMANDS, "## The commands"))]
    return {usage.split()[1]: usage for usage in said}


def test_every_command_and_option_is_on_the_page_and_no_other() -> None:
    assert set(usages()) == set(commands())
    for name, options in commands().items():
        assert set(re.findall(r"--[a-z-]+", usages()[name])) == {o for o in options if o != "--help"}


def test_every_command_has_a_section_of_its_own() -> None:
    sections = set(re.findall(r"^## (\w+)$", COMMANDS, re.MULTILINE))
    assert set(commands()) <= sections


def test_every_option_is_explained() -> None:
    explained = set(first_cells(section(COMMANDS, "## Options")))
    group = typer.main.get_command(app)
    known = {opt for param in group.params for opt in param.opts} | {o for opts in commands().values() for o in opts}
    assert {option.split(" ")[0] for option in explained} == {opt for opt in known if opt.startswith("--")} - {
        "--help"
    }


def test_no_command_is_named_that_is_not_there() -> None:
    texts = [page(name) for name in PAGES]
    spoken = {found for text in texts for found in re.findall(r"`tapbatch ([a-z]+)\b", text)}
    spoken |= {found for text in texts for found in re.findall(r"^(?:\$ )?tapbatch ([a-z]+)\b", text, re.MULTILINE)}
    assert spoken <= set(commands())


def test_no_option_is_named_that_is_not_there() -> None:
    said = [code for name in ["README.md", *DOCS] for code in coded(prose(page(name)))]
    ours = [code for code in said if code.startswith(("tapbatch ", "--")) and "--help" not in code]
    assert len(ours) > 10
    assert {option for code in ours for option in re.findall(r"(?<!\S)--[a-z-]+", code)} <= known_options()


def test_help_says_what_the_page_says() -> None:
    runner = CliRunner()
    for name, usage in usages().items():
        said = runner.invoke(app, [name, "--help"]).output
        for option, value in re.findall(r"(--[a-z-]+)(?: ([A-Z][A-Za-z]*))?", usage):
            assert re.search(rf"{option} {value}\b" if value else option, said), f"{name} {option} {value}"


def test_the_commands_are_used_as_was_promised() -> None:
    said = usages()
    for name, arguments in promised.COMMANDS.items():
        assert said[name].startswith(f"tapbatch {name} {arguments}")


def test_every_exit_status_is_explained() -> None:
    rows = table(section(COMMANDS, "## Exit status"))
    assert [row[0] for row in rows] == promised.EXIT_STATUSES


def test_the_shop_folder_is_drawn_as_was_promised() -> None:
    drawn = re.search(r"```text\n(my-shop/.*?)```", page("README.md"), re.DOTALL)
    assert drawn is not None
    found = set(re.findall(r"[\w-]+\.(?:toml|csv|pdf)|[\w-]+/", drawn[1]))
    assert found >= {*promised.SHOP_FILES, *(name for names in promised.SHOP_FILES.values() for name in names)}
