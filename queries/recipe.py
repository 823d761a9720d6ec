"""A recipe: a question as one .sql file, with a head of comment lines.

    -- title: Tests of a cart
    -- asks: Which tests did this cart do, and how far did it go?
    -- param cart (text): the cart
    -- param since (date, default 2000-01-01): first day that counts
    -- column test: the test
    -- column range_metre [m]: range; from full to cut-off
    -- plot: {"mark": "point",
    --        "encoding": {"x": {"field": "test"}, "y": {"field": "range_metre"}}}

    select test, range_metre from test_results where cart = $cart and started >= $since

The name of the recipe is the name of the file. A line that begins with two dashes and three or more spaces goes on
with the line before. Types: text, number, whole, date, flag; no default means that a value must be given, and the
default `null` that none need be. Units are UCUM codes. In the words of a column, what stands before the first
semicolon is its label. A plot is a Vega-Lite fragment; it may hold no data of its own.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any

from .statement import RecipeProblem, line_of, parameters_of
from .values import TYPES, converted

HERE = Path(__file__).parent
_NOT_RECIPES = {"catalogue", "macros", "views"}

_ENTRY = re.compile(r"--\s{1,2}(\w+)(?:\s+([^:]*))?:\s*(.*)")
_GOES_ON = re.compile(r"--\s{3,}(.*)")
_PARAM = re.compile(r"([a-z][a-z0-9_]*)\s+\((\w+)(?:,\s*default\s+(.*))?\)")
_COLUMN = re.compile(r"([a-z]\w*)(?:\s+\[([^\]]*)\])?")
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_PLOT_KEYS = {"mark", "encoding", "layer", "transform", "width", "height"}


@dataclass(frozen=True)
class Param:
    """A value the asker may give. `default` is text as written; None: required; "null": none need be given."""

    name: str
    type: str
    default: str | None
    words: str


@dataclass(frozen=True)
class Column:
    """A column of the answer. `unit` is a UCUM code, empty for words and counts."""

    name: str
    unit: str
    words: str

    @property
    def label(self) -> str:
        """Short name for people, without the unit."""
        return self.words.split(";")[0].strip()


@dataclass(frozen=True)
class Recipe:
    """A question, checked: one SELECT whose parameters are those declared."""

    name: str
    title: str
    asks: str
    params: tuple[Param, ...]
    columns: tuple[Column, ...]
    plot: Mapping[str, Any] | None
    sql: str
    path: Path

    def problem(self, what: str, line: int | None = None, hint: str = "") -> RecipeProblem:
        """A RecipeProblem that names this file, and the line when given."""
        return _problem(self.path, line, what, hint)


@dataclass(frozen=True)
class _Entry:
    line: int
    key: str
    detail: str
    words: str


def _problem(path: Path, line: int | None, what: str, hint: str = "") -> RecipeProblem:
    return RecipeProblem(f"{path}:{line}: {what}" if line else f"{path}: {what}", hint)


def load(path: Path) -> Recipe:
    """The recipe in `path`, checked without a book. Raises RecipeProblem naming file and line."""
    text = _text(path)
    entries = list(_entries(path, text))
    title, asks = (_once(path, entries, key) for key in ("title", "asks"))
    params = tuple(_param(path, entry) for entry in entries if entry.key == "param")
    columns = tuple(_column(path, entry) for entry in entries if entry.key == "column")
    _refuse_doubles(path, [param.name for param in params])
    _refuse_doubles(path, [column.name for column in columns])
    if not columns:
        raise _problem(path, 1, "no column is declared", "add a line `-- column name [unit]: words` for each column")
    plot = _plot(path, [entry for entry in entries if entry.key == "plot"], columns)
    _check_statement(path, text, {param.name for param in params})
    return Recipe(path.stem, title, asks, params, columns, plot, text, path)


def recipe_paths(folders: Sequence[Path] = ()) -> dict[str, Path]:
    """Files of the built-in recipes and of those in `folders`, by name. A name that stands twice is a RecipeProblem."""
    found: dict[str, Path] = {}
    for path in [path for folder in (HERE, *folders) for path in sorted(folder.glob("*.sql"))]:
        if path.parent == HERE and path.stem in _NOT_RECIPES:
            continue
        if path.stem in found and not path.samefile(found[path.stem]):
            raise RecipeProblem(
                f"two recipes are called `{path.stem}`: {found[path.stem]} and {path}", "give one file another name"
            )
        found.setdefault(path.stem, path)
    return found


def recipes(folders: Sequence[Path] = ()) -> dict[str, Recipe]:
    """All recipes, built-in and in `folders`, by name in order of the alphabet. Raises RecipeProblem for a bad one."""
    return {name: load(path) for name, path in sorted(recipe_paths(folders).items())}


def find(name: str, folders: Sequence[Path] = ()) -> Recipe:
    """The recipe called `name`; no other is read. Raises RecipeProblem when there is none."""
    paths = recipe_paths(folders)
    if name not in paths:
        near = get_close_matches(name, paths, 1)
        raise RecipeProblem(
            f"no recipe is called `{name}`",
            f"did you mean `{near[0]}`?" if near else f"there are {', '.join(sorted(paths))}",
        )
    return load(paths[name])


def _text(path: Path) -> str:
    if not _NAME.fullmatch(path.stem):
        raise _problem(path, None, "a recipe's file is named with small letters, digits and _", "rename the file")
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _problem(path, None, "the file is not UTF-8 text", "save it as UTF-8") from error
    except OSError as error:
        raise _problem(path, None, f"cannot be read: {error.strerror}", "look at the file's name and rights") from error


def _entries(path: Path, text: str) -> Iterator[_Entry]:
    """Entries of the head: the comment lines before the first other line."""
    held: _Entry | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if not line.startswith("--"):
            break
        more, entry = _GOES_ON.match(line), _ENTRY.match(line)
        if more and held:
            held = _Entry(held.line, held.key, held.detail, f"{held.words} {more[1].strip()}".strip())
        elif entry and entry[1] in ("title", "asks", "param", "column", "plot"):
            if held:
                yield held
            held = _Entry(number, entry[1], (entry[2] or "").strip(), entry[3].strip())
        else:
            raise _problem(
                path, number, f"unknown line in the head: `{line.strip()}`",
                "the head knows title, asks, param, column and plot; leave an empty line before other comments",
            )  # fmt: skip
    if held:
        yield held


def _once(path: Path, entries: Sequence[_Entry], key: str) -> str:
    found = [entry for entry in entries if entry.key == key]
    if len(found) != 1 or not found[0].words or found[0].detail:
        line = found[-1].line if found else 1
        raise _problem(path, line, f"exactly one `-- {key}: words` is needed, found {len(found)}", "mend the head")
    return found[0].words


def _param(path: Path, entry: _Entry) -> Param:
    found = _PARAM.fullmatch(entry.detail)
    if not found or found[2] not in TYPES or not entry.words:
        raise _problem(
            path, entry.line, f"cannot make out the parameter `{entry.detail}`",
            f"write `-- param name (type, default value): words`; type is one of {', '.join(TYPES)}",
        )  # fmt: skip
    name, kind, default = found.groups()
    if default is not None:
        try:
            converted(default, kind, null=True)
        except ValueError as error:
            raise _problem(path, entry.line, f"default of `{name}`: {error}", "mend the default") from error
    return Param(name.lower(), kind, default, entry.words)


def _column(path: Path, entry: _Entry) -> Column:
    found = _COLUMN.fullmatch(entry.detail)
    if not found or not entry.words:
        raise _problem(
            path, entry.line, f"cannot make out the column `{entry.detail}`", "write `-- column name [unit]: words`"
        )
    return Column(found[1], found[2] or "", entry.words)


def _refuse_doubles(path: Path, names: Sequence[str]) -> None:
    double = next((name for name in names if names.count(name) > 1), None)
    if double:
        raise _problem(path, None, f"`{double}` is declared twice", "keep one of the lines")


def _plot(path: Path, entries: Sequence[_Entry], columns: Sequence[Column]) -> Mapping[str, Any] | None:
    if not entries:
        return None
    fail = partial(_problem, path, entries[0].line)
    try:
        plot = json.loads(" ".join(entry.words for entry in entries))
    except json.JSONDecodeError as error:
        raise fail(
            f"the plot is not JSON: {error.msg} at character {error.pos + 1}", "look at quotes and brackets"
        ) from error
    if not isinstance(plot, dict) or not plot.keys() & {"encoding", "layer"} or plot.keys() - _PLOT_KEYS:
        raise fail(
            "the plot must be an object", f"it holds {', '.join(sorted(_PLOT_KEYS))}; encoding or layer is a must"
        )
    unknown = set(_values_of(plot, "field")) - {column.name for column in columns} - set(_values_of(plot, "as"))
    if unknown or list(_values_of(plot, "data")):
        what = ", ".join(sorted(unknown)) or "data of its own"
        raise fail(f"the plot may use the declared columns only, not {what}", "declare the column, or take it out")
    return plot


def _values_of(part: Any, key: str) -> Iterator[str]:
    """Every value (texts, singly or in a list) that stands under `key` anywhere in `part`."""
    if isinstance(part, list):
        for item in part:
            yield from _values_of(item, key)
    elif isinstance(part, dict):
        for name, value in part.items():
            if name == key:
                yield from (str(item) for item in (value if isinstance(value, list) else [value]))
            else:
                yield from _values_of(value, key)


def _check_statement(path: Path, text: str, declared: set[str]) -> None:
    try:
        used = parameters_of(text)
    except RecipeProblem as problem:
        raise _problem(path, line_of(problem.__cause__), problem.what, problem.hint) from None
    _agree(path, used - declared, "used but not declared", "add a `-- param` line for it")
    _agree(path, declared - used, "declared but not used", "use it as `$name`, or take the line out")


def _agree(path: Path, names: set[str], what: str, hint: str) -> None:
    if names:
        raise _problem(path, None, f"parameter {what}: {', '.join(sorted(names))}", hint)
