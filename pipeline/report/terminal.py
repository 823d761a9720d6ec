"""Tables and figures for a terminal: units people use, digits the uncertainty allows, lines that fit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from ..units import shown

if TYPE_CHECKING:
    import pyarrow as pa
    from rich.table import Table
    from rich.text import Text

SUFFIXES = (
    "_wh_per_km", "_ah_per_km", "_km_per_ah", "_metre_per_second", "_metre", "_second", "_volt", "_ampere", "_ah",
    "_wh", "_celsius", "_percent", "_watt", "_kg", "_mm",
)  # fmt: skip
NUMBERS = ("double", "int64", "int32", "float")
TEXT_WIDTH = 40
"""Letters a line of a text may have in a table that is short of room."""
WORDS_WIDTH = 14
"""Letters a line of a column's heading may have."""
SEVERITY_STYLES = {"problem": "bold red", "warning": "yellow", "note": "dim"}


def figure(value: float, u: float | None) -> str:
    """A value with its uncertainty, both to two digits of the uncertainty: 98.62 ± 0.57."""
    if u is None or not math.isfinite(u) or u <= 0:
        return number(value)
    places = 1 - math.floor(math.log10(u))
    if places < 0:
        return f"{round(value, places):.0f} ± {round(u, places):.0f}"
    return f"{value:.{places}f} ± {u:.{places}f}"


def number(value: float) -> str:
    """A number alone, to four digits that mean something."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = max(0, 3 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(places, 6)}f}"


def bare(name: str, unit: str) -> str:
    """A column's name without the unit that stands at its end."""
    return next((name.removesuffix(suffix) for suffix in SUFFIXES if unit and name.endswith(suffix)), name)


def title(name: str, unit: str) -> str:
    """A column's name for people: its words, and its unit on a line of its own."""
    name = bare(name, unit)
    words = fill(name.replace("_", " "), WORDS_WIDTH)
    sign = UNIT_SIGNS.get(unit, unit)
    return f"{words}\n{sign}" if sign else words


UNIT_SIGNS = {
    "A.h": "Ah", "W.h": "Wh", "Cel": "°C", "W.h/km": "Wh/km", "A.h/km": "Ah/km", "W.h/mi": "Wh/mi", "By": "bytes",
    "A.h/mi": "Ah/mi", "1": "", "[mi_i]": "mi", "[mi_i]/h": "mph",
}  # fmt: skip


HEIGHTS = ("climb", "descent", "elevation")
FOOT = 0.3048
"""Metres in a foot, exactly (NIST SP 811, app. B)."""


def as_shown(name: str, value: float, unit: str, system: str) -> tuple[float, str]:
    """A value and its unit as the book shows them; a height is no distance, and stays in metres or feet."""
    if unit == "m" and name.startswith(HEIGHTS):
        return (value / FOOT, "ft") if system == "mi" else (value, "m")
    return shown(value, unit, system)


def cell(value: Any, zone: ZoneInfo) -> str:
    """One value as people read it, times in local time."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.astimezone(zone).strftime("%Y-%m-%d %H:%M")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return number(value)
    if isinstance(value, list):
        return ", ".join(cell(item, zone) for item in value)
    return str(value)


@dataclass(frozen=True)
class Column:
    """A column as it is shown: its heading, its cells as text, and whether they are numbers."""

    heading: str
    cells: list[str]
    numeric: bool

    @property
    def width(self) -> int:
        """Letters it needs on a line; long texts may be broken, figures never."""
        longest = max((len(text) for text in self.cells), default=0)
        words = max(len(line) for line in self.heading.split("\n"))
        return max(words, longest if self.numeric else min(longest, TEXT_WIDTH))


def columns_of(table: pa.Table, units: Mapping[str, str], system: str, zone: str) -> list[Column]:
    """The columns of an Arrow table as people read them. units: UCUM code by name. x and x_u are one column `x ± u`."""
    names = table.schema.names
    rows, local = table.to_pylist(), ZoneInfo(zone)
    columns = []
    for name in names:
        if name.endswith("_u") and name.removesuffix("_u") in names:
            continue
        unit = units.get(name, "")
        cells = [_with_u(row, name, unit, system, local) for row in rows]
        words = title(name, as_shown(name, 1.0, unit, system)[1] if unit else "")
        columns.append(Column(words, cells, str(table.schema.field(name).type) in NUMBERS))
    return columns


def tables_of(columns: Sequence[Column], heading: str, width: int) -> Iterator[Table]:
    """Tables for the terminal, none wider than `width`: where all columns do not fit, further tables go on with the
    rest, and the columns that tell the rows apart stand in each."""
    names = _telling_apart(columns, width // 2)
    rest = list(columns)
    while rest:
        taken = list(names) if len(rest) < len(columns) else []
        while rest and (len(taken) <= len(names) or _wide([*taken, rest[0]]) <= width):
            taken.append(rest.pop(0))
        yield _drawn(taken, heading)
        heading = ""


def _telling_apart(columns: Sequence[Column], width: int) -> Sequence[Column]:
    """The first columns, as few as tell the rows apart, if they fit into `width`; else the first."""
    for count in range(1, len(columns)):
        rows = list(zip(*(column.cells for column in columns[:count]), strict=True))
        if len(set(rows)) == len(rows) and _wide(columns[:count]) <= width:
            return columns[:count]
    return columns[:1]


def _wide(columns: Sequence[Column]) -> int:
    return sum(column.width + 3 for column in columns)


def _drawn(columns: Sequence[Column], heading: str) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    drawn = Table(title=heading or None, box=SIMPLE_HEAD, title_justify="left", pad_edge=False, title_style="bold")
    for column in columns:
        justify: Literal["left", "right"] = "right" if column.numeric else "left"
        drawn.add_column(Text(column.heading), justify=justify, overflow="fold", vertical="top", no_wrap=column.numeric)
    for cells in zip(*(column.cells for column in columns), strict=True):
        drawn.add_row(*map(Text, cells))
    return drawn


def _with_u(row: Mapping[str, Any], name: str, unit: str, system: str, zone: ZoneInfo) -> str:
    """A cell, with its uncertainty where the row has one."""
    value, u = row[name], row.get(f"{name}_u")
    if not isinstance(value, float):
        return cell(value, zone)
    if not unit:
        return figure(value, u if isinstance(u, float) else None)
    stretched = u * _stretching(name, unit, system) if isinstance(u, float) else None
    return figure(as_shown(name, value, unit, system)[0], stretched)


def results_table(results: Mapping[str, Mapping[str, Any]], system: str) -> Table:
    """Results of a test, one a line, with uncertainty, unit, and how they were got."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=SIMPLE_HEAD, pad_edge=False)
    drawn.add_column("quantity")
    drawn.add_column("value", justify="right", no_wrap=True)
    for name in ("unit", "method", "note"):
        drawn.add_column(name, overflow="fold")
    for name, row in results.items():
        words, sign = _measured(name, row, system)
        quantity = bare(name, row["unit"]).replace("_", " ")
        drawn.add_row(quantity, words, sign, Text(row["method"]), Text(row["note"] or ""))
    return drawn


