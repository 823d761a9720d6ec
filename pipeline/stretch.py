"""What a measure sees, and what it hands back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .reading import Finding, Floats, Wholes


def _column(table: pa.Table | pa.RecordBatch, name: str) -> pa.Array:
    """A column in one piece."""
    column = table.column(name)
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def _floats(table: pa.Table | pa.RecordBatch, name: str) -> Floats:
    if name not in table.schema.names:
        return np.full(len(table), np.nan)
    return np.asarray(_column(table, name).to_numpy(zero_copy_only=False), dtype=np.float64)


def _cells(table: pa.Table | pa.RecordBatch) -> Floats | None:
    """Volts of each cell, one row a sample, NaN where a list is short or null; None where no list holds any."""
    if "cell_voltage_volt" not in table.schema.names:
        return None
    column = _column(table, "cell_voltage_volt")
    counts = pc.list_value_length(column).fill_null(0).to_numpy(zero_copy_only=False)
    width = int(counts.max(initial=0))
    if not width:
        return None
    cells = np.full((len(counts), width), np.nan)
    cells[np.arange(width) < counts[:, None]] = column.flatten().to_numpy(zero_copy_only=False)
    return cells


def _micros(table: pa.Table | pa.RecordBatch) -> Wholes:
    return np.asarray(_column(table, "time").cast(pa.int64()).to_numpy(zero_copy_only=False))


@dataclass(frozen=True)
class Samples:
    """Samples of one stretch as columns of equal length n, ascending in time.

    start: microseconds since 1970 UTC at which `second` is 0. second: s. volt: V. ampere: A, positive
    charges the pack. other: further canonical columns by name. cells: V of each cell, (n, cells), None where none
    are logged. NaN where nothing was logged.
    """

    start: int
    second: Floats
    volt: Floats
    ampere: Floats
    other: Mapping[str, Floats] = field(default_factory=dict)
    cells: Floats | None = None

    @classmethod
    def of(cls, table: pa.Table | pa.RecordBatch) -> Samples:
        """From a canonical samples table that holds at least one row, sorted by time."""
        micros = _micros(table)
        start = int(micros[0])
        names = set(table.schema.names) - {"time", "voltage_volt", "current_ampere", "cell_voltage_volt"}
        return cls(
            start,
            (micros - start) / 1e6,
            _floats(table, "voltage_volt"),
            _floats(table, "current_ampere"),
            {name: _floats(table, name) for name in sorted(names)},
            _cells(table),
        )

    def __len__(self) -> int:
        return len(self.second)

    def part(self, first: int, last: int) -> Samples:
        """Rows first to last, both included. `second` keeps its zero."""
        cut = slice(first, last + 1)
        return Samples(
            self.start,
            self.second[cut],
            self.volt[cut],
            self.ampere[cut],
            {k: v[cut] for k, v in self.other.items()},
            None if self.cells is None else self.cells[cut],
        )


@dataclass(frozen=True)
class Fixes:
    """Fixes of one stretch, in the order of the track, n of them.

    start: as in Samples (0 where no fix has a time). second: s, NaN where a fix has no time. segment:
    int. latitude, longitude: degrees, WGS84. elevation: m. speed: m/s. hdop: 1. NaN where not stated.
    """

    start: int
    second: Floats
    segment: Wholes
    latitude: Floats
    longitude: Floats
    elevation: Floats
    speed: Floats
    hdop: Floats

    @classmethod
    def of(cls, table: pa.Table | pa.RecordBatch, start: int | None = None) -> Fixes:
        """From a canonical fixes table. `start` sets the zero of `second`; unset, the first time does."""
        seconds = _floats_of_micros(table)
        timed = np.flatnonzero(~np.isnan(seconds))
        zero = start if start is not None else int(seconds[timed[0]]) if len(timed) else 0
        return cls(
            zero,
            (seconds - zero) / 1e6,
            np.asarray(_column(table, "segment").to_numpy(zero_copy_only=False), dtype=np.int64),
            _floats(table, "latitude_degree"),
            _floats(table, "longitude_degree"),
            _floats(table, "elevation_metre"),
            _floats(table, "speed_metre_per_second"),
            _floats(table, "hdop"),
        )

    def __len__(self) -> int:
        return len(self.second)


def _floats_of_micros(table: pa.Table | pa.RecordBatch) -> Floats:
    """Microseconds as float64 (exact to 2**53 us, the year 2255), NaN where null."""
    micros = _column(table, "time").cast(pa.int64()).cast(pa.float64(), safe=False)
    return np.asarray(micros.to_numpy(zero_copy_only=False))


@dataclass(frozen=True)
class Stint:
    """A continuous stretch of drive, charge or rest: rows first to last (both included) of one samples table,
    which start at `started` and end at `ended` (microseconds since 1970 UTC; None for a track without times)."""

    kind: str
    first: int
    last: int
    started: int | None
    ended: int | None


@dataclass(frozen=True)
class Result:
    """A measured figure: `u` is one standard uncertainty in the same unit, None where none can be stated.

    `lower_bound`: the truth is at least this. `method`: which way it was got, a short word. `note`: for people.
    """

    quantity: str
    value: float
    unit: str
    u: float | None
    method: str
    lower_bound: bool = False
    note: str = ""


@dataclass(frozen=True)
class Stretch:
    """One test or one stint with all that is known of it.

    kind: drive, charge or rest for a stint; the kind of test for a test. stints: how `samples` is cut
    (row numbers count in `samples`). cart, pack: register rows as of its date; test: the sheet's row, empty
    for a stint; marks: the sheet's marks; instruments: register rows by kind (shunt, gps, thermometer,
    odometer). known: results of the measures before this one, by quantity.
    """

    kind: str
    samples: Samples | None = None
    fixes: Fixes | None = None
    stints: Sequence[Stint] = ()
    marks: Sequence[Mapping[str, Any]] = ()
    cart: Mapping[str, Any] = field(default_factory=dict)
    pack: Mapping[str, Any] = field(default_factory=dict)
    test: Mapping[str, Any] = field(default_factory=dict)
    instruments: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    known: Mapping[str, Result] = field(default_factory=dict)


@dataclass(frozen=True)
class Quantity:
    """A thing measured: its name in SQL and JSON, UCUM unit, and what it is, in a line."""

    name: str
    unit: str
    title: str


@dataclass(frozen=True)
class Measure:
    """A family of quantities measured together. `version` changes whenever a result would differ."""

    name: str
    version: str
    about: str
    quantities: tuple[Quantity, ...]
    compute: Callable[[Stretch], Iterable[Result | Finding]]
