"""The command line as a person uses it: shapes of --json, options before and after the verb, exit codes."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from .program import SCRIPT, run, told

SAMPLES = Path(__file__).parent / "samples"

SHEET = """field,value
test,T-0117
kind,range
cart,C07
pack,P11
start,2026-05-01 08:00
end,2026-05-01 11:29
end reason,cut-off
logs,pack_trip_000.csv

time,trip (mi),note
09:00,6.2,lights on
11:29,22.5,
"""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with one real log and the sheet of its test."""
    folder = tmp_path_factory.mktemp("shop")
    sheet = folder / "T-0117.csv"
    sheet.write_text(SHEET)
    packs = folder / "packs.csv"
    packs.write_text("pack,chemistry,cells in series,rated capacity (Ah),cut-off voltage (V)\nP11,LFP,16,105,40\n")
    told("new", folder / "book", "--zone", "UTC", "--units", "km", codes=(0,))
    trip = SAMPLES / "delimited" / "pack_trip_000.csv"
    told("ingest", trip, "--map", SAMPLES / "delimited" / "pack_trip.map.toml", "--book", folder / "book")
    told("ingest", sheet, packs, "--book", folder / "book")
    return folder / "book"


def test_a_sheet_picks_up_the_log_taken_in_before_it(book: Path) -> None:
    assert told("list", "loose", "-b", book)["rows"] == []
    facts = told("show", "T-0117", "-b", book)
    # PyBaMM 26.10, parameter set Prada2013, scaled to 16s46p: 95.4531486341096 Ah, 4696.591735004196 Wh to 2.5 V a cell
    # (tests/samples/delimited/SOURCES.md)
    assert facts["results"]["net_ah"]["value"] == pytest.approx(-95.4531486341096, rel=1e-5)
    assert facts["results"]["capacity_ah"]["value"] == pytest.approx(95.4531486341096, rel=2e-3)
    assert facts["results"]["net_wh"]["value"] == pytest.approx(-4696.591735004196, rel=1.5e-3)
    assert facts["results"]["distance_metre"]["value"] == pytest.approx(
        22.5 * 1609.344
    )  # NIST SP 811, app. B: the mile


def test_show_has_the_shape_that_scripts_rely_on(book: Path) -> None:
    facts = told("show", "T-0117", "-b", book)
    assert facts.keys() >= {"test", "kind", "cart", "pack", "settings", "started", "ended", "end_reason", "results",
                            "findings", "stints"}  # fmt: skip
    assert facts["results"]["net_ah"].keys() >= {"value", "unit", "u", "method", "note"}
    assert facts["started"] == "2026-05-01T08:00:00Z"
    assert [stint["kind"] for stint in facts["stints"]] == ["drive"]


def test_ingest_tells_what_became_of_each_file(book: Path) -> None:
    again = told("ingest", SAMPLES / "delimited" / "pack_trip_000.csv", "--map",
                 SAMPLES / "delimited" / "pack_trip.map.toml", "-b", book, codes=(0,))  # fmt: skip
    (one,) = again["originals"]
    assert one.keys() >= {"path", "sha256", "reader", "status", "tables", "findings"}
    assert (one["status"], one["reader"]) == ("known", "delimited")
    assert again["tests"] == []


def test_sql_and_ask_give_columns_and_rows(book: Path) -> None:
    answer = told("sql", "select count(*) as n, min(time) as first from samples where test = 'T-0117'", "-b", book)
    assert [column["name"] for column in answer["columns"]] == ["n", "first"]
    assert answer["rows"] == [[12517, "2026-05-01T08:00:00Z"]]
    asked = told("ask", "fleet_efficiency", "-b", book)
    assert {"name", "type", "unit"} == asked["columns"][0].keys()


def test_options_may_stand_before_the_verb_and_after_it_wins(book: Path, tmp_path: Path) -> None:
    assert run("-b", book, "--json", "list", "tests").returncode == 0
    assert run("-b", tmp_path, "list", "tests", "-b", book).returncode == 0
    assert run("list", "tests", RANGEBOOK_BOOK=str(book)).returncode == 0
    assert run("list", "tests", "-b", book, RANGEBOOK_BOOK=str(tmp_path)).returncode == 0
    assert run("list", "tests", cwd=book).returncode == 0


