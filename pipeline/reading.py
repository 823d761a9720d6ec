"""What a reader is given and what it hands back, piece by piece.

A reader's `read` yields these in any order, as it goes through the original once:

    Rows      a batch of a canonical table (samples, fixes, marks, rejects)
    Said      one row of the register or of a test sheet
    Finding   something it noticed
    Used      what it went by (column map, dialect, zone), kept with the reading

Nothing is held back until the end, so memory does not grow with the file.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from .original import Original

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Fit:
    """How sure a reader is that an original is its kind (0 to 1), and why, in words."""

    sure: float
    why: str


@dataclass(frozen=True)
class Options:
    """What the shop says about originals before they are read. Every option is here; there are no others."""

    zone: str = "UTC"
    """IANA time zone of local times that name none."""
    map: str | None = None
    """Text of the column map file given for this original (TOML), or None."""
    known_maps: Mapping[str, str] = field(default_factory=dict)
    """Column maps given earlier: header signature (see Used) to TOML text."""
    date: datetime.date | None = None
    """Day of the test that names this original, for logs that hold only a time of day."""


@dataclass(frozen=True)
class Rows:
    """A batch of canonical rows in the order of the original.

    `line` (int64, one a row, from 1) is where each row stood; `text(i)` is row i as it stood, and may be asked for
    when the reader has gone on already, from another thread.
    The host cleans samples and fixes (impossible values, order, doubles), so readers do not.
    """

    table: str
    batch: pa.RecordBatch
    line: Wholes | None = None
    text: Callable[[int], str] | None = None


@dataclass(frozen=True)
class Said:
    """One row of a register table (see tables.REGISTER), as the sheet states it: only the fields it states.

    Values are plain Python: str, int, float, datetime.date, aware datetime.datetime (UTC), list of str.
    """

    table: str
    row: Mapping[str, Any]
    line: int | None = None


@dataclass(frozen=True)
class Finding:
    """Something the program noticed about data.

    `code` is a short fixed name (`gap`, `time-goes-back`), `severity` one of note, warning, problem;
    `words` say it to a person, with numbers and units; first_row and last_row are lines of the original.
    """

    code: str
    severity: str
    words: str
    first_row: int | None = None
    last_row: int | None = None


@dataclass(frozen=True)
class Used:
    """What the reader went by, as plain JSON values; kept in reading.json under `used`.

    The keys `header` (signature of the header) and `map` (the TOML text it went by, when one was
    given) let the book remember a map for later files with the same header.
    """

    facts: Mapping[str, Any]


Item = Rows | Said | Finding | Used


@runtime_checkable
class Reader(Protocol):
    """One kind of original: recognises it and reads it.

    `name` is a short word, `version` a string that changes whenever the reading would differ,
    `title` one line, `about` a paragraph for people.
    """

    name: str
    version: str
    title: str
    about: str

    def recognise(self, original: Original) -> Fit | None:
        """How sure, and why, or None when it is another kind. Looks at the head only; never writes."""
        ...

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        """The original's content. Raises InputProblem (with file and line) when it cannot be used at all."""
        ...
