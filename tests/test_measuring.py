"""Stretches made from stored tables: which fixes belong to a test, and on whose clock."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from rangebook.archive import Book
from rangebook.pipeline.demo import ZONE, make
from rangebook.pipeline.ingest import ingest
from rangebook.pipeline.registry import plugin_manager

TIME = re.compile(r"<time>([^<]+)Z</time>")


@pytest.fixture(scope="module")
def incoming(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo workshop's files."""
    folder = tmp_path_factory.mktemp("demo")
    make(folder)
    return folder / "incoming"


def sheets_naming_a_track(incoming: Path) -> list[Path]:
    """Sheets whose `logs` name a track that is there beside a log."""
    found = [path for path in sorted(incoming.rglob("T-*.csv")) if ".gpx" in path.read_text("utf-8", "replace")]
    assert found
    return found


def later(text: str, hours: float) -> str:
    """A track whose clock is `hours` ahead."""

    def moved(seen: re.Match[str]) -> str:
        return f"<time>{(datetime.fromisoformat(seen[1]) + timedelta(hours=hours)).isoformat()}Z</time>"

    return TIME.sub(moved, text)


def taken(book: Book, sheet: Path, incoming: Path, track_hours: float, work: Path) -> None:
    """Take in a sheet and the logs it names, the track with its clock put ahead."""
    names = re.findall(r"[\w-]+\.(?:csv|gpx)", next(line for line in sheet.read_text().splitlines() if "logs" in line))
    files = [next(incoming.rglob(name)) for name in names]
    copies = []
    for path in (sheet, *files):
        copy = work / path.name
        text = path.read_bytes()
        copy.write_bytes(later(text.decode(), track_hours).encode() if path.suffix == ".gpx" else text)
        copies.append(copy)
    ingest(book, [incoming / "carts.csv", *copies], plugin_manager())


def test_a_track_two_hours_off_gives_the_distance_it_gives_on_time(incoming: Path, tmp_path: Path) -> None:
    sheet = sheets_naming_a_track(incoming)[0]
    found = []
    for name, hours in (("right", 0.0), ("wrong", 2.0)):
        (tmp_path / name).mkdir()
        book = Book.new(tmp_path / name / "book", zone=ZONE, units="km")
        taken(book, sheet, incoming, hours, tmp_path / name)
        with book.connect() as connection:
            track = connection.sql("select track_length_metre from test_results").fetchall()
            zone = connection.sql("select words from findings where code = 'clock-zone'").fetchall()
        found.append((track[0][0], zone))
    (right, said), (wrong, told) = found
    assert not said and "2 h" in told[0][0]
    assert wrong == pytest.approx(right, rel=1e-3)