def test_words_go_to_stderr_and_data_to_stdout(book: Path) -> None:
    done = run("check", "-b", book)
    assert (done.returncode, done.stdout) == (0, "") and "whole" in done.stderr


def test_wrong_usage_ends_with_2_and_says_what_to_do(book: Path) -> None:
    for arguments in (["list", "boats"], ["show", "T-9"], ["ask", "nothing"], ["ask", "fleet_efficiency", "cart"],
                      ["ask", "fleet_efficiency", "boat=1"], ["sql", "drop table tests"], ["plugins", "chk"],
                      ["ask", "data_quality", "--plot", "x.gif"]):  # fmt: skip
        done = run(*arguments, "-b", book) if arguments[0] != "plugins" else run(*arguments)
        assert done.returncode == 2, (arguments, done.stderr)
        assert done.stderr.startswith("error: ") and "\nhint: " in done.stderr, done.stderr
        assert "Traceback" not in done.stderr


def test_no_book_ends_with_4(tmp_path: Path) -> None:
    done = run("list", "tests", "-b", tmp_path)
    assert done.returncode == 4 and "hint: " in done.stderr


def test_a_second_new_book_in_the_same_place_is_refused(book: Path) -> None:
    assert run("new", book).returncode == 4
    assert run("new", book.parent / "other", "--zone", "Mars/Base").returncode == 2
    assert not (book.parent / "other").exists()


def test_answers_go_to_files(book: Path, tmp_path: Path) -> None:
    csv, parquet, plot = tmp_path / "a.csv", tmp_path / "a.parquet", tmp_path / "a.svg"
    done = run("ask", "fleet_efficiency", "--csv", csv, "--parquet", parquet, "--plot", plot, "-b", book)
    assert done.returncode == 0, done.stderr
    assert csv.read_text().splitlines()[0].count(",") == pq.read_table(parquet).num_columns - 1
    assert plot.read_text().startswith("<svg")


def test_a_reader_that_goes_away_is_no_error(book: Path) -> None:
    done = subprocess.run(
        f"{SCRIPT} sql 'select * from samples' -b {book} | head -1", shell=True, capture_output=True, text=True
    )
    assert "Traceback" not in done.stderr and "rror" not in done.stderr


def test_plugins_are_listed_and_checked() -> None:
    rows = told("plugins")
    assert {"delimited", "gpx", "sheet"} <= {row["name"] for row in rows if row["adds"] == "reader"}
    assert run("plugins", "check", "gpx", SAMPLES / "gpx" / "loop-21km.gpx").returncode == 0


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_gets_completions(shell: str) -> None:
    assert "rangebook" in run("--show-completion", shell, _TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION="1").stdout


def test_recipes_complete() -> None:
    done = run(_RANGEBOOK_COMPLETE="complete_bash", COMP_WORDS="rangebook ask capacity", COMP_CWORD="2")
    assert "capacity_fade" in done.stdout


def test_history_shows_what_was_computed_before_more_was_known(tmp_path: Path) -> None:
    sheet, packs = tmp_path / "T-0117.csv", tmp_path / "packs.csv"
    sheet.write_text(SHEET)
    book = tmp_path / "book"
    told("new", book, "--zone", "UTC", codes=(0,))
    trip = SAMPLES / "delimited" / "pack_trip_000.csv"
    told("ingest", trip, sheet, "--map", SAMPLES / "delimited" / "pack_trip.map.toml", "--book", book)
    packs.write_text("pack,rated capacity (Ah)\nP11,105\n")
    told("ingest", packs, "--book", book)
    facts = told("show", "T-0117", "--history", "--book", book)
    of_depth = [row for row in facts["history"] if row["quantity"] == "depth_of_discharge_percent"]
    assert len(of_depth) == 1 and "history" not in told("show", "T-0117", "--book", book)
    packs.write_text("pack,rated capacity (Ah)\nP11,100\n")
    told("ingest", packs, "--book", book)
    values = [
        row["value"]
        for row in told("show", "T-0117", "--history", "--book", book)["history"]
        if row["quantity"] == "depth_of_discharge_percent"
    ]
    assert [round(value, 2) for value in values] == [95.45, 90.91], "the latest first: 95.453 Ah of 100, of 105"
    assert run("show", "T-0117", "--history", "--book", book).stdout.count("depth of discharge") == 3
