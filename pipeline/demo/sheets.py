"""Sheets as people write them: the register, and a sheet a test with its marks."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

import numpy as np

from .fleet import CARTS, FITMENTS, PACKS, SETTINGS, ZONE, charge_volt, cut_off
from .logs import SHAPES
from .season import Outing
from .sensors import ODOMETER_LIMIT, SHUNT_LIMIT, Instruments
from .state import Track

Row = Sequence[object]
MILE = 1609.344
RECEIVERS = {"C01": "G01", "C03": "G03", "C04": "G04", "C06": "G06", "C10": "G10"}
"""Carts with a satellite receiver, and its name."""


def text(rows: Iterable[Row]) -> str:
    """Rows as CSV."""
    page = io.StringIO()
    csv.writer(page, lineterminator="\n").writerows(rows)
    return page.getvalue()


def carts() -> list[Row]:
    """The carts sheet."""
    head = (
        "cart", "description", "customer", "seats", "system voltage (V)", "motor power (W)", "controller limit (A)",
        "mass (kg)", "tyre diameter (m)", "tray length (mm)", "tray width (mm)", "tray height (mm)", "note",
    )  # fmt: skip
    return [
        head,
        *(
            (c.name, c.description, c.customer, c.seats, c.system_volt, c.motor_watt, c.controller_ampere, c.mass,
             c.tyre, *c.tray, "")
            for c in CARTS
        ),
    ]  # fmt: skip


def packs() -> list[Row]:
    """The packs sheet."""
    head = (
        "pack", "chemistry", "cells in series", "nominal voltage (V)", "rated capacity (Ah)", "rated hours (h)",
        "continuous discharge (A)", "peak discharge (A)", "peak time (s)", "continuous charge (A)",
        "charge voltage (V)", "cut-off voltage (V)", "maximum temperature (C)", "mass (kg)", "length (mm)",
        "width (mm)", "height (mm)", "price", "currency", "in service", "warranty (years)", "warranty capacity (%)",
        "note",
    )  # fmt: skip
    return [
        head,
        *(
            (p.name, p.chemistry, p.cells, p.nominal_volt, p.rated_ah, p.rated_hours, p.continuous, p.peak, 30,
             round(0.5 * p.rated_ah if p.chemistry != "flooded" else 0.2 * p.rated_ah), charge_volt(p), cut_off(p), 55,
             p.mass, *p.box, p.price, "EUR", p.in_service, p.warranty_years, 80 if p.chemistry != "flooded" else 60, "")
            for p in PACKS
        ),
    ]  # fmt: skip


def settings() -> list[Row]:
    """The settings sheet."""
    head = ("settings", "current limit (A)", "speed limit (mph)", "regen", "acceleration")
    return [head, *((s.name, s.current, s.speed_mph, s.regen, s.pace) for s in SETTINGS)]


def fitments() -> list[Row]:
    """The fitments sheet."""
    return [("cart", "pack", "from", "until"), *FITMENTS]


def loggers() -> list[Row]:
    """The loggers sheet: shunt loggers and receivers that stay in their carts."""
    stay = [(shape.logger, cart, "2026-04-20", "") for cart, shape in SHAPES.items()]
    return [("logger", "cart", "from", "until"), *stay, *((g, cart, "2026-04-20", "") for cart, g in RECEIVERS.items())]


def instruments() -> list[Row]:
    """The instruments sheet: stated limits, one row a kind."""
    return [
        ("instrument", "kind", "accuracy (%)", "offset", "resolution", "note"),
        ("cart shunts", "shunt", SHUNT_LIMIT, 0.15, 0.01, "zero offset in A"),
        ("receivers", "gps", 1.0, "", "", ""),
        ("pack probes", "thermometer", "", 1.0, 0.1, "offset in K"),
        ("dash odometers", "odometer", ODOMETER_LIMIT, "", 160.9344, "tenths of a mile"),
    ]


REGISTER = {
    "carts": carts, "packs": packs, "settings": settings, "fitments": fitments, "loggers": loggers,
    "instruments": instruments,
}  # fmt: skip


def _local(second: float) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(int(second), ZoneInfo(ZONE))


def _written(moment: datetime.datetime, outing: Outing) -> str:
    """C02's technician writes days first, where that can be read one way only."""
    day_first = outing.cart.name == "C02" and moment.day > 12
    return moment.strftime("%d/%m/%Y %H:%M" if day_first else "%Y-%m-%d %H:%M")


def in_miles(outing: Outing) -> bool:
    """Whether the cart's technician writes miles and °F, or km and °C."""
    return outing.cart.name <= "C05"


def _pauses(track: Track) -> list[int]:
    """Seconds at the end of stops of 8 s and more, about one in 20 minutes."""
    still = np.concatenate(([0], (track.speed[track.rest : track.ended] <= 0).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(still))
    long = edges[1::2][(edges[1::2] - edges[0::2]) >= 8] + track.rest - 1
    marks: list[int] = []
    for second in long.tolist():
        if second - (marks[-1] if marks else track.rest) >= 1200 and second < track.ended - 120:
            marks.append(second)
    return marks


def _mark(second: int, outing: Outing, track: Track, made: Instruments) -> Row:
    after = slice(second + 10, second + 60)
    trip = track.way[second] * made.odometer_gain / (MILE if in_miles(outing) else 1000)
    warm = float(track.celsius[second]) + made.thermometer_offset
    return (
        _local(outing.started + second).strftime("%H:%M"), f"{trip:.1f}",
        f"{float(track.volt[second]) * made.voltage_gain:.1f}", f"{float(np.median(track.volt[after])):.1f}",
        f"{warm * 1.8 + 32 if in_miles(outing) else warm:.0f}", "",
    )  # fmt: skip


def _final(outing: Outing, track: Track, made: Instruments, empty: bool) -> Row:
    row = list(_mark(track.ended, outing, track, made))
    row[2:4] = [f"{float(track.volt[-1]) * made.voltage_gain:.1f}", ""]
    row[5] = "stopped by itself" if empty else "back at the shed"
    return row


def test_sheet(
    outing: Outing, track: Track, made: Instruments, reason: str, logs: Sequence[str], note: str
) -> list[Row]:
    """The sheet of one range test: fields, a blank line, marks. logs: names to tie, or none."""
    mile = in_miles(outing)
    start, end = _local(outing.started + track.rest), _local(outing.started + track.ended + 59)
    degree = round(outing.ambient * 1.8 + 32) if mile else round(outing.ambient)
    fields: list[Row] = [
        ("field", "value"), ("test", outing.name), ("kind", "range"), ("cart", outing.cart.name),
        ("pack", "" if outing.cart.name == "C07" else outing.pack.name), ("settings", outing.settings.name),
        ("start", _written(start, outing)), ("end", _written(end, outing)), ("payload (kg)", f"{outing.payload:.0f}"),
        (f"ambient ({'F' if mile else 'C'})", degree), ("route", outing.route), ("end reason", reason),
        ("logs", "; ".join(logs)), ("note", note),
    ]  # fmt: skip
    unit, warm = ("mi", "F") if mile else ("km", "C")
    marks = [_mark(second, outing, track, made) for second in _pauses(track)]
    heads = ("time", f"trip ({unit})", "rest (V)", "loaded (V)", f"pack ({warm})", "note")
    return [*fields, (), heads, *marks, _final(outing, track, made, reason in ("cut-off", "bms-trip"))]
