"""The archive: the book on disk. Knows bytes, Arrow tables and JSON; FORMAT.md describes every file.

book = Book.open(folder)
book.keep_original(path, sha256)
with book.reading_writer(sha256, reader, version) as writer:
    writer.write("samples", batch)
    writer.finish(record)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .book import Book
from .errors import BookProblem

if TYPE_CHECKING:
    from .check import Trouble
    from .readings import ReadingWriter

__all__ = ["Book", "BookProblem", "ReadingWriter", "Trouble"]


def __getattr__(name: str) -> Any:
    """The others are fetched when asked for: they need heavy libraries, opening a book does not."""
    if name == "Trouble":
        from .check import Trouble

        return Trouble
    if name == "ReadingWriter":
        from .readings import ReadingWriter

        return ReadingWriter
    raise AttributeError(name)
