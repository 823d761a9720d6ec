"""What a pack loses while it stands: volts a day, and the current that is drawn.

The volts of a pack go on settling for hours after a drive or a charge, so the first eight hours are left out (a rest of
eight hours or more before reading is common practice, no source). The rest is a straight line through hourly means.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Result, Samples, Stretch
from . import uncertainty as un
from .flow import HOUR
from .least_squares import fit
from .parts import main_parts, weights
from .zero import AMPERE

DAY = 86400.0
SETTLING_SECOND = 8 * HOUR
LEAST_HOURS = 6
MOST_DOUBT = 1 / 3


def standing(stretch: Stretch) -> Iterator[Result | Finding]:
    """self_discharge_volt_per_day and standing_current_ampere of the longest rest, if it lasted a day or more."""
    parts = sorted(main_parts(stretch), key=lambda part: float(part.second[-1] - part.second[0]))
    if not parts or parts[-1].second[-1] - parts[-1].second[0] < DAY:
        return
    yield from _volts(stretch, parts[-1])
    yield from _current(stretch, parts[-1])


def _volts(stretch: Stretch, part: Samples) -> Iterator[Result]:
    known = np.isfinite(part.volt) & (part.second >= part.second[0] + SETTLING_SECOND)
    if known.sum() < LEAST_HOURS:
        return
    second, volt = part.second[known], part.volt[known]
    hours = hourly(second, volt)
    if len(hours[0]) < LEAST_HOURS:
        return
    slope, u = slope_of(*hours)
    days = float(second[-1] - second[0]) / DAY
    step = un.of_step(un.resolution(stretch.instruments, "voltmeter", part.volt)) * np.sqrt(2) / days
    u = un.combine(u * DAY, step / np.sqrt(len(hours[0]) / 2), un.gain(stretch.instruments, "voltmeter") * slope * DAY)
    note = f"over {days:.1f} days, the first 8 h left out; warming or cooling of the pack is in it"
    yield Result("self_discharge_volt_per_day", -slope * DAY, "V/d", float(u), "line-through-hours", note=note)


def hourly(second: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Mean time (s) and mean value of each hour that has samples."""
    hour = np.floor((second - second[0]) / HOUR).astype(np.int64)
    _, place, count = np.unique(hour, return_inverse=True, return_counts=True)
    return np.bincount(place, second) / count, np.bincount(place, value) / count


def slope_of(second: Floats, value: Floats) -> tuple[float, float]:
    """Slope of the straight line through n points, in the value's unit a second, and its standard uncertainty.

    Neighbours that scatter together tell less than they count: of the line's rest, correlated r from one to the next, n
    points are worth n (1 - r) / (1 + r) (Bartlett 1935, J. Royal Statistical Society 98:536, from memory).
    """
    found = fit(np.c_[np.ones(len(second)), second - second.mean()], value)
    rest = value - found.value[0] - found.value[1] * (second - second.mean())
    power = float(rest @ rest)
    together = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    together = min(max(together, 0.0), 0.95)
    return float(found.value[1]), float(found.u[1] * np.sqrt((1 + together) / (1 - together)))


def _current(stretch: Stretch, part: Samples) -> Iterator[Result | Finding]:
    known = np.isfinite(part.ampere)
    if known.sum() < LEAST_HOURS:
        return
    ampere = -float(np.average(part.ampere[known], weights=weights(part.second[known])))
    stated = stretch.instruments.get("shunt", {}).get("offset")
    zero = un.of_limit(AMPERE if stated is None else float(stated))
    u = un.combine(zero, un.gain(stretch.instruments, "shunt") * ampere)
    if u > MOST_DOUBT * abs(ampere):
        words = f"{ampere:.3f} A drawn at rest is no more than the zero of the shunt may be off ({u:.2g} A): no figure"
        yield Finding("standing-unclear", "note", words)
        return
    yield Result("standing_current_ampere", ampere, "A", u, "mean", note="the zero of the shunt is in its uncertainty")
