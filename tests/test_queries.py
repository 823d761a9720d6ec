"""Recipes asked of small catalogues (tests/recipes: rows in, rows out), and the views over raw rows."""

from __future__ import annotations

import csv
import datetime
import io
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pytest
from scipy import stats

from rangebook.archive import Book
from rangebook.pipeline import tables
from rangebook.pipeline.measures import BUILTIN
from rangebook.pipeline.refresh import refresh
from rangebook.queries import VIEWS, RecipeProblem, ask, empty_catalogue, find, load, recipes, run_sql

CASES = Path(__file__).parent / "recipes"


def fill(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Mapping[str, Any]]) -> None:
    for row in rows:
        given = {name: value for name, value in row.items() if value not in ("", None)}
        names, marks = ", ".join(f'"{name}"' for name in given), ", ".join(f"${name}" for name in given)
        connection.execute(f"insert into {table} ({names}) values ({marks})", given)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text.strip())))


def catalogue(given: Mapping[str, str]) -> duckdb.DuckDBPyConnection:
    connection = empty_catalogue()
    connection.execute("set TimeZone = 'UTC'")
    for table, text in given.items():
        fill(connection, table, rows_of(text))
    return connection


def same(expected: str, value: Any) -> bool:
    """Numbers agree to half a unit of the last digit written."""
    if value is None or expected == "":
        return expected == "" and value in (None, "")
    if isinstance(value, datetime.datetime):
        return value.strftime("%Y-%m-%d %H:%M") == expected
    if isinstance(value, float):
        digits = len(expected.partition(".")[2])
        return bool(abs(value - float(expected)) <= max(0.5 * 10.0**-digits if digits else 0, 1e-9 * abs(value)))
    return str(value) == expected


def all_cases() -> list[Any]:
    return [
        pytest.param(path.stem, case, id=f"{path.stem}: {case['about']}")
        for path in sorted(CASES.glob("*.toml"))
        for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
    ]


@pytest.mark.parametrize(("name", "case"), all_cases())
def test_rows_in_rows_out(name: str, case: Mapping[str, Any]) -> None:
    answer = ask(catalogue(case["given"]), find(name), case["ask"]).to_pylist()
    expected = rows_of(case["answer"])
    assert len(answer) == len(expected), answer
    for found, wanted in zip(answer, expected, strict=True):
        wrong = {key: (found[key], value) for key, value in wanted.items() if not same(value, found[key])}
        assert not wrong, found


@pytest.mark.parametrize("name", recipes())
def test_every_recipe_fits_the_catalogue_and_has_a_case(name: str) -> None:
    recipe = find(name)
    assert ask(empty_catalogue(), recipe, {}).column_names == [column.name for column in recipe.columns]
    first = tomllib.loads((CASES / f"{name}.toml").read_text(encoding="utf-8"))["case"][0]
    assert list(rows_of(first["answer"])[0]) == [column.name for column in recipe.columns], "one case names all columns"


@pytest.mark.parametrize("name", recipes())
def test_every_recipe_reads_well(name: str) -> None:
    recipe = find(name)
    assert recipe.title[0].isupper() and not recipe.title.endswith(".")
    assert recipe.asks.endswith("?")
    assert all(param.default is not None for param in recipe.params), "asked without values it must answer"


def test_the_register_and_the_logs_are_as_the_pipeline_writes_them() -> None:
    connection = empty_catalogue()
    for table in ("carts", "packs", "fitments", "settings", "loggers", "instruments"):
        names = [row[0] for row in connection.execute(f"describe {table}").fetchall()]
        assert names == list(tables.REGISTER[table])
        history = [row[0] for row in connection.execute(f"describe {table}_history").fetchall()]
        assert history == [*names, "said_at", "original"]
    for table, schema in tables.TABLES.items():
        names = [row[0] for row in connection.execute(f"describe raw_{table}").fetchall()]
        assert names == [*schema.names, "original", "row"]
        names = [row[0] for row in connection.execute(f"describe {table}").fetchall()]
        assert names == [*schema.names, "original", "row", "cart", "pack", "test", "stint"]


