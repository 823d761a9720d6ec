"""Temperature of the pack (temperature_t1_celsius): at the start, at most, how far it rose, how far above the air."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from ..chemistry import cell_of
from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .parts import main_parts
from .windows import above

START_SECOND = 60.0
PACK, AIR = "temperature_t1_celsius", "ambient_temperature_celsius"
FREEZING = 0.0


class _Course(NamedTuple):
    """Temperature (Cel) over time (s, NaN where a mark has none), and where it is from."""

    second: Floats
    celsius: Floats
    method: str


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and a stated maximum that was passed."""
    course = _course(stretch)
    if course is None:
        return
    u = un.thermometer(stretch.instruments)
    start, most = _start(course), float(np.max(course.celsius))
    yield Result("temperature_start", start, "Cel", u, course.method)
    yield Result("temperature_max", most, "Cel", u, course.method)
    note = "one thermometer: the same uncertainty, as how much of it both readings share is not known"
    yield Result("temperature_rise", most - start, "K", u, course.method, note=note)
    air = _air(stretch)
    if air is not None:
        u_over = un.combine(u, un.of_limit(un.DEFAULT_THERMOMETER_KELVIN))
        yield Result("temperature_over_ambient", most - air[0], "K", u_over, air[1])
    yield from _too_hot(stretch, course)
    yield from _charged_frozen(stretch, course)


def _course(stretch: Stretch) -> _Course | None:
    parts = [part for part in main_parts(stretch) if PACK in part.other]
    if parts:
        second, celsius = (np.concatenate(c) for c in zip(*((p.second, p.other[PACK]) for p in parts), strict=True))
        known = np.isfinite(celsius)
        if known.any():
            return _Course(second[known], celsius[known], "log")
    marked = [float(mark[PACK]) for mark in stretch.marks if mark.get(PACK) is not None]
    return _Course(np.full(len(marked), np.nan), np.array(marked), "marks") if marked else None


def _start(course: _Course) -> float:
    """Mean of the first minute (Cel), the first reading where there are only marks."""
    if course.method == "marks":
        return float(course.celsius[0])
    return float(np.mean(course.celsius[course.second <= course.second[0] + START_SECOND]))


def _air(stretch: Stretch) -> tuple[float, str] | None:
    """Temperature of the air (Cel) and where it is from: the log, else the marks, else the sheet."""
    logged = [part.other[AIR] for part in main_parts(stretch) if AIR in part.other]
    known = np.concatenate([*logged, np.empty(0)])
    known = known[np.isfinite(known)]
    if len(known):
        return float(np.mean(known)), "air-log"
    marked = [float(mark[AIR]) for mark in stretch.marks if mark.get(AIR) is not None]
    if marked:
        return float(np.mean(marked)), "air-marks"
    stated = stretch.test.get("ambient_celsius")
    return None if stated is None else (float(stated), "air-sheet")


def _too_hot(stretch: Stretch, course: _Course) -> Iterator[Finding]:
    limit = stretch.pack.get("maximum_temperature_celsius")
    most = float(np.max(course.celsius))
    if limit is None or most <= float(limit):
        return
    spent = above(course.second, course.celsius, float(limit))[0] if course.method == "log" else 0.0
    long = f" for {spent:.0f} s" if spent else ""
    words = f"above its stated maximum of {float(limit):g} °C{long}: {most:.1f} °C"
    yield Finding("above-rating", "warning", words)


def _charged_frozen(stretch: Stretch, course: _Course) -> Iterator[Finding]:
    """Charging below 0 °C, which makers of lithium cells rule out (common practice, no source)."""
    cell = cell_of(stretch.pack)
    least = float(np.min(course.celsius))
    if stretch.kind == "charge" and cell and cell.family == "lithium" and least < FREEZING:
        words = f"charged at {least:.1f} °C: makers of lithium cells rule out charging below 0 °C, ask the pack's maker"
        yield Finding("cold-charge", "warning", words)


MEASURE = Measure(
    "heat",
    "1",
    "Temperature of the pack.",
    (
        Quantity("temperature_start", "Cel", "temperature of the pack at the start"),
        Quantity("temperature_max", "Cel", "highest temperature of the pack"),
        Quantity("temperature_rise", "K", "highest temperature of the pack less that at the start"),
        Quantity("temperature_over_ambient", "K", "highest temperature of the pack less that of the air"),
    ),
    compute,
)
