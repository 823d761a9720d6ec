"""Volts at rest before and after a discharge, the lowest under load, and the sag between."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Result, Samples, Stint, Stretch
from . import uncertainty as un
from .marks import lowest_loaded, rest_after, rest_before
from .parts import load_level, main_kind, main_parts, main_stints, usual_step
from .thinning import Part, hidden
from .windows import heaviest

MEAN_SECOND = 60.0
LEAST_REST_SECOND = 600.0
SAG_SECOND = 10.0
SAG_BEFORE_SECOND = 120.0
MARK_STEP_VOLT = 0.1
"""What people read a meter to, V."""


def voltages(stretch: Stretch) -> Iterator[Result | Finding]:
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


def lowest(stretch: Stretch) -> Result | Finding | None:
    """The lowest volts of any sample under load, with what may hide between samples (see thinning.py); without a log,
    of the marks."""
    parts = [(part.second, part.volt, part.ampere) for part in main_parts(stretch)]
    figure = partial(_lowest_under, load_level(stretch.samples))
    volt = figure(parts)
    if volt is not None:
        found = _logged(stretch, "lowest_loaded_volt", volt, "lowest-sample", _BETWEEN)
        return _if_clear(replace(found, u=un.combine(found.u or 0.0, hidden(parts, figure))), parts)
    marked = lowest_loaded(stretch)
    return None if marked is None else _marked(stretch, "lowest_loaded_volt", marked, "the lowest written down")


_BETWEEN = "between samples it may have been less"


def _lowest_under(load: float, parts: Sequence[Part]) -> float | None:
    """The lowest volts of any sample that draws more than `load` (A)."""
    volts = [volt[(ampere < -load) & np.isfinite(volt)] for _, volt, ampere in parts]
    return min((float(one.min()) for one in volts if len(one)), default=None)


def sag(stretch: Stretch) -> Result | Finding | None:
    """How far (V) the heaviest 10 s of discharge pull the voltage below what it last was without load, at most two
    minutes before: so near that the state of charge is the same. Not where those 10 s hold less than two steps, nor
    where what hides between samples (see thinning.py) is more than a third of it."""
    parts = [(part.second, part.volt, part.ampere) for part in main_parts(stretch)]
    load = load_level(stretch.samples)
    found = _sag_of(load, parts)
    if found is None or stretch.samples is None:
        return None
    ampere, volt = found
    step = un.resolution(stretch.instruments, "voltmeter", stretch.samples.volt)
    between = hidden(parts, lambda some: (_sag_of(load, some) or (0.0, None))[1], SAG_SECOND)
    between = between if 2 * _step(parts) <= SAG_SECOND else np.inf
    u = un.combine(un.gain(stretch.instruments, "voltmeter") * volt, un.of_step(step) * 2**0.5, between)
    return _if_clear(Result("sag_volt", volt, "V", u, "heaviest-10s", note=f"at {ampere:.0f} A"), parts)


def _if_clear(found: Result, parts: Sequence[Part]) -> Result | Finding:
    """`found`, or why there is no such figure where it is mostly doubt."""
    if found.u is not None and found.u <= un.MOST_DOUBT * abs(found.value):
        return found
    words = f"one sample in {_step(parts):.3g} s does not show it, so there is no {found.quantity}"
    return Finding("volts-unclear", "note", f"{words}: it would be {found.value:.2f} V")


def _step(parts: Sequence[Part]) -> float:
    return max(usual_step(part[0]) for part in parts)


def _sag_of(load: float, parts: Sequence[Part]) -> tuple[float, float] | None:
    """Mean discharge (A) of the heaviest 10 s of all `parts`, and the sag (V) it made."""
    return max((one for one in (_sag_in(part, load) for part in parts) if one is not None), default=None)


def _sag_in(part: Part, load: float) -> tuple[float, float] | None:
    known = np.isfinite(part[1]) & np.isfinite(part[2])
    second, volt, ampere = (column[known] for column in part)
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
