"""Where local time becomes UTC, and where written dates and times are understood. Nowhere else.

Rules come from the zone database through Python's zoneinfo. In the hour that autumn repeats, the
order of the rows decides: times before the step back are its first pass (PEP 495: fold=0), times after
it the second (fold=1). In the hour that spring leaves out, wall times move forward by what was left out.

    utc_of_local(wall, "Europe/Lisbon")                    whole columns of wall times
    instant("2026-06-14 19:05", "Europe/Lisbon")           one written date-time
    day("14/06/2026")                                      one written date
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np

from .reading import Finding, Wholes

_EPOCH = datetime(1970, 1, 1)
_SECOND = 1_000_000
_QUARTER = 900 * _SECOND
_DAY = 86_400 * _SECOND
_EARLIEST, _LATEST = -62_135_596_800 * _SECOND + _DAY, 253_402_300_800 * _SECOND - 2 * _DAY
_JITTER = 60 * _SECOND
"""A step back of up to a minute is a row out of order, not the repeated hour."""
_NEAR = 900 * _SECOND
"""Rows closer than this belong together: enough to tell which pass of the repeated hour they are in."""


@cache
def zone_of(name: str) -> tzinfo:
    """The time zone called `name` in the zone database. Raises ValueError with words when there is none."""
    if name in ("UTC", "Z"):
        return UTC
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as problem:
        raise ValueError(f"`{name}` is no time zone; write one such as Europe/Lisbon or UTC") from problem


# ---- whole columns -------------------------------------------------------------------------------------------


def utc_of_local(wall: Wholes, zone: str, after: int | None = None) -> tuple[Wholes, list[Finding]]:
    """Wall-clock times of `zone`, in the order of the file, as UTC.

    wall: int64 microseconds on the wall clock since 1970-01-01T00:00. after: the last UTC instant (microseconds)
    of the chunk before, so that a repeated hour cut by a chunk's end is still told apart. Returns int64
    microseconds of UTC, and findings `zone-gap` and `zone-fold` at most once each, whose rows count in `wall`
    from 0. Raises ValueError for a zone that is none or times outside the years 1 to 9999.
    """
    rules = zone_of(zone)
    wall = np.asarray(wall, dtype=np.int64)
    if not len(wall) or rules is UTC:
        return wall.copy(), []
    if wall.min() < _EARLIEST or wall.max() > _LATEST:
        raise ValueError("a time lies outside the years 1 to 9999")
    first, second = _offsets(wall, rules)
    utc = wall - first
    findings = _gap_finding(np.flatnonzero(first < second), zone)
    doubtful = np.flatnonzero(first > second)
    undecided = [rows for rows in _folds(wall, doubtful) if not _settle(rows, wall, utc, first - second, after)]
    return utc, findings + _fold_finding(undecided, zone)


def _offsets(wall: Wholes, rules: tzinfo) -> tuple[Wholes, Wholes]:
    """Offset from UTC of each wall time in microseconds, read as fold 0 and as fold 1; one look-up a quarter hour.

    Since 1972 every zone changes its offset on a quarter hour of the wall clock.
    """
    quarters = wall // _QUARTER
    turns = np.flatnonzero(np.diff(quarters, prepend=quarters[0] - 1))
    unique, where = np.unique(quarters[turns], return_inverse=True)
    table = np.array([_offset_pair(int(quarter), rules) for quarter in unique], dtype=np.int64).reshape(-1, 2)
    lengths = np.diff(turns, append=len(wall))
    both = np.repeat(table[where], lengths, axis=0)
    return both[:, 0], both[:, 1]


def _offset_pair(quarter: int, rules: tzinfo) -> tuple[int, int]:
    local = (_EPOCH + timedelta(seconds=900 * quarter)).replace(tzinfo=rules)
    return _micros(local.utcoffset()), _micros(local.replace(fold=1).utcoffset())


def _micros(length: timedelta | None) -> int:
    return (length or timedelta()) // timedelta(microseconds=1)


def _folds(wall: Wholes, doubtful: Wholes) -> list[Wholes]:
    """Rows in a repeated hour, gathered by which one it is; each in the order of the file.

    Days are counted from noon to noon, since some zones turn back across midnight.
    """
    if not len(doubtful):
        return []
    nights = (wall[doubtful] + _DAY // 2) // _DAY
    order = np.argsort(nights, kind="stable")
    cuts = np.flatnonzero(np.diff(nights[order])) + 1
    return list(np.split(doubtful[order], cuts))


def _settle(rows: Wholes, wall: Wholes, utc: Wholes, size: Wholes, after: int | None) -> bool:
    """Move the second pass of one repeated hour later, in `utc`. False when the order can't tell the pass."""
    back = np.flatnonzero(np.diff(wall[rows]) < -_JITTER)
    head, tail = int(rows[0]), int(rows[-1])
    before = int(utc[head - 1]) if head else after
    if before is not None and utc[head] < before - _JITTER <= utc[head] + size[head]:
        utc[rows] += size[rows]
        return True
    if len(back):
        late = rows[back[0] + 1 :]
        utc[late] += size[late]
        return True
    joins_before = before is not None and abs(int(utc[head]) - before) <= _NEAR
    joins_next = tail + 1 < len(wall) and 0 <= int(utc[tail + 1] - utc[tail] - size[tail]) <= _NEAR
    if joins_next and not joins_before:
        utc[rows] += size[rows]
    return joins_next != joins_before


def _gap_finding(rows: Wholes, zone: str) -> list[Finding]:
    if not len(rows):
        return []
    words = f"{len(rows)} times do not exist in {zone}: clocks were put forward; they were moved forward likewise"
    return [Finding("zone-gap", "warning", words, int(rows[0]), int(rows[-1]))]


