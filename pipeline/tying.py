"""Which log belongs to which test and which cart.

A log finds its test, in this order: the sheet names it in `logs`; it came from the same folder as the
sheet and overlaps its time; its cart (given, or by the logger that sat in it) and its time are the test's.
What ties to nothing is loose: kept, listed, and picked up when a later sheet explains it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import PurePath
from typing import Any

from .reading import Finding
from .register import Register

SLACK = 900_000_000
"""Microseconds by which the times on a sheet may be off: a quarter of an hour, as people write them."""
LONGEST = 12 * 3_600_000_000
"""Microseconds a test without an end is taken to last at most."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def micros(instant: datetime | None) -> int | None:
    """Microseconds since 1970 UTC of an aware datetime."""
    return None if instant is None else (instant - EPOCH) // timedelta(microseconds=1)


def moment(at: int) -> datetime:
    """The aware UTC datetime of microseconds since 1970."""
    return EPOCH + timedelta(microseconds=at)


def _written(text: str | None) -> int | None:
    return None if text is None else micros(datetime.fromisoformat(text))


@dataclass(frozen=True)
class Log:
    """The newest reading of an original with samples or fixes. started, ended: microseconds, None without times."""

    record: Mapping[str, Any]
    started: int | None
    ended: int | None

    @classmethod
    def of(cls, record: Mapping[str, Any]) -> Log:
        return cls(record, _written(record.get("started")), _written(record.get("ended")))

    @property
    def original(self) -> str:
        return str(self.record["original"])

    def rows(self, table: str) -> int:
        return int(self.record["tables"].get(table, {}).get("rows", 0))


@dataclass
class Ties:
    """logs_of: test to its logs. cart_of: original to cart. named: (test, original) pairs the sheet names itself."""

    logs_of: dict[str, list[Log]] = field(default_factory=dict)
    cart_of: dict[str, str] = field(default_factory=dict)
    named: set[tuple[str, str]] = field(default_factory=set)
    findings: list[tuple[str, Finding]] = field(default_factory=list)
    """Findings with the test they are about."""

    @cached_property
    def tests_of(self) -> dict[str, list[str]]:
        """Original to the tests it belongs to."""
        tests: dict[str, list[str]] = {}
        for test, logs in self.logs_of.items():
            for log in logs:
                tests.setdefault(log.original, []).append(test)
        return tests


def window(test: Mapping[str, Any]) -> tuple[int, int] | None:
    """First and last microsecond of a test as its sheet states them, None where it states no start."""
    started = micros(test.get("started"))
    if started is None:
        return None
    ended = micros(test.get("ended"))
    return started, ended if ended is not None else started + LONGEST


def overlap(log: Log, span: tuple[int, int] | None, slack: int = 0) -> int:
    """Microseconds that `log` and `span` share; 0 when either has no times or they are apart."""
    if span is None or log.started is None or log.ended is None:
        return 0
    return max(0, min(log.ended, span[1] + slack) - max(log.started, span[0] - slack))


def tie(logs: Sequence[Log], register: Register, folders: Mapping[str, set[str]]) -> Ties:
    """Tie `logs` to the tests and carts of `register`. `folders`: the folders each test's sheets came from."""
    ties = Ties()
    by_name: dict[str, list[Log]] = {}
    for log in logs:
        by_name.setdefault(str(log.record["name"]).casefold(), []).append(log)
    carts = {log.original: _cart(log, register) for log in logs}
    claimed = _claim_named(register.present["tests"], by_name, folders, ties)
    free = ByTime([log for log in logs if log.original not in claimed])
    alone = _alone(folders)
    for test in register.present["tests"]:
        for log in free.near(window(test), folders.get(test["test"], set())):
            if _belongs(log, test, folders.get(test["test"], set()), alone, carts[log.original]):
                ties.logs_of.setdefault(test["test"], []).append(log)
    _name_carts(logs, register, carts, ties)
    return ties


