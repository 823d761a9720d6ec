"""Bad input of every kind, from the command line to the book: a message that names the file, and a book left whole.

Each case is taken into a book that holds something already; afterwards `check` passes and all it held is there.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import tracemalloc
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from rangebook.pipeline.cli import app

from .faults import failing

HEADER = "time,voltage (V),current (A),temperature (C)"
GPX = '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>{}</name><trkseg>{}</trkseg></trk></gpx>'
POINTS = '<trkpt lat="45" lon="14"/><trkpt lat="45.001" lon="14"/>'


@dataclass(frozen=True)
class Ended:
    """How the program ended, and what it said."""

    code: int
    out: str
    err: str

    @property
    def original(self) -> dict[str, Any]:
        """The one original of an ingest, from its JSON."""
        (original,) = json.loads(self.out)["originals"]
        return dict(original)

    def finding(self, code: str) -> dict[str, Any]:
        return next(one for one in self.original["findings"] if one["code"] == code)

    @property
    def rows(self) -> list[list[Any]]:
        return list(json.loads(self.out)["rows"])


def rangebook(*arguments: object) -> Ended:
    done = CliRunner().invoke(app, [str(argument) for argument in arguments], env={"RANGEBOOK_BOOK": ""})
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Ended(done.exit_code, done.stdout, done.stderr)


def drive(seconds: Sequence[float], day: str = "2026-05-01") -> list[str]:
    """Rows of a log from 08:00:00: current swings and voltage sags with it."""
    rows = []
    for second in seconds:
        ampere = 20 + 17 * second % 43
        clock = f"{8 + int(second) // 3600:02d}:{int(second) // 60 % 60:02d}:{int(second) % 60:02d}"
        rows.append(f"{day}T{clock}Z,{52.9 - 0.024 * ampere - second / 1000:.3f},{-ampere:.1f},{24 + second / 100:.2f}")
    return rows


ROWS = drive(range(120))


def log(*rows: str, header: str = HEADER) -> str:
    return "\n".join([header, *rows]) + "\n"


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book that holds a log and a sheet."""
    folder = tmp_path_factory.mktemp("started")
    (folder / "good.csv").write_text(log(*drive(range(0, 300, 2), "2026-04-30")))
    (folder / "carts.csv").write_text("cart,description,mass (kg)\nC07,six-seat shuttle,610\n")
    assert rangebook("new", folder / "book", "--zone", "UTC").code == 0
    assert rangebook("ingest", "-b", folder / "book", folder / "good.csv", folder / "carts.csv").code in (0, 1)
    return folder / "book"


@pytest.fixture
def book(started: Path, tmp_path: Path) -> Path:
    return shutil.copytree(started, tmp_path / "book")


def held(book: Path) -> list[str]:
    done = rangebook("list", "originals", "-b", book, "--json")
    assert done.code == 0, done.err
    listed = json.loads(done.out)
    names = [column["name"] for column in listed["columns"]]
    return sorted(str(row[names.index("name")]) for row in listed["rows"])


def ingest(book: Path, path: Path, *options: str) -> Ended:
    """Take `path` in; whatever comes of it, the book is whole and holds what it held."""
    before = held(book)
    done = rangebook("ingest", "-b", book, path, "--json", *options)
    assert "Traceback" not in done.err
    assert rangebook("check", "-b", book).code == 0
    assert set(before) <= set(held(book))
    return done


def refused(book: Path, path: Path, *options: str, code: int = 3) -> str:
    """Take in what cannot be: an error and a hint, the file named, and nothing of it kept. Gives what was said."""
    before = held(book)
    done = ingest(book, path, *options)
    assert done.code == code, done.out + done.err
    assert held(book) == before
    assert done.err.startswith("error: ")
    assert "\nhint: " in done.err
    assert path.name in done.err
    return done.err


