"""The whole road on the demo workshop: every result against the truth the simulation wrote beside it.

The truth comes from pipeline/demo, which shares no code with the measures.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from .program import run, told

RESULTS = "select * exclude (computed_at) from results order by all"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo workshop, made and taken in once by the program itself."""
    folder = tmp_path_factory.mktemp("workshop") / "demo"
    done = run("demo", folder)
    assert done.returncode == 0, done.stderr
    assert "What each cart uses" in done.stdout and "rangebook show" in done.stderr
    return folder


@pytest.fixture(scope="module")
def compared(demo: Path) -> duckdb.DuckDBPyConnection:
    """Table `compared`: test, quantity, truth, value, u of every result that has a truth."""
    rows = told("sql", "select test, quantity, value, u from results where not lower_bound and test is not null",
                "--book", demo / "book")["rows"]  # fmt: skip
    connection = duckdb.connect()
    connection.execute("create table got (test text, quantity text, value double, u double)")
    connection.executemany("insert into got values (?, ?, ?, ?)", rows)
    connection.execute(
        "create table compared as select test, quantity, try_cast(t.value as double) as truth, got.value, u "
        f"from read_csv('{demo / 'truth.csv'}', all_varchar = true) t join got using (test, quantity) "
        "where truth is not null"
    )
    return connection


def test_results_lie_within_three_of_their_uncertainties(compared: duckdb.DuckDBPyConnection) -> None:
    count, share = compared.sql("select count(*), avg((abs(value - truth) <= 3 * u)::int) from compared").fetchall()[0]
    assert count > 2500
    assert share >= 0.95


def test_no_quantity_is_left_to_the_others(compared: duckdb.DuckDBPyConnection) -> None:
    poor = compared.sql(
        "select quantity, avg((abs(value - truth) <= 3 * u)::int) as share from compared group by quantity "
        "having share < 0.9 order by share"
    ).fetchall()
    assert poor == []


def test_uncertainties_are_not_merely_wide(compared: duckdb.DuckDBPyConnection) -> None:
    wide = compared.sql(
        "select quantity, median(u / abs(truth)) as part from compared where quantity in "
        "('distance_metre', 'net_ah', 'net_wh', 'capacity_ah', 'consumption_wh_per_km', 'range_metre') "
        "group by quantity having part > 0.02"
    ).fetchall()
    assert wide == []


def test_nothing_broke_on_the_way(demo: Path) -> None:
    assert told("sql", "select words from findings where code = 'measure-broke'", "--book", demo / "book")["rows"] == []
    assert told("check", "--book", demo / "book")["troubles"] == []


def test_the_found_card_is_loose_and_the_rest_is_tied(demo: Path) -> None:
    names = [row[0] for row in told("list", "loose", "--book", demo / "book")["rows"]]
    assert names == ["log0007.csv"]


def test_a_rebuild_gives_the_same_results_to_the_last_digit(demo: Path) -> None:
    book = demo / "book"
    before = told("sql", RESULTS, "--book", book)
    assert len(before["rows"]) > 5000
    told("rebuild", "--jobs", "2", "--book", book)
    assert told("sql", RESULTS, "--book", book) == before


def test_taking_the_same_files_again_changes_nothing(demo: Path) -> None:
    again = told("ingest", demo / "incoming", "--book", demo / "book")
    assert {one["status"] for one in again["originals"]} == {"known"}


def test_the_shop_sees_its_stories(demo: Path) -> None:
    """What the scenario is made of comes out of the questions: the fading pack, the dragging brake."""
    fade = told("ask", "capacity_fade", "--book", demo / "book")
    names = [column["name"] for column in fade["columns"]]
    slope, pack = (next(n for n, name in enumerate(names) if name.startswith(start)) for start in ("change", "pack"))
    falling = sorted((row for row in fade["rows"] if row[slope] is not None), key=lambda row: row[slope])
    assert "P02" in [row[pack] for row in falling[:3]]
    watched = told("ask", "packs_to_watch", "all_packs=no", "--book", demo / "book")
    assert [row[0] for row in watched["rows"]] == ["P02"]
    why = told("ask", "why_range_fell", "cart=C06", "split=2026-08-10", "--book", demo / "book")
    keys = [column["name"] for column in why["columns"]]
    by = next(n for n, key in enumerate(keys) if key.startswith("change"))
    change = {row[keys.index("part")]: row[by] for row in why["rows"]}
    parts = {name: value for name, value in change.items() if name != "whole"}
    assert min(parts, key=lambda name: parts[name]) == "the cart itself"
    assert sum(parts.values()) == pytest.approx(change["whole"])
