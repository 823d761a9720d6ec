"""The command line: options in, one call, an exit code out.

Everything heavy is imported inside the verbs, so that `rangebook --help` is instant.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from . import completion
from .console import Exit, Verbs, emit, progress, say

if TYPE_CHECKING:
    from rangebook.archive import Book


app = typer.Typer(
    cls=Verbs,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help="Take in logs and sheets of cart tests, keep them, and answer: how far, how much, how long yet, and why.",
)


@dataclass
class Common:
    """What may stand before or after the verb; after it wins."""

    book: Path | None = None
    json: bool = False


BookOption = Annotated[
    Path | None,
    typer.Option("--book", "-b", help="The book's folder; else RANGEBOOK_BOOK, else the current folder."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print data as JSON on stdout.")]


@app.callback()
def main_options(ctx: typer.Context, book: BookOption = None, json: JsonOption = False) -> None:
    ctx.obj = Common(book, json)


def _common(ctx: typer.Context, book: Path | None, json: bool) -> Common:
    before: Common = ctx.obj or Common()
    return Common(book or before.book, json or before.json)


def _open(common: Common) -> Book:
    from rangebook.archive import Book

    return Book.open(common.book or Path(os.environ.get("RANGEBOOK_BOOK") or Path.cwd()))


# The verbs.


@app.command()
def demo(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(help="Where to build it.")] = Path("rangebook-demo"),
    json: JsonOption = False,
) -> None:
    """Build a demo book through the real pipeline and show its answers."""
    from .demo import tour

    common = _common(ctx, None, json)
    with progress(common.json) as step:
        book, done = tour.build(folder, step)
    tour.tell(book, folder, done, common.json)


@app.command()
def new(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(help="Folder to make.")],
    zone: Annotated[str | None, typer.Option("--zone", help="Time zone of your clocks, such as Europe/Lisbon.")] = None,
    units: Annotated[str, typer.Option("--units", help="Units to show: mi or km.")] = "mi",
    json: JsonOption = False,
) -> None:
    """Make a new, empty book."""
    from rangebook.archive import Book

    from .book_facts import checked_units, checked_zone

    book = Book.new(folder, zone=checked_zone(zone), units=checked_units(units))
    if _common(ctx, None, json).json:
        emit({"book": str(book.folder), "zone": book.facts["zone"], "units": book.facts["units"]})
        return
    say(f"new book in {book.folder}, local times in {book.facts['zone']}, shown in {book.facts['units']}")
    say(f"next: `rangebook ingest -b {book.folder} FILES`")


@app.command()
def ingest(
    ctx: typer.Context,
    paths: Annotated[list[Path], typer.Argument(help="Files, or folders to take whole.")],
    cart: Annotated[
        str | None,
        typer.Option(
            "--cart", help="The cart these logs belong to.", autocompletion=completion.names("select cart from carts")
        ),
    ] = None,
    reader: Annotated[
        str | None, typer.Option("--reader", help="Read them with this reader.", autocompletion=completion.readers)
    ] = None,
    map: Annotated[Path | None, typer.Option("--map", help="Column map (TOML) for CSV logs; remembered.")] = None,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Processes to work with.")] = 1,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Say a line a file.")] = False,
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """Take logs and sheets into the book and compute their results."""
    from . import telling
    from .answers import open_catalogue
    from .ingest import Wish, read_map
    from .ingest import ingest as take
    from .registry import plugin_manager

    common = _common(ctx, book, json)
    opened = _open(common)
    with progress(common.json) as step:
        done = take(opened, paths, plugin_manager(), Wish(cart, reader, read_map(map)), jobs, step)
    with open_catalogue(opened) as connection:
        code = telling.ingested(connection, done, common.json, verbose)
    raise typer.Exit(code)


@app.command(name="list")
def list_(
    ctx: typer.Context,
    what: Annotated[
        str,
        typer.Argument(
            help="carts, packs, settings, tests, stints, originals, findings or loose.", autocompletion=completion.lists
        ),
    ],
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """List carts, packs, settings, tests, stints, originals, findings, or loose logs."""
    from . import telling
    from .answers import UNITS, listing

    common = _common(ctx, book, json)
    opened = _open(common)
    with opened.connect(tables=()) as connection:
        rows = listing(connection, what)
    telling.table(opened, rows, UNITS, common.json)


@app.command()
def show(
    ctx: typer.Context,
    test: Annotated[
        str, typer.Argument(help="The test's name.", autocompletion=completion.names("select test from tests"))
    ],
    history: Annotated[
        bool, typer.Option("--history", help="Also figures by older methods and from what was known before.")
    ] = False,
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """Show everything known of one test."""
    from . import telling
    from .answers import test_facts, test_history

    common = _common(ctx, book, json)
    opened = _open(common)
    with opened.connect(tables=()) as connection:
        facts = test_facts(connection, test)
    if history:
        facts["history"] = test_history(opened, test)
    telling.test(opened, facts, common.json)


@app.command()
def recipes(ctx: typer.Context, book: BookOption = None, json: JsonOption = False) -> None:
    """List the questions the book can answer."""
    from rangebook.archive import BookProblem

    from . import telling
    from .answers import recipes_of

    common = _common(ctx, book, json)
    try:
        opened = _open(common)
    except BookProblem:
        opened = None  # the program's own questions can be listed without a book
    telling.recipes(recipes_of(opened), common.json)


@app.command()
def ask(
    ctx: typer.Context,
    recipe: Annotated[str, typer.Argument(help="The recipe's name.", autocompletion=completion.recipes)],
    values: Annotated[list[str] | None, typer.Argument(help="Parameters as name=value.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the rows as CSV.")] = None,
    parquet: Annotated[Path | None, typer.Option("--parquet", help="Write the rows as Parquet.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw the answer: FILE.svg or FILE.png.")] = None,
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """Ask a recipe's question of the book."""
    from rangebook.queries import ask as run

    from . import telling
    from .answers import open_catalogue, pairs, recipe_of
    from .report.files import write_answer

    common = _common(ctx, book, json)
    opened = _open(common)
    chosen = recipe_of(opened, recipe)
    with open_catalogue(opened) as connection:
        rows = run(connection, chosen, pairs(values or []))
    for written in write_answer(chosen, rows, csv, parquet, plot, opened.facts["units"]):
        say(f"written: {written}")
    telling.answer(opened, chosen, rows, common.json)