def _measured(name: str, row: Mapping[str, Any], system: str) -> tuple[str, str]:
    """A result's value with its uncertainty, and its unit, as the book shows them."""
    value, unit = as_shown(name, row["value"], row["unit"], system)
    u = None if row["u"] is None else row["u"] * _stretching(name, row["unit"], system)
    return ("at least " if row["lower_bound"] else "") + figure(value, u), UNIT_SIGNS.get(unit, unit)


def history_table(history: Sequence[Mapping[str, Any]], system: str, zone: str) -> Table:
    """Every figure ever computed for a test, a line each."""
    local = ZoneInfo(zone)
    rows = []
    for row in history:
        value, unit = _measured(row["quantity"], row, system)
        computed = datetime.fromisoformat(row["computed_at"]).astimezone(local).strftime("%Y-%m-%d %H:%M")
        quantity = bare(row["quantity"], row["unit"]).replace("_", " ")
        rows.append(
            {"quantity": quantity, "value": value, "unit": unit, "by": row["method_version"], "computed": computed}
        )
    return rows_table(rows)


def _stretching(name: str, unit: str, system: str) -> float:
    """How many shown units one canonical unit of difference is."""
    return as_shown(name, 1.0, unit, system)[0] - as_shown(name, 0.0, unit, system)[0]


def findings_lines(findings: Sequence[Mapping[str, Any]], most: int = 12) -> Text:
    """Findings for people, gravest first: a line each, or a line for each kind with one of them, when they are many."""
    from rich.text import Text

    if len(findings) <= most:
        return Text("\n").join(_finding_line(row) for row in findings)
    kinds: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in findings:
        kinds.setdefault((row["severity"], row["code"]), []).append(row)
    lines = [_finding_line(rows[0], len(rows)) for rows in kinds.values()]
    lines.append(Text(f"all {len(findings)}: `rangebook list findings`", style="dim"))
    return Text("\n").join(lines)


def _finding_line(row: Mapping[str, Any], count: int = 1) -> Text:
    from rich.text import Text

    about = row.get("name") or row.get("test") or ""
    more = f"{count} × {row['code']}, such as " if count > 1 else ""
    style = SEVERITY_STYLES[row["severity"]]
    return Text.assemble((f"{row['severity']:8} ", style), more, f"{about}: " if about else "", row["words"])


def facts_lines(facts: Mapping[str, Any], zone: str) -> Text:
    """The facts of a test above its results: what it was, with what, when, how it ended."""
    from rich.text import Text

    local = ZoneInfo(zone)
    times = [
        datetime.fromisoformat(facts[key]).astimezone(local).strftime("%Y-%m-%d %H:%M")
        for key in ("started", "ended")
        if facts[key]
    ]
    what = f"{facts['kind']} test of cart {facts['cart'] or '?'} with pack {facts['pack'] or '?'}"
    lines = [Text.assemble((facts["test"], "bold"), f"  {what}, settings {facts['settings'] or 'not stated'}")]
    said = [" to ".join(times), facts["route"], facts["end_reason"] and f"ended: {facts['end_reason']}"]
    lines.append(Text(", ".join(filter(None, said))))
    if facts["note"]:
        lines.append(Text(facts["note"], style="italic"))
    return Text("\n").join(lines)


def recipes_table(recipes: Mapping[str, Any]) -> Table:
    """Recipes, one a line: name, what it asks, its parameters."""
    rows = [
        {"recipe": one.name, "asks": one.asks, "parameters": ", ".join(param.name for param in one.params)}
        for one in recipes.values()
    ]
    return rows_table(rows)


def rows_table(rows: Sequence[Mapping[str, str]]) -> Table:
    """Plain rows of text as a table."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=SIMPLE_HEAD, pad_edge=False)
    for name in rows[0] if rows else ():
        drawn.add_column(name, overflow="fold")
    for row in rows:
        drawn.add_row(*(Text(value) for value in row.values()))
    return drawn
