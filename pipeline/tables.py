"""The canonical tables: what every reader turns its originals into.

Names follow the open Battery Data Format where it has one (ontology 1.3.0), and so does the
sign: positive current charges the pack, negative discharges it. Time is an instant in UTC.
Each field's metadata carries `unit` (UCUM code), `meaning`, and where it has one the closed
range of values that can be real (`low`, `high`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pyarrow as pa

INSTANT = pa.timestamp("us", tz="UTC")


def _field(
    name: str, kind: pa.DataType, unit: str, meaning: str, low: float | None = None, high: float | None = None
) -> pa.Field:
    facts = {"unit": unit, "meaning": meaning}
    if low is not None:
        facts["low"] = repr(low)
    if high is not None:
        facts["high"] = repr(high)
    return pa.field(name, kind, metadata=facts)


_TEMPERATURES = [f"temperature_t{n}_celsius" for n in range(1, 6)] + [
    "ambient_temperature_celsius",
    "motor_temperature_celsius",
    "controller_temperature_celsius",
]


def _temperature(name: str) -> pa.Field:
    return _field(name, pa.float64(), "Cel", name.removesuffix("_celsius").replace("_", " "), -60.0, 250.0)


SAMPLES = pa.schema(
    [
        _field("time", INSTANT, "", "instant of the sample, UTC"),
        _field("voltage_volt", pa.float64(), "V", "voltage of the pack", -1.0, 1500.0),
        _field("current_ampere", pa.float64(), "A", "current; positive charges the pack", -10000.0, 10000.0),
        _field("net_capacity_ah", pa.float64(), "A.h", "the logger's own charge counter; rises on charge", -1e7, 1e7),
        _field("state_of_charge_percent", pa.float64(), "%", "state of charge as the logger states it", -10.0, 120.0),
        *[_temperature(name) for name in _TEMPERATURES],
        _field("speed_metre_per_second", pa.float64(), "m/s", "speed from wheel, motor or controller", -60.0, 100.0),
        _field("throttle_percent", pa.float64(), "%", "accelerator position", -10.0, 110.0),
        _field("cell_voltage_volt", pa.list_(pa.float64()), "V", "voltage of each cell, in order", -1.0, 10.0),
    ]
)

FIXES = pa.schema(
    [
        _field("time", INSTANT, "", "instant of the fix, UTC; null where the track has no times"),
        _field("segment", pa.int32(), "", "number of the track segment, from 0; nothing is added across segments"),
        _field("latitude_degree", pa.float64(), "deg", "WGS84 latitude", -90.0, 90.0),
        _field("longitude_degree", pa.float64(), "deg", "WGS84 longitude, below 180", -180.0, 179.999999999999),
        _field("elevation_metre", pa.float64(), "m", "elevation as the device states it", -1000.0, 10000.0),
        _field("speed_metre_per_second", pa.float64(), "m/s", "speed over ground as the device states it", 0.0, 100.0),
        _field("hdop", pa.float64(), "1", "horizontal dilution of precision", 0.0, 1000.0),
        _field("satellites", pa.int32(), "1", "satellites used", 0, 1000),
        _field("fix", pa.string(), "", "kind of fix: none, 2d, 3d, dgps, pps"),
    ]
)

MARKS = pa.schema(
    [
        _field("time", INSTANT, "", "instant of the mark, UTC"),
        _field("elapsed_second", pa.float64(), "s", "seconds from the start of the test, where no time was written"),
        _field("distance_metre", pa.float64(), "m", "trip so far", 0.0, 1e7),
        _field("rest_voltage_volt", pa.float64(), "V", "voltage standing, no load", -1.0, 1500.0),
        _field("loaded_voltage_volt", pa.float64(), "V", "voltage under load", -1.0, 1500.0),
        _field("average_speed_metre_per_second", pa.float64(), "m/s", "average speed so far", 0.0, 100.0),
        _field("top_speed_metre_per_second", pa.float64(), "m/s", "top speed so far", 0.0, 100.0),
        _temperature("temperature_t1_celsius"),
        _temperature("ambient_temperature_celsius"),
        _field("state_of_charge_percent", pa.float64(), "%", "state of charge as displayed", -10.0, 120.0),
        _field("note", pa.string(), "", "in the writer's words"),
    ]
)

REJECTS = pa.schema(
    [
        _field("line", pa.int64(), "", "line (or row, or point) of the original, from 1"),
        _field("text", pa.string(), "", "the line as it stood"),
        _field("why", pa.string(), "", "why it could not be used"),
    ]
)

TABLES: Mapping[str, pa.Schema] = {"samples": SAMPLES, "fixes": FIXES, "marks": MARKS, "rejects": REJECTS}

# Columns every batch of a table carries, null where the original has nothing; the others only where it has them.
ALWAYS: Mapping[str, tuple[str, ...]] = {
    "samples": ("time", "voltage_volt", "current_ampere"),
    "fixes": ("time", "segment", "latitude_degree", "longitude_degree"),
    "marks": ("time", "elapsed_second", "note"),
    "rejects": ("line", "text", "why"),
}


def schema_of(table: str, columns: Iterable[str]) -> pa.Schema:
    """The schema of `table` holding `columns` and the ones it always has, in canonical order.

    Raises KeyError for a column the table does not know.
    """
    wanted = {*columns, *ALWAYS[table]}
    unknown = wanted - set(TABLES[table].names)
    if unknown:
        raise KeyError(f"{table} has no column {', '.join(sorted(unknown))}")
    return pa.schema([field for field in TABLES[table] if field.name in wanted])


def conform(table: str, columns: Mapping[str, pa.Array]) -> pa.RecordBatch:
    """A record batch of `table` from `columns` (equal lengths): cast to its types, missing ones filled with null."""
    schema = schema_of(table, columns)
    length = len(next(iter(columns.values())))
    arrays = [
        _cast(columns[field.name], field.type) if field.name in columns else pa.nulls(length, field.type)
        for field in schema
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _cast(array: pa.Array, kind: pa.DataType) -> pa.Array:
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    return array if array.type == kind else array.cast(kind)


# The register: what the shop says of its things. Name of each column: (Arrow type, unit to write, key or not).
# A later statement supersedes an earlier one field by field; rows are the same thing when their KEYS agree.
_TEXT, _NUMBER, _WHOLE, _DAY = pa.string(), pa.float64(), pa.int32(), pa.date32()

REGISTER: Mapping[str, Mapping[str, pa.DataType]] = {
    "carts": {
        "cart": _TEXT, "description": _TEXT, "customer": _TEXT, "seats": _WHOLE, "system_voltage_volt": _NUMBER,
        "motor_power_watt": _NUMBER, "controller_limit_ampere": _NUMBER, "mass_kg": _NUMBER,
        "tyre_diameter_metre": _NUMBER, "tray_length_mm": _NUMBER, "tray_width_mm": _NUMBER,
        "tray_height_mm": _NUMBER, "note": _TEXT,
    },
    "packs": {
        "pack": _TEXT, "chemistry": _TEXT, "cells_in_series": _WHOLE, "nominal_voltage_volt": _NUMBER,
        "rated_capacity_ah": _NUMBER, "rated_hours": _NUMBER, "continuous_discharge_ampere": _NUMBER,
        "peak_discharge_ampere": _NUMBER, "peak_time_second": _NUMBER, "continuous_charge_ampere": _NUMBER,
        "charge_voltage_volt": _NUMBER, "cut_off_voltage_volt": _NUMBER, "maximum_temperature_celsius": _NUMBER,
        "mass_kg": _NUMBER, "length_mm": _NUMBER, "width_mm": _NUMBER, "height_mm": _NUMBER, "price": _NUMBER,
        "currency": _TEXT, "in_service": _DAY, "warranty_years": _NUMBER, "warranty_capacity_percent": _NUMBER,
        "note": _TEXT,
    },
    "fitments": {"cart": _TEXT, "pack": _TEXT, "started": INSTANT, "ended": INSTANT, "note": _TEXT},
    "settings": {
        "settings": _TEXT, "current_limit_ampere": _NUMBER, "speed_limit_metre_per_second": _NUMBER,
        "regen": _TEXT, "acceleration": _TEXT, "other": _TEXT, "note": _TEXT,
    },
    "tests": {
        "test": _TEXT, "kind": _TEXT, "cart": _TEXT, "pack": _TEXT, "settings": _TEXT, "started": INSTANT,
        "ended": INSTANT, "end_reason": _TEXT, "payload_kg": _NUMBER, "ambient_celsius": _NUMBER, "route": _TEXT,
        "logs": pa.list_(_TEXT), "note": _TEXT,
    },
    "loggers": {"logger": _TEXT, "cart": _TEXT, "started": INSTANT, "ended": INSTANT, "note": _TEXT},
    "instruments": {
        "instrument": _TEXT, "kind": _TEXT, "accuracy_percent": _NUMBER, "offset": _NUMBER, "resolution": _NUMBER,
        "note": _TEXT,
    },
}  # fmt: skip

KEYS: Mapping[str, tuple[str, ...]] = {
    "carts": ("cart",),
    "packs": ("pack",),
    "fitments": ("cart", "pack", "started"),
    "settings": ("settings",),
    "tests": ("test",),
    "loggers": ("logger", "cart", "started"),
    "instruments": ("instrument",),
}

CHEMISTRIES = ("LFP", "NMC", "LTO", "flooded", "AGM", "gel")
TEST_KINDS = ("range", "capacity", "acceleration", "hill", "charge", "standing")
END_REASONS = ("cut-off", "bms-trip", "distance", "time", "speed-floor", "operator", "unknown")
