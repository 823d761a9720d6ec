"""Columns of a file as the canonical tables they fill: `samples`, `fixes`, or both from the same rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rangebook.pipeline.reading import Wholes
from rangebook.pipeline.tables import INSTANT, TABLES, conform

from .columns import Column
from .names import CELLS
from .written import Mask


def tables_of(
    values: Sequence[Column], cells: Mapping[int, pa.Array], micros: Wholes
) -> Iterator[tuple[str, pa.RecordBatch, Mask]]:
    """Name, batch and which of the rows it holds, for each table that `values` fill.

    cells: columns of the file by position. micros: the instant of each row. In a file that fills both, a row
    without a position makes no fix, and one with nothing but a position no sample.
    """
    time = pa.array(micros).cast(pa.timestamp("us")).cast(INSTANT)
    columns = {table: found for table in ("samples", "fixes") if (found := _columns(table, values, cells))}
    all_rows = np.ones(len(micros), dtype=np.bool_)
    rows = dict.fromkeys(columns, all_rows)
    if len(columns) == 2:
        places = [columns["fixes"][name] for name in ("latitude_degree", "longitude_degree")]
        rows["fixes"] = ~_all_null(places)
        rows["samples"] = ~_all_null(list(columns["samples"].values())) | ~rows["fixes"]
    for table, found in columns.items():
        segment = {"segment": pa.array(np.zeros(len(micros), dtype=np.int32))} if table == "fixes" else {}
        batch = conform(table, {"time": time, **found, **segment})
        keep = rows[table]
        yield table, batch if keep.all() else batch.filter(pa.array(keep)), keep


def _all_null(columns: Sequence[pa.Array]) -> Mask:
    """Rows in which all of `columns` are null."""
    if not all(column.null_count for column in columns):
        return np.zeros(len(columns[0]), dtype=np.bool_)
    nowhere: Mask = np.logical_and.reduce([column.is_null().to_numpy(zero_copy_only=False) for column in columns])
    return nowhere


def _columns(table: str, values: Sequence[Column], cells: Mapping[int, pa.Array]) -> dict[str, pa.Array]:
    """Columns of `table` in canonical units, by name. Voltages of cells become one column of lists."""
    own = [column for column in values if column.to.startswith(table + ".")]
    found = {column.to.split(".")[1]: _value(column, cells) for column in own if column.to != CELLS}
    lists = [_value(column, cells) for column in own if column.to == CELLS]
    if lists:
        found[CELLS.split(".")[1]] = _side_by_side(lists)
    return found


def _value(column: Column, cells: Mapping[int, pa.Array]) -> pa.Array:
    value = cells[column.position]
    if not column.number:
        return value
    if column.factor != 1.0:
        value = pc.multiply(value, column.factor)
    if column.offset:
        value = pc.add(value, column.offset)
    if column.sign == "discharge-positive" and column.to == "samples.net_capacity_ah":
        value = pc.negate(value)
    table, name = column.to.split(".")
    return _whole(value) if pa.types.is_integer(TABLES[table].field(name).type) else value


def _whole(value: pa.Array) -> pa.Array:
    """Numbers that are whole and fit 32 bits; others null."""
    fits = pc.and_(pc.less(pc.abs(value), 2**31), pc.equal(pc.round(value), value))
    return pc.if_else(fits, value, pa.scalar(None, pa.float64())).cast(pa.int32())


def _side_by_side(columns: Sequence[pa.Array]) -> pa.Array:
    """n columns as one column of lists of n."""
    flat = np.column_stack([column.to_numpy(zero_copy_only=False) for column in columns])
    offsets = np.arange(0, flat.size + 1, len(columns), dtype=np.int32)
    return pa.ListArray.from_arrays(pa.array(offsets), pa.array(flat.ravel(), from_pandas=True))
