"""The tables of a catalogue generation, as Arrow tables: the register, what was read, what was measured."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pyarrow as pa

from .measuring import RESULTS, Measured
from .state import State, pack_of_test
from .stretch import Measure
from .tables import INSTANT, REGISTER
from .tying import micros, moment, window

_TEXT, _COUNT, _NUMBER, _FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()

ORIGINALS = pa.schema(
    [
        ("original", _TEXT), ("name", _TEXT), ("folder", _TEXT), ("bytes", _COUNT), ("taken_in", INSTANT),
        ("reader", _TEXT), ("reader_version", _TEXT), ("status", _TEXT), ("reading", _TEXT), ("cart", _TEXT),
        ("sample_rows", _COUNT), ("fix_rows", _COUNT), ("mark_rows", _COUNT), ("reject_rows", _COUNT),
        ("started", INSTANT), ("ended", INSTANT), ("test", _TEXT), ("loose", _FLAG),
    ]
)  # fmt: skip
FINDINGS = pa.schema(
    [
        ("original", _TEXT), ("test", _TEXT), ("stint", _TEXT), ("code", _TEXT), ("severity", _TEXT),
        ("words", _TEXT), ("first_row", _COUNT), ("last_row", _COUNT),
    ]
)  # fmt: skip
TESTS = pa.schema([(name, kind) for name, kind in REGISTER["tests"].items() if name != "logs"])
STINTS = pa.schema(
    [
        ("stint", _TEXT), ("original", _TEXT), ("kind", _TEXT), ("cart", _TEXT), ("pack", _TEXT), ("test", _TEXT),
        ("started", INSTANT), ("ended", INSTANT), ("first_row", _COUNT), ("last_row", _COUNT), ("source", _TEXT),
    ]
)  # fmt: skip

PACK_FACTS = {
    "chemistry": "chemistry", "rated_capacity_ah": "rated_capacity_ah", "rated_hours": "rated_hours",
    "nominal_voltage_volt": "nominal_voltage_volt", "cells_in_series": "cells_in_series",
    "continuous_discharge_ampere": "continuous_discharge_ampere",
    "rated_peak_discharge_ampere": "peak_discharge_ampere", "in_service": "in_service", "price": "price",
    "currency": "currency", "warranty_years": "warranty_years",
    "warranty_capacity_percent": "warranty_capacity_percent",
}  # fmt: skip
"""Columns of test_results that come from the pack: their name there, and in the register."""
SETTINGS_FACTS = ("current_limit_ampere", "speed_limit_metre_per_second", "regen", "acceleration")
BOUNDED = ("capacity_ah", "capacity_wh", "range_metre")
"""Quantities that may be known only as a lower bound; test_results says which in `<quantity>_lower`."""


def catalogue_tables(
    state: State, measured: Mapping[tuple[str, bool], Measured], measures: Sequence[Measure]
) -> dict[str, pa.Table]:
    """Every table of the catalogue. `measured`: outcomes by subject and whether it is a test."""
    stints = _stints(state, measured)
    tests = _tests(state, stints)
    results = [row for outcome in measured.values() for row in outcome.results]
    findings = _findings(state, measured)
    quantities = [quantity.name for one in measures for quantity in one.quantities]
    by_subject = _by_subject(results)
    return {
        **state.register.tables(),
        "originals": pa.Table.from_pylist(list(_originals(state)), schema=ORIGINALS),
        "findings": pa.Table.from_pylist(findings, schema=FINDINGS),
        "tests": pa.Table.from_pylist(tests, schema=TESTS),
        "stints": pa.Table.from_pylist(stints, schema=STINTS),
        "results": pa.Table.from_pylist(results, schema=RESULTS),
        "test_results": _test_results(state, tests, by_subject, findings, quantities),
        "stint_results": _wide(stints, STINTS, "stint", by_subject, quantities),
    }


def _originals(state: State) -> Iterable[dict[str, Any]]:
    for record in state.records:
        original = record["original"]
        tests = state.ties.tests_of.get(original, [])
        cart = state.ties.cart_of.get(original)
        rows = {name: facts["rows"] for name, facts in record["tables"].items()}
        stated = {said["row"].get("test") for said in record["said"] if said["table"] == "tests"}
        yield {
            **{key: record[key] for key in ("original", "name", "folder", "bytes", "reader", "reader_version")},
            "taken_in": _instant(record["taken_in"]),
            "status": "read",
            "reading": state.readings[original],
            "cart": cart,
            "sample_rows": rows.get("samples", 0),
            "fix_rows": rows.get("fixes", 0),
            "mark_rows": rows.get("marks", 0),
            "reject_rows": rows.get("rejects", 0),
            "started": _instant(record.get("started")),
            "ended": _instant(record.get("ended")),
            "test": next(iter([*tests, *sorted(filter(None, stated))]), None),
            "loose": not tests and cart is None and bool(rows.get("samples") or rows.get("fixes")),
        }


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _stints(state: State, measured: Mapping[tuple[str, bool], Measured]) -> list[dict[str, Any]]:
    """Stints of every log with cart, pack and test, in order of time."""
    tests = {row["test"]: row for row in state.register.present["tests"]}
    rows = []
    for (subject, is_test), outcome in measured.items():
        if is_test:
            continue
        cart = state.ties.cart_of.get(subject)
        mine = [tests[name] for name in state.ties.tests_of.get(subject, ())]
        for stint in outcome.stints:
            test = _test_of(stint, mine, state)
            at = stint["started"]
            pack = (test and pack_of_test(state.register, test, None if at is None else (at, at))) or (
                state.register.pack_of(cart, None if at is None else moment(at))
            )
            rows.append({**stint, "cart": cart, "pack": pack, "test": test and test["test"],
                         "started": None if at is None else moment(at),
                         "ended": None if stint["ended"] is None else moment(stint["ended"])})  # fmt: skip
    far = moment(0)
    return sorted(rows, key=lambda row: (row["started"] or far, row["stint"]))


def _test_of(stint: Mapping[str, Any], tests: Sequence[Mapping[str, Any]], state: State) -> Mapping[str, Any] | None:
    """The test whose time the stint shares most; the only test of a log that its sheet names takes all of it."""
    if not tests:
        return None
    if len(tests) == 1 and (tests[0]["test"], stint["original"]) in state.ties.named:
        return tests[0]
    best = max(tests, key=lambda test: _shared(stint, test))
    return best if _shared(stint, best) > 0 else None


def _shared(stint: Mapping[str, Any], test: Mapping[str, Any]) -> int:
    span = window(test)
    if span is None or stint["started"] is None or stint["ended"] is None:
        return 0
    return max(0, min(int(stint["ended"]), span[1]) - max(int(stint["started"]), span[0]))


def _tests(state: State, stints: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The tests as stated; where the sheet is silent, times from their drive stints and the pack from fitments."""
    spans: dict[str, tuple[Any, Any]] = {}
    for stint in stints:
        if stint["test"] and stint["kind"] == "drive" and stint["started"] is not None:
            first, last = spans.get(stint["test"], (stint["started"], stint["ended"]))
            spans[stint["test"]] = (min(first, stint["started"]), max(last, stint["ended"]))
    rows = []
    for said in state.register.present["tests"]:
        first, last = spans.get(said["test"], (None, None))
        row = {**said, "started": said["started"] or first, "ended": said["ended"] or last}
        at = micros(row["started"])
        row["pack"] = pack_of_test(state.register, said, None if at is None else (at, at))
        rows.append(row)
    return rows


