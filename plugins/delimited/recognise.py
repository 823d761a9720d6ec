"""Whether a file is delimited text, from its first bytes."""

from __future__ import annotations

import codecs
import re

from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Fit

from .columns import recognised
from .dialect import Dialect, encoding_of, sniff
from .names import TIMES, plain

HEAD = 65536
SURE, LIKELY, TABLE_ONLY = 0.8, 0.6, 0.2
# First header cells of the shop's own sheets, which another reader takes.
_SHEETS = frozenset(("field", "cart", "pack", "settings", "logger", "instrument", "test"))
_OTHERS = (b"<", b"{", b"PK\x03\x04", b"%PDF", b"\x1f\x8b", b"PAR1")
_FIELD_VALUE = re.compile(rb"\"?field\"?[,;\t|]\"?value\b", re.IGNORECASE)
_MOST_CONTROLS = 0.01


def fit(original: Original) -> Fit | None:
    """How sure that `original` is delimited text of a log, and why; None when it is something else."""
    head = original.head(HEAD)
    if not head or _is_something_else(head):
        return None
    dialect = sniff(head, original.size <= HEAD)
    if dialect is None or _is_sheet(dialect, head):
        return None
    choice = recognised(dialect)
    named = ", ".join(f"`{column.name}`" for column in choice.columns)
    if not dialect.table.rows and not choice.values:
        return None
    if choice.times and choice.values:
        return Fit(SURE, f"header names match: {named}")
    if choice.values:
        return Fit(LIKELY, f"header names match: {named}; no column of times is known")
    return Fit(TABLE_ONLY, "a table of numbers whose columns are unknown: give a map") if _is_numeric(dialect) else None


def _is_something_else(head: bytes) -> bool:
    encoding, bom = encoding_of(head)
    if encoding.startswith("utf-16"):
        return head[bom:].decode(encoding, "replace").lstrip()[:1] in ("<", "{")
    start = head[bom:].lstrip()
    controls = sum(start.count(byte) for byte in range(32) if byte not in b"\0\t\r\n\f")
    return start.startswith(_OTHERS) or controls > _MOST_CONTROLS * len(start) or start.count(0) > len(start) // 2


def _is_sheet(dialect: Dialect, head: bytes) -> bool:
    """Whether it is one of the shop's sheets: the first block of a test sheet, or a register by its first header."""
    if _FIELD_VALUE.match(head.lstrip(codecs.BOM_UTF8)):
        return True
    return plain(dialect.names[0]) in _SHEETS and not any(plain(name) in TIMES for name in dialect.names[1:])


def _is_numeric(dialect: Dialect) -> bool:
    return dialect.table.score[2] >= 0.5