def write(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


# What cannot be used at all.

WITHOUT_AMPS = "\n".join(["time,colour", *(f"2026-05-01T08:00:{second:02d}Z,red" for second in range(60))])
MIXED = ["03/04/2026"] * 20 + ["13/04/2026"] * 20 + ["04/13/2026"] * 19
DATES = "\n".join(["date,time,voltage (V),current (A)", *(f"{d},08:00:{i:02d},52.1,-{i}" for i, d in enumerate(MIXED))])
EITHER = "\n".join(["date,time,voltage (V),current (A)", *(f"03/04/2026,08:00:{i:02d},52.1,-{i}" for i in range(60))])
BOMB = "".join(f'<!ENTITY {name} "{f"&{of};" * 10}">' for of, name in zip("abcdefgh", "bcdefghi", strict=True))
INSIDE = f'<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">{BOMB}]>'
OUTSIDE = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>'

UNUSABLE = {
    "empty.csv": (b"", "empty"),
    "header.csv": (HEADER + "\n", "no rows"),
    "picture.csv": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, "no reader recognises"),
    "letter.txt": ("Dear all,\nthe cart stopped on the way home.\nRegards\n", "no reader recognises"),
    "without-amps.csv": (WITHOUT_AMPS, ""),
    "without-time.csv": ("voltage (V),current (A)\n" + "52.1,-20\n" * 60, "time"),
    "mixed-dates.csv": (DATES, "line 22 and month first on line 42"),
    "either-date.csv": (EITHER, "day first or month first"),
    "bomb.gpx": (
        f'<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">{BOMB}]>' + GPX.format("&i;", POINTS),
        ":1: declares entities",
    ),
    "outside.gpx": (
        '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + GPX.format("&x;", POINTS),
        ":1: declares entities",
    ),
    "pointless.gpx": (GPX.format("nothing", ""), ""),
    "broken.xlsx": (b"PK\x03\x04 this is no workbook", ""),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_a_file_that_cannot_be_used_is_refused_by_name(name: str, book: Path, tmp_path: Path) -> None:
    content, words = UNUSABLE[name]
    assert words in refused(book, write(tmp_path, name, content))


def test_a_line_of_200_mb_is_refused_without_holding_it(book: Path, tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write((HEADER + "\n" + "\n".join(ROWS) + "\n").encode())
        for _ in range(200):
            stream.write(b"1" * 1_000_000)
    said = refused(book, path)
    assert "122" in said  # the line


def test_a_line_of_200_mb_right_after_the_header_is_refused_as_such_in_little_memory(
    book: Path, tmp_path: Path
) -> None:
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write((HEADER + "\n").encode())
        for _ in range(200):
            stream.write(b"1," * 500_000)
    tracemalloc.start()
    said = refused(book, path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "first line after the header is longer than" in said
    assert peak < 64e6


def test_a_workbook_that_unpacks_to_gigabytes_is_refused(book: Path, tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w") as part,
    ):
        for _ in range(300):
            part.write(b" " * 1_000_000)
    refused(book, path)


def test_a_folder_is_taken_whole_and_an_empty_one_is_refused(book: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "no files" in refused(book, empty)
    nested = tmp_path / "season" / "may"
    nested.mkdir(parents=True)
    write(nested, "deep.csv", log(*ROWS))
    done = ingest(book, tmp_path / "season")
    assert done.code in (0, 1)
    assert done.original["status"] == "read" and done.original["path"].endswith("season/may/deep.csv")


def test_a_file_that_is_not_there_is_named(book: Path, tmp_path: Path) -> None:
    assert "no such file" in refused(book, tmp_path / "nowhere.csv")


def test_a_file_without_permission_is_named(book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path, "locked.csv", log(*ROWS))
    plainly = Path.open

    def guarded(self: Path, *arguments: Any, **options: Any) -> Any:
        if self == path:  # root may read anything, so the system's answer is given here
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return plainly(self, *arguments, **options)

    monkeypatch.setattr(Path, "open", guarded)
    assert "no permission to read it" in refused(book, path)


def test_one_bad_file_does_not_keep_the_others_out(book: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mixed"
    folder.mkdir()
    write(folder, "bad.csv", b"")
    write(folder, "good-too.csv", log(*ROWS))
    done = ingest(book, folder)
    assert done.code == 3
    assert {one["status"] for one in json.loads(done.out)["originals"]} == {"read", "rejected"}
    assert "good-too.csv" in held(book)


# What can be used in part: the rest is kept in `rejects`, and said.


def changed(rows: Sequence[str], *changes: tuple[int, str]) -> list[str]:
    """`rows` with some replaced; their lines count from 2, after the header."""
    new = list(rows)
    for line, row in changes:
        new[line - 2] = row
    return new


RAGGED = changed(ROWS, (11, ROWS[9] + ",9,9"), (21, "2026-05-01T08:00:19Z,52.1"))
NUL = changed(ROWS, (11, ROWS[9][:12] + "\0\0\0" + ROWS[9][15:]))
AGAIN = [*drive(range(600)), *drive(range(300, 900))]
RESET = [*ROWS, *drive(range(60), "2000-01-01")]
TWICE = [row for row in ROWS for _ in range(2)]
MANY_VOLTS = changed(ROWS, (21, "2026-05-01T08:00:19Z,1e9,-39,24"))
HOT = changed(ROWS, (21, "2026-05-01T08:00:19Z,52,-39,9999"))

# name: (content, samples, rejects, finding, first and last line of it)
PARTLY = {
    "cut-off.csv": (log(*ROWS)[:-20], 119, 1, "truncated", (121, 121)),
    "ragged.csv": (log(*RAGGED), 118, 2, "ragged-rows", (11, 21)),
    "nul.csv": (log(*NUL), 119, 1, "nul-bytes", (11, 11)),
    "header-again.csv": (log(*ROWS[:60], HEADER, *ROWS[60:]), 120, 1, "header-again", (62, 62)),
    "goes-back.csv": (log(*AGAIN), 900, 300, "time-goes-back", (602, 901)),
    "clock-reset.csv": (log(*RESET), 180, 0, "clock-reset", (122, 122)),
    "doubles.csv": (log(*TWICE), 120, 0, "double-rows", (3, 241)),
    "gap.csv": (log(*ROWS, *drive(range(700, 800))), 220, 0, "gap", (122, 122)),
    "impossible.csv": (log(*MANY_VOLTS), 119, 1, "impossible-values", (21, 21)),
    "hot.csv": (log(*HOT), 120, 0, "impossible-values", (21, 21)),
}


@pytest.mark.parametrize("name", PARTLY)
def test_what_can_be_used_is_used_and_the_rest_is_said(name: str, book: Path, tmp_path: Path) -> None:
    content, samples, rejects, code, lines = PARTLY[name]
    done = ingest(book, write(tmp_path, name, content))
    assert done.code in (0, 1), done.err
    tables = done.original["tables"]
    assert (tables["samples"], tables.get("rejects", 0)) == (samples, rejects)
    finding = done.finding(code)
    assert (finding["first_row"], finding["last_row"]) == lines
    assert done.code == 1 or finding["severity"] == "note"
    assert name in held(book)


def test_every_reject_is_kept_as_it_stood(book: Path, tmp_path: Path) -> None:
    wrong = "2026-05-01T08:00:19Z,1e9,-39,24"
    ingest(book, write(tmp_path, "impossible.csv", log(*changed(ROWS, (21, wrong)))))
    done = rangebook("sql", "-b", book, "select line, text, why from rejects", "--json")
    assert done.rows == [[21, wrong, "voltage 1e+09 V is outside -1 to 1500 V"]]


def test_a_value_that_is_no_number_never_becomes_a_sample(book: Path, tmp_path: Path) -> None:
    nan = changed(ROWS, (11, "2026-05-01T08:00:09Z,NaN,-29,24"), (12, "2026-05-01T08:00:10Z,52,inf,24"))
    assert ingest(book, write(tmp_path, "nan.csv", log(*nan))).code in (0, 1)
    question = "select count(*) from samples where isnan(voltage_volt) or isinf(voltage_volt) or isinf(current_ampere)"
    assert rangebook("sql", "-b", book, question, "--json").rows == [[0]]


def test_samples_are_in_order_of_time_whatever_the_file(book: Path, tmp_path: Path) -> None:
    ingest(book, write(tmp_path, "backwards.csv", log(*reversed(ROWS))))
    question = (
        "select count(*) from (select time < lag(time) over (partition by original order by row) as back from samples) "
        "where back"
    )
    assert rangebook("sql", "-b", book, question, "--json").rows == [[0]]


def test_a_column_in_an_unknown_unit_is_not_used_and_is_said_aloud(book: Path, tmp_path: Path) -> None:
    done = ingest(book, write(tmp_path, "pods.csv", log(*ROWS, header=HEADER.replace("(A)", "(pods)"))))
    assert done.code in (1, 3)
    assert "pods" in done.out + done.err


def test_a_cart_that_is_not_in_the_register_is_said(book: Path, tmp_path: Path) -> None:
    done = ingest(book, write(tmp_path, "stranger.csv", log(*ROWS)), "--cart", "C99")
    assert done.code in (1, 3)
    said = done.out + done.err + rangebook("list", "findings", "-b", book, "--json").out
    assert "C99" in said


SHEET = """field,value
test,T-1
kind,range
cart,{}
start,2026-05-01 08:00
end,2026-05-01 08:02
end reason,cut-off
"""


def test_two_sheets_that_claim_one_test_are_both_kept_and_it_is_said(book: Path, tmp_path: Path) -> None:
    ingest(book, write(tmp_path, "first.csv", SHEET.format("C07")))
    done = ingest(book, write(tmp_path, "second.csv", SHEET.format("C08")))
    assert {"first.csv", "second.csv"} <= set(held(book))
    question = "select severity from findings where code = 'test-claimed-twice' and words like '%T-1%C07%C08%'"
    assert rangebook("sql", "-b", book, question, "--json").rows == [["problem"]]
    assert done.code == 1


# What is wrong with the book.


def test_a_full_disk_leaves_the_book_as_it_was(book: Path, tmp_path: Path) -> None:
    path = write(tmp_path, "more.csv", log(*ROWS))
    before = held(book)
    with failing(3, persistent=True) as calls:
        done = rangebook("ingest", "-b", book, path, "--json")
    assert calls.fired
    assert done.code == 4
    assert "error: " in done.err and "hint: " in done.err and "space" in done.err
    assert rangebook("check", "-b", book).code == 0
    assert held(book) == before
    assert ingest(book, path).code in (0, 1)
    assert held(book) == sorted([*before, "more.csv"])


def test_a_book_of_a_newer_format_is_refused(book: Path, tmp_path: Path) -> None:
    facts = book / "book.toml"
    facts.write_text(facts.read_text().replace("format_version = 1", "format_version = 99"))
    done = rangebook("ingest", "-b", book, write(tmp_path, "more.csv", log(*ROWS)))
    assert done.code == 4
    assert "format 99" in done.err and "hint: " in done.err


def test_a_folder_that_is_no_book_is_refused(tmp_path: Path) -> None:
    done = rangebook("ingest", "-b", tmp_path, write(tmp_path, "more.csv", log(*ROWS)))
    assert done.code == 4
    assert "error: " in done.err and "hint: " in done.err
