"""Every Hypothesis strategy of these tests."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
from hypothesis import strategies as st

from rangebook.pipeline import Rows, conform

SECOND = 1_000_000
START = 1_780_000_000 * SECOND  # an instant in 2026
INSTANT = pa.timestamp("us", tz="UTC")

# Steps from row to row in seconds: on, twice the same, a little back, far back, a pause, a clock reset.
STEPS = st.sampled_from(
    [1, 1, 1, 1, 1, 0, 2, 30, -1, -3, -59, -60, -61, -300, 400, 4000, -20_000, 30_000, -900_000_000]
)
VOLTS = st.sampled_from([52.0, 51.5, 0.0, -1.0, 1500.0, 1500.5, 1e9, float("nan"), float("inf"), -float("inf"), None])
LIKELY_VOLTS = st.one_of(st.just(52.0), st.just(51.0), st.just(50.0), VOLTS)
DEGREES = st.sampled_from([25.0, 24.0, 250.0, 250.1, -61.0, float("nan"), None])
CELLS = st.one_of(st.none(), st.lists(st.sampled_from([3.3, 3.2, 11.0, float("nan"), None]), max_size=4))


@st.composite
def times(draw: st.DrawFn, steps: st.SearchStrategy[int] = STEPS, most: int = 60) -> list[int]:
    """Instants of a file, microseconds, in its order; one file in three runs backwards."""
    taken = draw(st.lists(steps, min_size=1, max_size=most))
    way = draw(st.sampled_from([1, 1, -1]))
    return [START + way * SECOND * int(second) for second in np.cumsum(taken)]


@st.composite
def sample_rows(draw: st.DrawFn) -> Rows:
    """A samples table with all that may be wrong with one."""
    instants: list[int | None] = list(draw(times()))
    count = len(instants)
    if draw(st.booleans()):
        instants[draw(st.integers(0, count - 1))] = None
    columns = {
        "time": pa.array(instants, pa.int64()).cast(INSTANT),
        "voltage_volt": pa.array(draw(st.lists(LIKELY_VOLTS, min_size=count, max_size=count)), pa.float64()),
        "current_ampere": pa.array(draw(st.lists(LIKELY_VOLTS, min_size=count, max_size=count)), pa.float64()),
        "temperature_t1_celsius": pa.array(draw(st.lists(DEGREES, min_size=count, max_size=count)), pa.float64()),
        "cell_voltage_volt": pa.array(draw(st.lists(CELLS, min_size=count, max_size=count)), pa.list_(pa.float64())),
    }
    return Rows("samples", conform("samples", columns), np.arange(2, count + 2, dtype=np.int64))


@st.composite
def fix_rows(draw: st.DrawFn) -> Rows:
    """A fixes table: some without time, some without position, several segments."""
    instants = draw(times())
    count = len(instants)
    missing = draw(st.lists(st.booleans(), min_size=count, max_size=count))
    columns = {
        "time": pa.array([None if gone else t for t, gone in zip(instants, missing, strict=True)], pa.int64()).cast(
            INSTANT
        ),
        "segment": pa.array(np.cumsum(draw(st.lists(st.sampled_from([0, 0, 0, 1]), min_size=count, max_size=count)))),
        "latitude_degree": pa.array(
            draw(st.lists(st.sampled_from([45.0, 45.1, 90.5, None]), min_size=count, max_size=count)), pa.float64()
        ),
        "longitude_degree": pa.array(np.full(count, 14.0)),
        "fix": pa.array(draw(st.lists(st.sampled_from(["3d", "2d", None]), min_size=count, max_size=count))),
    }
    return Rows("fixes", conform("fixes", columns), np.arange(1, count + 1, dtype=np.int64))


@st.composite
def pieces(draw: st.DrawFn, rows: Rows) -> list[Rows]:
    """`rows` in several batches."""
    count = len(rows.batch)
    cuts = sorted(draw(st.sets(st.integers(1, count - 1), max_size=5))) if count > 1 else []
    edges = [0, *cuts, count]
    return [part(rows, first, end) for first, end in pairwise(edges)]


def part(rows: Rows, first: int, end: int) -> Rows:
    """Rows first to end (not included) of a batch."""
    line = None if rows.line is None else rows.line[first:end]
    text = rows.text
    return Rows(
        rows.table, rows.batch.slice(first, end - first), line, None if text is None else lambda i: text(first + i)
    )
