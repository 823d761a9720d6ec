"""What the commands hand out: lists, everything known of a test, and tables as plain JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from .errors import UsageProblem

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import pyarrow as pa

    from rangebook.archive import Book
    from rangebook.queries import Recipe

LISTS: Mapping[str, str] = {
    "carts": """
        select c.cart, c.description, c.customer, f.pack, count(t.test) as tests, max(t.started) as last_test
        from carts c left join (
            select cart, arg_max(pack, started) as pack from fitments where ended is null group by cart
        ) f using (cart) left join tests t using (cart) group by all order by c.cart""",
    "packs": """
        select p.pack, p.chemistry, p.nominal_voltage_volt, p.rated_capacity_ah, f.cart, p.in_service,
        count(t.test) as tests, max(t.started) as last_test
        from packs p left join (
            select pack, arg_max(cart, started) as cart from fitments where ended is null group by pack
        ) f using (pack) left join tests t using (pack) group by all order by p.pack""",
    "settings": """
        select s.*, count(t.test) as tests from settings s left join tests t using (settings) group by all
        order by s.settings""",
    "tests": """
        select test, kind, cart, pack, settings, started, end_reason, distance_metre, consumption_wh_per_km,
        capacity_ah, findings_count as findings from test_results order by started, test""",
    "stints": """
        select stint, kind, cart, pack, test, started, duration_second, distance_metre, net_ah, net_wh
        from stint_results order by started, stint""",
    "originals": """
        select name, reader, taken_in, bytes, sample_rows, fix_rows, reject_rows, cart, test, original
        from originals order by taken_in, name""",
    "findings": """
        select f.severity, f.code, coalesce(o.name, f.test) as about, f.test, f.words, f.first_row, f.last_row
        from findings f left join originals o using (original)
        order by array_position(['problem', 'warning', 'note'], f.severity), f.code, about, f.first_row""",
    "loose": """
        select name, reader, started, ended, sample_rows, fix_rows, original from originals where loose
        order by started, name""",
}  # fmt: skip
UNITS: Mapping[str, str] = {
    "distance_metre": "m", "duration_second": "s", "consumption_wh_per_km": "W.h/km", "capacity_ah": "A.h",
    "net_ah": "A.h", "net_wh": "W.h", "nominal_voltage_volt": "V", "rated_capacity_ah": "A.h", "bytes": "By",
    "current_limit_ampere": "A", "speed_limit_metre_per_second": "m/s",
}  # fmt: skip


def listing(connection: duckdb.DuckDBPyConnection, what: str) -> pa.Table:
    """One of LISTS as a table. Raises UsageProblem for another word."""
    if what not in LISTS:
        raise UsageProblem(f"there is no list of {what!r}", f"lists are: {', '.join(LISTS)}")
    return connection.sql(LISTS[what]).to_arrow_table()


def test_facts(connection: duckdb.DuckDBPyConnection, test: str) -> dict[str, Any]:
    """Everything known of a test: its facts, results with uncertainty, findings, stints.

    Raises UsageProblem when the book knows no such test.
    """
    found = _dicts(connection, "select * from tests where test = $test", test)
    if not found:
        raise UsageProblem(f"no test is called {test!r}", "`rangebook list tests` names them all")
    results = _dicts(connection, "select * from results where test = $test", test)
    keys = ("value", "unit", "u", "method", "note", "lower_bound", "method_version")
    stints = "select stint, kind, started, ended, original, source from stints where test = $test order by started"
    findings = """select f.code, f.severity, f.words, o.name, f.first_row, f.last_row from findings f
        left join originals o using (original)
        where f.test = $test or f.stint is null and f.original in (select original from stints where test = $test)
        order by array_position(['problem', 'warning', 'note'], f.severity), f.code, f.words"""
    return {
        **{name: plain(value) for name, value in found[0].items()},
        "results": {row["quantity"]: {key: plain(row[key]) for key in keys} for row in results},
        "findings": _plain_rows(_dicts(connection, findings, test)),
        "stints": _plain_rows(_dicts(connection, stints, test)),
    }


def test_history(book: Book, test: str) -> list[dict[str, Any]]:
    """Every figure ever computed for a test, by quantity, the latest first: other methods, and inputs it had then."""
    keys = ("quantity", "value", "unit", "u", "lower_bound", "method", "method_version", "computed_at")
    rows = [row for table in book.all_results(test) for row in table.select(list(keys)).to_pylist()]
    rows.sort(key=lambda row: row["computed_at"], reverse=True)
    first = {(row["quantity"], row["method_version"], row["value"], row["u"]): row for row in reversed(rows)}
    latest = sorted(first.values(), key=lambda row: row["computed_at"], reverse=True)
    return _plain_rows(sorted(latest, key=lambda row: str(row["quantity"])))


def _dicts(connection: duckdb.DuckDBPyConnection, sql: str, test: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = connection.sql(sql, params={"test": test}).to_arrow_table().to_pylist()
    return rows


def _plain_rows(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [{name: plain(value) for name, value in row.items()} for row in rows]


def plain(value: Any) -> Any:
    """A value as JSON has it: instants in RFC 3339 UTC, no infinities."""
    if isinstance(value, datetime):
        text = value.astimezone(UTC).isoformat()
        return text.replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, list):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def table_json(table: pa.Table, units: Mapping[str, str]) -> dict[str, Any]:
    """A table as {"columns": [{"name", "type", "unit"}], "rows": [[...]]}. units: by column name."""
    columns = [
        {"name": field.name, "type": str(field.type), "unit": units.get(field.name, "")} for field in table.schema
    ]
    rows = [[plain(value) for value in row.values()] for row in table.to_pylist()]
    return {"columns": columns, "rows": rows}


def test_findings(connection: duckdb.DuckDBPyConnection, originals: Sequence[str]) -> list[dict[str, Any]]:
    """Warnings and problems about these originals and the tests they belong to.

    What was found in a stint that is part of a test is said of the test, not once more of the stint.
    """
    sql = """select distinct f.code, f.severity, f.words, o.name, f.test
        from findings f left join originals o using (original)
        left join stints s using (stint)
        where f.severity <> 'note' and s.test is null and (list_contains($those, f.original) or f.test in (
            select test from originals where list_contains($those, original)
            union select test from stints where list_contains($those, original)))
        order by array_position(['problem', 'warning'], f.severity), f.code, o.name, f.words"""
    rows: list[dict[str, Any]] = connection.sql(sql, params={"those": list(originals)}).to_arrow_table().to_pylist()
    return rows


def tests_of(connection: duckdb.DuckDBPyConnection, originals: Sequence[str]) -> list[str]:
    """Tests that these originals state or belong to, by name."""
    sql = """select distinct test from (select test from originals where list_contains($those, original)
        union all select test from stints where list_contains($those, original)) where test is not null order by test"""
    return [row[0] for row in connection.execute(sql, {"those": list(originals)}).fetchall()]


def open_catalogue(book: Book) -> duckdb.DuckDBPyConnection:
    """The book's catalogue, fenced, with the views that recipes see."""
    from rangebook.queries import VIEWS

    return book.connect(VIEWS())


def recipes_of(book: Book | None) -> dict[str, Recipe]:
    """The program's recipes, those of plugins, and the book's own."""
    from rangebook.queries import recipes

    return recipes(_folders(book))


def recipe_of(book: Book, name: str) -> Recipe:
    """One recipe by name; a faulty one beside it does no harm. Raises RecipeProblem when there is none."""
    from rangebook.queries import find

    return find(name, _folders(book))


def _folders(book: Book | None) -> list[Path]:
    from .registry import plugin_manager

    own = [] if book is None else [book.folder / "recipes"]
    return [*plugin_manager().recipe_folders(), *(folder for folder in own if folder.is_dir())]


def pairs(values: Sequence[str]) -> dict[str, str]:
    """Parameters written as name=value. Raises UsageProblem for anything else."""
    found = {}
    for text in values:
        name, equals, value = text.partition("=")
        if not equals or not name:
            raise UsageProblem(f"{text!r} is no parameter", "write name=value, such as cart=C07")
        found[name] = value
    return found
