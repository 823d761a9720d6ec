"""Climb and descent from elevations that scatter.

Summing every rise counts the scatter as climb. What counts here are turning points: the way up or down between two
of them is real when it is at least `REVERSAL`. Where the boundary lies is part of the definition: over

    12 17 15 20 22 18 15 16 14 12

turning points with reversals of 3 m or more give a climb of 10 m (12 to 22) and a descent of 10 m. Counting from a
moving anchor instead, whenever it is 3 m away or more, gives a climb of 8 m.

The ends of a way are where scatter reaches furthest out, so their errors add up rather than cancel: each way may be
off by the reversal.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..reading import Floats
from ..stretch import Fixes

REVERSAL = 3.0
"""m, for receivers with a barometer or good sky. Common practice (3 to 5 m), no source."""
MEDIAN_OF = 5
"""Elevations in the running median. Common practice (5 to 9 points), no source."""


class Climb(NamedTuple):
    """Metres up and down, and the number of ways up and down they are made of."""

    up: float
    down: float
    ways: int


def climb_along(fixes: Fixes) -> Climb | None:
    """Climb and descent of the track, nothing from one segment to the next. None without elevations."""
    known = np.isfinite(fixes.elevation)
    elevation, segment = fixes.elevation[known], fixes.segment[known]
    if not len(elevation):
        return None
    parts = np.split(elevation, np.flatnonzero(np.diff(segment)) + 1)
    ways = np.concatenate([np.diff(turning_points(running_median(part))) for part in parts])
    return Climb(float(ways[ways > 0].sum()), float(-ways[ways < 0].sum()), len(ways))


def running_median(values: Floats) -> Floats:
    """Median of each value and its neighbours, MEDIAN_OF in all, fewer towards the ends so that these stay put."""
    half = (min(MEDIAN_OF, len(values)) - 1) // 2
    smooth = values.copy()
    for reach in range(1, half + 1):
        windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
        smooth[reach : len(values) - reach] = np.median(windows, axis=1)
    return smooth


def turning_points(values: Floats, reversal: float = REVERSAL) -> Floats:
    """`values` reduced to the points where they turn by `reversal` or more, and the two ends of that way.

    Ways up or down that are smaller than both their neighbours and than `reversal` are taken out with the two points
    they join (of the first and last way, the outer one), all at once, round after round, until none is left.
    """
    points = _extremes(values)
    while len(points) > 2:
        way = np.abs(np.diff(points))
        before, after = np.r_[np.inf, way[:-1]], np.r_[way[1:], np.inf]
        small = np.flatnonzero((way < reversal) & (way < before) & (way <= after))
        if not len(small):
            return points
        kept = np.ones(len(points), bool)
        kept[small[small < len(way) - 1]] = False
        kept[small[small > 0] + 1] = False
        points = points[kept]
    far = len(points) > 1 and abs(points[-1] - points[0]) >= reversal
    return points if far else points[:0]


def _extremes(values: Floats) -> Floats:
    """First, last, and every value where a rise turns into a fall or the reverse."""
    values = values[np.r_[True, np.diff(values) != 0]]
    turn = np.diff(np.sign(np.diff(values))) != 0
    return values[np.r_[True, turn, True][: len(values)]] if len(values) > 1 else values
