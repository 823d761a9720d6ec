"""Parts of an uncertainty, combined by the GUM (JCGM 100:2008).

Every figure here is one standard uncertainty (a half-width at about 68 %). An accuracy stated as a limit with
nothing known of what lies between is a rectangular distribution, limit / sqrt(3) (4.3.7); parts that do not hang
together add as the root of the sum of squares (5.1.2). An instrument's gain is one part shared by everything it
read, so figures of the same instrument are not independent and their ratio loses it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..reading import Floats

DEFAULT_PERCENT: Mapping[str, float] = {"shunt": 1.0, "voltmeter": 0.25, "gps": 1.0, "odometer": 1.0}
"""Accuracy taken for an instrument the register does not know, % of reading. Common practice, no source."""
DEFAULT_THERMOMETER_KELVIN = 1.0
"""The same for a thermometer, K. The tolerance in Regulation (EU) 134/2014, Annex VII, table Ap3.3.-1."""
MOST_DOUBT = 1 / 3
"""Share of a peak or a sag that its uncertainty may be; beyond it there is no figure. Common practice, no source."""
LEAST_READINGS = 10


def combine(*parts: float) -> float:
    """Root of the sum of squares of independent `parts`, all in one unit (JCGM 100:2008, 5.1.2)."""
    return math.sqrt(sum(part * part for part in parts))


def of_limit(limit: float) -> float:
    """Standard uncertainty of a value known to lie within +-`limit`, same unit (JCGM 100:2008, 4.3.7)."""
    return abs(limit) / math.sqrt(3.0)


def of_step(step: float) -> float:
    """Standard uncertainty of a value read to the nearest `step`, same unit (JCGM 100:2008, F.2.2.1)."""
    return abs(step) / math.sqrt(12.0)


def gain(instruments: Mapping[str, Mapping[str, Any]], kind: str) -> float:
    """Standard uncertainty of the gain of the instrument of `kind`, as a share of the reading (1)."""
    stated = instruments.get(kind, {}).get("accuracy_percent")
    return of_limit((DEFAULT_PERCENT[kind] if stated is None else float(stated)) / 100.0)


def thermometer(instruments: Mapping[str, Mapping[str, Any]]) -> float:
    """Standard uncertainty of a thermometer's reading (K): its stated `offset` is the limit, else 1 K."""
    stated = instruments.get("thermometer", {}).get("offset")
    return of_limit(DEFAULT_THERMOMETER_KELVIN if stated is None else float(stated))


def resolution(instruments: Mapping[str, Mapping[str, Any]], kind: str, values: Floats) -> float:
    """The step between readings of the instrument of `kind`: as stated, else the smallest between two of `values`.

    A thousandth of the largest when too few of them differ to tell; never 0.
    """
    import numpy as np

    stated = instruments.get(kind, {}).get("resolution")
    if stated:
        return float(stated)
    seen = np.unique(values[np.isfinite(values)][:20_000])
    if len(seen) >= LEAST_READINGS:
        return float(np.diff(seen).min())
    return float(np.max(np.abs(seen), initial=0.0)) / 1000.0 or 1e-3
