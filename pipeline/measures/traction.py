"""What the pack gives and what the road takes, over windows of a drive.

Over a window the energy balance needs no acceleration, only the speeds and heights at its ends, so that noise and lags
of some seconds matter little. Two kinds of windows say something: those in which the motor pulls throughout (a brake
takes what nothing measures, and so does regen), and those in which the cart stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from .along import STANDING
from .motion import Motion
from .parts import Flags, gap_limit, usual_step

STAND_SECOND = 5.0
LEAST_STEPS = 3
LEAST_SHARE = 0.6
"""Of a window's width that the end of a pull must still have to be a window. Common practice, no source."""
PULL_SHARE = 0.1
"""Of the power that is exceeded a tenth of the time: more than this pulls, less coasts. Common practice, no source."""

STEEPEST = 0.35
"""Rise over way. What shows more is a height that leaps. Common practice, no source."""


@dataclass(frozen=True)
class Windows:
    """n windows. second: start, s. watt: mean power drawn, W. volt: mean, V. speed: mean, m/s. cube: mean of its cube,
    m3/s3. swing: gain of half its square a second, W/kg. lift: gain of height, m/s. moving: pulling, else standing."""

    second: Floats
    watt: Floats
    volt: Floats
    speed: Floats
    cube: Floats
    swing: Floats
    lift: Floats
    moving: Flags

    def __len__(self) -> int:
        return len(self.second)

    def only(self, chosen: Flags) -> Windows:
        return Windows(**{name: column[chosen] for name, column in vars(self).items()})


def windows_of(parts: Sequence[Motion], width: float) -> Windows:
    """Windows of about `width` s in which the motor pulls, where speed and height are known, and of STAND_SECOND in
    which the cart stands; in order of time."""
    level = _pull_level(parts)
    found = [
        _windows(part, flags, wide, moving)
        for part in parts
        for flags, wide, moving in (
            (part.watt > level, width, True),
            ((part.speed < STANDING) & (np.abs(part.watt) < level), STAND_SECOND, False),
        )
    ]
    names = vars(found[0]) if found else ()
    whole = Windows(**{name: np.concatenate([getattr(one, name) for one in found]) for name in names})
    order = np.argsort(whole.second, kind="stable")
    return Windows(**{name: column[order] for name, column in vars(whole).items()})


def _pull_level(parts: Sequence[Motion]) -> float:
    watt = np.concatenate([part.watt for part in parts])
    watt = watt[np.isfinite(watt)]
    return PULL_SHARE * max(float(np.percentile(watt, 90)), 0.0) if len(watt) else np.inf


def _windows(part: Motion, flags: Flags, width: float, moving: bool) -> Windows:
    first, last = spans(part.second, flags & np.isfinite(part.speed), max(width, LEAST_STEPS * usual_step(part.second)))
    second = part.second[last] - part.second[first]
    watt, volt, speed, cube = (
        _mean(part.second, one, first, last) for one in (part.watt, part.volt, part.speed, part.speed**3)
    )
    swing, lift = ((one[last] - one[first]) / second for one in (part.speed**2 / 2, part.height))
    if not moving:
        speed = cube = swing = lift = np.zeros(len(first))
    found = Windows(part.second[first], watt, volt, speed, cube, swing, lift, np.full(len(first), moving))
    return found.only(np.isfinite(found.watt) & (np.abs(found.lift) <= STEEPEST * found.speed))


def spans(second: Floats, flags: Flags, width: float) -> tuple[np.ndarray, np.ndarray]:
    """First and last rows of the windows into which rows with `flags` fall: `width` s long, the last of a run at least
    LEAST_SHARE of it. A run ends with the flags and at a gap; neighbours share the row between them."""
    if len(second) < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    step = np.diff(second)
    ends = (np.diff(flags) != 0) | (step > gap_limit(second))
    run = np.r_[0, np.cumsum(ends)]
    since = second - second[np.flatnonzero(np.r_[True, ends])][run]
    starts = np.flatnonzero(np.r_[True, ends | (np.diff(np.floor(since / width)) > 0)])
    last = np.r_[starts[1:], len(second) - 1]
    last = np.where(run[last] == run[starts], last, last - 1)
    kept = flags[starts] & (second[last] - second[starts] >= LEAST_SHARE * width)
    return starts[kept], last[kept]


def _mean(second: Floats, value: Floats, first: np.ndarray, last: np.ndarray) -> Floats:
    """Mean of the line through `value` from row `first` to row `last`, NaN where one is missing."""
    missing = np.r_[0, np.cumsum(~np.isfinite(value))]
    area = np.r_[0.0, np.cumsum(np.diff(second) * _middle(np.nan_to_num(value)))]
    mean = (area[last] - area[first]) / (second[last] - second[first])
    return np.asarray(np.where(missing[last + 1] == missing[first], mean, np.nan))


def _middle(value: Floats) -> Floats:
    return np.asarray((value[1:] + value[:-1]) / 2)
