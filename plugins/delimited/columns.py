"""Which column of a file becomes what: proposed from header and cells, or as a map says."""

from __future__ import annotations

import re
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.units import conversion

from .dialect import Dialect
from .maps import ColumnMap, MapColumn, example
from .names import CELLS, IGNORE, TIMES, Meaning, meaning, speaks_of_speed, targets, unit_is_strange

_TEXTS = ("time", "date", "clock", "samples.fix", "fixes.fix")
_CLOCK = re.compile(r"\d+[:h]\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp]\.?[Mm]\.?)?")
_DATE = re.compile(r"\d{1,4}[-/. ]+(?:\d{1,2}|[A-Za-z]{3,9}\.?)[-/., ]+\d{1,4}")
_UNIX_UNITS = ((1e17, "ns"), (1e14, "us"), (1e11, "ms"), (1e8, "s"))  # instants since 1973 are above these


@dataclass(frozen=True)
class Column:
    """One column that is used. Its canonical value is value * factor + offset; `number` is False for texts.

    sign: charge-positive or discharge-positive, "" where nobody said and for columns without one.
    """

    position: int
    name: str
    to: str
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    sign: str = ""
    number: bool = True


@dataclass(frozen=True)
class Choice:
    """The columns that are used, and what there is to say about the others."""

    columns: tuple[Column, ...]
    findings: tuple[Finding, ...] = ()

    def of(self, to: str) -> Column | None:
        """The first column mapped to `to`."""
        return next((column for column in self.columns if column.to == to), None)

    @property
    def values(self) -> tuple[Column, ...]:
        """Columns that are no times."""
        return tuple(column for column in self.columns if column.to not in TIMES)

    @property
    def times(self) -> tuple[Column, ...]:
        """Columns that are times."""
        return tuple(column for column in self.columns if column.to in TIMES)


def column(position: int, name: str, said: MapColumn, cells: Sequence[str]) -> Column:
    """A column of the file as `said`; elapsed times may be numbers or written like 0:12:30."""
    canonical = targets()[said.to]
    written = said.to == "elapsed" and mostly(sum(bool(_CLOCK.fullmatch(cell)) for cell in cells), cells)
    number = said.to not in _TEXTS and not written
    factor, offset = conversion(said.unit or canonical, canonical) if number and canonical else (1.0, 0.0)
    return Column(position, name, said.to, said.unit or canonical, factor, offset, said.sign, number)


def mostly(count: int, cells: Sequence[str]) -> bool:
    """Whether `count` of `cells` is enough to say what they are: some may be out of the way."""
    return len(cells) > 0 and count >= 0.8 * len(cells)


# ---- as a map says --------------------------------------------------------------------------------------------


def chosen(dialect: Dialect, told: ColumnMap) -> Choice:
    """The columns as `told`, or proposed where the map says nothing of columns.

    Raises InputProblem when the map names a column the file lacks, or not enough to make a table.
    """
    if told.columns is None:
        return proposed(dialect)
    places = {name: _place(name, dialect.names) for name in told.columns}
    columns = tuple(
        column(places[name], dialect.names[places[name]], said, dialect.cells(places[name]))
        for name, said in told.columns.items()
        if said.to != IGNORE
    )
    _check(columns)
    unused = [name for place, name in enumerate(dialect.names) if place not in places.values()]
    return Choice(tuple(sorted(columns, key=lambda c: c.position)), tuple(_left_out(unused)))


def _place(name: str, names: Sequence[str]) -> int:
    if name in names:
        return names.index(name)
    alike = [place for place, known in enumerate(names) if _folded(known) == _folded(name)]
    if len(alike) == 1:
        return alike[0]
    listed = ", ".join(f"`{known}`" for known in names)
    raise InputProblem(f"the column map: the file has no column `{name}`", f"it has {listed}")


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _check(columns: Sequence[Column]) -> None:
    tos = [column.to for column in columns]
    for to in sorted(set(tos) - {CELLS}):
        if tos.count(to) > 1:
            names = ", ".join(f"`{column.name}`" for column in columns if column.to == to)
            raise InputProblem(f"the column map: {names} all go to {to}", "map one of them, and the others to `ignore`")
    lacking = _lacking(tos)
    if lacking:
        raise InputProblem(f"the column map: {lacking}", "map the columns that hold it")


def _lacking(tos: Iterable[str]) -> str:
    """What is missing to make a table, in words; "" when nothing is."""
    have = set(tos)
    if not have & {"time", "clock", "elapsed", "unix"}:
        return "no column holds the time"
    if len(have & {"fixes.latitude_degree", "fixes.longitude_degree"}) == 1:
        return "a latitude needs a longitude"
    if not have - set(TIMES):
        return "no column holds a voltage, a current, a speed, a state of charge or a position"
    return ""


# ---- proposed -------------------------------------------------------------------------------------------------


def proposed(dialect: Dialect) -> Choice:
    """The columns as header words, units and cells show them.

    Raises InputProblem listing the columns when they do not make a table.
    """
    choice = recognised(dialect)
    lacking = _lacking(column.to for column in choice.columns)
    if lacking:
        listed = ", ".join(f"`{name}`" for name in dialect.names)
        what = f"{lacking}; the columns are {listed}"
        raise InputProblem(what, f"say what they are in a map file and give it with `--map`:\n{example(dialect.names)}")
    return choice


