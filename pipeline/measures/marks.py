"""Volts that a person wrote down, and when."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from ..stretch import Stretch
from .parts import main_stints

START_SECOND, START_METRE = 300.0, 100.0
"""A mark within this of the start tells of the start."""


def micros(instant: Any) -> int | None:
    """Microseconds since 1970 UTC of an aware datetime; a whole number is taken to be that already."""
    if isinstance(instant, datetime):
        return round(instant.timestamp() * 1e6)
    return None if instant is None else int(instant)


def span(stretch: Stretch) -> tuple[int | None, int | None]:
    """First and last microsecond of what the stretch is about: by its log, else by its sheet."""
    stints = main_stints(stretch)
    if stints:
        return stints[0].started, stints[-1].ended
    return micros(stretch.test.get("started")), micros(stretch.test.get("ended"))


def since_start(stretch: Stretch, mark: Mapping[str, Any]) -> float | None:
    """Seconds from the start of the stretch to `mark`, None where that is not known."""
    at, started = micros(mark.get("time")), span(stretch)[0]
    if at is not None and started is not None:
        return (at - started) / 1e6
    elapsed = mark.get("elapsed_second")
    return None if elapsed is None else float(elapsed)


def rest_before(stretch: Stretch) -> float | None:
    """Rest volts of the first mark, where it was made at the start: not more than 100 m or 300 s into the test."""
    for mark in stretch.marks:
        if mark.get("rest_voltage_volt") is None:
            continue
        second, metre = since_start(stretch, mark), mark.get("distance_metre")
        early = second is not None and second <= START_SECOND
        near = metre is not None and metre <= START_METRE
        return float(mark["rest_voltage_volt"]) if near or (early and metre is None) else None
    return None


def rest_after(stretch: Stretch) -> tuple[float, float] | None:
    """Rest volts of the last mark that has any, and how many seconds after the end it was made (negative: before)."""
    started, ended = span(stretch)
    rested = [mark for mark in stretch.marks if mark.get("rest_voltage_volt") is not None]
    second = since_start(stretch, rested[-1]) if rested else None
    if started is None or ended is None or second is None:
        return None
    return float(rested[-1]["rest_voltage_volt"]), second - (ended - started) / 1e6


def lowest_loaded(stretch: Stretch) -> float | None:
    """The lowest loaded volts of all marks."""
    volts = [
        float(mark["loaded_voltage_volt"]) for mark in stretch.marks if mark.get("loaded_voltage_volt") is not None
    ]
    return min(volts, default=None)
