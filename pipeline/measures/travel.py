"""What a speed channel tells: distance, time on the move, top speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from .along import STANDING
from .parts import Flags, gap_limit

HELD_SECOND = 3.0
TINY_SECOND = 5e-7
"""Half the microsecond that times are counted in."""


@dataclass(frozen=True)
class Trace:
    """Speed over ground of one part of a drive, n samples: second (s, ascending), speed (m/s, not negative), no NaN."""

    second: Floats
    speed: Floats

    @classmethod
    def of(cls, second: Floats, speed: Floats) -> Trace:
        """From a channel in which reversing may be negative and values may be missing."""
        known = np.isfinite(second) & np.isfinite(speed)
        return cls(second[known], np.abs(speed[known]))

    def __len__(self) -> int:
        return len(self.second)

    @property
    def step(self) -> Floats:
        return np.diff(self.second)

    @property
    def whole(self) -> Flags:
        """Steps (n - 1) that are no gap."""
        return np.asarray(self.step <= gap_limit(self.second))

    def run(self) -> Floats:
        """Metres (n) from the first sample on, by trapezoid; nothing in gaps."""
        metre = self.step * (self.speed[1:] + self.speed[:-1]) / 2
        return np.asarray(np.r_[0.0, np.cumsum(np.where(self.whole, metre, 0.0))])

    def mean_between(self, second: Floats) -> Floats:
        """Mean speed (m/s) between each of n instants (s, ascending) and the next, n - 1; NaN where the trace does not
        cover all the time between."""
        covered = (second >= self.second[0]) & (second <= self.second[-1])
        lost = np.r_[0.0, np.cumsum(np.where(self.whole, 0.0, self.step))]
        metre, missing = (np.diff(np.interp(second, self.second, one)) for one in (self.run(), lost))
        step = np.diff(second)
        known = covered[1:] & covered[:-1] & (missing == 0) & (step > 0)
        return np.asarray(np.divide(metre, step, out=np.full(len(step), np.nan), where=known))


@dataclass(frozen=True)
class Travel:
    """metre: distance. second: time covered. moving_second: of it on the move. between: what may hide between
    samples (m, one standard uncertainty). usual: median speed on the move, m/s. turns: how often it starts or stops.
    top: highest speed held for 3 s, None when nothing lasts that long."""

    metre: float
    second: float
    moving_second: float
    between: float
    usual: float
    turns: int
    top: float | None


def travel_along(traces: Sequence[Trace]) -> Travel | None:
    """The parts of a drive taken together; None when there is nothing to go by."""
    traces = [trace for trace in traces if len(trace) > 1]
    if not traces:
        return None
    step = np.concatenate([trace.step[trace.whole] for trace in traces])
    mean = np.concatenate([((trace.speed[1:] + trace.speed[:-1]) / 2)[trace.whole] for trace in traces])
    moving = mean >= STANDING
    tops = [top for trace in traces if (top := held(trace)) is not None]
    return Travel(
        metre=float((step * mean).sum()),
        second=float(step.sum()),
        moving_second=sum(_above(trace) for trace in traces),
        between=float(np.linalg.norm([_between(trace) for trace in traces])),
        usual=float(np.median(mean[moving])) if moving.any() else 0.0,
        turns=int(np.count_nonzero(np.diff(moving))),
        top=max(tops, default=None),
    )


def _above(trace: Trace) -> float:
    """Seconds for which the line through the samples is not below STANDING."""
    high, low = np.maximum(trace.speed[1:], trace.speed[:-1]), np.minimum(trace.speed[1:], trace.speed[:-1])
    level = (high >= STANDING).astype(float)
    share = np.clip(np.divide(high - STANDING, high - low, out=level, where=high > low), 0.0, 1.0)
    return float((trace.step * share)[trace.whole].sum())


def _between(trace: Trace) -> float:
    """Metres that the trapezoid may miss between samples: how far the sum over every other sample is from that over
    all of them, a third of it (Richardson's rule for an error that goes with the square of the step)."""
    if len(trace) < 5:
        return 0.0
    last = len(trace) - 1 - (len(trace) - 1) % 2
    second = np.r_[0.0, np.cumsum(np.where(trace.whole, trace.step, 0.0))]
    all_of_it, half = (np.trapezoid(trace.speed[: last + 1 : n], second[: last + 1 : n]) for n in (1, 2))
    return abs(float(all_of_it - half)) / 3


def held(trace: Trace, width: float = HELD_SECOND) -> float | None:
    """The highest speed (m/s) that is not gone below for `width` s on end, no gap in between; None if no run is that
    long. Lone spikes and drop-outs, one sample against both neighbours, are smoothed away first.

    Between samples speed goes straight. Exact: the lowest speed of a sliding window is highest where an end of it meets
    a sample, or where the window rises at its start as high as it falls at its end.
    """
    second, speed = trace.second, _without_spikes(trace.speed)
    starts = np.unique(np.r_[second, second - width])
    starts = starts[(starts >= second[0]) & (starts + width <= second[-1] + TINY_SECOND)]
    starts = np.r_[starts, _level(second, speed, starts, width)]
    starts = starts[_unbroken(trace, starts, starts + width)]
    if not len(starts):
        return None
    first, last = np.searchsorted(second, starts, "left"), np.searchsorted(second, starts + width, "right") - 1
    ends = np.minimum(np.interp(starts, second, speed), np.interp(starts + width, second, speed))
    return float(np.minimum(ends, lowest_between(speed, first, last)).max())


def _level(second: Floats, speed: Floats, starts: Floats, width: float) -> Floats:
    """Starts between `starts` at which the line, first higher at the window's end, comes to be higher at its start."""
    gain = np.interp(starts + width, second, speed) - np.interp(starts, second, speed)
    at = np.flatnonzero((gain[:-1] > 0) & (gain[1:] < 0))
    return np.asarray(starts[at] + gain[at] / (gain[at] - gain[at + 1]) * (starts[at + 1] - starts[at]))


def _unbroken(trace: Trace, start: Floats, end: Floats) -> Flags:
    """Whether no gap lies between `start` and `end`."""
    gaps = np.r_[0, np.cumsum(~trace.whole)]
    before = np.searchsorted(trace.second, start + TINY_SECOND, "right") - 1
    after = np.minimum(np.searchsorted(trace.second, end - TINY_SECOND, "left"), len(trace) - 1)
    return np.asarray(gaps[after] == gaps[before])


def _without_spikes(speed: Floats) -> Floats:
    """Running median of three, the ends as they are."""
    if len(speed) < 3:
        return speed
    middle = np.median(np.stack([speed[:-2], speed[1:-1], speed[2:]]), axis=0)
    return np.asarray(np.r_[speed[0], middle, speed[-1]])


def lowest_between(values: Floats, first: np.ndarray, last: np.ndarray) -> Floats:
    """Smallest of values[first..last], both included, for each pair; infinity where there is none.

    By minima over powers of two (a sparse table): two of them, overlapping, cover any span.
    """
    lowest = np.full(len(first), np.inf)
    span = last - first + 1
    table, size = values, 1
    while size <= max(int(span.max(initial=0)), 1) and len(table):
        fits = (span >= size) & (span < 2 * size)
        lowest[fits] = np.minimum(table[first[fits]], table[last[fits] - size + 1])
        table, size = np.minimum(table[:-size], table[size:]), size * 2
    return lowest