def _findings(state: State, measured: Mapping[tuple[str, bool], Measured]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for record in state.records:
        rows.extend({**finding, "original": record["original"]} for finding in record["findings"])
    about = (*state.register.findings, *state.ties.findings)
    rows.extend({**_plain(finding), "test": test} for test, finding in about)
    rows.extend(_strangers(state))
    for (subject, is_test), outcome in measured.items():
        rows.extend({**finding, "original": None if is_test else subject} for finding in outcome.findings)
    return rows


def _strangers(state: State) -> Iterable[dict[str, Any]]:
    """Logs that were given a cart which no sheet describes."""
    for log in state.logs:
        cart = log.record["cart"]
        if cart and state.register.row("carts", cart) is None:
            words = f"cart {cart}, given with this log, is described by no sheet of carts"
            yield {"code": "cart-unknown", "severity": "warning", "words": words, "original": log.original}


def _plain(finding: Any) -> dict[str, Any]:
    return {name: getattr(finding, name) for name in ("code", "severity", "words", "first_row", "last_row")}


def _by_subject(results: Iterable[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Test or stint to its results as columns: q, q_u, and q_lower for what may be a bound."""
    found: dict[str, dict[str, Any]] = {}
    for row in results:
        columns = found.setdefault(row["test"] or row["stint"], {})
        columns[row["quantity"]] = row["value"]
        columns[f"{row['quantity']}_u"] = row["u"]
        if row["quantity"] in BOUNDED:
            columns[f"{row['quantity']}_lower"] = row["lower_bound"]
    return found


def _wide(
    rows: Iterable[Mapping[str, Any]], schema: pa.Schema, key: str,
    found: Mapping[str, Mapping[str, Any]], quantities: Sequence[str], more: Iterable[pa.Field] = (),
) -> pa.Table:  # fmt: skip
    fields = [*schema]
    for name in quantities:
        fields += [pa.field(name, _NUMBER), pa.field(f"{name}_u", _NUMBER)]
        if name in BOUNDED:
            fields.append(pa.field(f"{name}_lower", _FLAG))
    wide = ({**row, **found.get(row[key], {})} for row in rows)
    return pa.Table.from_pylist(list(wide), schema=pa.schema([*fields, *more]))


def _test_results(
    state: State, tests: Sequence[Mapping[str, Any]], found: Mapping[str, Mapping[str, Any]],
    findings: Iterable[Mapping[str, Any]], quantities: Sequence[str],
) -> pa.Table:  # fmt: skip
    register = state.register
    counts: dict[str, int] = {}
    for finding in findings:
        if finding.get("test") and finding["severity"] != "note":
            counts[finding["test"]] = counts.get(finding["test"], 0) + 1
    rows = []
    for test in tests:
        pack = register.row("packs", test["pack"]) or {}
        cart = register.row("carts", test["cart"]) or {}
        settings = register.row("settings", test["settings"]) or {}
        rows.append(
            {**test, **{name: pack.get(told) for name, told in PACK_FACTS.items()},
             **{name: settings.get(name) for name in SETTINGS_FACTS}, "customer": cart.get("customer"),
             "cart_mass_kg": cart.get("mass_kg"), "description": cart.get("description"),
             "findings_count": counts.get(test["test"], 0)}
        )  # fmt: skip
    more = [
        *(pa.field(name, REGISTER["packs"][told]) for name, told in PACK_FACTS.items()),
        *(pa.field(name, REGISTER["settings"][name]) for name in SETTINGS_FACTS),
        *(pa.field(name, REGISTER["carts"][name]) for name in ("customer", "description")),
        pa.field("cart_mass_kg", _NUMBER),
        pa.field("findings_count", _COUNT),
    ]
    return _wide(rows, TESTS, "test", found, quantities, more)
