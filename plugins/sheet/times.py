"""Times of a test as written, in UTC: days found, midnight passed, the repeated hour told by their order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import numpy as np

from rangebook.pipeline import instants
from rangebook.pipeline.reading import Finding, Options

Moment = datetime | time | None
"""A date-time (aware when written with an offset), a time of day whose day is to be found, or nothing."""

_EPOCH = datetime(1970, 1, 1)
_MICROSECOND = timedelta(microseconds=1)
_HALF_DAY = timedelta(hours=12)
_DAY = timedelta(days=1)


def in_utc(
    moments: Sequence[Moment], lines: Sequence[int], options: Options
) -> tuple[list[datetime | None], list[Finding]]:
    """Start, marks and end of a test in UTC, given in the order they were written; `lines` is where each stands.

    A time of day belongs to the day of the time before it, or to the next when that is nearer ahead; with nothing
    before it, to options.date. Raises ValueError for an unknown zone or a year outside 1 to 9999.
    """
    placed = _placed(moments, options)
    local = [index for index, one in enumerate(placed) if one is not None and one.tzinfo is None]
    walls = np.array([_micros(placed[index]) for index in local], dtype=np.int64)
    utc, findings = instants.utc_of_local(walls, options.zone)
    found = [None if one is None else one.astimezone(UTC) if one.tzinfo else one for one in placed]
    for index, value in zip(local, utc.tolist(), strict=True):
        found[index] = (_EPOCH + value * _MICROSECOND).replace(tzinfo=UTC)
    told = [_at_lines(finding, [lines[index] for index in local]) for finding in findings]
    return found, [*told, *_undated(moments, placed, lines)]


def _placed(moments: Sequence[Moment], options: Options) -> list[datetime | None]:
    before = None if options.date is None else datetime.combine(options.date, time())
    placed: list[datetime | None] = []
    for moment in moments:
        one = _on_a_day(moment, before) if isinstance(moment, time) else moment
        placed.append(one)
        if one is not None:
            before = _wall(one, options.zone)
    return placed


def _on_a_day(clock: time, before: datetime | None) -> datetime | None:
    """The date-time a time of day means, after (or, where a row is out of order, shortly before) another."""
    if before is None:
        return None
    same = datetime.combine(before.date(), clock)
    return same + _DAY if same < before and same + _DAY - before <= _HALF_DAY else same


def _wall(moment: datetime, zone: str) -> datetime:
    local = moment.astimezone(instants.zone_of(zone)) if moment.tzinfo else moment
    return local.replace(tzinfo=None)


def _micros(moment: datetime | None) -> int:
    return 0 if moment is None else (moment - _EPOCH) // _MICROSECOND


def _at_lines(finding: Finding, lines: Sequence[int]) -> Finding:
    first, last = finding.first_row or 0, finding.last_row or 0
    return replace(finding, first_row=lines[first], last_row=lines[last])


def _undated(moments: Sequence[Moment], placed: Sequence[datetime | None], lines: Sequence[int]) -> list[Finding]:
    lost = [
        line for moment, one, line in zip(moments, placed, lines, strict=True) if moment is not None and one is None
    ]
    if not lost:
        return []
    words = f"{len(lost)} times of day have no day, since the sheet states no start; write `start,2026-06-14 19:05`"
    return [Finding("time-without-day", "warning", words, lost[0], lost[-1])]
