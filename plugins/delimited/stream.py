"""The rows of one file, chunk after chunk: text, columns, instants, canonical tables, and what was set aside."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Item, Rows, Used, Wholes
from rangebook.pipeline.tables import conform
from rangebook.pipeline.timeline import Tally, many

from .canonical import tables_of
from .chunks import Chunk, chunks
from .columns import Column
from .parse import Fault, Parsed, parse
from .plan import Plan
from .sign import Signs
from .written import Mask

# What each kind of fault is called, and how grave it is.
_FAULTS = {
    "ragged-rows": ("warning", "with too few or too many cells"),
    "nul-bytes": ("warning", "with NUL bytes"),
    "header-again": ("note", "that repeat the header"),
    "no-number": ("warning", "with text where a number belongs"),
    "no-time": ("warning", "without a usable time"),
    "truncated": ("warning", "at the end, cut off within"),
}


@dataclass
class Aside:
    """Counts what was set aside, and remembers the first reason."""

    tallies: dict[str, Tally] = field(default_factory=dict)
    first: tuple[int, str] | None = None

    def add(self, fault: Fault, lines: Wholes) -> None:
        """Count the lines of one fault."""
        self.tallies.setdefault(fault.code, Tally()).add(lines)
        if self.first is None or int(lines[0]) < self.first[0]:
            self.first = int(lines[0]), fault.whys[0]

    def findings(self) -> Iterator[Finding]:
        """One finding for each kind."""
        for code, tally in self.tallies.items():
            severity, words = _FAULTS[code]
            yield tally.finding(code, severity, f"{many(tally.count, 'line')} {words}: set aside")


def read_rows(original: Original, plan: Plan) -> Iterator[Item]:
    """Everything `original` holds. Raises InputProblem when not one line of it can be used."""
    yield from plan.choice.findings
    if plan.choice.of("samples.current_ampere"):
        signs = Signs(plan.sign)
        yield from signs.turned(_rows(original, plan))
        yield Used({**plan.used, "sign": signs.decided})
    else:
        yield from _rows(original, plan)
        yield Used({**plan.used, "sign": None})


def _rows(original: Original, plan: Plan) -> Iterator[Item]:
    aside, kept = Aside(), 0
    for chunk in chunks(original, plan.layout.dialect):
        parsed = parse(chunk, plan.layout)
        lines = parsed.lines
        try:
            micros, timed = plan.clock.instants(parsed.cells, lines)
        except ValueError as problem:
            hint = "mend the zone, the date or the start in the map"
            raise InputProblem(str(problem), hint, path=original.path, line=int(lines[0])) from problem
        if not timed.all():
            parsed, lines, micros = _without_untimed(parsed, plan, timed, micros)
        if parsed.faults:
            yield _rejects(chunk, parsed, aside)
        if len(micros):
            kept += len(micros)
            yield from _tables(chunk, parsed, plan.choice.values, micros, lines)
    if not kept:
        line, why = aside.first or (plan.layout.dialect.table.first_line, "there is none")
        hint = "a map can say how the columns are to be read"
        raise InputProblem(f"no line could be used; the first: {why}", hint, path=original.path, line=line)
    yield from aside.findings()
    yield from plan.clock.findings()


def _without_untimed(parsed: Parsed, plan: Plan, timed: Mask, micros: Wholes) -> tuple[Parsed, Wholes, Wholes]:
    """`parsed` without the records that have no instant, which become a fault."""
    rows = np.flatnonzero(parsed.good)
    bad = ~timed
    fault = Fault("no-time", rows[bad], _untimed_whys(parsed, plan, bad))
    good = parsed.good.copy()
    good[rows[bad]] = False
    keep = pa.array(timed)
    cells = {place: column.filter(keep) for place, column in parsed.cells.items()}
    left = Parsed(cells, good, parsed.starts, parsed.ends, [*parsed.faults, fault])
    return left, left.lines, micros[timed]


def _untimed_whys(parsed: Parsed, plan: Plan, bad: Mask) -> list[str]:
    columns = plan.choice.times
    told = [parsed.cells[column.position].filter(pa.array(bad)).cast(pa.string()).to_pylist() for column in columns]
    names = " and ".join(f"`{column.name}`" for column in columns)
    return [_untimed_why(cells, names) for cells in zip(*told, strict=True)]


def _untimed_why(cells: Sequence[str | None], names: str) -> str:
    if None in cells:
        return f"no time in {names}"
    return f"`{' '.join(cell for cell in cells if cell)[:60]}` in {names} is no time"


def _rejects(chunk: Chunk, parsed: Parsed, aside: Aside) -> Rows:
    """The lines set aside of one chunk, in order."""
    for fault in parsed.faults:
        aside.add(fault, parsed.starts[fault.rows])
    rows = np.concatenate([fault.rows for fault in parsed.faults])
    whys = [why for fault in parsed.faults for why in fault.whys]
    order = np.argsort(parsed.starts[rows], kind="stable")
    lines = parsed.starts[rows][order]
    texts = [_text(chunk, parsed, int(row)) for row in rows[order]]
    columns = {"line": pa.array(lines), "text": pa.array(texts, pa.string()), "why": pa.array([whys[i] for i in order])}
    return Rows("rejects", conform("rejects", columns), lines)


def _text(chunk: Chunk, parsed: Parsed, row: int) -> str:
    start, end = int(parsed.starts[row]), int(parsed.ends[row])
    return chunk.text(start, end - start + 1)


def _tables(chunk: Chunk, parsed: Parsed, values: Sequence[Column], micros: Wholes, lines: Wholes) -> Iterator[Rows]:
    """The canonical tables of one chunk's good records."""
    rows = np.flatnonzero(parsed.good)
    for table, batch, keep in tables_of(values, parsed.cells, micros):
        if len(batch):
            yield Rows(table, batch, lines[keep], _texts(chunk, parsed, rows[keep]))


def _texts(chunk: Chunk, parsed: Parsed, rows: Wholes) -> Callable[[int], str]:
    return lambda i: _text(chunk, parsed, int(rows[i]))