@app.command()
def sql(
    ctx: typer.Context,
    query: Annotated[str, typer.Argument(help="One SELECT.")],
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """Run one SELECT on the book."""
    from rangebook.queries import run_sql

    from . import telling
    from .answers import open_catalogue

    common = _common(ctx, book, json)
    opened = _open(common)
    with open_catalogue(opened) as connection:
        rows = run_sql(connection, query)
    telling.table(opened, rows, {}, common.json)


@app.command()
def check(ctx: typer.Context, book: BookOption = None, json: JsonOption = False) -> None:
    """Check that everything the book holds is whole."""
    from . import telling

    common = _common(ctx, book, json)
    opened = _open(common)
    with progress(common.json) as step:
        found = list(opened.check(None if step is None else partial(step, "checking")))
    raise typer.Exit(telling.troubles(found, common.json))


@app.command()
def rebuild(
    ctx: typer.Context,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Processes to work with.")] = 1,
    book: BookOption = None,
    json: JsonOption = False,
) -> None:
    """Throw away what is derived (results, catalogue) and compute it again from the readings."""
    from .refresh import refresh
    from .registry import plugin_manager

    common = _common(ctx, book, json)
    opened = _open(common)
    measures = plugin_manager().measures()
    opened.clear_derived()
    with progress(common.json) as step:
        state = refresh(opened, measures, jobs, step)
    tests = len(state.register.present["tests"])
    if common.json:
        emit({"originals": len(state.records), "tests": tests})
    else:
        say(f"rebuilt from {len(state.records)} readings: {tests} tests")


@app.command()
def plugins(
    ctx: typer.Context,
    check: Annotated[str | None, typer.Argument(help="`check` to try a reader on a sample.")] = None,
    reader: Annotated[str | None, typer.Argument(help="The reader's name.", autocompletion=completion.readers)] = None,
    sample: Annotated[Path | None, typer.Argument(help="A file of its kind.")] = None,
    json: JsonOption = False,
) -> None:
    """List the plugins and what they add, or check a reader: plugins check READER SAMPLE."""
    from . import telling
    from .errors import UsageProblem
    from .plugin_report import checked, facts

    common = _common(ctx, None, json)
    if check is None:
        telling.plugins(facts(), common.json)
        return
    if check != "check" or reader is None or sample is None:
        raise UsageProblem(
            "that is no way to ask for plugins", "`rangebook plugins` or `rangebook plugins check READER SAMPLE`"
        )
    raise typer.Exit(telling.complaints(reader, sample, checked(reader, sample), common.json))


def main() -> NoReturn:
    """The program."""
    app()
    raise SystemExit(Exit.DONE)


if __name__ == "__main__":
    main()
