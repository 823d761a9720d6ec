"""Cleaning: what every reader's samples and fixes go through on the host before they are kept.

    impossible values   a needed one sets the row aside, an optional one becomes null
    order               disorder is sorted, a second pass over covered time is set aside
    doubles             a row equal to the row before it, as it stands there, is dropped
    gaps                are counted

Rows set aside go to the table `rejects` with their text and why. Everything is said in a finding.
A batch with nothing wrong costs a few passes over its columns and goes on as it came.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from .reading import Finding, Rows, Wholes
from .tables import TABLES, conform
from .timeline import Gaps, Tally, Timeline, forward_steps, many

Mask = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

# A row with an impossible value in one of these is worth nothing.
NEEDED = {"samples": ("voltage_volt", "current_ampere"), "fixes": ("latitude_degree", "longitude_degree")}
NEVER = np.iinfo(np.int64).min  # stands for a missing time among microseconds
_UNIT_WORDS = ("_metre_per_second", "_volt", "_ampere", "_percent", "_celsius", "_degree", "_metre")
_SHOWN_UNITS = {"Cel": " °C", "deg": "°", "A.h": " Ah", "1": "", "": ""}


@dataclass(frozen=True)
class _Range:
    """The values of a column that can be real."""

    column: str
    low: float
    high: float
    unit: str

    @property
    def title(self) -> str:
        word = next((word for word in _UNIT_WORDS if self.column.endswith(word)), "")
        return self.column.removesuffix(word).replace("_", " ")

    def __str__(self) -> str:
        return f"{self.low:.12g} to {self.high:.12g}{self.unit}"

    def why(self, value: float) -> str:
        if np.isnan(value):
            return f"{self.title} is not a number"
        return f"{self.title} {value:.6g}{self.unit} is outside {self}"


@lru_cache
def _ranges(table: str, columns: tuple[str, ...]) -> tuple[_Range, ...]:
    found = []
    for field in TABLES[table]:
        facts = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        if field.name in columns and "low" in facts:
            unit = _SHOWN_UNITS.get(facts["unit"], f" {facts['unit']}")
            found.append(_Range(field.name, float(facts["low"]), float(facts["high"]), unit))
    return tuple(found)


class Cleaner:
    """Cleans the rows of one table (`samples` or `fixes`) of one original, batch by batch in file order."""

    def __init__(self, table: str) -> None:
        self.table = table
        self._row = 0
        self._untimed = False
        self._timeline = Timeline()
        self._gaps = Gaps("note" if table == "fixes" else "warning")
        self._before: pa.RecordBatch | None = None
        self._before_text: str | None = None
        self._last: tuple[int, int] | None = None  # time and segment of the last timed row handed on
        self._noted: dict[tuple[str, str, str, str], Tally] = {}

    @property
    def started(self) -> int | None:
        """First instant of the rows handed on, microseconds since 1970 UTC; None while no row had a time."""
        return self._timeline.earliest

    @property
    def ended(self) -> int | None:
        """Last instant of the rows handed on, like `started`."""
        return self._timeline.latest

    @property
    def needs_sort(self) -> bool:
        """Whether the rows handed on must be sorted by time, all of them and stably.

        Fixes of which some have no time stay as they stood: their order is the track.
        """
        return self._timeline.disordered and not self._untimed

    def take(self, rows: Rows) -> Iterator[Rows]:
        """The rows of `rows` to keep, and as rows of `rejects` those that were set aside (either may be absent)."""
        rows = self._numbered(rows)
        for step in (self._possible, self._in_order):
            if len(rows.batch):
                rows, rejects = step(rows)
                if rejects is not None:
                    yield rejects
        if len(rows.batch):
            rows = self._single(rows)
        if len(rows.batch):
            yield rows

    def findings(self) -> list[Finding]:
        """What was noticed in all rows, by their first line; to be asked for at the end."""
        noted = [
            tally.finding(code, severity, f"{many(tally.count, thing)} {words}")
            for (code, severity, thing, words), tally in self._noted.items()
        ]
        found = [*noted, *self._timeline.findings(), *self._gaps.findings()]
        return sorted(found, key=lambda finding: (finding.first_row or 0, finding.code, finding.words))

    def _note(self, code: str, severity: str, thing: str, words: str, lines: Wholes) -> None:
        if len(lines):
            self._noted.setdefault((code, severity, thing, words), Tally()).add(lines)

    def _numbered(self, rows: Rows) -> Rows:
        first = self._row + 1
        self._row += len(rows.batch)
        return rows if rows.line is not None else replace(rows, line=np.arange(first, self._row + 1, dtype=np.int64))

    def _possible(self, rows: Rows) -> tuple[Rows, Rows | None]:
        """Impossible values out; rows that are worth nothing without them set aside."""
        whys: dict[int, str] = {}
        for span in _ranges(self.table, tuple(rows.batch.schema.names)):
            column = rows.batch.column(span.column)
            cells = column.flatten() if pa.types.is_list(column.type) else column
            bad = outside(cells, span.low, span.high)
            if bad is not None and span.column in NEEDED[self.table]:
                words = f"set aside: {span.title} is not within {span}"
                self._note("impossible-values", "warning", "row", words, _line(rows)[bad])
                whys = {int(i): span.why(cells[int(i)].as_py()) for i in np.flatnonzero(bad)} | whys
            elif bad is not None:
                words = f"of {span.title} left out: not within {span}"
                self._note("impossible-values", "warning", "value", words, _line_of_cells(rows, column)[bad])
                rows = _replaced(rows, span.column, _blanked(column, cells, bad))
        for why, empty in _worthless(self.table, rows.batch):
            self._note("empty-rows", "warning", "row", f"set aside: {why}", _line(rows)[empty])
            whys = {int(i): why for i in np.flatnonzero(empty)} | whys
        return _set_aside(rows, whys)

    def _in_order(self, rows: Rows) -> tuple[Rows, Rows | None]:
        """Rows over time already covered set aside; how the rest is ordered is noted."""
        time = _micros(rows.batch)
        timed = np.flatnonzero(time != NEVER)
        self._untimed = self._untimed or len(timed) < len(time)
        over = self._timeline.place(time[timed], _line(rows)[timed]) if len(timed) else None
        if over is None:
            return rows, None
        return _set_aside(rows, dict.fromkeys(timed[over].tolist(), "time goes back over time already covered"))

    def _single(self, rows: Rows) -> Rows:
        """Rows that equal the row before them dropped; steps handed to the gap count."""
        time, before = _micros(rows.batch), self._before
        earlier = np.concatenate([[NEVER if before is None else _micros(before)[0]], time[:-1]])
        alike = np.flatnonzero((time == earlier) & (time != NEVER))
        if len(alike):
            alike = alike[_same_as_before(rows.batch, before, alike)]
        double = self._written_alike(rows, alike)
        self._count_steps(rows)
        self._before = rows.batch.slice(len(time) - 1)
        self._before_text = rows.text(len(time) - 1) if rows.text else None
        if not len(double):
            return rows
        self._note("double-rows", "note", "row", "dropped: the same as the row before", _line(rows)[double])
        keep = np.ones(len(time), dtype=np.bool_)
        keep[double] = False
        return _only(rows, keep)

    def _written_alike(self, rows: Rows, alike: Places) -> Places:
        """Those of the rows `alike` whose whole text repeats, where there is one: it may tell what no column holds."""
        text = rows.text
        if text is None:
            return alike
        same = [i for i in alike.tolist() if text(i) == (text(i - 1) if i else self._before_text)]
        return np.array(same, dtype=np.intp)

    def _count_steps(self, rows: Rows) -> None:
        time, line = _micros(rows.batch), _line(rows)
        segment = rows.batch.column("segment").to_numpy() if self.table == "fixes" else np.zeros(0, dtype=np.int32)
        if self._untimed:
            timed = time != NEVER
            time, line, segment = time[timed], line[timed], segment[timed] if len(segment) else segment
        if not len(time):
            return
        last_time, last_segment = self._last or (time[0], segment[0] if len(segment) else 0)
        steps = np.diff(time, prepend=last_time)
        if steps.min() < 0:
            steps = forward_steps(np.concatenate([[last_time], time]))
        if len(segment):
            steps[np.diff(segment, prepend=last_segment) != 0] = 0
        self._last = (time[-1], segment[-1] if len(segment) else 0)
        self._gaps.see(steps, line)


def outside(values: pa.Array, low: float, high: float) -> Mask | None:
    """Which of `values` are stated but are not a number from low to high; None when none is."""
    if values.null_count == len(values):
        return None
    plain = values.to_numpy(zero_copy_only=False)
    if plain.min() >= low and plain.max() <= high:  # NaN fails both, and so does a null, which shows as NaN
        return None
    bad: Mask = ~((plain >= low) & (plain <= high))
    if values.null_count:
        bad &= values.is_valid().to_numpy(zero_copy_only=False)
    return bad if bad.any() else None


def _worthless(table: str, batch: pa.RecordBatch) -> Iterator[tuple[str, Mask]]:
    """Rows without what makes them a row, and the words for it."""
    if table == "samples":
        if batch.column("time").null_count:
            yield "no time", _nulls(batch, "time")
        names = [name for name in batch.schema.names if name != "time"]
        if all(batch.column(name).null_count for name in names):
            yield "nothing but a time", np.logical_and.reduce([_nulls(batch, name) for name in names])
    elif any(batch.column(name).null_count for name in NEEDED[table]):
        yield "no position", np.logical_or.reduce([_nulls(batch, name) for name in NEEDED[table]])


def _nulls(batch: pa.RecordBatch, name: str) -> Mask:
    mask: Mask = batch.column(name).is_null().to_numpy(zero_copy_only=False)
    return mask


def _blanked(column: pa.Array, cells: pa.Array, bad: Mask) -> pa.Array:
    """`column` with its bad cells null; the cells of a list column are the values in its lists."""
    good = pc.if_else(pa.array(~bad), cells, pa.scalar(None, cells.type))
    if not pa.types.is_list(column.type):
        return good
    lengths = column.value_lengths().fill_null(0).to_numpy(zero_copy_only=False)
    ends = pa.array(np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32))
    return pa.ListArray.from_arrays(ends, good, type=column.type, mask=column.is_null() if column.null_count else None)


def _line(rows: Rows) -> Wholes:
    if rows.line is None:
        raise ValueError("rows without lines")  # take() numbers them first
    return rows.line


def _line_of_cells(rows: Rows, column: pa.Array) -> Wholes:
    if not pa.types.is_list(column.type):
        return _line(rows)
    return np.repeat(_line(rows), column.value_lengths().fill_null(0).to_numpy(zero_copy_only=False))


def _micros(batch: pa.RecordBatch) -> Wholes:
    """Microseconds since 1970 UTC, NEVER where a row has no time."""
    whole = batch.column("time").cast(pa.int64())
    filled = whole.fill_null(NEVER) if whole.null_count else whole
    micros: Wholes = filled.to_numpy(zero_copy_only=False)
    return micros


def _same_as_before(batch: pa.RecordBatch, before: pa.RecordBatch | None, at: Places) -> Mask:
    """Which of the rows `at` hold the same values as the row before them (`before` stands before row 0)."""
    if before is not None and before.schema != batch.schema:
        return np.zeros(len(at), dtype=np.bool_)
    joined = pa.concat_batches([before if before is not None else batch.slice(0, 1), batch])
    same = np.ones(len(at), dtype=np.bool_)
    for name in joined.schema.names:
        here, there = joined.column(name).take(pa.array(at + 1)), joined.column(name).take(pa.array(at))
        same &= _equal(here, there)
    return same


def _equal(left: pa.Array, right: pa.Array) -> Mask:
    """Where two columns are equal; null equals null."""
    if pa.types.is_list(left.type):
        return np.array([a == b for a, b in zip(left.to_pylist(), right.to_pylist(), strict=True)], dtype=np.bool_)
    both_null = pc.and_(left.is_null(), right.is_null())
    equal: Mask = pc.coalesce(pc.equal(left, right), both_null).to_numpy(zero_copy_only=False)
    return equal


def _replaced(rows: Rows, name: str, column: pa.Array) -> Rows:
    place = rows.batch.schema.get_field_index(name)
    return replace(rows, batch=rows.batch.set_column(place, rows.batch.schema.field(place), column))


def _only(rows: Rows, keep: Mask) -> Rows:
    """The rows of `rows` where `keep` is true, with their lines and texts."""
    places = np.flatnonzero(keep)
    text = rows.text
    return Rows(
        rows.table,
        rows.batch.filter(pa.array(keep)),
        _line(rows)[keep],
        None if text is None else lambda i: text(int(places[i])),
    )


def _set_aside(rows: Rows, whys: dict[int, str]) -> tuple[Rows, Rows | None]:
    """`rows` without those in `whys`, and the rejects made of them in file order."""
    if not whys:
        return rows, None
    places = sorted(whys)
    line = _line(rows)[places]
    rejects = conform(
        "rejects",
        {
            "line": pa.array(line),
            "text": pa.array([_text(rows, i) for i in places], pa.string()),
            "why": pa.array([whys[i] for i in places], pa.string()),
        },
    )
    keep = np.ones(len(rows.batch), dtype=np.bool_)
    keep[places] = False
    return _only(rows, keep), Rows("rejects", rejects, line)


def _text(rows: Rows, row: int) -> str:
    if rows.text is not None:
        return rows.text(row)
    values = {name: rows.batch.column(name)[row] for name in rows.batch.schema.names}
    return ", ".join(f"{name} {value}" for name, value in values.items() if value.is_valid)
