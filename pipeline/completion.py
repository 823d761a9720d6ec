"""What the shell may complete: names of recipes, readers, lists, and things in the book."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import typer

from .console import exit_code


def recipes(incomplete: str) -> list[str]:
    """Recipes that come with the program."""
    from rangebook.queries import recipes as load

    return [name for name in load() if name.startswith(incomplete)]


def readers(incomplete: str) -> list[str]:
    """Readers of all plugins."""
    from .registry import plugin_manager

    return [reader.name for reader in plugin_manager().readers() if reader.name.startswith(incomplete)]


def lists(incomplete: str) -> list[str]:
    """What `rangebook list` can list."""
    from .answers import LISTS

    return [name for name in LISTS if name.startswith(incomplete)]


def names(sql: str) -> Callable[[typer.Context, str], list[str]]:
    """Names that a query finds in the book; none when there is no book."""

    def complete(ctx: typer.Context, incomplete: str) -> list[str]:
        from rangebook.archive import Book

        folder = Path(ctx.params.get("book") or os.environ.get("RANGEBOOK_BOOK") or Path.cwd())
        try:
            with Book.open(folder).connect() as connection:
                found = [str(row[0]) for row in connection.sql(sql).fetchall()]
        except Exception as problem:
            if exit_code(problem) is None:
                raise
            return []
        return [name for name in found if name.startswith(incomplete)]

    return complete
