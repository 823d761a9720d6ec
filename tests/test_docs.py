"""The documents say what the program does: every command, hook, recipe and exit code, and nothing that is not there."""

from __future__ import annotations

import inspect
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from rangebook import queries
from rangebook.pipeline import hooks
from rangebook.pipeline.cli import app
from rangebook.pipeline.console import Exit
from rangebook.pipeline.measures import BUILTIN
from rangebook.pipeline.registry import HOOKS
from rangebook.pipeline.stretch import Measure

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text() if (ROOT / "DEVELOPERS.md").exists() else ""
DOCS = README + DEVELOPERS
TEST_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest"


def commands(group: Any, path: str = "rangebook") -> Iterator[tuple[str, Any]]:
    """Every command as it is typed, with its object."""
    for name, command in group.commands.items():
        yield f"{path} {name}", command
        if hasattr(command, "commands"):
            yield from commands(command, f"{path} {name}")


COMMANDS = dict(commands(typer.main.get_command(app)))


def fenced() -> Iterator[str]:
    """Lines of the documents' code blocks that run the program."""
    for block in re.findall(r"^```[a-z]*\n(.*?)^```", DOCS, re.MULTILINE | re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            if line.removeprefix("$ ").startswith("rangebook "):
                yield line.removeprefix("$ ")


@pytest.mark.parametrize("typed", COMMANDS)
def test_every_command_has_help_and_a_place_in_the_documents(typed: str) -> None:
    assert COMMANDS[typed].help
    assert re.search(rf"{typed}\b", DOCS), f"`{typed}` is in neither README.md nor DEVELOPERS.md"


@pytest.mark.parametrize("typed", COMMANDS)
def test_every_option_has_help(typed: str) -> None:
    assert [option.name for option in COMMANDS[typed].params if not getattr(option, "help", "")] == []


@pytest.mark.parametrize("name", HOOKS)
def test_every_hook_stands_in_the_documents_with_its_exact_signature(name: str) -> None:
    signature = str(inspect.signature(getattr(hooks, name))).replace("'", "")
    assert f"{name}{signature}" in DEVELOPERS
    assert inspect.getdoc(getattr(hooks, name))


def test_the_documented_hooks_are_all_hooks() -> None:
    specs = {name for name, thing in vars(hooks).items() if hasattr(thing, "rangebook_spec")}
    assert specs == set(HOOKS)


@pytest.mark.parametrize("name", sorted(queries.recipes()))
def test_every_recipe_stands_in_the_documents(name: str) -> None:
    assert f"`{name}`" in DOCS


@pytest.mark.parametrize("code", [int(code) for code in Exit])
def test_every_exit_code_stands_in_a_table_of_the_documents(code: int) -> None:
    assert re.search(rf"^\| *`?{code}`? *\|", DOCS, re.MULTILINE), f"no table row begins with `| {code} |`"


def test_examples_use_commands_and_options_that_exist() -> None:
    lines = list(fenced())
    assert lines, "no example runs the program"
    assert [problem for line in lines if (problem := misuse(line))] == []


def misuse(line: str) -> str:
    words = [word for word in shlex.split(line, comments=True) if word not in ("-b", "--json")]
    verb = next((typed for typed in COMMANDS if words[:2] == typed.split()), None)
    if verb is None:
        return "" if words[1:] and words[1].startswith("-") else f"no such command: {line}"
    known = {spelling for option in COMMANDS[verb].params for spelling in option.opts}
    unknown = [word for word in words[2:] if word.startswith("--") and word.split("=")[0] not in known | {"--help"}]
    return f"{verb} has no {', '.join(unknown)}" if unknown else ""


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_links_to_files_lead_somewhere(document: str) -> None:
    text = (ROOT / document).read_text()
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text)
    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_the_command_that_runs_the_tests_is_in_the_readme() -> None:
    assert TEST_COMMAND in README


def test_the_format_of_the_book_is_described_with_its_version() -> None:
    from rangebook.archive import layout

    text = (ROOT / "archive" / "FORMAT.md").read_text()
    assert re.search(rf"\bversion\b.*\b{layout.FORMAT_VERSION}\b", text, re.IGNORECASE)


@pytest.mark.parametrize("measure", BUILTIN, ids=lambda measure: measure.name)
def test_every_quantity_stands_in_the_documents(measure: Measure) -> None:
    assert f"**{measure.name}.**" in DEVELOPERS
    for quantity in measure.quantities:
        assert f"| `{quantity.name}` | " in DEVELOPERS and quantity.title in DEVELOPERS, quantity.name
