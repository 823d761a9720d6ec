"""Logs for the tests of stints and electrical measures: the simulated ones, and plain ones made to measure."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stints import cut
from rangebook.pipeline.stretch import Measure, Result, Samples, Stint, Stretch
from rangebook.pipeline.tables import conform

HERE = Path(__file__).parent
START = 1_760_000_000_000_000

# Simulated with PyBaMM 26.10 (BSD-3-Clause), parameter set Prada2013: one LFP cell of 2.3 Ah, charge, rest, drive to
# 2.5 V, rest, charge, rest, 1 s. Rows 12124 to 24641 (from 0) are the drive; the solver's own integrals give it
# 2.077440 A.h and 6.39976 W.h.
LFP_TRIP = HERE / "samples" / "delimited" / "lfp_udds_fulltrip_1hz.csv"
LFP_CELL = {"chemistry": "LFP", "cells_in_series": 1, "rated_capacity_ah": 2.3}
LFP_PACK = {"chemistry": "LFP", "cells_in_series": 16, "rated_capacity_ah": 105.8}


def batch(second: Any, volt: Any = None, ampere: Any = None, **other: Any) -> pa.RecordBatch:
    """A canonical samples batch that starts at START."""
    micros = START + np.round(np.asarray(second, dtype=float) * 1e6).astype(np.int64)
    columns: dict[str, pa.Array] = {"time": pa.array(micros).cast(pa.timestamp("us", "UTC"))}
    for name, values in {"voltage_volt": volt, "current_ampere": ampere, **other}.items():
        if values is not None:
            columns[name] = pa.array(np.broadcast_to(np.asarray(values, dtype=float), micros.shape), from_pandas=True)
    return conform("samples", columns)


def simulated(path: Path) -> pa.RecordBatch:
    """A simulated log, its current turned so that positive charges."""
    with path.open() as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    second, ampere, volt = (np.array([float(row[name]) for row in rows]) for name in ("t_s", "I_A", "V_V"))
    return batch(second, volt, -ampere)


def pack_trip(cycle: str) -> pa.RecordBatch:
    return simulated(HERE / "reference" / f"pack_trip_{cycle}.csv")


def samples(second: Any, volt: Any, ampere: Any, **other: Any) -> Samples:
    return Samples.of(batch(second, volt, ampere, **other))


def biggest(batch: pa.RecordBatch) -> float:
    return float(np.nanmax(np.abs(batch.column("current_ampere").to_numpy(zero_copy_only=False)), initial=0.0))


def stretch(kind: str, log: pa.RecordBatch, **facts: Any) -> Stretch:
    """A test of `kind` over all of `log`, cut as the program cuts it."""
    facts.setdefault("test", {"test": "T-1", "kind": kind})
    return Stretch(kind, Samples.of(log), stints=list(cut([log], biggest(log))), **facts)


def stint(kind: str, log: pa.RecordBatch, **facts: Any) -> Stretch:
    """One stint of `kind` over all of `log`."""
    held = Samples.of(log)
    ends = [held.start + round(float(s) * 1e6) for s in held.second[[0, -1]]]
    return Stretch(kind, held, stints=[Stint(kind, 0, len(held) - 1, *ends)], **facts)


def measured(measure: Measure, stretch: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    """Results by quantity and findings; every result is one the measure declares, in its unit, with an uncertainty."""
    results: dict[str, Result] = {}
    findings: list[Finding] = []
    units = {quantity.name: quantity.unit for quantity in measure.quantities}
    for item in measure.compute(stretch):
        if isinstance(item, Finding):
            findings.append(item)
            continue
        assert item.quantity not in results
        assert item.unit == units[item.quantity]
        assert item.u is None or item.u > 0, item
        assert item.method and np.isfinite(item.value)
        results[item.quantity] = item
    assert all(finding.severity in ("note", "warning", "problem") for finding in findings)
    return results, findings


def codes(findings: Sequence[Finding]) -> list[str]:
    return [finding.code for finding in findings]


def known(**values: float) -> Mapping[str, Result]:
    """Results of measures before: distance_metre=1000.0 and the like, with 1 % of uncertainty."""
    units = {"distance_metre": "m", "zero_offset_ampere": "A"}
    return {name: Result(name, value, units[name], abs(value) / 100 or 1e-3, "given") for name, value in values.items()}


Floats = npt.NDArray[np.float64]