# Outside checks of whole recipes.

# Wear of two materials on the two shoes of ten boys: Box, Hunter and Hunter, Statistics for Experimenters, table 4.3
# (from memory; the mean difference 0.41 and Student's t of 3.35 with 9 degrees of freedom are in the text).
SHOES_A = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
SHOES_B = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]


def test_settings_with_one_test_each_are_the_paired_comparison() -> None:
    connection = catalogue({})
    for settings, values in (("A", SHOES_A), ("B", SHOES_B)):
        fill(connection, "test_results", [
            {"test": f"{settings}{n}", "kind": "range", "cart": f"C{n}", "settings": settings,
             "consumption_wh_per_km": value} for n, value in enumerate(values)
        ])  # fmt: skip
    found = ask(connection, find("efficiency_by_settings"), {}).to_pylist()[1]
    assert (found["settings"], found["carts"], found["tests"], found["verdict"]) == ("B", 10, 20, "uses more")
    assert found["difference_wh_per_km"] == pytest.approx(0.41)
    half = found["high_wh_per_km"] - found["difference_wh_per_km"]
    assert stats.t.ppf(0.975, 9) * found["difference_wh_per_km"] / half == pytest.approx(3.348877, rel=1e-6)
    interval = stats.ttest_rel(SHOES_B, SHOES_A).confidence_interval(0.95)
    assert (found["low_wh_per_km"], found["high_wh_per_km"]) == pytest.approx(tuple(interval), rel=1e-6)


def test_settings_with_uneven_tests_are_least_squares() -> None:
    """The same as fitting carts and settings together by numpy's least squares, cart by cart tested unevenly."""
    chance = np.random.default_rng(5)
    cells = [(cart, hard) for cart in range(4) for hard in (0, 1) for _ in range(chance.integers(1, 5))]
    values = [50 + 7 * cart + 4 * hard + chance.normal(0, 2) for cart, hard in cells]
    design = np.array([[*(cart == n for n in range(4)), hard] for cart, hard in cells], dtype=float)
    fit, squares, *_ = np.linalg.lstsq(design, np.array(values), rcond=None)
    freedom = len(values) - 5
    se = np.sqrt(squares[0] / freedom * np.linalg.inv(design.T @ design)[4, 4])
    connection = catalogue({})
    fill(connection, "test_results", [
        {"test": f"T{n}", "kind": "range", "cart": f"C{cart}", "settings": ("a", "b")[hard],
         "consumption_wh_per_km": float(value)}
        for n, ((cart, hard), value) in enumerate(zip(cells, values, strict=True))
    ])  # fmt: skip
    found = ask(connection, find("efficiency_by_settings"), {"against": "a"}).to_pylist()
    row = next(row for row in found if row["settings"] == "b")
    assert row["difference_wh_per_km"] == pytest.approx(fit[4], rel=1e-9)
    half = stats.t.ppf(0.975, freedom) * se
    assert row["high_wh_per_km"] - row["difference_wh_per_km"] == pytest.approx(half, rel=1e-6)


def test_capacity_fade_agrees_with_scipy() -> None:
    chance = np.random.default_rng(11)
    days = np.cumsum(chance.integers(5, 50, 14))
    capacities = 105 - 0.02 * days + chance.normal(0, 0.5, 14)
    start = datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
    connection = catalogue({})
    fill(connection, "test_results", [
        {"test": f"T{n}", "kind": "range", "pack": "P1", "started": start + datetime.timedelta(days=int(day)),
         "capacity_ah": float(value)} for n, (day, value) in enumerate(zip(days, capacities, strict=True))
    ])  # fmt: skip
    row = ask(connection, find("capacity_fade"), {}).to_pylist()[0]
    expected = stats.theilslopes(capacities, days / 30)
    found = [row[name] for name in ("change_in_30_days_ah", "low_ah", "high_ah")]
    assert found == pytest.approx([expected[0], expected[2], expected[3]], rel=1e-9)


# Asking.


