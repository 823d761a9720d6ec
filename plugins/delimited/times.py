"""How the time columns of a file become instants in UTC, chunk after chunk.

Five ways: date-times in one column, a date beside a time of day, a time of day alone (the day is known and
rolls over at midnight), seconds elapsed since a known start, and seconds since 1970. Each is a Clock that keeps what
the next chunk must know.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import pyarrow as pa

from rangebook.pipeline.instants import utc_of_local
from rangebook.pipeline.reading import Finding, Wholes
from rangebook.pipeline.timeline import Tally, many

from .columns import mostly
from .written import DAY, FIRST_YEAR, LAST_YEAR, SECOND, Mask, Times, read_times

HALF_DAY, NEARLY_A_DAY = 12 * 3600 * SECOND, 23 * 3600 * SECOND
RESTART_PAUSE = 60 * SECOND  # stands for the unknown pause before a counter starts again
# A zone can shift a time by a day, and a calendar has the years 1 to 9999.
_EARLIEST, _FARTHEST = (
    int(np.datetime64(f"{year:04}-01-01", "us").astype(np.int64)) for year in (FIRST_YEAR, LAST_YEAR + 1)
)
_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?P<offset>Z|[+-]\d\d:?\d\d)?")

Cells = Mapping[int, pa.Array]


class Clock(Protocol):
    """Gives instants (int64 microseconds of UTC) to the rows of one chunk after the other."""

    kinds: Mapping[int, pa.DataType]
    """Arrow type in which each of its columns is read where that works; text where it does not."""

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        """Instants of the rows of a chunk, and which rows have one. `lines`: where the rows stand.

        Raises ValueError, in words, for a zone that is none or a date beyond any calendar.
        """
        ...

    def findings(self) -> list[Finding]:
        """What was noticed in all chunks so far."""
        ...


@dataclass
class Zone:
    """Wall-clock times of one zone, on their way to UTC in the order of the file."""

    name: str
    after: int | None = None
    noticed: list[Finding] = field(default_factory=list)

    def instants(self, wall: Wholes, times: Times, good: Mask, lines: Wholes) -> Wholes:
        """UTC of `wall` where `good`; rows that state an offset go by it, the others by the zone."""
        utc = wall - times.offset
        local = np.flatnonzero(good & ~times.zoned)
        if len(local):
            utc[local] = self.of_local(wall[local], lines[local])
        return utc

    def of_local(self, wall: Wholes, lines: Wholes) -> Wholes:
        """UTC of wall-clock times (at least one). Raises ValueError for a zone or times that can't be."""
        utc, findings = utc_of_local(wall, self.name, self.after)
        self.after = int(utc[-1])
        for found in findings:
            first, last = (None if row is None else int(lines[row]) for row in (found.first_row, found.last_row))
            self.noticed.append(replace(found, first_row=first, last_row=last))
        return utc


@dataclass
class DateTimes:
    """A column of date-times, with an offset from UTC or in the zone's wall-clock time."""

    position: int
    zone: Zone
    order: str | None
    century: int | None
    kinds: Mapping[int, pa.DataType]

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        column = cells[self.position]
        if pa.types.is_timestamp(column.type):
            return self._typed(column, lines)
        times = read_times(column, self.order, self.century)
        good = times.good & times.dated & (times.clock < DAY + SECOND)
        return self.zone.instants(times.wall, times, good, lines), good

    def _typed(self, column: pa.Array, lines: Wholes) -> tuple[Wholes, Mask]:
        micros: Wholes = column.cast(pa.int64()).fill_null(_FARTHEST).to_numpy(zero_copy_only=False)
        good = (micros > _EARLIEST) & (micros < _FARTHEST)
        if column.type.tz is not None or not good.any():
            return micros, good
        if good.all():
            return self.zone.of_local(micros, lines), good
        utc = micros.copy()
        utc[good] = self.zone.of_local(micros[good], lines[good])
        return utc, good

    def findings(self) -> list[Finding]:
        return self.zone.noticed


@dataclass
class DateAndClock:
    """A column of dates beside a column of times of day."""

    date: int
    clock: int
    zone: Zone
    order: str | None
    century: int | None
    kinds: Mapping[int, pa.DataType] = field(default_factory=dict)

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        dates = read_times(cells[self.date], self.order, self.century)
        times = read_times(cells[self.clock], self.order, self.century)
        good = dates.good & dates.dated & times.good & (times.clock < DAY + SECOND)
        return self.zone.instants(dates.day * DAY + times.clock, times, good, lines), good

    def findings(self) -> list[Finding]:
        return self.zone.noticed


