"""Column maps: what the shop says outright about files of one header.

[file]
delimiter = ";"                  # only what differs from what the file shows by itself
decimal = ","
[time]
zone = "Europe/Lisbon"           # for local times; the book's zone if absent
date_order = "day-first"         # or "month-first"
start = "2026-05-01T08:00:00Z"   # for elapsed seconds
[columns]
"t_s" = { to = "elapsed", unit = "s" }
"I_A" = { to = "current_ampere", unit = "A", sign = "discharge-positive" }
"V_V" = { to = "voltage_volt", unit = "V" }
"""

from __future__ import annotations

import codecs
import datetime
import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.instants import day, instant, zone_of
from rangebook.pipeline.units import UnknownUnit, conversion

from .names import IGNORE, targets

SIGNS = ("charge-positive", "discharge-positive")
ORDERS = ("day-first", "month-first")
SIGNED = ("samples.current_ampere", "samples.net_capacity_ah")
_PARTS = ("file", "time", "columns")
_FILE: Mapping[str, type] = {
    "delimiter": str, "decimal": str, "encoding": str, "quote": str, "header_row": int, "missing": list,
}  # fmt: skip
_TIME: Mapping[str, type | tuple[type, ...]] = {
    "zone": str, "date_order": str, "start": (str, datetime.datetime), "date": (str, datetime.date), "century": int,
}  # fmt: skip
_COLUMN: Mapping[str, type] = {"to": str, "unit": str, "sign": str}


@dataclass(frozen=True)
class MapColumn:
    """One line of [columns]. to: `table.column`, a kind of time, or `ignore`. unit: as written, or "" (canonical)."""

    to: str
    unit: str = ""
    sign: str = ""


@dataclass(frozen=True)
class ColumnMap:
    """A map file. `columns` is None when it says nothing of columns: they are then proposed from the header."""

    text: str = ""
    file: Mapping[str, Any] = field(default_factory=dict)
    time: Mapping[str, Any] = field(default_factory=dict)
    columns: Mapping[str, MapColumn] | None = None


def read_map(text: str) -> ColumnMap:
    """A map from its TOML text. Raises InputProblem that names what is wrong and what would be right."""
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise _problem(f"is no TOML: {problem}", "see `rangebook plugins` for how a map is written") from problem
    _known("its parts", told, _PARTS)
    for part in _PARTS:
        if not isinstance(told.get(part, {}), dict):
            raise _problem(f"`{part}` is no table", f"write it as [{part}] with lines under it")
    file, time = told.get("file", {}), told.get("time", {})
    _typed("[file]", file, _FILE)
    _typed("[time]", time, _TIME)
    _check_file(file)
    columns = told.get("columns")
    read = None if columns is None else {name: _column(name, said) for name, said in columns.items()}
    return ColumnMap(text, file, _checked_time(time), read)


def _problem(what: str, hint: str) -> InputProblem:
    return InputProblem(f"the column map: {what}", hint)


def _known(where: str, told: Iterable[str], known: Iterable[str]) -> None:
    names = list(known)
    for key in told:
        if key not in names:
            raise _problem(f"unknown key `{key}` in {where}", _meant(key, names))


def _meant(word: str, names: Iterable[str]) -> str:
    known = list(names)
    close = difflib.get_close_matches(word, known, 1, 0.5)
    return (f"did you mean `{close[0]}`? " if close else "") + "known: " + ", ".join(known)


def _typed(where: str, told: Mapping[str, Any], kinds: Mapping[str, Any]) -> None:
    _known(where, told, kinds)
    for key, value in told.items():
        if not isinstance(value, kinds[key]) or isinstance(value, bool):
            example = {str: f'{key} = "..."', int: f"{key} = 1", list: f'{key} = ["..."]'}.get(kinds[key])
            raise _problem(f"`{key}` in {where} is not written right", f"write {example or 'a date or a text'}")


def _check_file(file: Mapping[str, Any]) -> None:
    for key, longest in (("delimiter", 1), ("decimal", 1), ("quote", 1)):
        if key in file and (len(file[key]) > longest or (key != "quote" and not file[key])):
            raise _problem(
                f"`{key}` in [file] must be one character", f'write {key} = "{";" if key == "delimiter" else ","}"'
            )
    if file.get("decimal", ".") not in ".,":
        raise _problem(f"unknown decimal mark `{file['decimal']}`", 'write decimal = "," or decimal = "."')
    try:
        codecs.lookup(file.get("encoding", "utf-8"))
    except LookupError as problem:
        raise _problem(f"unknown encoding `{file['encoding']}`", "write utf-8, utf-16, cp1252 or latin-1") from problem


def _checked_time(time: Mapping[str, Any]) -> Mapping[str, Any]:
    """[time] once it is known to be right, with `date` as a date."""
    order = time.get("date_order")
    if order is not None and order not in ORDERS:
        raise _problem(f"unknown date_order `{order}`", "write day-first or month-first")
    if time.get("century", 2000) % 100:
        raise _problem(f"century {time['century']} is no century", "write century = 2000")
    read = dict(time)
    try:
        zone_of(time.get("zone", "UTC"))
        if isinstance(time.get("date"), str):
            read["date"] = day(time["date"], order)
        if "start" in time:
            instant(str(time["start"]), time.get("zone", "UTC"), order)
    except ValueError as problem:
        raise _problem(str(problem), "mend it under [time]") from problem
    return read


def _column(name: str, said: Any) -> MapColumn:
    if not isinstance(said, dict) or "to" not in said:
        raise _problem(
            f"column `{name}` does not say what it is", f'write "{name}" = {{ to = "voltage_volt", unit = "V" }}'
        )
    _typed(f"column `{name}`", said, _COLUMN)
    to, unit, sign = target(said["to"]), said.get("unit", ""), said.get("sign", "")
    if sign and to not in SIGNED:
        raise _problem(f"column `{name}` can have no sign", "only current_ampere and net_capacity_ah have one")
    if sign and sign not in SIGNS:
        raise _problem(f"column `{name}` has an unknown sign `{sign}`", f"write {' or '.join(SIGNS)}")
    _check_unit(name, unit, to)
    return MapColumn(to, unit, sign)


def target(word: str) -> str:
    """The target that `word` names: `table.column`, or the column alone, which then means samples if they have it."""
    for to in (word, f"samples.{word}", f"fixes.{word}"):
        if to in targets():
            return to
    short = [to.removeprefix("samples.") for to in targets()]
    raise _problem(f"unknown target `{word}`", _meant(word, short))


def _check_unit(name: str, unit: str, to: str) -> None:
    canonical = targets()[to]
    if to == IGNORE or not unit:
        return
    if not canonical:
        raise _problem(f"column `{name}` can have no unit", f"leave it out: `{to}` is a text")
    try:
        conversion(unit, canonical)
    except UnknownUnit as problem:
        raise _problem(f"column `{name}`: {problem}", problem.hint) from problem


EXAMPLE = """\
[columns]
"{0}" = {{ to = "time" }}
"{1}" = {{ to = "voltage_volt", unit = "V" }}
"{2}" = {{ to = "current_ampere", unit = "A", sign = "discharge-positive" }}"""


def example(names: Iterable[str]) -> str:
    """A small map that uses some of the file's own names, to be corrected by a person."""
    return EXAMPLE.format(*[*names, "time", "volts", "amps"][:3])
