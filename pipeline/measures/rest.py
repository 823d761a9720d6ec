"""Volts at rest before and after a discharge, the lowest under load, and the sag between."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from ..reading import Floats
from ..stretch import Result, Samples, Stint, Stretch
from . import uncertainty as un
from .marks import lowest_loaded, rest_after, rest_before
from .parts import load_level, main_kind, main_parts, main_stints
from .windows import heaviest

MEAN_SECOND = 60.0
LEAST_REST_SECOND = 600.0
SAG_SECOND = 10.0
SAG_BEFORE_SECOND = 120.0
MARK_STEP_VOLT = 0.1
"""What people read a meter to, V."""


def voltages(stretch: Stretch) -> Iterator[Result]:
    """rest_start_volt, rest_end_volt, lowest_loaded_volt and sag_volt, as far as the stretch holds them."""
    if main_kind(stretch) == "charge":
        return
    for found in (rest_start(stretch), rest_end(stretch), lowest(stretch), sag(stretch)):
        if found is not None:
            yield found


def _volt_u(stretch: Stretch, volt: float, step: float) -> float:
    return un.combine(un.gain(stretch.instruments, "voltmeter") * volt, un.of_step(step))


def _logged(stretch: Stretch, quantity: str, volt: float, method: str, note: str) -> Result:
    step = 0.0 if stretch.samples is None else un.resolution(stretch.instruments, "voltmeter", stretch.samples.volt)
    return Result(quantity, volt, "V", _volt_u(stretch, volt, step), method, note=note)


def _marked(stretch: Stretch, quantity: str, volt: float, note: str) -> Result:
    return Result(quantity, volt, "V", _volt_u(stretch, volt, MARK_STEP_VOLT), "mark", note=note)


def rest_start(stretch: Stretch) -> Result | None:
    """Volts at the end of the rest just before the discharge; without one, of the mark made at the start, else of what
    the log shows before the first load."""
    if main_kind(stretch) != "drive":
        return None
    before = _stint_beside(stretch, -1)
    if before is not None and np.isfinite(before.volt).any():
        note = f"last minute of {_hours(before)} at rest"
        return _logged(stretch, "rest_start_volt", _mean_of_last(before), "rest", note)
    marked = rest_before(stretch)
    if marked is not None:
        return _marked(stretch, "rest_start_volt", marked, "as written at the start")
    idle = _before_load(stretch)
    if idle is None:
        return None
    return _logged(
        stretch, "rest_start_volt", _mean_of_last(idle), "before-load", f"{_hours(idle)} before the first load"
    )


def rest_end(stretch: Stretch) -> Result | None:
    """Volts at the end of the rest just after the discharge (a rest itself: at its end), where it lasted ten minutes;
    else of a mark made that long after the end."""
    after = _last_main(stretch) if main_kind(stretch) == "rest" else _stint_beside(stretch, 1)
    if after is not None and np.isfinite(after.volt).any() and _length(after) >= LEAST_REST_SECOND:
        note = f"after {_hours(after)} of rest"
        return _logged(stretch, "rest_end_volt", _mean_of_last(after), "rest", note)
    marked = rest_after(stretch)
    if marked is None or marked[1] < LEAST_REST_SECOND:
        return None
    return _marked(stretch, "rest_end_volt", marked[0], f"as written {marked[1] / 60:.0f} min after the end")


def lowest(stretch: Stretch) -> Result | None:
    """The lowest volts of any sample under load; without a log, of the marks."""
    load = load_level(stretch.samples)
    volts = [part.volt[(part.ampere < -load) & np.isfinite(part.volt)] for part in main_parts(stretch)]
    loaded = np.concatenate([*volts, np.empty(0)])
    if len(loaded):
        return _logged(stretch, "lowest_loaded_volt", float(loaded.min()), "lowest-sample", "")
    marked = lowest_loaded(stretch)
    return None if marked is None else _marked(stretch, "lowest_loaded_volt", marked, "the lowest written down")


def sag(stretch: Stretch) -> Result | None:
    """How far (V) the heaviest 10 s of discharge pull the voltage below what it last was without load, at most two
    minutes before: so near that the state of charge is the same."""
    load = load_level(stretch.samples)
    found = [one for one in (_sag_in(part, load) for part in main_parts(stretch)) if one is not None]
    if not found or stretch.samples is None:
        return None
    ampere, volt = max(found)
    step = un.resolution(stretch.instruments, "voltmeter", stretch.samples.volt)
    u = un.combine(un.gain(stretch.instruments, "voltmeter") * volt, un.of_step(step) * np.sqrt(2))
    return Result("sag_volt", volt, "V", float(u), "heaviest-10s", note=f"at {ampere:.0f} A")


def _sag_in(part: Samples, load: float) -> tuple[float, float] | None:
    """Mean discharge (A) of the heaviest 10 s of `part`, and the sag (V) it made."""
    known = np.isfinite(part.volt) & np.isfinite(part.ampere)
    second, volt, ampere = part.second[known], part.volt[known], part.ampere[known]
    hard = heaviest(second, -ampere, SAG_SECOND)
    if hard is None or hard.mean <= load:
        return None
    idle = np.flatnonzero(
        (np.abs(ampere) <= load) & (second <= hard.start) & (second >= hard.start - SAG_BEFORE_SECOND)
    )
    if not len(idle):
        return None
    loaded = _mean_between(second, volt, hard.start, hard.start + SAG_SECOND)
    return hard.mean, float(volt[idle[-1]]) - loaded


def _mean_between(second: Floats, volt: Floats, start: float, end: float) -> float:
    """Mean of the broken line through (second, volt) from `start` to `end` (s)."""
    inside = (second > start) & (second < end)
    at = np.r_[start, second[inside], end]
    values = np.r_[np.interp(start, second, volt), volt[inside], np.interp(end, second, volt)]
    return float(np.trapezoid(values, at) / (end - start))


def _stint_beside(stretch: Stretch, way: int) -> Samples | None:
    """The rest just before (-1) the first main stint or just after (1) the last."""
    stints = main_stints(stretch)
    if not stints or stretch.samples is None:
        return None
    edge = stints[0].first if way < 0 else stints[-1].last
    for one, other in pairwise([_EDGE, *stretch.stints, _EDGE]):
        rest, main = (one, other) if way < 0 else (other, one)
        beside = main.first == edge if way < 0 else main.last == edge
        if beside and rest.kind == "rest":
            return stretch.samples.part(rest.first, rest.last)
    return None


def _last_main(stretch: Stretch) -> Samples | None:
    parts = main_parts(stretch)
    return parts[-1] if parts else None


_EDGE = Stint("", -1, -1, None, None)


def _before_load(stretch: Stretch) -> Samples | None:
    """What the first main part shows before its first load, None where that is nothing."""
    parts = main_parts(stretch)
    if not parts or not np.isfinite(parts[0].ampere).any():
        return None
    busy = np.flatnonzero(np.abs(parts[0].ampere) > load_level(stretch.samples))
    idle = parts[0].part(0, int(busy[0]) - 1) if len(busy) and busy[0] > 0 else None
    return idle if idle is not None and np.isfinite(idle.volt).any() else None


def _mean_of_last(part: Samples) -> float:
    known = np.isfinite(part.volt)
    second, volt = part.second[known], part.volt[known]
    return float(np.mean(volt[second >= second[-1] - MEAN_SECOND]))


def _length(part: Samples) -> float:
    return float(part.second[-1] - part.second[0])


def _hours(part: Samples) -> str:
    second = _length(part)
    return (
        f"{second / 3600:.1f} h" if second >= 5400 else f"{second / 60:.0f} min" if second >= 90 else f"{second:.0f} s"
    )