def recognised(dialect: Dialect) -> Choice:
    """Like `proposed`, whether or not the columns make a table."""
    taken: dict[str, Column] = {}
    cells: list[Column] = []
    findings: list[Finding] = []
    assumed: list[Column] = []
    left: list[str] = []
    units = dialect.table.units
    for place, name in enumerate(dialect.names):
        found = meaning(name, units[place].strip("[](){} ")) or (meaning(name) if units[place] else None)
        found = _by_cells(found, dialect.cells(place)) if found else None
        if found is None:
            left.append(name)
            continue
        mapped = column(
            place, name, MapColumn(found.to, found.unit, _sign_by_definition(name, dialect)), dialect.cells(place)
        )
        if found.to == CELLS:
            cells.append(mapped)
        elif (to := _free(found.to, taken)) is None:
            findings.append(_doubled(mapped, taken[found.to]))
        else:
            taken[to] = replace(mapped, to=to)
            assumed += [] if found.said or found.unit in ("", "deg", "1") else [mapped]
    columns = tuple(sorted([*taken.values(), *cells], key=lambda c: c.position))
    return Choice(_with_position(columns), (*findings, *_assumed(assumed), *_left_out(left)))


def _with_position(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Without what belongs to a position when the file has none; a speed then is one of the samples."""
    have = {column.to for column in columns}
    if {"fixes.latitude_degree", "fixes.longitude_degree"} <= have:
        return columns
    speed = "samples.speed_metre_per_second"
    moved = tuple(
        replace(c, to=speed) if c.to == "fixes.speed_metre_per_second" and speed not in have else c for c in columns
    )
    return tuple(c for c in moved if not c.to.startswith("fixes."))


def _by_cells(found: Meaning, cells: Sequence[str]) -> Meaning | None:
    """A time's kind as its cells show it; other meanings as they are."""
    if found.to not in TIMES:
        return found
    if not cells:
        return found if found.to != "time" or not found.unit else replace(found, to="elapsed")
    numbers = [number for cell in cells if (number := _number(cell)) is not None]
    if mostly(len(numbers), cells):
        return _numeric_time(found, statistics.median(numbers))
    if mostly(sum(bool(_CLOCK.fullmatch(cell)) for cell in cells), cells):
        return Meaning("elapsed" if found.to == "elapsed" else "clock", "", True)
    dates = sum(bool(_DATE.match(cell)) and ":" not in cell for cell in cells)
    return Meaning("date" if 2 * dates > len(cells) else "time", "", True)


def _number(cell: str) -> float | None:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def _numeric_time(found: Meaning, usual: float) -> Meaning:
    """Times that are numbers: instants when they are large, else seconds from some start."""
    to = "unix" if found.to == "unix" or (not found.unit and usual > 1e8) else "elapsed"
    if found.unit in ("", "s") and not found.said:
        unit = next((unit for least, unit in _UNIX_UNITS if usual > least), "s") if to == "unix" else "s"
        return Meaning(to, unit, to == "unix")
    if to == "elapsed" and found.unit and usual * conversion(found.unit, "s")[0] > 1e8:
        to = "unix"
    return Meaning(to, found.unit, True)


def _sign_by_definition(name: str, dialect: Dialect) -> str:
    """Where a name's definition fixes the sign: canonical names, and labels of the Battery Data Format."""
    words = {known.strip().casefold() for known in dialect.names}
    labelled = words & {"test time / s", "unix time / s"} and name.strip().casefold() in (
        "current / a",
        "net capacity / ah",
    )
    canonical = name.strip().casefold() in ("current_ampere", "net_capacity_ah")
    return "charge-positive" if labelled or canonical else ""


def _free(to: str, taken: Mapping[str, Column]) -> str | None:
    """`to`, or for a further temperature the next free one; None when it is taken."""
    if to not in taken:
        return to
    if not to.startswith("samples.temperature_t"):
        return None
    return next((t for n in range(2, 6) if (t := f"samples.temperature_t{n}_celsius") not in taken), None)


def _left_out(names: Sequence[str]) -> list[Finding]:
    """Findings on columns that are not used; a speed without a unit, or a strange unit, is worth a word of its own."""
    strange = [name for name in names if unit_is_strange(name)]
    speeds = [name for name in names if speaks_of_speed(name) and name not in strange]
    others = [name for name in names if name not in (*speeds, *strange)]
    findings = []
    if strange:
        words = f"{_listed(strange)} left out: the unit is not known; say in a map what it is"
        findings.append(Finding("unit-unknown", "warning", words))
    if speeds:
        words = f"{_listed(speeds)} left out: a speed without a unit may be km/h, mph or m/s; say it in a map"
        findings.append(Finding("unit-missing", "warning", words))
    if others:
        findings.append(
            Finding("columns-left-out", "note", f"left out, no canonical column is known for them: {_listed(others)}")
        )
    return findings


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _doubled(late: Column, first: Column) -> Finding:
    words = f"`{late.name}` left out: it reads as {late.to}, as `{first.name}` does; a map can say which to take"
    return Finding("column-doubled", "warning", words)


def _assumed(columns: Sequence[Column]) -> list[Finding]:
    if not columns:
        return []
    taken = ", ".join(f"`{column.name}` as {column.unit.replace('Cel', '°C')}" for column in columns)
    return [Finding("unit-assumed", "note", f"no unit is named; taken {taken}")]