def _claim_named(
    tests: Iterable[Mapping[str, Any]], by_name: Mapping[str, list[Log]], folders: Mapping[str, set[str]], ties: Ties
) -> set[str]:
    claimed = set()
    for test in tests:
        for name in test.get("logs") or ():
            held = by_name.get(PurePath(name.replace("\\", "/")).name.casefold(), [])
            log = _best(held, test, folders.get(test["test"], set()))
            if log is None:
                words = f"the sheet of {test['test']} names the log {name}, which the book does not hold as a log"
                ties.findings.append((test["test"], Finding("log-missing", "warning", words)))
                continue
            ties.logs_of.setdefault(test["test"], []).append(log)
            ties.named.add((test["test"], log.original))
            claimed.add(log.original)
    return claimed


def _best(held: Sequence[Log], test: Mapping[str, Any], folders: set[str]) -> Log | None:
    """Of several logs of one name: the one that shares most time with the test, then its folder, then the newest."""
    span = window(test)
    return max(
        held,
        key=lambda log: (overlap(log, span, SLACK), log.record["folder"] in folders, log.record["taken_in"]),
        default=None,
    )


class ByTime:
    """Logs, looked up by time, or by folder where they have no times."""

    def __init__(self, logs: Iterable[Log]) -> None:
        self.untimed: dict[str, list[Log]] = {}
        timed: list[tuple[int, int, Log]] = []
        for log in logs:
            if log.started is None or log.ended is None:
                self.untimed.setdefault(str(log.record["folder"]), []).append(log)
            else:
                timed.append((log.started, log.ended, log))
        timed.sort(key=lambda one: (one[0], one[2].original))
        self.starts = [started for started, _, _ in timed]
        self.timed = [log for _, _, log in timed]
        self.longest = max((ended - started for started, ended, _ in timed), default=0)

    def near(self, span: tuple[int, int] | None, folders: Iterable[str] = ()) -> Iterator[Log]:
        """All logs that can overlap `span`, and those without times in `folders`."""
        if span is not None:
            first = bisect_left(self.starts, span[0] - self.longest)
            yield from self.timed[first : bisect_right(self.starts, span[1])]
        for folder in sorted(folders):
            yield from self.untimed.get(folder, ())


def _alone(folders: Mapping[str, set[str]]) -> set[str]:
    """Folders that hold the sheet of one test only."""
    counts = Counter(folder for held in folders.values() for folder in held)
    return {folder for folder, count in counts.items() if count == 1}


def _belongs(log: Log, test: Mapping[str, Any], folders: set[str], alone: set[str], cart: str | None) -> bool:
    """Whether a log that no sheet names is of this test. One without times is when it lies beside this sheet only."""
    span = window(test)
    shared = overlap(log, span)
    if span is None or log.started is None or log.ended is None:
        return log.record["folder"] in folders & alone and cart in (None, test.get("cart"))
    long_enough = shared >= min(log.ended - log.started, span[1] - span[0]) // 2 and shared > 0
    if cart is not None and test.get("cart") is not None:
        return cart == test["cart"] and shared > 0
    return log.record["folder"] in folders and long_enough


def _cart(log: Log, register: Register) -> str | None:
    """The cart given with the log, else that of the logger whose name the file or its folder carries."""
    given = log.record.get("cart")
    if given:
        return str(given)
    at = None if log.started is None else moment(log.started)
    path = PurePath(str(log.record["folder"]), str(log.record["name"]))
    for row in register.present["loggers"]:
        if _carries(path, row["logger"]):
            cart = register.cart_of_logger(row["logger"], at)
            if cart is not None:
                return cart
    return None


def _carries(path: PurePath, logger: str) -> bool:
    """Whether a folder of `path` is called `logger`, or the file's name holds it as a word of its own."""
    word = logger.casefold()
    if word in (part.casefold() for part in path.parent.parts):
        return True
    name = path.name.casefold()
    at = name.find(word)
    around = name[max(at - 1, 0) : at] + name[at + len(word) : at + len(word) + 1]
    return at >= 0 and not any(letter.isalnum() for letter in around)


def _name_carts(logs: Iterable[Log], register: Register, carts: Mapping[str, str | None], ties: Ties) -> None:
    of_test = {row["test"]: row.get("cart") for row in register.present["tests"]}
    for log in logs:
        tests = ties.tests_of.get(log.original, ())
        cart = carts[log.original] or next((of_test[test] for test in tests if of_test.get(test)), None)
        if cart is not None:
            ties.cart_of[log.original] = cart
