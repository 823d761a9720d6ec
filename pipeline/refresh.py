"""From readings to the catalogue: register, ties, results, and the tables that SQL sees.

Everything here is derived: delete the catalogue and the results, refresh, and the same figures stand again.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .catalogue_tables import catalogue_tables
from .measuring import Job, Measured, digested, measure
from .register import Register
from .state import State, newest, pack_of_test, understand
from .stored import source
from .tables import TABLES
from .tying import ByTime, Log, moment, overlap, window

if TYPE_CHECKING:
    from rangebook.archive import Book

    from .stretch import Measure

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and of how many."""


def refresh(book: Book, measures: Sequence[Measure], jobs: int = 1, progress: Progress | None = None) -> State:
    """Measure what is new, and publish a new generation of the catalogue.

    jobs: processes to measure with. Others may read the book and add to it meanwhile; refreshes wait for each other.
    """
    with book.refreshing():
        state = understand(book)
        measured = measure_all(book, list(plan(book, state, measures)), measures, jobs, progress)
        book.publish(catalogue_tables(state, measured, measures), TABLES)
    return state


def stale(book: Book) -> bool:
    """Whether the catalogue misses readings the book holds: none is there yet, or a run was stopped before this."""
    from rangebook.archive import BookProblem

    held = {book.reading_name(record) for record in newest(book.records())}
    try:
        with book.connect(tables=()) as connection:
            return held != {row[0] for row in connection.sql("select reading from originals").fetchall()}
    except BookProblem:
        return True


# What there is to measure.


def plan(book: Book, state: State, measures: Sequence[Measure]) -> Iterator[Job]:
    """One job for each log and each test."""
    logs_of: dict[str | None, list[Log]] = {}
    for log in state.logs:
        logs_of.setdefault(state.ties.cart_of.get(log.original), []).append(log)
    by_cart = {cart: ByTime(logs) for cart, logs in logs_of.items()}
    instruments = _instruments(state.register)
    for log in state.logs:
        yield _log_job(book, state, log, by_cart, instruments, measures)
    for test in state.register.present["tests"]:
        yield _test_job(book, state, test, by_cart, instruments, measures)


def _log_job(
    book: Book, state: State, log: Log, by_cart: Mapping[str | None, ByTime],
    instruments: Mapping[str, Mapping[str, Any]], measures: Sequence[Measure],
) -> Job:  # fmt: skip
    cart = state.ties.cart_of.get(log.original)
    beside = [] if cart is None else _beside(by_cart[cart], log.started, log.ended, log)
    sampled = [other for other in beside if other.rows("samples")]
    tracks = [one for one in (log, *beside) if one.rows("fixes")]
    pack = state.register.pack_of(cart, None if log.started is None else moment(log.started))
    job = Job(
        log.original, "log", [source(book, one) for one in (log, *sampled)], [source(book, one) for one in tracks],
        state.register.row("carts", cart) or {}, state.register.row("packs", pack) or {}, {}, [], instruments,
    )  # fmt: skip
    return digested(job, [log, *sampled, *tracks], measures)


def _test_job(
    book: Book, state: State, test: Mapping[str, Any], by_cart: Mapping[str | None, ByTime],
    instruments: Mapping[str, Mapping[str, Any]], measures: Sequence[Measure],
) -> Job:  # fmt: skip
    logs = state.ties.logs_of.get(test["test"], [])
    span = window(test) or _span(logs)
    beside = _beside(by_cart.get(test.get("cart")), *span) if test.get("cart") and span else []
    tracks = _unique(one for one in (*logs, *beside) if one.rows("fixes"))
    tracks.sort(key=lambda one: -one.rows("fixes"))
    followed = [source(book, one, (test["test"], one.original) in state.ties.named) for one in tracks]
    register = state.register
    pack = pack_of_test(register, test, span)
    job = Job(
        test["test"], test["kind"], [source(book, one) for one in logs], followed,
        register.row("carts", test.get("cart")) or {}, register.row("packs", pack) or {}, test,
        _marks(book, state, test["test"]), instruments,
    )  # fmt: skip
    return digested(job, [*logs, *tracks], measures)


def _span(logs: Sequence[Log]) -> tuple[int, int] | None:
    timed = [log for log in logs if log.started is not None and log.ended is not None]
    return (min(log.started or 0 for log in timed), max(log.ended or 0 for log in timed)) if timed else None


def _beside(logs: ByTime | None, started: int | None, ended: int | None, but: Log | None = None) -> list[Log]:
    """The logs that share time with a span, without `but`."""
    if logs is None or started is None or ended is None:
        return []
    span = (started, ended)
    return [log for log in logs.near(span) if log is not but and overlap(log, span)]


def _unique(logs: Iterable[Log]) -> list[Log]:
    return list({log.original: log for log in logs}.values())


def _marks(book: Book, state: State, test: str) -> list[Path]:
    found = (book.table_path(dict(record), "marks") for record in state.sheets.get(test, ()))
    return [path for path in found if path is not None]


def _instruments(register: Register) -> dict[str, dict[str, Any]]:
    """The shop's instrument of each kind; of several of one kind the least accurate, so that no figure is oversold."""
    chosen: dict[str, dict[str, Any]] = {}
    for row in register.present["instruments"]:
        held = chosen.get(row["kind"])
        if row["kind"] and (held is None or (row["accuracy_percent"] or 0) > (held["accuracy_percent"] or 0)):
            chosen[row["kind"]] = row
    return chosen


# Measuring, with what was measured before.


def measure_all(
    book: Book, jobs: Sequence[Job], measures: Sequence[Measure], processes: int, progress: Progress | None
) -> dict[tuple[str, bool], Measured]:
    """The outcome of every job, by subject and whether it is a test; only new ones are measured, and kept."""
    done: dict[tuple[str, bool], Measured] = {}
    todo = []
    for job in jobs:
        held = book.load_results(job.subject, job.digest)
        if held is None:
            todo.append(job)
        else:
            done[job.subject, bool(job.test)] = Measured.of(held)
    for number, (job, outcome) in enumerate(_each(todo, measures, processes)):
        table = outcome.table()
        book.store_results(job.subject, job.digest, table)
        done[job.subject, bool(job.test)] = Measured.of(table)
        if progress:
            progress("measuring", number + 1, len(todo))
    return done


def _each(jobs: Sequence[Job], measures: Sequence[Measure], processes: int) -> Iterator[tuple[Job, Measured]]:
    if processes <= 1 or len(jobs) < 2 * processes:
        yield from ((job, measure(job, measures)) for job in jobs)
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=spawn) as pool:
        chunk = max(1, min(16, len(jobs) // (4 * processes)))
        yield from zip(jobs, pool.map(partial(_measure_there), jobs, chunksize=chunk), strict=True)


def _measure_there(job: Job) -> Measured:
    """Measure in another process, which finds the same plugins by itself: functions of plugins need not travel."""
    return measure(job, _own_measures())


@cache
def _own_measures() -> Sequence[Measure]:
    from .registry import plugin_manager

    return plugin_manager().measures()
