"""Delimited text: what current shunts, chargers, controllers and shops write as CSV and its relatives.

    time,voltage (V),current (A),temperature (C)         comma, units in brackets
    2026-06-14 19:05:00,53.12,-38.4,24.5

    Test Time / s,Voltage / V,Current / A                labels of the open Battery Data Format (ontology 1.3.0)
    0.0,3.312,-1.15

    Gerät;0815                                           lines above the header, semicolons, decimal commas
    Datum;14.06.2026
    Zeit;Spannung [mV];Strom [A]
    19:05:00;53120,5;-38,4

What a line means is never guessed where it could mean two things: then a column map says it (see `maps`).
Quoting is RFC 4180's.

The way: `dialect` (encoding, delimiter, header), `names` and `columns` (what each column is), `order` and
`times` (instants) make a `plan`; by it `chunks` of text are `parse`d into columns and become rows in `stream`, with
the current turned in `sign`.
"""

from __future__ import annotations

from collections.abc import Iterator

from rangebook.pipeline.hooks import hookimpl
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Fit, Item, Options, Reader

from .recognise import fit


class Delimited:
    """Reader of delimited text."""

    name = "delimited"
    version = "1"
    title = "CSV and other delimited logs"
    about = (
        "Comma, semicolon, tab or bar; decimal point or comma; UTF-8, UTF-16 or Latin-1; lines before the header; "
        "units in the header. Columns are proposed from header words and units, or said in a map file (`--map`), which "
        "the book remembers for files with the same header."
    )

    def recognise(self, original: Original) -> Fit | None:
        """How sure, from header names, units and the first rows."""
        return fit(original)

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        """Samples and fixes, lines set aside, findings, and what was gone by. Raises InputProblem."""
        from .plan import planned
        from .stream import read_rows

        yield from read_rows(original, planned(original, options))


@hookimpl
def readers() -> list[Reader]:
    """The reader of delimited text."""
    return [Delimited()]
