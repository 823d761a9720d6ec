"""What one cell holds, as its column wants it. What it cannot be is a problem that names file and line."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar

from rangebook.pipeline import instants
from rangebook.pipeline.errors import InputProblem

from .columns import Column, Header, words
from .grid import Cell, Grid, Line

T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?")
_WHOLE_PERCENT = frozenset({"warranty_capacity_percent", "state_of_charge_percent"})
"""Shares no test gets under 1 %, while a workbook's cell formatted as percent holds a hundredth of what it shows."""
_LENGTH = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d(?:\.\d+)?))?")


@dataclass(frozen=True)
class Place:
    """The cell a value is read from, and what reading it goes by."""

    grid: Grid
    line: Line
    header: Header
    zone: str
    order: str | None

    def problem(self, what: str, hint: str) -> InputProblem:
        return self.grid.problem(f"`{self.header.text}`: {what}", hint, self.line.number)


def value_at(place: Place, column: Column) -> Any:
    """The value of a cell in canonical units, None when it is empty. Raises InputProblem."""
    cell = place.line.at(place.header.index)
    return None if cell is None else _READ[column.kind](cell, place)


def _text(cell: Cell, place: Place) -> str:
    text = plain(cell)
    unit = place.header.unit
    return f"{text} {unit}" if unit and _NUMBER.fullmatch(text) else text


def plain(cell: Cell) -> str:
    """A cell as text: whole numbers without a decimal point, dates as ISO writes them."""
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime | date | time):
        return cell.isoformat()
    return "" if cell is None else str(cell)


def _number(cell: Cell, place: Place) -> float:
    value = _figure(cell, place) * place.header.factor + place.header.offset
    column = place.header.column
    if column and column.name in _WHOLE_PERCENT and place.grid.sheet is not None and 0 < value <= 1:
        hint = "write 80 in a cell of plain numbers; a cell shown as percent holds 0.8"
        raise place.problem(f"`{plain(cell)}` is less than 1 %", hint)
    return value


def _figure(cell: Cell, place: Place) -> float:
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return float(cell)
    text = plain(cell).replace("−", "-")
    if place.grid.comma and text.count(",") == 1:
        text = text.replace(",", ".")
    if not isinstance(cell, str) or not _NUMBER.fullmatch(text):
        hint = "write a plain number such as 52.6, without a unit and without separators of thousands"
        raise place.problem(f"`{plain(cell)}` is no number", hint)
    return float(text)


def _whole(cell: Cell, place: Place) -> int:
    figure = _number(cell, place)
    if not figure.is_integer() or abs(figure) >= 2**31:
        raise place.problem(f"`{plain(cell)}` is no whole number", "write a whole number such as 16")
    return int(figure)


def _day(cell: Cell, place: Place) -> date:
    if isinstance(cell, datetime):
        return cell.date()
    if isinstance(cell, date):
        return cell
    return _understood(instants.day, cell, place, place.order)


def _instant(cell: Cell, place: Place) -> datetime:
    """A date-time, or a date meaning its first moment, in UTC."""
    moment = _moment(cell, place)
    if isinstance(moment, time):
        raise place.problem(f"`{plain(cell)}` does not say the day", "write it like 2026-06-14 or 2026-06-14 19:05")
    local = moment if isinstance(moment, datetime) else datetime.combine(moment, time())
    return _understood(lambda _: instants.in_utc(local, place.zone), cell, place)


def _moment(cell: Cell, place: Place) -> datetime | date | time:
    """A date-time as written (aware when it carries an offset), a date or a time of day."""
    if isinstance(cell, datetime | date | time):
        return cell
    if isinstance(cell, timedelta):
        return (datetime.min + cell).time()
    text = plain(cell)
    if re.fullmatch(r"\d+[-/.]\d+[-/.]\d+\.?", text):
        return _understood(instants.day, text, place, place.order)
    if re.match(r"\d+[-/.]\d+[-/.]\d", text):
        return _understood(instants.written, text, place, place.order)
    return _understood(instants.clock, text, place)


def _understood(read: Callable[..., T], cell: Cell, place: Place, *more: str | None) -> T:
    try:
        return read(plain(cell), *more)
    except ValueError as problem:
        what, _, hint = str(problem).partition("; ")
        raise place.problem(what, hint or "write dates like 2026-06-14 and times like 19:05") from problem


def _elapsed(cell: Cell, place: Place) -> float:
    """Seconds: h:mm or h:mm:ss, or a number in the unit of the header."""
    if isinstance(cell, time):
        return cell.hour * 3600.0 + cell.minute * 60 + cell.second + cell.microsecond / 1e6
    if isinstance(cell, timedelta):
        return cell.total_seconds()
    if isinstance(cell, str) and (found := _LENGTH.fullmatch(cell)):
        return int(found[1]) * 3600.0 + int(found[2]) * 60 + float(found[3] or 0)
    if place.header.unit is None:
        raise place.problem(f"`{plain(cell)}` does not say its unit", "write h:mm:ss, or `elapsed (min)` in the header")
    return _number(cell, place)


def _words(cell: Cell, place: Place) -> list[str]:
    return [part.strip() for part in plain(cell).split(";") if part.strip()]


_READ: Mapping[str, Any] = {
    "text": _text, "number": _number, "whole": _whole, "day": _day, "instant": _instant, "moment": _moment,
    "elapsed": _elapsed, "words": _words,
}  # fmt: skip


def choice(place: Place, value: str, allowed: Sequence[str]) -> str:
    """The allowed word that `value` means, whatever its case and hyphens. Raises InputProblem naming them all."""
    meant = {words(one): one for one in allowed}.get(words(value))
    if meant is None:
        raise place.problem(f"`{value}` is not known", f"write one of {', '.join(allowed)}")
    return meant
