"""Manual sheets: what people write down about their things and their tests, as CSV, XLSX or ODS.

A register sheet is a plain table, one row a thing, headers in any order, units in brackets:

    pack,chemistry,cells in series,rated capacity (Ah),mass (lb),price (EUR),in service
    P11,LFP,16,105,97.5,1450,2024-03-01

A test sheet has two blocks with a blank line between:

    field,value
    test,T-0117
    kind,range
    start,2026-06-14 19:05
    payload (kg),85

    time,trip (mi),rest (V),loaded (V),pack (C),note
    19:21,6.2,52.6,,24,
    19:49,15.9,50.1,48.2,27,slower on the ramp

The layout is the project's own. Empty cell: not stated. Times are local unless they carry an offset.
"""

from __future__ import annotations

from collections.abc import Iterator

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.hooks import hookimpl
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Fit, Item, Options, Used

from .grid import Grid, grids, peek
from .layout import Layout, layout_of
from .register_rows import register_items
from .trial import trial_items


class Sheet:
    """Reads register sheets and test sheets. Never guesses a unit, a date order or a decimal mark."""

    name = "sheet"
    version = "1"
    title = "manual sheets: carts, packs, fitments, settings, loggers, instruments and tests"
    about = (
        "CSV (comma, semicolon or tab), XLSX or ODS. Register sheets are plain tables recognised by their headers, "
        "several worksheets to a workbook; a test sheet is a block of fields, a blank line and a table of marks. "
        "Units stand in brackets in the header. Times are local to the book's zone unless they carry an offset."
    )

    def recognise(self, original: Original) -> Fit | None:
        """0.95 when every header is known, less when some are not, None when it is no sheet."""
        found = [layout for grid in peek(original) if (layout := layout_of(grid))]
        if not found:
            return None
        best = max(found, key=lambda layout: layout.sure)
        return Fit(best.sure, best.why)

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        """The register rows, test and marks of the sheet. Raises InputProblem for what a person has to mend."""
        sheets = [(grid, layout_of(grid)) for grid in grids(original)]
        known = [(grid, layout) for grid, layout in sheets if layout]
        _refuse_two_tests(known)
        if not known:
            raise InputProblem("is no sheet: no header in it is known", _HINT, path=original.name)
        for grid, layout in sheets:
            yield from _items(grid, layout, options)
        yield Used(
            {
                "zone": options.zone,
                "sheets": [{"worksheet": grid.sheet, "table": layout.table, **grid.how} for grid, layout in known],
            }
        )


_HINT = "write headers as a blank sheet has them; `rangebook sheet packs` makes one"


def _refuse_two_tests(known: list[tuple[Grid, Layout]]) -> None:
    tests = [grid for grid, layout in known if layout.table == "tests"]
    if len(tests) > 1:
        raise InputProblem(
            f"holds {len(tests)} tests, so its marks cannot be told apart",
            "keep one test in a file",
            path=tests[0].file,
        )


def _items(grid: Grid, layout: Layout | None, options: Options) -> Iterator[Item]:
    if layout is None:
        if any(not line.blank for line in grid.lines):
            yield Finding("worksheet-unknown", "note", f"worksheet {grid.sheet} is no sheet that is known; it was left")
    elif layout.table == "tests":
        yield from trial_items(grid, layout, options)
    else:
        yield from register_items(grid, layout, options)


@hookimpl
def readers() -> list[Sheet]:
    """The sheet reader."""
    return [Sheet()]
