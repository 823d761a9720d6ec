"""The conformance suite finds what is wrong with a reader, and nothing wrong with a good one."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Fit, Item, Options, Rows, Said, Used
from rangebook.pipeline.registry import plugin_manager
from rangebook.pipeline.tables import INSTANT, conform
from rangebook.pipeline.testing import check_reader, complaints_of, mistaken, spoilt
from rangebook.plugins.gpx import Gpx

SAMPLES = Path(__file__).parent / "samples"
GPX_SAMPLE = SAMPLES / "gpx" / "odd" / "track_with_speed.gpx"
CONTENT = b"volts\n52.0\n51.0\n"


class Volts:
    """A reader of files whose first line is `volts`, without fault. Tests put one fault into it."""

    name = "volts"
    version = "1"
    title = "One voltage a line"
    about = "For trying out the suite."

    def recognise(self, original: Original) -> Fit | None:
        return Fit(0.9, "its first line is `volts`") if original.head(6) == b"volts\n" else None

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        head, *lines = original.head().split(b"\n")
        if head != b"volts":
            raise InputProblem("its first line is not `volts`", "is it another file?", path=original.path, line=1)
        values = [line for line in lines if line and b"\0" not in line]
        yield Used({"lines": len(values)})
        yield rows(len(values), [float(value) for value in values])


def rows(count: int, volts: list[float] | None = None) -> Rows:
    volts = [50.0] * count if volts is None else volts
    batch = conform("samples", {"voltage_volt": pa.array(volts, pa.float64())})
    return Rows("samples", batch, np.arange(2, 2 + count, dtype=np.int64), lambda row: str(volts[row]))


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    path = tmp_path / "sample.volts"
    path.write_bytes(CONTENT)
    return path


def yielding(*items: Any) -> type[Volts]:
    class Other(Volts):
        def read(self, original: Original, options: Options) -> Iterator[Item]:
            yield from super().read(original, options)
            yield from items

    return Other


def test_good_readers_pass(sample: Path) -> None:
    assert check_reader(Volts(), sample) == []
    assert check_reader(Gpx(), GPX_SAMPLE) == []


def test_readings_that_hold_no_number_are_still_the_same_when_read_again(sample: Path) -> None:
    assert check_reader(yielding(rows(1, [float("nan")]))(), sample) == []


BAD_SCHEMA = pa.RecordBatch.from_pydict({"time": [None], "voltage_volt": [52.0], "current_ampere": [1.0]})
BARE_SCHEMA = (
    conform("samples", {"voltage_volt": pa.array([52.0])})
    .replace_schema_metadata()
    .cast(pa.schema([("time", INSTANT), ("voltage_volt", pa.float64()), ("current_ampere", pa.float64())]))
)
LOCAL = {"time": pa.array([0], pa.timestamp("us", tz="Europe/Lisbon"))}
NOON = datetime.datetime(2026, 6, 14, 12, 0)


@pytest.mark.parametrize(
    ("item", "words"),
    [
        (7, "yields a int"),
        (Rows("volts", rows(1).batch), "a table there is not: volts"),
        (Rows("samples", BAD_SCHEMA), "schema"),
        (Rows("samples", BARE_SCHEMA), "schema"),
        (Rows("samples", pa.RecordBatch.from_pydict(LOCAL)), "schema"),
        (Rows("fixes", pa.RecordBatch.from_pydict({"height": [1.0]})), "fixes has no column height"),
        (Rows("samples", rows(2).batch, np.array([1], np.int64)), "2 rows but 1 line numbers"),
        (Rows("samples", rows(1).batch, np.array([0], np.int64)), "below 1"),
        (Rows("samples", rows(1).batch, np.array([1], np.int32)), "int32, not int64"),  # type: ignore[arg-type]
        (Rows("samples", rows(1).batch, None, lambda row: 5), "gives no text"),  # type: ignore[arg-type, return-value]
        (Said("wagons", {"cart": "C1"}), "a table there is not: wagons"),
        (Said("carts", {"cart": "C1", "colour": "red"}), "names a column it has not: colour"),
        (Said("carts", {"customer": "harbour club"}), "cart is missing"),
        (Said("carts", {"cart": 7}), "not plain string"),
        (Said("carts", {"cart": "C1", "seats": 2.0}), "not plain int32"),
        (Said("carts", {"cart": "C1", "mass_kg": "390"}), "not plain double"),
        (Said("carts", {"cart": "C1", "mass_kg": True}), "not plain double"),
        (Said("packs", {"pack": "P1", "in_service": NOON}), "not plain date32"),
        (Said("tests", {"test": "T1", "started": NOON}), "not plain timestamp"),
        (Said("tests", {"test": "T1", "logs": ["a", 1]}), "not plain list"),
        (Finding("Time_Back", "note", "back"), "lower case words with hyphens"),
        (Finding("gap", "error", "a gap"), "severity 'error'"),
        (Finding("gap", "note", " "), "no words"),
        (Used({"path": Path("a")}), "what JSON cannot"),
        (Used({"share": float("nan")}), "what JSON cannot"),
    ],
)
def test_a_piece_out_of_shape_is_named(item: Any, words: str, sample: Path) -> None:
    assert any(words in complaint for complaint in complaints_of(item))
    assert any(words in complaint for complaint in check_reader(yielding(item)(), sample))


@pytest.mark.parametrize(
    "item",
    [
        Said("carts", {"cart": "C1", "seats": 4, "mass_kg": 390}),
        Said("packs", {"pack": "P1", "in_service": NOON.date(), "price": 1200.5}),
        Said("tests", {"test": "T1", "started": NOON.replace(tzinfo=datetime.UTC), "logs": ["a.csv"]}),
        Finding("time-goes-back", "warning", "the clock goes back 3 s", 4, 9),
        Used({"map": None, "columns": ["a", "b"], "share": 0.5}),
        rows(0),
    ],
)
def test_a_piece_in_shape_is_not(item: Item) -> None:
    assert complaints_of(item) == []


class Nameless(Volts):
    name = "Volts reader"
    about = ""
    version = 1  # type: ignore[assignment]


class Certain(Volts):
    def recognise(self, original: Original) -> Fit | None:
        return Fit(1.5, "")


class Crashing(Volts):
    def recognise(self, original: Original) -> Fit | None:
        return Fit(float(original.head().split(b"\n")[1]) / 100, "by its first value")


class Swallowing(Volts):
    def read(self, original: Original, options: Options) -> Iterator[Item]:
        yield Used({})


class Writing(Volts):
    def recognise(self, original: Original) -> Fit | None:
        original.path.with_suffix(".seen").touch()
        return super().recognise(original)


class Changing(Volts):
    def read(self, original: Original, options: Options) -> Iterator[Item]:
        yield from super().read(original, options)
        original.path.write_bytes(original.head() + b"50.0\n")


class Vague(Volts):
    def read(self, original: Original, options: Options) -> Iterator[Item]:
        try:
            yield from super().read(original, options)
        except InputProblem as problem:
            raise InputProblem("no good") from problem


class Fragile(Volts):
    def read(self, original: Original, options: Options) -> Iterator[Item]:
        assert original.head(5) == b"volts"
        yield from super().read(original, options)


class Blind(Volts):
    def recognise(self, original: Original) -> Fit | None:
        return None


@pytest.mark.parametrize(
    ("reader", "words"),
    [
        (Nameless(), ["`version` is no text", "`about` is no text", "not one short word"]),
        (Certain(), ["not from 0 to 1"]),
        (Crashing(), ["an empty file: recognise() raises IndexError"]),
        (Swallowing(), ["neither Rows nor Said"]),
        (Writing(), ["adds or removes files"]),
        (Changing(), ["changes the file it reads", "gives something else"]),
        (Vague(), ["does not name the file"]),
        (Fragile(), ["random bytes: read() raises AssertionError", "only InputProblem may be raised"]),
        (Blind(), ["does not recognise its own sample"]),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Volts) else "",
)
def test_a_fault_is_found(reader: Volts, words: list[str], sample: Path) -> None:
    complaints = check_reader(reader, sample)
    for word in words:
        assert any(word in complaint for complaint in complaints), complaints


def test_a_reading_that_changes_each_time_is_found(sample: Path) -> None:
    class Counting(Volts):
        count = 0

        def read(self, original: Original, options: Options) -> Iterator[Item]:
            self.count += 1
            yield from super().read(original, options)
            yield Used({"count": self.count})

    assert check_reader(Counting(), sample) == ["gives something else when it reads the same file again"]


def test_no_such_sample(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="no such file"):
        check_reader(Volts(), tmp_path / "none")


def test_spoilt_copies_are_spoilt_in_six_ways(sample: Path, tmp_path: Path) -> None:
    folder = tmp_path / "spoilt"
    folder.mkdir()
    contents = [path.read_bytes() for _, path in spoilt(sample, folder)]
    assert len(set(contents)) == 6
    assert CONTENT not in contents and b"" in contents
    assert {path.suffix for path in folder.iterdir()} == {".volts"}


def test_no_built_in_reader_takes_anothers_samples() -> None:
    samples = {
        "gpx": sorted(SAMPLES.glob("gpx/**/*.gpx")),
        "delimited": sorted(SAMPLES.glob("delimited/*.csv")),
        "sheet": [path for path in sorted(SAMPLES.glob("sheet/*")) if path.suffix in (".csv", ".xlsx", ".ods")],
    }
    readers = plugin_manager().readers()
    assert {reader.name for reader in readers} >= set(samples)
    assert all(samples.values())
    assert mistaken(readers, samples) == []


def sure_of(share: float) -> Callable[[], Volts]:
    class Greedy(Volts):
        name = "greedy"

        def recognise(self, original: Original) -> Fit | None:
            return Fit(share, "takes everything")

    return Greedy


def test_a_reader_that_claims_anothers_sample_is_found(sample: Path) -> None:
    samples = {"volts": [sample], "gpx": [GPX_SAMPLE]}
    assert mistaken([Volts(), Gpx()], samples) == []
    assert mistaken([Volts(), Gpx(), sure_of(0.3)()], samples) == []
    assert mistaken([Volts(), sure_of(0.9)()], {"volts": [sample]}) == [
        "greedy takes sample.volts of volts for its own: 0.9"
    ]
