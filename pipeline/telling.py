"""What each command tells: data as JSON when asked for, else tables and words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .answers import table_json, test_findings, tests_of
from .console import Exit, complain, emit, exit_code, print_table, room, say
from .report import terminal

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from rangebook.archive import Book, Trouble
    from rangebook.queries import Recipe

    from .ingest import Ingested, Outcome


MOST_ROWS = 500
"""Rows of a table that a person is shown."""


def table(book: Book, rows: pa.Table, units: Mapping[str, str], json: bool, heading: str = "") -> None:
    """Rows of a list, an answer or a query. units: UCUM code by column."""
    if json:
        emit(table_json(rows, units))
    else:
        shown = rows.slice(0, MOST_ROWS)
        columns = terminal.columns_of(shown, units, book.facts["units"], book.facts["zone"])
        for drawn in terminal.tables_of(columns, heading, room()):
            print_table(drawn)
        if len(rows) > MOST_ROWS:
            say(f"the first {MOST_ROWS} of {len(rows)} rows; `--json` gives all")


def answer(book: Book, recipe: Recipe, rows: pa.Table, json: bool = False) -> None:
    """The answer to a recipe's question."""
    table(book, rows, {column.name: column.unit for column in recipe.columns}, json, recipe.title)


def test(book: Book, facts: Mapping[str, Any], json: bool) -> None:
    """Everything known of one test."""
    if json:
        emit(facts)
        return
    print_table(terminal.facts_lines(facts, book.facts["zone"]))
    print_table(terminal.results_table(facts["results"], book.facts["units"]))
    print_table(terminal.findings_lines(facts["findings"], 40))
    if "history" in facts:
        print_table(terminal.history_table(facts["history"], book.facts["units"], book.facts["zone"]))


def recipes(known: Mapping[str, Recipe], json: bool) -> None:
    """The questions and their parameters."""
    if json:
        emit([_recipe(one) for one in known.values()])
    else:
        print_table(terminal.recipes_table(known))


def _recipe(recipe: Recipe) -> dict[str, Any]:
    params = [{"name": one.name, "type": one.type, "default": one.default, "words": one.words} for one in recipe.params]
    columns = [{"name": one.name, "unit": one.unit, "words": one.words} for one in recipe.columns]
    return {"name": recipe.name, "title": recipe.title, "asks": recipe.asks, "params": params, "columns": columns}


def plugins(rows: Sequence[Mapping[str, str]], json: bool) -> None:
    """What the plugins add."""
    if json:
        emit(list(rows))
    else:
        print_table(terminal.rows_table(rows))


def complaints(reader: str, sample: Path, found: Sequence[str], json: bool) -> Exit:
    """How a reader stands to its contract."""
    if json:
        emit({"reader": reader, "sample": str(sample), "complaints": list(found)})
    else:
        for line in found or [f"{reader} keeps its contract on {sample}"]:
            say(line)
    return Exit.PLUGIN if found else Exit.DONE


def ingested(connection: duckdb.DuckDBPyConnection, done: Ingested, json: bool, verbose: bool) -> Exit:
    """What became of each file, the findings worth reading, and the exit code that follows."""
    findings = test_findings(connection, _read(done))
    if json:
        emit(ingested_json(connection, done))
    for one in done.outcomes:
        if one.problem is not None:
            complain(one.problem)
        elif not json and (verbose or len(done.outcomes) <= 20):
            say(_line(one))
    if not json:
        say(", ".join(f"{_count(done, status)} {words}" for status, words in STATUSES.items()))
        if findings:
            say(terminal.findings_lines(findings))
    problems = [code for one in done.outcomes if one.problem for code in [exit_code(one.problem)] if code]
    return max(problems, key=SEVEREST.index, default=Exit.FINDINGS if findings else Exit.DONE)


STATUSES = {"read": "read", "known": "held already", "rejected": "rejected"}
SEVEREST = (Exit.USAGE, Exit.INPUT, Exit.PLUGIN, Exit.BOOK)
"""Which problem of several files gives the exit code: the last in this order."""


def _read(done: Ingested) -> list[str]:
    return [one.sha256 or "" for one in done.outcomes if one.status == "read"]


def _count(done: Ingested, status: str) -> int:
    return sum(one.status == status for one in done.outcomes)


def _line(one: Outcome) -> str:
    if one.status == "known":
        return f"{one.path}: held already, nothing to do"
    rows = ", ".join(f"{count} {name}" for name, count in one.tables.items() if count)
    return f"{one.path}: {one.reader}" + (f", {rows}" if rows else "")


def ingested_json(connection: duckdb.DuckDBPyConnection, done: Ingested) -> dict[str, Any]:
    """Outcome of an ingest as JSON: each original, and the tests that the new ones state or belong to."""
    originals = [
        {
            "path": one.path, "sha256": one.sha256, "reader": one.reader, "status": one.status,
            "tables": dict(one.tables), "findings": [asdict(finding) for finding in one.findings],
            **({"error": str(one.problem), "hint": one.problem.hint} if one.problem else {}),
        }
        for one in done.outcomes
    ]  # fmt: skip
    return {"originals": originals, "tests": tests_of(connection, _read(done))}


def troubles(found: Sequence[Trouble], json: bool) -> Exit:
    """What `check` found."""
    grave = sum(not one.harmless for one in found)
    if json:
        emit({"troubles": [{**asdict(one), "path": str(one.path)} for one in found]})
    else:
        for one in found:
            say(f"{'harmless' if one.harmless else 'damage'}: {one.path}: {one.what}")
            if one.hint:
                say(f"hint: {one.hint}")
        say(f"{grave} damaged or missing" if grave else "everything the book holds is whole")
    return Exit.BOOK if grave else Exit.DONE