def test_hostile_text_is_only_a_value() -> None:
    connection = catalogue({"test_results": "test,kind,cart,consumption_wh_per_km\nT1,range,C1,50"})
    hostile = "C1' or 1=1; drop table tests; --"
    assert ask(connection, find("fleet_efficiency"), {"cart": hostile}).num_rows == 0
    fill(connection, "test_results", [{"test": "T2", "kind": "range", "cart": hostile, "consumption_wh_per_km": 70}])
    assert ask(connection, find("fleet_efficiency"), {"cart": hostile}).column("cart").to_pylist() == [hostile]


def test_wrong_values_are_told_with_the_list_of_parameters() -> None:
    connection = empty_catalogue()
    recipe = find("limit_breaches")
    for values, words in (
        ({"colour": "red"}, "`limit_breaches` has no parameter `colour`"),
        ({"longer_than": "long"}, "longer_than: `long` is not a number such as 12.5"),
        ({"since": "14/06/2026"}, "since: `14/06/2026` is not a date such as 2026-06-14"),
        ({"longer_than": "null"}, "longer_than: `null` is not a number"),
    ):
        with pytest.raises(RecipeProblem) as caught:
            ask(connection, recipe, values)
        assert words in str(caught.value)
        assert "longer_than (number, default 1): seconds above a limit" in caught.value.hint


def test_a_missing_value_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "mine.sql"
    path.write_text("-- title: T\n-- asks: Q?\n-- param cart (text): the cart\n-- column c: c\n\nselect $cart as c\n")
    with pytest.raises(RecipeProblem, match="`mine` needs a value for `cart`: the cart"):
        ask(empty_catalogue(), load(path), {})
    assert ask(empty_catalogue(), load(path), {"cart": "null"}).to_pylist() == [{"c": "null"}]


@pytest.mark.parametrize(
    ("select", "words"),
    [
        ("select 1 as a", "column declared but not in the result: b"),
        ("select 1 as a, 2 as b, 3 as c", "column in the result but not declared: c"),
        ("select 1 as a, 2 as b, 3 as b", "in the result but not declared: b_1|a column stands twice"),
        ("select nope as a, 2 as b from tests", "nope"),
        ("select 'x'::integer as a, 2 as b", "(?i)could not convert"),
    ],
)
def test_a_recipe_that_does_not_fit_names_its_file(tmp_path: Path, select: str, words: str) -> None:
    path = tmp_path / "mine.sql"
    path.write_text(f"-- title: T\n-- asks: Q?\n-- column a: a\n-- column b: b\n\n{select}\n")
    with pytest.raises(RecipeProblem, match=words) as caught:
        ask(empty_catalogue(), load(path), {})
    assert "mine.sql:" in str(caught.value)


def test_columns_come_in_the_declared_order(tmp_path: Path) -> None:
    path = tmp_path / "mine.sql"
    path.write_text("-- title: T\n-- asks: Q?\n-- column b: b\n-- column a: a\n\nselect 1 as a, 2 as b\n")
    assert ask(empty_catalogue(), load(path), {}).column_names == ["b", "a"]


def test_run_sql_answers_a_select_and_nothing_else(tmp_path: Path) -> None:
    connection = catalogue({"carts": "cart\nC1\nC2"})
    assert run_sql(connection, "select count(*) as n from carts").to_pylist() == [{"n": 2}]
    target = tmp_path / "out.csv"
    for text in (
        "select 1; drop table carts",
        f"copy carts to '{target}'",
        f"with out as (copy carts to '{target}') select * from out",
        "with gone as (delete from carts returning *) select * from gone",
        "select * from nowhere",
        "select $x",
    ):
        with pytest.raises(RecipeProblem) as caught:
            run_sql(connection, text)
        assert caught.value.hint
    assert not target.exists()
    assert connection.execute("select count(*) from carts").fetchall() == [(2,)]


# Views.

