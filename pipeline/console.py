"""How the program speaks: data on stdout, words and progress on stderr, problems as `error:` and `hint:`."""

from __future__ import annotations

import json as json_text
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import IntEnum
from typing import Any

import typer


class Exit(IntEnum):
    """How the program ends."""

    DONE = 0
    FINDINGS = 1
    USAGE = 2
    INPUT = 3
    BOOK = 4
    PLUGIN = 5
    INTERRUPTED = 130


def exit_code(problem: BaseException) -> Exit | None:
    """The exit code of a problem, None when it is none of ours."""
    from rangebook.archive import BookProblem
    from rangebook.queries import RecipeProblem

    from .errors import InputProblem, PluginProblem, UsageProblem

    codes: Sequence[tuple[type[BaseException], Exit]] = (
        (PluginProblem, Exit.PLUGIN),
        (InputProblem, Exit.INPUT),
        (UsageProblem, Exit.USAGE),
        (BookProblem, Exit.BOOK),
        (RecipeProblem, Exit.USAGE),
    )
    return next((code for kind, code in codes if isinstance(problem, kind)), None)


def complain(problem: Any) -> None:
    """`error:` and `hint:` on stderr."""
    print(f"error: {problem}", file=sys.stderr)
    if problem.hint:
        print(f"hint: {problem.hint}", file=sys.stderr)


class Verbs(typer.core.TyperGroup):
    """Turns problems into messages and exit codes, the same in the program and under test."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            print("interrupted; what was taken in is whole, run it again for the rest", file=sys.stderr)
            raise typer.Exit(Exit.INTERRUPTED) from None
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # so that closing stdout does not complain
            raise typer.Exit(Exit.DONE) from None
        except Exception as problem:
            code = exit_code(problem)
            if code is None:
                raise
            complain(problem)
            raise typer.Exit(code) from problem


def emit(data: Any) -> None:
    """Data as JSON on stdout."""
    print(json_text.dumps(data, ensure_ascii=False, indent=None if len(str(data)) > 100_000 else 2))


def say(*things: Any) -> None:
    """Words for people, on stderr."""
    from rich.console import Console

    Console(stderr=True, soft_wrap=True, highlight=False).print(*things)


WIDE = 1000
"""Letters a line may have where nobody's screen limits it."""


def room() -> int:
    """Letters a line on stdout may have: what the terminal has, or plenty when it goes to a file or a pipe."""
    from rich.console import Console

    return Console().width if sys.stdout.isatty() else WIDE


def print_table(drawn: Any) -> None:
    """Something rich can draw, on stdout, in the room there is."""
    from rich.console import Console

    plenty = Console(width=WIDE)
    width = room() if sys.stdout.isatty() else min(WIDE, plenty.measure(drawn).maximum + 2)
    Console(highlight=False, width=max(width, 20)).print(drawn)


@contextmanager
def progress(quiet: bool) -> Iterator[Callable[[str, int, int], None] | None]:
    """A progress bar on stderr; None when nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:10}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, Any] = {}

        def step(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=of)
            bars.update(tasks[what], completed=done, total=of)

        yield step
