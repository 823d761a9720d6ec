"""The demo from end to end: make the originals, take them in through the real pipeline, show what a shop would ask."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from ..console import emit, say
from ..errors import UsageProblem

if TYPE_CHECKING:
    from collections.abc import Callable

    from rangebook.archive import Book

    from ..ingest import Ingested

    Step = Callable[[str, int, int], None] | None

ANSWERS: tuple[tuple[str, dict[str, str]], ...] = (
    ("fleet_efficiency", {}),
    ("efficiency_by_settings", {}),
    ("capacity_fade", {}),
)
NEXT = (
    "export RANGEBOOK_BOOK={book}",
    "rangebook list tests                         every test with distance, consumption and capacity",
    "rangebook show T-0001                        everything known of one test",
    "rangebook ask fleet_snapshot                 every cart and pack on one screen",
    "rangebook ask capacity_fade --plot fade.svg  the same as a picture",
    "rangebook recipes                            all questions",
)


def build(folder: Path, step: Step = None) -> tuple[Book, Ingested]:
    """Make the demo's originals in folder/incoming and a book of them in folder/book.

    Raises UsageProblem when `folder` holds something already.
    """
    from rangebook.archive import Book

    from ..ingest import Ingested, Wish, ingest, read_map
    from ..registry import plugin_manager
    from . import MAPS, ZONE, make

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageProblem(f"{folder} is there already", "name another folder: `rangebook demo FOLDER`")
    make(folder, progress=None if step is None else lambda done, of: step("making", done, of))
    incoming = folder / "incoming"
    book = Book.new(folder / "book", zone=ZONE, units="mi")
    plugins = plugin_manager()
    mapped = [
        ingest(book, sorted(incoming.glob(pattern)), plugins, Wish(map=read_map(incoming / name)))
        for pattern, name in MAPS
    ]
    rest = ingest(book, [incoming], plugins, Wish(), os.cpu_count() or 1, step)
    first = [one for done in mapped for one in done.outcomes]
    taken = {one.path for one in first}
    return book, Ingested([*first, *(one for one in rest.outcomes if one.path not in taken)], rest.state)


def tell(book: Book, folder: Path, done: Ingested, json: bool) -> None:
    """What the demo shows: the findings worth reading, three answers, the next commands."""
    from rangebook.queries import ask

    from .. import telling
    from ..answers import open_catalogue, recipe_of, test_findings
    from ..report.terminal import findings_lines

    with open_catalogue(book) as connection:
        if json:
            emit({"folder": str(folder), "book": str(book.folder), **telling.ingested_json(connection, done)})
            return
        read = [one.sha256 or "" for one in done.outcomes if one.status == "read"]
        findings = test_findings(connection, read)
        say(f"{len(read)} files taken into {book.folder}; {len(findings)} findings worth reading, such as:\n")
        say(findings_lines(findings, 8))
        for name, values in ANSWERS:
            recipe = recipe_of(book, name)
            telling.answer(book, recipe, ask(connection, recipe, values))
    say("Next:")
    for line in NEXT:
        say("  " + line.format(book=book.folder.absolute()))
