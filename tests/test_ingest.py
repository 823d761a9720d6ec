"""Files into the book: what is remembered, what is picked up later, what a stopped run leaves."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from rangebook.archive import Book
from rangebook.pipeline import ingest as intake
from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.ingest import Ingested, Wish, gather, ingest, read_map
from rangebook.pipeline.measures import BUILTIN
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.refresh import stale
from rangebook.pipeline.registry import plugin_manager
from rangebook.pipeline.stretch import Measure, Result, Stretch

SAMPLES = Path(__file__).parent / "samples" / "delimited"


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return Book.new(tmp_path / "book", zone="Europe/Lisbon", units="km")


def take(book: Book, *paths: Path, wish: Wish | None = None) -> Ingested:
    return ingest(book, paths, plugin_manager(), wish or Wish())


def statuses(done: Ingested) -> list[str]:
    return [one.status for one in done.outcomes]


def rows(book: Book, sql: str) -> list[tuple[object, ...]]:
    with book.connect() as connection:
        return connection.sql(sql).fetchall()


def clock_log(path: Path, start: str = "19:05:00", count: int = 900) -> Path:
    """A log that holds only the time of day: a minute of rest, then a drive."""
    first = datetime.fromisoformat(f"2000-01-01 {start}")
    lines = ["clock,voltage (V),current (A)"]
    for second in range(count):
        at = datetime.fromtimestamp(first.timestamp() + second)
        ampere = 0.0 if second < 60 else -40.0 - 20 * np.sin(second / 9)
        lines.append(f"{at:%H:%M:%S},{52.8 + 0.02 * ampere:.2f},{ampere:.2f}")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_time_of_day_gets_its_day_from_the_sheet_that_names_the_log(book: Book, tmp_path: Path) -> None:
    log = clock_log(tmp_path / "a-log.csv")
    assert statuses(take(book, log)) == ["rejected"]
    sheet = tmp_path / "z-sheet.csv"
    sheet.write_text("field,value\ntest,T1\nkind,range\nstart,2026-06-14 19:05\nlogs,a-log.csv\n")
    done = take(book, log, sheet)
    assert statuses(done) == ["read", "read"]
    # Lisbon keeps summer time in June: UTC+1
    assert rows(book, "select started from originals where name = 'a-log.csv'") == [
        (datetime(2026, 6, 14, 18, 5, tzinfo=UTC),)
    ]
    assert rows(book, "select test, kind from stints where kind = 'drive'") == [("T1", "drive")]


def test_a_map_is_remembered_for_the_same_header(book: Book, tmp_path: Path) -> None:
    first, second = SAMPLES / "pack_trip_000.csv", SAMPLES / "pack_trip_060.csv"
    assert statuses(take(book, second)) == ["rejected"]
    assert statuses(take(book, first, wish=Wish(map=read_map(SAMPLES / "pack_trip.map.toml")))) == ["read"]
    assert statuses(take(book, second)) == ["read"]
    # truth of the model (SOURCES.md): 85.31256425042368 Ah
    ((ampere_hours,),) = rows(
        book, "select net_ah from stint_results join originals using (original) where name = 'pack_trip_060.csv'"
    )
    assert ampere_hours == pytest.approx(-85.31256425042368, rel=1e-4)


def test_a_wrong_map_can_be_put_right_by_another(book: Book, tmp_path: Path) -> None:
    log = SAMPLES / "pack_trip_000.csv"
    good = read_map(SAMPLES / "pack_trip.map.toml") or ""
    take(book, log, wish=Wish(map=good.replace("discharge-positive", "charge-positive")))
    take(book, log, wish=Wish(map=good))
    assert len(list(book.records())) == 2, "the older reading stays"
    ((net,),) = rows(book, "select sum(net_ah) from stint_results")
    assert net == pytest.approx(-95.4531486341096, rel=1e-4)


def test_a_run_stopped_before_the_catalogue_is_made_up_for_by_the_next(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    log = shutil.copy(SAMPLES / "midnight.csv", tmp_path / "log.csv")
    monkeypatch.setattr(intake, "refresh", stopped)
    with pytest.raises(KeyboardInterrupt):
        take(book, Path(log))
    monkeypatch.undo()
    assert stale(book) and not [one for one in book.check() if not one.harmless]
    assert statuses(take(book, Path(log))) == ["known"]
    assert not stale(book) and rows(book, "select name from originals") == [("log.csv",)]


def test_two_processes_read_what_one_does(book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "logs"
    folder.mkdir()
    for number in range(18):
        text = (SAMPLES / "midnight.csv").read_text()
        (folder / f"log-{number:02d}.csv").write_text(text + "\n" * number)
    alone = Book.new(tmp_path / "alone", zone="Europe/Lisbon", units="km")
    ingest(alone, [folder], plugin_manager(), jobs=1)
    ingest(book, [folder], plugin_manager(), jobs=2)
    question = "select quantity, count(*), sum(value) from results group by quantity order by quantity"
    assert rows(book, question) == rows(alone, question) != []


def test_a_folder_is_taken_whole_but_for_what_it_leaves_out(tmp_path: Path) -> None:
    for name in ("b.csv", "a/c.gpx", "a/map.toml", ".hidden/d.csv", "e.tmp"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    found = [path.relative_to(tmp_path).as_posix() for path in gather([tmp_path], (".*", "*.toml", "*.tmp"))]
    assert found == ["a/c.gpx", "b.csv"]
    assert list(gather([tmp_path / "e.tmp"], ("*.tmp",))) == [tmp_path / "e.tmp"], "what is named is meant"
    with pytest.raises(InputProblem, match="no files"):
        list(gather([tmp_path / ".hidden"], ("*",)))


def test_a_measure_that_breaks_is_named_and_the_others_go_on(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(stretch: Stretch) -> list[Result | Finding]:
        raise ZeroDivisionError("nothing to divide by")

    broken = Measure("brittle", "1", "breaks", (), breaks)
    plugins = plugin_manager()
    monkeypatch.setattr(plugins, "measures", lambda: [broken, *BUILTIN])
    ingest(book, [SAMPLES / "midnight.csv"], plugins)
    assert rows(book, "select distinct code, severity from findings where code = 'measure-broke'") == [
        ("measure-broke", "problem")
    ]
    assert rows(book, "select count(*) > 0 from results") == [(True,)]
