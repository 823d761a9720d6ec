"""Everything decided about one file before its rows are read: dialect, columns, clock, sign."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.instants import clock as time_of_day
from rangebook.pipeline.instants import day, in_utc, instant, written
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Options

from .columns import Choice, Column, chosen, mostly
from .dialect import MISSING, Dialect, sniff
from .maps import ColumnMap, read_map
from .names import plain
from .order import date_order
from .parse import Layout
from .times import Clock, ClockAlone, DateAndClock, DateTimes, Elapsed, SinceEpoch, Zone, kind_of
from .words import words

HEAD = 65536  # bytes that show the dialect
_EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
_TWO_DIGITS = re.compile(r"\d{1,2}([-/.])\d{1,2}\1\d{2}(?!\d).*")


@dataclass(frozen=True)
class Plan:
    """How one file is read. sign: what is said of its current, "" when nothing. used: for the record of the reading."""

    layout: Layout
    choice: Choice
    clock: Clock
    sign: str
    used: Mapping[str, Any]


def planned(original: Original, options: Options) -> Plan:
    """The plan for `original`. Raises InputProblem when it can't be read without guessing, or the map is wrong."""
    try:
        dialect, signature, told = _settled(original, options)
        choice = chosen(dialect, told)
        layout = Layout(dialect, choice.columns, {}, (*MISSING, *map(str, told.file.get("missing", ()))))
        clock, order = _clock(original, layout, choice, told, options)
    except InputProblem as problem:
        if problem.path is not None:
            raise
        raise InputProblem(problem.what, problem.hint, path=original.path) from problem
    current = choice.of("samples.current_ampere")
    used = _used(dialect, signature, told, choice) | {"zone": _zone(told, options), "date_order": order}
    layout = Layout(dialect, choice.columns, clock.kinds, layout.missing)
    return Plan(layout, choice, clock, current.sign if current else "", used)


def _settled(original: Original, options: Options) -> tuple[Dialect, str, ColumnMap]:
    """The file's dialect, the signature of its header, and the map to go by: given now, or remembered.

    The signature is that of the header as it shows without a map, which is all there is to find a map by.
    """
    if not original.size:
        raise InputProblem("the file is empty", "the logger wrote nothing; leave it out")
    head, whole = original.head(HEAD), original.size <= HEAD
    shown = sniff(head, whole)
    text = options.map if options.map is not None else options.known_maps.get(shown.signature if shown else "")
    told = read_map(text) if text is not None else ColumnMap()
    dialect = sniff(head, whole, told.file) if told.file else shown
    if dialect is None:
        hint = 'is it a table? A map can say more: [file] with delimiter = ";" and header_row = 1'
        raise InputProblem("no table of two columns or more shows at its start", hint)
    if not dialect.table.rows and not whole:
        what = f"the first line after the header is longer than {HEAD:,} bytes"
        raise InputProblem(what, "no log has such lines; look at the file in a text editor")
    if not dialect.table.rows:
        raise InputProblem("holds a header and no rows", "the logger wrote nothing; leave it out")
    return dialect, (shown or dialect).signature, told


def _zone(told: ColumnMap, options: Options) -> str:
    return str(told.time.get("zone", options.zone))


def _used(dialect: Dialect, signature: str, told: ColumnMap, choice: Choice) -> dict[str, Any]:
    said = {"map": told.text} if told.text else {}
    columns = {column.name: {"to": column.to, "unit": column.unit} for column in choice.columns}
    dialect_facts = {"delimiter": dialect.delimiter, "decimal": dialect.decimal, "encoding": dialect.encoding}
    return {"header": signature, **said, "columns": columns, **dialect_facts}


# ---- which clock ----------------------------------------------------------------------------------------------


