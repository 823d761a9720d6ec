"""Parts of a change of the range, and growth of a resistance: against numpy, scipy, and carts driven by physics."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import numpy as np
import pytest
from scipy import stats

from rangebook.queries import ask, empty_catalogue, find

PARTS = [
    "whole", "the pack's capacity", "cold and hard driving of the pack", "the cart itself", "how it was driven",
    "payload, route and climb", "unexplained",
]  # fmt: skip
START = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
SPLIT = "2026-04-11"  # day 100
AREA, EFFICIENCY, ACCESSORIES, GRAVITY = 1.5, 0.75, 72.0, 9.80665


def book_of(rows: Sequence[Mapping[str, Any]], packs: Sequence[Mapping[str, Any]] = ()) -> duckdb.DuckDBPyConnection:
    connection = empty_catalogue()
    connection.execute("set TimeZone = 'UTC'")
    for table, given in [("packs", row) for row in packs] + [("test_results", row) for row in rows]:
        marks = ", ".join("$" + name for name in given)
        connection.execute(f"insert into {table} ({', '.join(given)}) values ({marks})", dict(given))
    return connection


def driven(number: int, day: int, **said: Any) -> dict[str, Any]:
    """A test of a cart on a road without wind or stops, by the energy balance: half of the climb is lost."""
    v, c, payload, climb = said["speed"], said["rolling"], said["payload"], said["climb"]
    mass, distance = 400.0 + payload, 40_000.0
    level = ACCESSORIES / v + (0.6 * AREA * v**2 + c * mass * GRAVITY) / EFFICIENCY
    consumption = (level + 0.5 * mass * GRAVITY * climb / distance / EFFICIENCY) / 3.6
    capacity_wh = said["holds"] * 50.0 * said["had"]
    return {
        "test": f"T{number}", "kind": "range", "cart": "C1", "pack": "P1", "settings": "a", "route": said["route"],
        "started": START + datetime.timedelta(days=day), "payload_kg": payload, "cart_mass_kg": 400.0,
        "climb_metre": climb, "distance_metre": distance, "mean_speed": v, "mean_moving_speed": v,
        "consumption_wh_per_km": consumption * said.get("scatter", 1.0), "capacity_wh": capacity_wh,
        "capacity_wh_lower": False, "capacity_reference_ah": said["holds"], "nominal_voltage_volt": 50.0,
        "level_watt": level * v, "level_speed": v, "auxiliary_watt": ACCESSORIES, "drag_area_m2": AREA,
        "driveline_efficiency": EFFICIENCY,
    }  # fmt: skip


BEFORE = {"speed": 5.0, "rolling": 0.02, "payload": 100.0, "climb": 100.0, "holds": 100.0, "had": 0.95, "route": "ring"}


def parts_of(rows: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    found = ask(book_of(rows), find("why_range_fell"), {"cart": "C1", "split": SPLIT}).to_pylist()
    assert [row["part"] for row in found] == PARTS
    return {row["part"]: row for row in found}


@pytest.mark.parametrize(
    ("changed", "part"),
    [
        ({"holds": 80.0}, "the pack's capacity"),
        ({"had": 0.8}, "cold and hard driving of the pack"),
        ({"rolling": 0.026}, "the cart itself"),
        ({"speed": 6.5}, "how it was driven"),
        ({"payload": 250.0}, "payload, route and climb"),
        ({"climb": 600.0}, "payload, route and climb"),
    ],
)
def test_what_changed_carries_the_whole(changed: Mapping[str, float], part: str) -> None:
    rows = [driven(n, 10 * n, **{**BEFORE, **(changed if n >= 10 else {})}) for n in range(20)]
    found = parts_of(rows)
    whole = rows[19]["capacity_wh"] / rows[19]["consumption_wh_per_km"]
    whole /= rows[0]["capacity_wh"] / rows[0]["consumption_wh_per_km"]
    assert found["whole"]["change_percent"] == pytest.approx(100 * (whole - 1), rel=1e-9)
    for name in PARTS[1:]:
        expected = 100 * (whole - 1) if name == part else 0.0
        assert found[name]["change_percent"] == pytest.approx(expected, rel=1e-9, abs=1e-9), name
    assert found["the cart itself"]["words"].startswith("the cart itself takes" if "rolling" in changed else "can't be")


def test_all_at_once_leaves_little_unexplained() -> None:
    """Products of two changes go to what is unexplained: a twentieth of the whole at most."""
    after = {"speed": 5.5, "rolling": 0.026, "payload": 150.0, "climb": 150.0, "holds": 90.0, "had": 0.9}
    rows = [
        driven(n, 10 * n, **{**BEFORE, **(after if n >= 10 else {}), "route": "hill" if n % 4 == n // 10 else "ring"})
        for n in range(20)
    ]
    found = parts_of(rows)
    assert all(found[name]["change_percent"] < -1 for name in PARTS[:-1])
    assert abs(found["unexplained"]["change_percent"]) < abs(found["whole"]["change_percent"]) / 20


def test_a_rougher_route_is_not_the_cart() -> None:
    """Twice as often on grass after as before: the cart itself has not changed, the routes carry it."""
    rows = [
        driven(n, 10 * n, **{**BEFORE, "route": route, "rolling": 0.03 if route == "grass" else 0.02})
        for n, route in enumerate(["ring", "ring", "grass"] * 3 + ["ring"] + ["grass", "ring", "grass"] * 3 + ["grass"])
    ]
    found = parts_of(rows)
    assert found["the cart itself"]["change_percent"] == pytest.approx(0, abs=1e-9)
    assert found["unexplained"]["change_percent"] == pytest.approx(0, abs=1e-9)
    assert found["payload, route and climb"]["change_percent"] == pytest.approx(found["whole"]["change_percent"])
    assert found["payload, route and climb"]["words"] == "another mix of routes"


def scattered(seed: int) -> list[dict[str, Any]]:
    """Tests with chance in everything; some figures are not known, of some carts none of a kind."""
    chance = np.random.default_rng(seed)
    rows = []
    for n in range(20):
        said = {name: value * chance.normal(1, 0.05) for name, value in BEFORE.items() if isinstance(value, float)}
        row = driven(n, 10 * n, **said, route=str(chance.choice(["ring", "hill"])), scatter=chance.normal(1, 0.03))
        for name in ("capacity_reference_ah", "level_watt", "mean_moving_speed", "climb_metre", "payload_kg"):
            if chance.random() < 0.2 or seed % 7 == len(name) % 7:
                row[name] = None
        rows.append(row)
    return rows


@pytest.mark.parametrize("seed", range(8))
def test_parts_add_up_to_the_whole(seed: int) -> None:
    found = parts_of(scattered(seed))
    for column in ("change_percent", "range_change_metre"):
        parts = [found[name][column] for name in PARTS[1:] if found[name][column] is not None]
        assert sum(parts) == pytest.approx(found["whole"][column], abs=1e-9 * max(1.0, abs(found["whole"][column])))
    for row in found.values():
        assert (row["change_percent"] is None) == row["words"].startswith("can't be told: ")


def test_intervals_are_those_of_scipy_and_of_least_squares() -> None:
    rows = scattered(1)
    for row in rows:
        row["capacity_reference_ah"] = row["capacity_reference_ah"] or 100.0
    found = parts_of(rows)
    held = np.log([row["capacity_reference_ah"] for row in rows])
    interval = stats.ttest_ind(held[10:], held[:10]).confidence_interval(0.95)
    part = found["the pack's capacity"]
    ratio = part["change_percent"] / (held[10:].mean() - held[:10].mean())
    assert part["low_percent"] == pytest.approx(ratio * interval.low, rel=1e-6)
    assert part["high_percent"] == pytest.approx(ratio * interval.high, rel=1e-6)

    # the cart itself, on routes: numpy's least squares of period and routes
    known = [n for n, row in enumerate(rows) if row["level_watt"] is not None]
    payload = np.mean([row["payload_kg"] for row in rows if row["payload_kg"] is not None])
    mass = np.array([400 + (row["payload_kg"] or payload) for row in rows])
    drag = 0.6 * AREA / EFFICIENCY / 3.6
    own = np.array([
        (rows[n]["level_watt"] / rows[n]["level_speed"] / 3.6 - drag * rows[n]["level_speed"] ** 2
         - ACCESSORIES / rows[n]["level_speed"] / 3.6) / mass[n] * mass.mean() for n in known
    ])  # fmt: skip
    design = np.array([[n >= 10, rows[n]["route"] == "ring", rows[n]["route"] == "hill"] for n in known], dtype=float)
    fit, squares, *_ = np.linalg.lstsq(design, own, rcond=None)
    se = np.sqrt(squares[0] / (len(known) - 3) * np.linalg.inv(design.T @ design)[0, 0])
    used = np.array([row["consumption_wh_per_km"] for row in rows])
    log_mean = (used[10:].mean() - used[:10].mean()) / np.log(used[10:].mean() / used[:10].mean())
    part = found["the cart itself"]
    assert part["change_percent"] == pytest.approx(-ratio * fit[0] / log_mean, rel=1e-9)
    speeds = [[row["mean_moving_speed"] for row in side if row["mean_moving_speed"]] for side in (rows[:10], rows[10:])]
    assumed = 1.96 * 0.27 * drag * abs(np.mean(np.square(speeds[1])) - np.mean(np.square(speeds[0])))
    half = np.hypot(stats.t.ppf(0.975, len(known) - 3) * se, assumed) / log_mean
    assert part["high_percent"] - part["change_percent"] == pytest.approx(ratio * half, rel=1e-6)


def test_one_test_on_each_side_has_no_interval() -> None:
    found = parts_of([driven(0, 0, **BEFORE), driven(1, 150, **{**BEFORE, "rolling": 0.03})])
    assert found["the cart itself"]["change_percent"] < -20 and found["the cart itself"]["low_percent"] is None
    assert found["the cart itself"]["words"] == "too few tests for an interval"


def test_growth_of_a_resistance_agrees_with_numpy_and_scipy() -> None:
    """The effect of warmth by numpy's least squares with time beside it, the slope at 25 °C by scipy's theilslopes."""
    chance = np.random.default_rng(12)
    days, packs, rows = np.arange(12) * 14, ("P1", "P2", "P3"), []
    effects, logs, celsius = [], {}, {}
    for place, pack in enumerate(packs):
        celsius[pack] = 15 + 10 * np.sin(days / 60 + place) + chance.normal(0, 1, 12)
        logs[pack] = np.log(0.02) + 0.002 * place * days - 0.025 * (celsius[pack] - 25) + chance.normal(0, 0.01, 12)
        design = np.column_stack([np.ones(12), days / 30, celsius[pack]])
        effects.append(np.linalg.lstsq(design, logs[pack], rcond=None)[0][2])
        rows += [
            {"test": f"{pack}{n}", "kind": "range", "pack": pack, "started": START + datetime.timedelta(days=int(day)),
             "resistance_ohm": float(np.exp(log)), "resistance_at_celsius": float(warmth)}
            for n, (day, log, warmth) in enumerate(zip(days, logs[pack], celsius[pack], strict=True))
        ]  # fmt: skip
    book = book_of(rows, [{"pack": pack, "chemistry": "LFP", "cells_in_series": 16} for pack in packs])
    found = {row["pack"]: row for row in ask(book, find("resistance_growth"), {}).to_pylist()}
    for pack in packs:
        effect = float(np.median(effects))
        assert found[pack]["warmth_percent_per_kelvin"] == pytest.approx(100 * effect, rel=1e-9)
        ohms = np.exp(logs[pack] - effect * (celsius[pack] - 25))
        slopes = stats.theilslopes(ohms, days / 30)
        expected = [100 * slopes[place] / ohms[0] for place in (0, 2, 3)]
        names = ("change_percent", "low_percent", "high_percent")
        assert [found[pack][name] for name in names] == pytest.approx(expected, rel=1e-9)
    assert [found[pack]["verdict"] for pack in packs[1:]] == ["grows", "grows"]
