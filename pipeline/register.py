"""The register: what the sheets say of carts, packs, fitments, settings, tests, loggers and instruments.

Each row of a sheet is a statement, made when its original was taken in. Later statements supersede earlier
ones field by field; `history` keeps every one as it was said.

    register = fold(statements)
    register.present["packs"]                 every pack, all columns, None where nobody stated them
    register.row("packs", "P11")              one of them
    register.pack_of("C07", moment)           which pack sat in the cart then
    register.findings                         overlapping fitments, unknown names, tests claimed twice
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import pyarrow as pa

from .reading import Finding
from .tables import INSTANT, KEYS, REGISTER

Row = dict[str, Any]
Key = tuple[Any, ...]
About = tuple[str | None, Finding]

_ALWAYS, _FOREVER = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
_CLAIMS = ("started", "cart")
"""Fields that make a test that test: where two originals disagree on them, the first one said stays."""


@dataclass(frozen=True)
class Statement:
    """One row of a register table as said at an instant by an original (its hash), on a line of it."""

    table: str
    row: Mapping[str, Any]
    said_at: datetime
    original: str
    line: int | None = None


@dataclass(frozen=True)
class Register:
    """All that is known of the shop's things.

    present: by table, one row a thing with every column of tables.REGISTER, sorted by key. history: by table,
    the statements in the order they were said, with `said_at` and `original`. findings: what does not fit, with
    the test it is about, if any.
    """

    present: Mapping[str, Sequence[Row]]
    history: Mapping[str, Sequence[Row]]
    findings: Sequence[About]

    def row(self, table: str, *key: Any) -> Row | None:
        """The row of `table` with this key (in the order of tables.KEYS), or None."""
        return self._rows[table].get(key)

    def pack_of(self, cart: str | None, at: datetime | None) -> str | None:
        """The pack that sat in `cart` at that instant: from `started` on, until before `ended`.

        Of several at once the one fitted last. With no instant: the pack, when the cart only ever had one.
        """
        return _fitted(self._fitments_of_cart.get(cart, ()), "pack", at)

    def cart_of_pack(self, pack: str | None, at: datetime | None) -> str | None:
        """The cart that `pack` sat in at that instant; chosen as in `pack_of`."""
        return _fitted(self._fitments_of_pack.get(pack, ()), "cart", at)

    def cart_of_logger(self, logger: str | None, at: datetime | None) -> str | None:
        """The cart that `logger` stayed in at that instant; chosen as in `pack_of`."""
        return _fitted(self._stays_of_logger.get(logger, ()), "cart", at)

    def tables(self) -> dict[str, pa.Table]:
        """The present state and the history (`<table>_history`) as Arrow tables."""
        present = {table: pa.Table.from_pylist(list(rows), _schema(table)) for table, rows in self.present.items()}
        past = {
            f"{table}_history": pa.Table.from_pylist(list(rows), _history_schema(table))
            for table, rows in self.history.items()
        }
        return present | past

    @cached_property
    def _rows(self) -> dict[str, dict[Key, Row]]:
        return {table: {_key(table, row): row for row in rows} for table, rows in self.present.items()}

    @cached_property
    def _fitments_of_cart(self) -> dict[str | None, list[Row]]:
        return _grouped(self.present["fitments"], "cart")

    @cached_property
    def _fitments_of_pack(self) -> dict[str | None, list[Row]]:
        return _grouped(self.present["fitments"], "pack")

    @cached_property
    def _stays_of_logger(self) -> dict[str | None, list[Row]]:
        return _grouped(self.present["loggers"], "logger")


def fold(said: Iterable[Statement]) -> Register:
    """The register that these statements, in whatever order they come, amount to."""
    ordered = sorted(said, key=lambda one: (one.said_at, one.original, one.line or 0))
    history: dict[str, list[Row]] = {table: [] for table in REGISTER}
    things: dict[str, dict[Key, list[Statement]]] = {table: {} for table in REGISTER}
    for one in ordered:
        row = _whole(one.table, one.row)
        history[one.table].append({**row, "said_at": one.said_at, "original": one.original})
        things[one.table].setdefault(_key(one.table, row), []).append(one)
    present = {table: [_merged(table, held[key]) for key in sorted(held, key=_rank)] for table, held in things.items()}
    return Register(present, history, [*_claimed_twice(things["tests"].values()), *_findings(present)])


def _whole(table: str, row: Mapping[str, Any]) -> Row:
    return {name: row.get(name) for name in REGISTER[table]}


def _key(table: str, row: Mapping[str, Any]) -> Key:
    return tuple(row.get(name) for name in KEYS[table])


def _rank(key: Key) -> list[tuple[bool, Any]]:
    """Sorts keys, parts not stated first."""
    return [(part is not None, part) for part in key]


def _merged(table: str, statements: Sequence[Statement]) -> Row:
    row: Row = {}
    for one in statements:
        stated = {name: value for name, value in one.row.items() if value is not None}
        kept = {name: row[name] for name in _CLAIMS if table == "tests" and name in row}
        further = {"other": _joined(row["other"], stated["other"])} if "other" in row and "other" in stated else {}
        row = row | stated | further | kept
    return _whole(table, row)


def _joined(earlier: str, later: str) -> str:
    """Further columns of settings, JSON texts of objects: the later one supersedes column by column."""
    try:
        return json.dumps({**json.loads(earlier), **json.loads(later)}, ensure_ascii=False)
    except (ValueError, TypeError):
        return later


def _grouped(rows: Iterable[Row], name: str) -> dict[str | None, list[Row]]:
    groups: dict[str | None, list[Row]] = {}
    for row in rows:
        groups.setdefault(row[name], []).append(row)
    return groups


def _span(row: Mapping[str, Any]) -> tuple[datetime, datetime]:
    return row["started"] or _ALWAYS, row["ended"] or _FOREVER


def _fitted(rows: Sequence[Row], name: str, at: datetime | None) -> str | None:
    if at is None:
        ever = {row[name] for row in rows}
        return ever.pop() if len(ever) == 1 else None
    holding = [row for row in rows if _span(row)[0] <= at < _span(row)[1]]
    return max(holding, key=_span)[name] if holding else None


# ---- what does not fit ---------------------------------------------------------------------------------------


def _findings(present: Mapping[str, Sequence[Row]]) -> Iterator[About]:
    stays = (("fitments", "cart", "pack"), ("fitments", "pack", "cart"), ("loggers", "logger", "cart"))
    for table, name, other in stays:
        yield from ((None, finding) for finding in _overlaps(present[table], name, other))
    yield from ((None, finding) for finding in _backward(present))
    for name, table in (("cart", "carts"), ("pack", "packs"), ("settings", "settings")):
        yield from _unknown(present, name, table)


def _overlaps(rows: Sequence[Row], name: str, other: str) -> Iterator[Finding]:
    """Stays that begin before an earlier one has ended, though look-ups then take the later one."""
    for thing, stays in _grouped(rows, name).items():
        lasting, *later = sorted(stays, key=_span)
        for row in later:
            if _span(row)[0] < _span(lasting)[1] and row[other] != lasting[other]:
                words = (
                    f"{name} {thing} is stated with {other} {lasting[other]} and {row[other]} at once from "
                    f"{_day(row['started'])}; the later one is taken: state when the earlier one ended"
                )
                yield Finding("fitment-overlap", "warning", words)
            lasting = max(lasting, row, key=lambda one: _span(one)[1])


def _backward(present: Mapping[str, Sequence[Row]]) -> Iterator[Finding]:
    for table in ("fitments", "loggers"):
        for row in present[table]:
            if _span(row)[0] >= _span(row)[1]:
                first, second = (f"{name} {row[name]}" for name in KEYS[table][:2])
                words = f"{first} and {second} end on {_day(row['ended'])}, before they begin on {_day(row['started'])}"
                yield Finding("ends-before-start", "warning", words)


def _day(moment: datetime | None) -> str:
    return "the beginning" if moment is None else moment.strftime("%Y-%m-%d %H:%MZ")


def _unknown(present: Mapping[str, Sequence[Row]], name: str, table: str) -> Iterator[About]:
    known = {row[name] for row in present[table]}
    named: dict[str, list[tuple[str, Row]]] = {}
    for user in ("tests", "fitments", "loggers"):
        for row in present[user]:
            if row.get(name) is not None and row[name] not in known:
                named.setdefault(row[name], []).append((user, row))
    for thing, users in sorted(named.items()):
        more = f" and {len(users) - 1} more" if len(users) > 1 else ""
        words = f"{_called(*users[0])}{more} names {name} {thing}, which no sheet of {table} describes"
        yield users[0][1].get("test"), Finding(f"{name}-unknown", "note", words)


def _called(table: str, row: Row) -> str:
    if table == "fitments":
        return f"the fitment of pack {row['pack']} in cart {row['cart']}"
    return f"{table[:-1]} {row[KEYS[table][0]]}"


def _claimed_twice(tests: Iterable[Sequence[Statement]]) -> Iterator[About]:
    """Tests that two originals state with another start or cart."""
    for statements in tests:
        for name in _CLAIMS:
            stated = [one for one in statements if one.row.get(name) is not None]
            rivals = [one for one in stated if one.row[name] != stated[0].row[name]]
            for rival in {one.original: one for one in rivals if one.original != stated[0].original}.values():
                yield str(rival.row["test"]), _rivalry(stated[0], rival, name)


def _rivalry(first: Statement, second: Statement, name: str) -> Finding:
    word = "start" if name == "started" else name
    words = (
        f"test {first.row['test']} is claimed by two originals: {first.original[:12]} says {word} "
        f"{_said(first.row[name])}, {second.original[:12]} says {_said(second.row[name])}; the first one said "
        "stays: give one of the two tests another name"
    )
    return Finding("test-claimed-twice", "problem", words)


def _said(value: Any) -> str:
    return _day(value) if isinstance(value, datetime) else str(value)


def _schema(table: str) -> pa.Schema:
    return pa.schema(list(REGISTER[table].items()))


def _history_schema(table: str) -> pa.Schema:
    return pa.schema([*REGISTER[table].items(), ("said_at", INSTANT), ("original", pa.string())])
