"""Asking: values bound, one SELECT run, a table handed back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from .recipe import HERE, Param, Recipe
from .statement import RecipeProblem, line_of, parameters_of, said
from .values import Value, converted

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa


def VIEWS() -> str:
    """SQL that makes the views samples, fixes, marks, rejects and the macros, over the tables of the catalogue."""
    return "\n".join((HERE / name).read_text(encoding="utf-8") for name in ("views.sql", "macros.sql"))


def empty_catalogue() -> duckdb.DuckDBPyConnection:
    """A connection in memory with every table of the catalogue, empty, and the views: to check recipes against."""
    import duckdb

    connection = duckdb.connect()
    connection.execute((HERE / "catalogue.sql").read_text(encoding="utf-8"))
    connection.execute(VIEWS())
    return connection


def bound(recipe: Recipe, values: Mapping[str, str]) -> dict[str, Value]:
    """The value of each parameter from `values` (text by name) and the defaults.

    Raises RecipeProblem for an unknown name, a missing value, or text that is no value of the type.
    """
    unknown = sorted(set(values) - {param.name for param in recipe.params})
    if unknown:
        raise RecipeProblem(f"`{recipe.name}` has no parameter `{unknown[0]}`", _listed(recipe))
    return {param.name: _value(recipe, param, values.get(param.name, param.default)) for param in recipe.params}


def _value(recipe: Recipe, param: Param, text: str | None) -> Value:
    if text is None:
        raise RecipeProblem(f"`{recipe.name}` needs a value for `{param.name}`: {param.words}", _listed(recipe))
    try:
        return converted(text, param.type, null=param.default == "null")
    except ValueError as error:
        raise RecipeProblem(f"{param.name}: {error}", _listed(recipe)) from error


def _listed(recipe: Recipe) -> str:
    """All parameters, a line each, for a hint."""
    if not recipe.params:
        return "it takes no parameters"
    shown = (
        f"{param.name} ({param.type}{'' if param.default is None else f', default {param.default}'}): {param.words}"
        for param in recipe.params
    )
    return "\n  ".join(["give parameters as name=value:", *shown])


def ask(connection: duckdb.DuckDBPyConnection, recipe: Recipe, values: Mapping[str, str]) -> pa.Table:
    """The answer: a table with the declared columns in the declared order.

    `values` are texts by parameter name; they are bound, never pasted. Raises RecipeProblem when a value is wrong,
    or the recipe and the book do not fit. A time limit is the connection's matter (`interrupt`).
    """
    import duckdb

    given = bound(recipe, values)
    try:
        answer = connection.sql(recipe.sql, params=given or None)
        check_columns(recipe, answer.columns)
        table = answer.to_arrow_table()
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        raise recipe.problem(said(error), line_of(error), "the recipe does not fit this book") from error
    return table.select([column.name for column in recipe.columns])


def check_columns(recipe: Recipe, found: list[str]) -> None:
    """Raise RecipeProblem unless the result has exactly the declared columns."""
    declared = [column.name for column in recipe.columns]
    for names, what in (
        (set(declared) - set(found), "declared but not in the result"),
        (set(found) - set(declared), "in the result but not declared"),
    ):
        if names:
            raise recipe.problem(f"column {what}: {', '.join(sorted(names))}", None, "mend the head or the SELECT")
    if len(found) != len(declared):
        raise recipe.problem("a column stands twice in the result", None, "name each column once")


def run_sql(connection: duckdb.DuckDBPyConnection, text: str) -> pa.Table:
    """The answer to exactly one SELECT. Raises RecipeProblem for anything else, and for one that fails."""
    import duckdb

    names = parameters_of(text)
    if names:
        raise RecipeProblem(
            f"no values are given for {', '.join(sorted(names))}", "write the values, or make it a recipe"
        )
    try:
        table: Any = connection.sql(text).to_arrow_table()
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        raise RecipeProblem(said(error), "`describe TABLE` shows the columns of a table") from error
    return table
