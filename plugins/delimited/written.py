"""Whole columns of dates and times as people and loggers write them.

    2026-06-14T19:05:07.5+02:00    14.06.2026 19:05    6/14/2026 7:05:07 PM    14-Jun-2026 19:05:07    19:05:07,250

No row is looked at by itself: rows of one pattern (digits in the same places, all else alike) are read
together. One written date-time (in a sheet or a map) is read by `pipeline.instants`; this is its fast twin for
columns.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from rangebook.pipeline.reading import Wholes

Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]

SECOND = 1_000_000
DAY = 86_400 * SECOND
MOST_PATTERNS = 300  # a column with more ways of writing than this in one chunk is not a column of times
FIRST_YEAR, LAST_YEAR = 2, 9998  # a zone can shift a time by a day, and a calendar has the years 1 to 9999
LONGEST = 64  # characters a written time can have
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_ZERO, _NINE = ord("0"), ord("9")
_RUN = re.compile(r"0+")
_LAYOUT = re.compile(
    r"\s*(?:(?P<date>0+(?P<sep>[-/.])0+(?P=sep)0+\.?|0+[- .]+(?P<month>[a-z]{3,9})\.?[- ,]+0+)(?:t|,?\s+|$))?"
    r"(?P<clock>0+[:h]00(?::00(?:[.,]0+)?)?)?"
    r"(?:\s*(?P<half>[ap])\.?m\.?)?"
    r"(?:\s*(?P<offset>z|utc|gmt|[+-]00(?::?00)?))?\s*"
)


@dataclass
class Times:
    """A column of n written times, as arrays of n.

    good: which rows could be read. dated, zoned: whether a date and an offset are written. day: days since
    1970-01-01 of the written date. clock: microseconds since midnight. offset: microseconds east of UTC.
    """

    good: Mask
    dated: Mask
    zoned: Mask
    day: Wholes
    clock: Wholes
    offset: Wholes

    @classmethod
    def blank(cls, n: int) -> Times:
        """n rows that could not be read."""
        off, zero = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.int64)
        return cls(off, off.copy(), off.copy(), zero, zero.copy(), zero.copy())

    @property
    def wall(self) -> Wholes:
        """Microseconds on the wall clock since 1970-01-01T00:00."""
        return self.day * DAY + self.clock


@dataclass(frozen=True)
class Pattern:
    """Rows written alike. text: their pattern, lower case, each digit as `0`; table: their bytes, one column a row."""

    rows: Wholes
    text: str
    table: Bytes

    def number(self, first: int, end: int) -> Wholes:
        """The number that the characters `first` up to `end` make (at most 18 digits)."""
        total = np.zeros(len(self.rows), dtype=np.int64)
        for place in range(first, min(end, first + 18)):
            total = total * 10 + (self.table[place] - np.uint8(_ZERO))
        return total

    def numbers(self, first: int, end: int) -> list[tuple[Wholes, int]]:
        """Every run of digits between two places: its numbers, and how many digits it has."""
        return [(self.number(*run.span()), len(run[0])) for run in _RUN.finditer(self.text, first, end)]


def read_times(texts: pa.Array, order: str | None, century: int | None) -> Times:
    """`texts` (strings; null and "" are no times) as times.

    order: "day-first" or "month-first" for dates that do not start with the year; without it they are not
    read. century: what a two-digit year is added to (2000); without it such dates are not read.
    """
    times = Times.blank(len(texts))
    for pattern in patterns(texts):
        layout = _LAYOUT.fullmatch(pattern.text)
        if layout and (layout["date"] or layout["clock"]):
            _read(pattern, layout, order, century, times)
    return times


def order_evidence(texts: pa.Array) -> tuple[Wholes, Wholes, bool]:
    """What a column of dates tells of its order.

    Returns the rows that can only be day first, the rows that can only be month first, and whether any
    date is written so that the order matters.
    """
    day_first, month_first = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    matters = False
    for pattern in patterns(texts):
        layout = _LAYOUT.fullmatch(pattern.text)
        if layout and layout["sep"] and layout["date"].index(layout["sep"]) < 4:
            (a, _), (b, _), _ = pattern.numbers(*layout.span("date"))
            matters = True
            day_first.append(pattern.rows[a > 12])
            month_first.append(pattern.rows[b > 12])
    return np.concatenate(day_first), np.concatenate(month_first), matters


def _read(pattern: Pattern, layout: re.Match[str], order: str | None, century: int | None, times: Times) -> None:
    rows = pattern.rows
    good = np.ones(len(rows), dtype=np.bool_)
    if layout["date"]:
        times.day[rows], good = _date(pattern.numbers(*layout.span("date")), layout["month"], order, century)
        times.dated[rows] = True
    if layout["clock"]:
        times.clock[rows], fits = _clock(pattern.numbers(*layout.span("clock")), layout["half"])
        good &= fits
    if layout["offset"]:
        times.offset[rows], fits = _offset(pattern, layout)
        times.zoned[rows] = True
        good &= fits
    times.good[rows] = good


def _date(
    numbers: list[tuple[Wholes, int]], month: str | None, order: str | None, century: int | None
) -> tuple[Wholes, Mask]:
    """Days since 1970-01-01 of dates written as three numbers, or two around the name of a month."""
    nothing = np.zeros(len(numbers[0][0]), dtype=np.int64)
    if month:
        (days, _), (years, digits) = numbers
        named = _MONTHS.index(month[:3]) + 1 if month[:3] in _MONTHS else 0
        return _days(years, digits, nothing + named, days, century)
    (a, wide), (b, _), (c, last) = numbers
    if wide == 4:
        return _days(a, wide, b, c, century)
    if order is None:
        return nothing, nothing > 0
    months, days = (a, b) if order == "month-first" else (b, a)
    return _days(c, last, months, days, century)


def _days(year: Wholes, digits: int, month: Wholes, day: Wholes, century: int | None) -> tuple[Wholes, Mask]:
    """Days since 1970-01-01 of proleptic Gregorian dates, and which of them are real."""
    if digits == 2 and century is not None:
        year, digits = year + century, 4
    good = (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1) & (digits == 4)
    months = np.where(good, (year - 1970) * 12 + month - 1, 0)
    start, end = ((months + more).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) for more in (0, 1))
    good &= day <= end - start
    return start + np.where(good, day, 1) - 1, good


def _clock(numbers: list[tuple[Wholes, int]], half: str | None) -> tuple[Wholes, Mask]:
    """Microseconds since midnight of hour, minute, second, fraction (later ones may lack).

    Hours beyond 23 are left to the caller: durations have them. Second 60, a leap second, becomes the
    second after it, as POSIX time has it.
    """
    (hour, wide), (minute, _) = numbers[:2]
    good = (minute < 60) & (wide <= 6)
    if half:
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if half == "p" else 0)
    micros = (hour * 3600 + minute * 60) * SECOND
    if len(numbers) > 2:
        good &= numbers[2][0] <= 60
        micros += numbers[2][0] * SECOND
    if len(numbers) > 3:
        part, digits = numbers[3]
        micros += part * 10 ** (6 - digits) if digits <= 6 else part // 10 ** (min(digits, 18) - 6)
    return np.where(good, micros, 0), good


def _offset(pattern: Pattern, layout: re.Match[str]) -> tuple[Wholes, Mask]:
    """Microseconds east of UTC of z, +02, +0200 or +02:00."""
    first, end = layout.span("offset")
    if "0" not in layout["offset"]:
        return np.zeros(len(pattern.rows), dtype=np.int64), np.ones(len(pattern.rows), dtype=np.bool_)
    hour, minute = pattern.number(first + 1, first + 3), pattern.number(max(end - 2, first + 3), end)
    sign = -1 if layout["offset"][0] == "-" else 1
    return sign * (hour * 60 + minute) * 60 * SECOND, (hour < 24) & (minute < 60)


def patterns(texts: pa.Array) -> Iterator[Pattern]:
    """The rows of `texts` (strings) by pattern; empty, null and overlong ones in none."""
    data, offsets = _bytes_of(texts)
    lengths = np.diff(offsets)
    left = MOST_PATTERNS
    for length in np.unique(lengths[(lengths > 0) & (lengths <= LONGEST)]):
        rows = np.flatnonzero(lengths == length)
        table = _table(data, offsets, rows, int(length))
        shapes = np.where((table >= _ZERO) & (table <= _NINE), np.uint8(_ZERO), table)
        while len(rows) and left:
            same = (shapes == shapes[:, :1]).all(axis=0)
            text = shapes[:, 0].tobytes().decode("latin-1").lower()
            everything = bool(same.all())
            yield Pattern(rows, text, table) if everything else Pattern(rows[same], text, table[:, same])
            if everything:
                break
            rows, table, shapes, left = rows[~same], table[:, ~same], shapes[:, ~same], left - 1


def _table(data: Bytes, offsets: Wholes, rows: Wholes, length: int) -> Bytes:
    """The bytes of texts of one length, one column a text."""
    if len(rows) == len(offsets) - 1:
        return np.ascontiguousarray(data.reshape(-1, length).T)
    gathered: Bytes = data[np.arange(length)[:, None] + offsets[rows]]
    return gathered


def _bytes_of(texts: pa.Array) -> tuple[Bytes, Wholes]:
    """All bytes of `texts` in a row, and the n + 1 places where each text starts and the last ends."""
    whole = pc.fill_null(texts, "") if texts.null_count else texts
    _, places, data = whole.buffers()
    if data is None or not len(whole):
        return np.zeros(0, dtype=np.uint8), np.zeros(len(whole) + 1, dtype=np.int64)
    offsets = np.frombuffer(places, dtype=np.int32)[whole.offset : whole.offset + len(whole) + 1].astype(np.int64)
    return np.frombuffer(data, dtype=np.uint8)[offsets[0] : offsets[-1]], offsets - offsets[0]
