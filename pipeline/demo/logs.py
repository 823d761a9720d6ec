"""Logs as loggers write them: each logger in the fleet has a shape of its own."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from .fleet import ZONE
from .road import Floats, Wholes
from .sensors import Seen


@dataclass(frozen=True)
class Column:
    """A column of a log. field: of Seen, or `ah` for a counter. written = value * factor + shift, to `digits`."""

    field: str
    header: str
    digits: int
    factor: float = 1.0
    shift: float = 0.0


@dataclass(frozen=True)
class Shape:
    """How a logger writes. time: header of the time column. stamp: `local`, `day-first`, `utc`, `offset`, `epoch`,
    `clock` (time of day) or `elapsed`. period: s. preamble: lines above the header, `{day}` and `{start}` filled in."""

    logger: str
    time: str
    stamp: str
    columns: tuple[Column, ...]
    period: int
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    preamble: tuple[str, ...] = ()


def _three(volt: str, ampere: str, celsius: str, sign: float = 1.0) -> tuple[Column, Column, Column]:
    return Column("volt", volt, 2), Column("ampere", ampere, 2, sign), Column("celsius", celsius, 1)


SHAPES = {
    "C01": Shape(
        "L01", "time", "local",
        (*_three("volts (V)", "amps (A)", "pack temp (C)"), Column("speed", "wheel speed (km/h)", 1, 3.6)), 1,
    ),
    "C02": Shape(
        "L02", "date and time", "day-first", _three("volts (V)", "amps (A)", "pack temp (°C)", -1.0), 1,
        delimiter=";", decimal=",", newline="\r\n",
    ),
    "C03": Shape(
        "L03", "time", "offset", _three("voltage (V)", "current (A)", "temperature (C)"), 1,
        delimiter="\t", encoding="utf-16", newline="\r\n",
    ),
    "C04": Shape(
        "L04", "time", "local",
        (
            Column("volt", "pack volts (mV)", 0, 1000), Column("ampere", "current (mA)", 0, 1000),
            Column("celsius", "temp (C)", 0),
        ), 2, encoding="utf-8-sig",
    ),
    "C05": Shape(
        "L05", "clock", "clock",
        (*_three("volts (V)", "amps (A)", "pack temp (C)"), Column("speed", "speed (km/h)", 1, 3.6)), 1,
        preamble=("bench logger L05", "date: {day}", "cart: C05", ""),
    ),
    "C06": Shape(
        "L06", "elapsed (s)", "elapsed", _three("volts", "amps", "temp (C)", -1.0), 2,
        preamble=("logger: L06", "started: {start}", ""),
    ),
    "C07": Shape("L07", "ZT", "day-first", _three("U1", "I1", "TH1", -1.0), 5, delimiter=";", decimal=","),
    "C08": Shape(
        "L08", "time (UTC)", "utc",
        (Column("volt", "volts", 2), Column("ampere", "amps", 1), Column("celsius", "pack temp (F)", 1, 1.8, 32)), 10,
    ),
    "C09": Shape("L09", "local time", "local", _three("battery volts (V)", "battery amps (A)", "battery temp (C)"), 5),
    "C10": Shape(
        "L10", "unix time (s)", "epoch",
        (
            Column("volt", "volts", 2), Column("ampere", "amps", 2), Column("ah", "amp hours (Ah)", 3),
            Column("celsius", "pack temp (C)", 1), Column("speed", "speed (mph)", 1, 1 / 0.44704),
        ), 1,
    ),
}  # fmt: skip
"""The logger in each cart. Its current counts charging as positive, unless the factor is -1."""

SPARE = Shape("spare", "t_s", "elapsed", _three("U", "I", "T"), 2)
"""A borrowed logger whose files say neither when nor in what units: only a map tells."""

_MINUTES = {"local": "%Y-%m-%d %H:%M:", "day-first": "%d/%m/%Y %H:%M:", "offset": "%Y-%m-%dT%H:%M:", "clock": "%H:%M:"}


def stamps(seconds: Wholes, kind: str, start: int) -> list[str]:
    """UTC `seconds` as a logger of this kind writes them; local times are the island's."""
    if kind in ("epoch", "elapsed"):
        return [str(each) for each in (seconds if kind == "epoch" else seconds - start).tolist()]
    if kind == "utc":
        return [f"{each}Z" for each in np.datetime_as_string(seconds.astype("datetime64[s]")).tolist()]
    minutes, which = np.unique(seconds // 60, return_inverse=True)
    local = [datetime.datetime.fromtimestamp(int(each) * 60, ZoneInfo(ZONE)) for each in minutes]
    heads = [each.strftime(_MINUTES[kind]) for each in local]
    tails = [f"{each.strftime('%z')[:3]}:00" if kind == "offset" else "" for each in local]
    rest = (seconds % 60).tolist()
    return [f"{heads[at]}{second:02d}{tails[at]}" for at, second in zip(which.tolist(), rest, strict=True)]


def numbers(values: Floats, digits: int, decimal: str = ".") -> list[str]:
    """`values` with `digits` after the decimal mark, zero without a minus sign."""
    rounded = np.round(values, digits) + 0.0
    text = f"%.{digits}f " * len(rounded) % tuple(rounded.tolist())
    return (text if decimal == "." else text.replace(".", decimal)).split()


def _values(seen: Seen, column: Column) -> Floats:
    if column.field == "ah":
        return np.cumsum(seen.ampere) * float(seen.second[1] - seen.second[0]) / 3600
    return np.asarray(getattr(seen, column.field)) * column.factor + column.shift


def rows(seen: Seen, shape: Shape, start: int) -> list[str]:
    """A log's rows, without its header. start: UTC seconds at which `second` is 0."""
    seconds = start + seen.second.astype(np.int64)
    texts = [numbers(_values(seen, column), column.digits, shape.decimal) for column in shape.columns]
    return list(map(shape.delimiter.join, zip(stamps(seconds, shape.stamp, start), *texts, strict=True)))


def head(shape: Shape, start: int) -> list[str]:
    """The lines above a log's rows: preamble and header."""
    local = datetime.datetime.fromtimestamp(start, ZoneInfo(ZONE))
    lines = [
        line.format(day=local.strftime("%Y-%m-%d"), start=local.strftime("%Y-%m-%d %H:%M:%S"))
        for line in shape.preamble
    ]
    return [*lines, shape.delimiter.join([shape.time, *(column.header for column in shape.columns)])]


def encode(lines: Sequence[str], shape: Shape) -> bytes:
    """Lines as the logger's bytes."""
    return (shape.newline.join(lines) + shape.newline).encode(shape.encoding)


def slower(shape: Shape) -> Shape:
    """The same logger set for everyday use: one row in 5 s, or 10."""
    return replace(shape, period=5 if shape.period <= 2 else 10)


MAPS = {
    "L02.toml": """\
[time]
zone = "Atlantic/Azores"
date_order = "day-first"
[columns]
"date and time" = { to = "time" }
"volts (V)" = { to = "voltage_volt", unit = "V" }
"amps (A)" = { to = "current_ampere", unit = "A", sign = "discharge-positive" }
"pack temp (°C)" = { to = "temperature_t1_celsius", unit = "Cel" }
""",
    "L07.toml": """\
[file]
delimiter = ";"
decimal = ","
[time]
zone = "Atlantic/Azores"
date_order = "day-first"
[columns]
"ZT" = { to = "time" }
"U1" = { to = "voltage_volt", unit = "V" }
"I1" = { to = "current_ampere", unit = "A", sign = "discharge-positive" }
"TH1" = { to = "temperature_t1_celsius", unit = "Cel" }
""",
    "spare.toml": """\
[time]
start = "{start}"
[columns]
"t_s" = {{ to = "elapsed", unit = "s" }}
"U" = {{ to = "voltage_volt", unit = "V" }}
"I" = {{ to = "current_ampere", unit = "A" }}
"T" = {{ to = "temperature_t1_celsius", unit = "Cel" }}
""",
}
"""Column maps, by file name; the spare logger's has its start filled in."""