STINTS = """
stint,original,cart,pack,test,started,ended,first_row,last_row,source
S1,aa,C1,P1,T1,2026-01-01 00:00:00,2026-01-01 00:17:02,0,1022,samples
S2,aa,C1,P2,,2026-01-01 00:17:03,2026-01-01 00:50:00,1023,3000,samples
S3,bb,C2,P3,T2,2026-01-01 00:00:00,2026-01-01 00:00:05,0,5,fixes
"""


def raw(connection: duckdb.DuckDBPyConnection, table: str, original: str, seconds: Sequence[int]) -> None:
    start = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    times = [start + datetime.timedelta(seconds=second) for second in seconds]
    connection.register("logged", pa.table({"time": times, "row": range(len(times))}))
    connection.execute(f"insert into raw_{table} by name select *, '{original}' as original from logged")


def test_samples_carry_their_stint_and_none_is_lost_or_doubled() -> None:
    connection = catalogue({"stints": STINTS, "originals": "original,cart\naa,C1\nzz,C9"})
    raw(connection, "samples", "aa", range(4000))
    raw(connection, "samples", "zz", range(10))
    found = connection.execute(
        "select original, cart, pack, test, stint, min(row), max(row), count(*) from samples group by all order by 1, 6"
    ).fetchall()
    assert found == [
        ("aa", "C1", "P1", "T1", "S1", 0, 1022, 1023),
        ("aa", "C1", "P2", None, "S2", 1023, 3000, 1978),
        ("aa", "C1", None, None, None, 3001, 3999, 999),
        ("zz", "C9", None, None, None, 0, 9, 10),
    ]


def test_fixes_go_by_row_or_by_the_time_of_their_test() -> None:
    connection = catalogue(
        {
            "stints": STINTS,
            "originals": "original,cart,test\nbb,,T2\ncc,,T1\ndd,,",
            "tests": "test,cart,pack\nT1,C1,P1\nT2,C2,P3",
        }
    )
    raw(connection, "fixes", "bb", range(8))
    raw(connection, "fixes", "cc", [0, 5, 1021, 1022, 5000])
    raw(connection, "fixes", "dd", [0])
    found = connection.execute(
        "select original, cart, pack, test, stint, list(row order by row) from fixes group by all order by 1, 5 desc"
    ).fetchall()
    assert found == [
        ("bb", "C2", "P3", "T2", "S3", [0, 1, 2, 3, 4, 5]),
        ("bb", "C2", "P3", "T2", None, [6, 7]),
        ("cc", "C1", "P1", "T1", "S1", [0, 1, 2]),
        ("cc", "C1", "P1", "T1", None, [3, 4]),
        ("dd", None, None, None, None, [0]),
    ]


def test_marks_and_rejects_go_by_the_test_of_their_sheet() -> None:
    connection = catalogue({"stints": STINTS, "originals": "original,test\nee,T1", "tests": "test,cart,pack\nT1,C1,P1"})
    raw(connection, "marks", "ee", [60, 5000])
    connection.execute("insert into raw_marks (original, row) values ('ee', 2)")
    connection.execute("insert into raw_rejects (line, text, why, original, row) values (7, '??', 'no', 'ee', 0)")
    found = connection.execute("select row, cart, pack, test, stint from marks order by row").fetchall()
    assert found == [(0, "C1", "P1", "T1", "S1"), (1, "C1", "P1", "T1", None), (2, "C1", "P1", "T1", None)]
    assert connection.execute("select line, cart, pack, test from rejects").fetchall() == [(7, "C1", "P1", "T1")]


def test_the_catalogue_of_a_book_has_the_tables_that_recipes_are_checked_against(tmp_path: Path) -> None:
    book = Book.new(tmp_path / "book", zone="Europe/Lisbon", units="km")
    refresh(book, BUILTIN)
    shapes = [
        set(
            connection.execute(
                "select table_name, column_name, data_type from duckdb_columns() "
                "where not internal and schema_name = 'main'"
            ).fetchall()
        )
        for connection in (empty_catalogue(), book.connect(views=VIEWS()))
    ]
    assert shapes[0] == shapes[1]
    for recipe in recipes().values():
        assert ask(book.connect(views=VIEWS()), recipe, {}).num_rows == 0