def _clock(
    original: Original, layout: Layout, choice: Choice, told: ColumnMap, options: Options
) -> tuple[Clock, str | None]:
    """The clock of the file, and how its dates are ordered (None where that does not matter).

    The surest of its time columns is taken. Raises InputProblem when none of them tells an instant.
    """
    zone = Zone(_zone(told, options))
    time, date, clock, elapsed, unix = (choice.of(to) for to in ("time", "date", "clock", "elapsed", "unix"))
    century, said = told.time.get("century"), told.time.get("date_order")
    if time:
        order = _order(original, layout, time, said, century)
        kind = kind_of(layout.dialect.cells(time.position))
        return DateTimes(time.position, zone, order, century, {time.position: kind}), order
    if unix:
        return SinceEpoch(unix.position, unix.factor), None
    if date and clock:
        order = _order(original, layout, date, said, century)
        return DateAndClock(date.position, clock.position, zone, order, century), order
    start, first_day = _stated_start(layout.dialect.preamble, zone.name, said)
    if clock:
        return ClockAlone(clock.position, zone, _known_day(clock, told, first_day, options)), None
    if elapsed:
        return Elapsed(elapsed.position, elapsed.factor, _known_start(elapsed, told, start, zone.name, said)), None
    raise InputProblem("no column holds the time", "map one to `time`, `clock`, `elapsed` or `unix`")


def _order(original: Original, layout: Layout, column: Column, said: str | None, century: int | None) -> str | None:
    cells = layout.dialect.cells(column.position)
    short = [cell for cell in cells if _TWO_DIGITS.fullmatch(cell)]
    if mostly(len(short), cells) and century is None:
        what = f"`{short[0]}` in `{column.name}` has a year of two digits"
        raise InputProblem(what, 'say the century in a map:\n[time]\ncentury = 2000\ndate_order = "day-first"')
    return said or date_order(original, layout, column)


def _known_day(clock: Column, told: ColumnMap, stated: datetime.date | None, options: Options) -> int:
    """Days since 1970 of the first time of day: from the map, the lines above the header, or the test's sheet."""
    found = told.time.get("date") or stated or options.date
    if found is None:
        what = f"`{clock.name}` holds times of day, and nothing tells the date"
        raise InputProblem(
            what, 'give the date in a map:\n[time]\ndate = "2026-06-14"\nor name this file in a test sheet'
        )
    return (found - _EPOCH.date()).days


def _known_start(
    elapsed: Column, told: ColumnMap, stated: datetime.datetime | None, zone: str, order: str | None
) -> int:
    """Microseconds since 1970 UTC at which the counter stood at 0."""
    said = told.time.get("start")
    start = stated if said is None else instant(str(said), zone, order)
    if start is None:
        what = f"`{elapsed.name}` counts from a start, and nothing tells when that was"
        raise InputProblem(what, 'give the start in a map:\n[time]\nstart = "2026-06-14 19:05"')
    return (start - _EPOCH) // datetime.timedelta(microseconds=1)


def _stated_start(
    preamble: Iterable[str], zone: str, order: str | None
) -> tuple[datetime.datetime | None, datetime.date | None]:
    """The start and the day that the lines above the header state, None where they do not."""
    texts = list(filter(None, map(_labelled, preamble)))
    moments = [moment for text in texts if (moment := _or_none(written, text, order))]
    if moments:
        return in_utc(moments[0], zone), moments[0].date()
    days = [found for text in texts if (found := _or_none(day, text, order))]
    clocks = [found for text in texts if (found := _or_none(time_of_day, text)) is not None]
    if days and clocks:
        return in_utc(datetime.datetime.combine(days[0], clocks[0]), zone), days[0]
    return None, days[0] if days else None


def _labelled(line: str) -> str | None:
    """What follows one of the labels in a line such as `Date: 2026-06-14;;`."""
    label, digits, rest = re.split(r"(\d)", line, maxsplit=1) if re.search(r"\d", line) else (line, "", "")
    return (digits + rest).strip(" \t,;|\"'") if plain(label) in ("", *words()["starts"]) else None


def _or_none(read: Any, *texts: Any) -> Any:
    try:
        return read(*texts)
    except ValueError:
        return None