@dataclass
class ClockAlone:
    """A column of times of day. `day` (days since 1970) is that of the first row and goes on at midnight."""

    position: int
    zone: Zone
    day: int
    last: int | None = None
    kinds: Mapping[int, pa.DataType] = field(default_factory=dict)

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        times = read_times(cells[self.position], None, None)
        good = times.good & ~times.dated & (times.clock < DAY + SECOND)
        wall = times.clock.copy()
        if good.any():
            wall[good] += self._days(times.clock[good]) * DAY
        return self.zone.instants(wall, times, good, lines), good

    def _days(self, clock: Wholes) -> Wholes:
        """The day of each row: the next one where the clock falls by more than 12 h.

        A row out of order just after midnight makes it rise by nearly a day: that goes back to the day before.
        """
        steps = np.diff(clock, prepend=clock[0] if self.last is None else self.last)
        days = self.day + np.cumsum((steps < -HALF_DAY).astype(np.int64) - (steps > NEARLY_A_DAY))
        self.last, self.day = int(clock[-1]), int(days[-1])
        return days

    def findings(self) -> list[Finding]:
        return self.zone.noticed


@dataclass
class Elapsed:
    """A column of numbers that times `factor` are seconds since `start` (microseconds UTC), or of durations

    written like 0:12:30.

    A counter that starts again within the file goes on RESTART_PAUSE after the last instant before it, since
    nothing tells how long the pause was.
    """

    position: int
    factor: float
    start: int
    first: int | None = None
    last: int | None = None
    restarts: Tally = field(default_factory=Tally)
    kinds: Mapping[int, pa.DataType] = field(default_factory=dict)

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        elapsed, good = _elapsed(cells[self.position], self.factor)
        if good.any():
            elapsed[good] += self._shifts(elapsed[good], lines[good])
        return elapsed + self.start, good

    def _shifts(self, elapsed: Wholes, lines: Wholes) -> Wholes:
        """What to add to each row, and to every row after a restart: also those of later chunks (in `start`)."""
        self.first = int(elapsed[0]) if self.first is None else self.first
        before = np.concatenate([[elapsed[0] if self.last is None else self.last], elapsed[:-1]])
        again = self._restarts(before, elapsed)
        shifts = np.cumsum(np.where(again, before + RESTART_PAUSE - elapsed, 0))
        self.restarts.add(lines[again])
        self.last = int(elapsed[-1])
        carried = int(shifts[-1])
        self.start += carried
        moved: Wholes = shifts - carried
        return moved

    def _restarts(self, before: Wholes, elapsed: Wholes) -> Mask:
        """Rows where the counter starts again: it falls to near its first value or below half, and stays lower."""
        falls = elapsed < before
        if not falls.any():
            return falls
        step = int(np.median(np.diff(elapsed)[np.diff(elapsed) > 0])) if (np.diff(elapsed) > 0).any() else SECOND
        low = np.maximum((self.first or 0) + 2 * step, before // 2)
        after = np.concatenate([elapsed[1:], elapsed[-1:]])
        found: Mask = falls & (elapsed <= low) & (after < before)
        return found

    def findings(self) -> list[Finding]:
        if not self.restarts.count:
            return []
        words = (
            f"the elapsed time starts again {many(self.restarts.count, 'time')}: what follows is put 60 s after the "
            "last row before it, since the true pause is not known"
        )
        return [self.restarts.finding("clock-restart", "warning", words)]


@dataclass
class SinceEpoch:
    """A column of numbers that times `factor` are seconds since 1970-01-01T00:00Z."""

    position: int
    factor: float
    kinds: Mapping[int, pa.DataType] = field(default_factory=dict)

    def instants(self, cells: Cells, lines: Wholes) -> tuple[Wholes, Mask]:
        return _micros(cells[self.position], self.factor)

    def findings(self) -> list[Finding]:
        return []


def _micros(column: pa.Array, factor: float) -> tuple[Wholes, Mask]:
    """Numbers that times `factor` are seconds as whole microseconds, and which rows hold one that a calendar can."""
    micros = column.to_numpy(zero_copy_only=False) * (factor * SECOND)
    good: Mask = np.abs(micros) < _FARTHEST  # NaN, which stands for null, is in no order with anything
    return np.rint(np.where(good, micros, 0)).astype(np.int64), good


def _elapsed(column: pa.Array, factor: float) -> tuple[Wholes, Mask]:
    if pa.types.is_floating(column.type):
        return _micros(column, factor)
    times = read_times(column, None, None)
    return times.clock, times.good & ~times.dated & ~times.zoned


def kind_of(cells: list[str]) -> pa.DataType:
    """The Arrow type that reads date-times such as `cells` (a column's first ones) at once; text when none does."""
    found = [match for cell in cells if (match := _ISO.fullmatch(cell))]
    zoned = sum(match["offset"] is not None for match in found)
    if mostly(zoned, cells):
        return pa.timestamp("us", tz="UTC")
    return pa.timestamp("us") if mostly(len(found) - zoned, cells) else pa.string()