def _fold_finding(groups: list[Wholes], zone: str) -> list[Finding]:
    if not groups:
        return []
    count = sum(len(rows) for rows in groups)
    words = (
        f"{count} times stand in the hour that {zone} repeats when clocks go back, and their order does not tell "
        "which pass; the first was taken"
    )
    return [Finding("zone-fold", "warning", words, int(min(g[0] for g in groups)), int(max(g[-1] for g in groups)))]


# ---- one written date or time ----------------------------------------------------------------------------------

_DATE = r"(?P<a>\d{1,4})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,4})\.?"
_CLOCK = r"(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
_HALF = r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
_OFFSET = r"(?:\s*(?P<offset>[Zz]|[+-]\d{2}:?\d{2}))?"
_SHORT_DATE = re.compile(r"\s*(\d{1,2})[-/.](\d{1,2})[-/.]\d{4}\b")
_DAY_TEXT = re.compile(_DATE)
_CLOCK_TEXT = re.compile(_CLOCK + _HALF)
_FULL_TEXT = re.compile(_DATE + r"(?:[Tt]|,?\s+)" + _CLOCK + _HALF + _OFFSET)


def instant(text: str, zone: str, order: str | None = None) -> datetime:
    """One written date-time as an aware UTC datetime; without an offset it is local time of `zone`.

    Takes RFC 3339 and its relatives, and day/month/year or month/day/year when `order` ("day-first",
    "month-first") says so or the numbers admit one reading only. In a repeated hour the first pass is taken.
    Raises ValueError with words a person can act on.
    """
    return in_utc(written(text, order), zone)


def in_utc(moment: datetime, zone: str) -> datetime:
    """An aware datetime in UTC; a naive one is wall-clock time of `zone` (first pass of a repeated hour).

    Raises ValueError when the zone is none, or the instant leaves the years 1 to 9999.
    """
    local = moment if moment.tzinfo else moment.replace(tzinfo=zone_of(zone))
    try:
        return local.astimezone(UTC)
    except OverflowError as problem:
        raise ValueError(f"`{moment}` lies outside the years 1 to 9999") from problem


def written(text: str, order: str | None = None) -> datetime:
    """One written date-time: aware when an offset was written, else naive. Raises ValueError as `instant` does."""
    found = _FULL_TEXT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"`{text}` is no date and time; write it like 2026-06-14 19:05")
    moment = datetime.combine(_date_of(found, text, order), _clock_of(found, text))
    offset = found["offset"]
    return moment if offset is None else moment.replace(tzinfo=_offset_of(offset, text))


def day(text: str, order: str | None = None) -> date:
    """One written date; `order` as in `instant`. Raises ValueError with words."""
    found = _DAY_TEXT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"`{text}` is no date; write it like 2026-06-14")
    return _date_of(found, text, order)


def date_order(texts: Iterable[str]) -> str | None:
    """The order that d/m/y or m/d/y dates among `texts` show when taken together: "day-first", "month-first", or
    None when every one of them can be read both ways, or some contradict others."""
    pairs = {(int(found[1]) > 12, int(found[2]) > 12) for text in texts if (found := _SHORT_DATE.match(text))}
    shown = {first for first, second in pairs if first != second}
    return None if len(shown) != 1 else "day-first" if shown.pop() else "month-first"


def clock(text: str) -> time:
    """One written time of day, such as 19:05, 19:05:07.5 or 7:05 pm. Raises ValueError with words."""
    found = _CLOCK_TEXT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"`{text}` is no time of day; write it like 19:05")
    return _clock_of(found, text)


def _date_of(found: re.Match[str], text: str, order: str | None) -> date:
    a, b, c = found["a"], found["b"], found["c"]
    if len(a) == 4 and len(c) <= 2:
        return _real_date(int(a), int(b), int(c), text)
    if len(c) != 4 or len(a) > 2:
        raise ValueError(f"`{text}` does not show its year; write it with four digits, like 2026-06-14")
    day_first, month_first = _real(int(c), int(b), int(a)), _real(int(c), int(a), int(b))
    if order:
        chosen = day_first if order == "day-first" else month_first
    elif day_first and month_first and day_first != month_first:
        raise ValueError(f"`{text}` can be read day first or month first; say which, or write it like 2026-06-14")
    else:
        chosen = day_first or month_first
    if chosen is None:
        raise ValueError(f"`{text}` holds no real date{f' when read {order}' if order else ''}")
    return chosen


def _real(year: int, month: int, number: int) -> date | None:
    try:
        return date(year, month, number)
    except ValueError:
        return None


def _real_date(year: int, month: int, number: int, text: str) -> date:
    found = _real(year, month, number)
    if found is None:
        raise ValueError(f"`{text}` holds no real date")
    return found


def _clock_of(found: re.Match[str], text: str) -> time:
    hour, minute, second = int(found["hour"]), int(found["minute"]), int(found["second"] or 0)
    if second == 60:
        raise ValueError(f"`{text}` is a leap second, which cannot be kept; write second 59 or the next minute")
    if found["half"]:
        if not 1 <= hour <= 12:
            raise ValueError(f"`{text}` is no time of day: hours with am or pm go from 1 to 12")
        hour = hour % 12 + (12 if found["half"] in "Pp" else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise ValueError(f"`{text}` is no time of day: hours go to 23, minutes and seconds to 59")
    return time(hour, minute, second, int((found["part"] or "0").ljust(6, "0")[:6]))


def _offset_of(text: str, whole: str) -> timezone:
    if text in "Zz":
        return UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    if hours > 23 or minutes > 59:
        raise ValueError(f"`{whole}` has an offset that cannot be; write it like +01:00")
    return timezone((-1 if text[0] == "-" else 1) * timedelta(hours=hours, minutes=minutes))
