"""The heaviest stretch of a given length in samples that run straight from one to the next."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..reading import Floats
from .parts import Flags, gap_limit, picked, usual_step, weights

TINY_SECOND = 5e-7  # half the microsecond that samples are timed in: what adding and taking off a width may lose


class Heaviest(NamedTuple):
    """The largest mean over a window, and the second the window starts at."""

    mean: float
    start: float


class _Line(NamedTuple):
    """A broken line and its integral from the first sample; nothing is integrated in a gap."""

    second: Floats
    value: Floats
    area: Floats
    gaps: Floats  # how many gaps end at or before each sample

    @classmethod
    def of(cls, second: Floats, value: Floats) -> _Line:
        step = np.diff(second)
        broken = step > gap_limit(second)
        pieces = np.where(broken, 0.0, step * (value[:-1] + value[1:]) / 2)
        return cls(second, value, np.r_[0.0, np.cumsum(pieces)], np.r_[0.0, np.cumsum(broken)])

    def area_to(self, at: Floats) -> Floats:
        """Integral up to `at` (s), exact: the line's own quadratic between two samples."""
        k = np.clip(np.searchsorted(self.second, at, "right") - 1, 0, len(self.second) - 2)
        step = self.second[k + 1] - self.second[k]
        since = at - self.second[k]
        slope = np.divide(self.value[k + 1] - self.value[k], step, out=np.zeros(len(step)), where=step > 0)
        return self.area[k] + since * (self.value[k] + slope * since / 2)

    def unbroken(self, start: Floats, end: Floats) -> Flags:
        """Whether no gap lies between `start` and `end`, both inside the samples."""
        before = np.searchsorted(self.second, start + TINY_SECOND, "right") - 1
        after = np.searchsorted(self.second, end - TINY_SECOND, "left")
        return np.asarray(self.gaps[after] == self.gaps[before])


def heaviest(second: Floats, value: Floats, width: float) -> Heaviest | None:
    """The largest mean of `value` over any window of `width` s without a gap in it.

    second (s, ascending) and value: arrays of equal length, the line between samples straight. Exact: the mean over
    a sliding window is largest where an end of it meets a sample, or where the line stands equally high at both ends.
    None when no unbroken stretch is `width` long, or values are missing.
    """
    known = picked(np.isfinite(value))
    second, value = second[known], value[known]
    if len(second) < 2 or second[-1] - second[0] < width:
        return None
    if step := _even_step(second):
        if width <= step:
            return _heaviest_within_a_step(second, value, width, step)
        if abs(round(width / step) * step - width) < TINY_SECOND:
            return _heaviest_of_steps(second, value, width, round(width / step))
    line = _Line.of(second, value)
    ends = np.unique(np.r_[second, second - width])
    ends = ends[(ends >= second[0]) & (ends + width <= second[-1] + TINY_SECOND)]
    starts = np.r_[ends, _crossings(line, ends, width)]
    starts = starts[line.unbroken(starts, starts + width)]
    if not len(starts):
        return None
    means = (line.area_to(starts + width) - line.area_to(starts)) / width
    best = int(np.argmax(means))
    return Heaviest(float(means[best]), float(starts[best]))


def _even_step(second: Floats) -> float:
    """The step where all steps are equal, 0 elsewhere."""
    step = float(second[-1] - second[0]) / (len(second) - 1)
    return step if np.abs(np.diff(second) - step).max() < TINY_SECOND else 0.0


def _heaviest_within_a_step(second: Floats, value: Floats, width: float, step: float) -> Heaviest:
    """`heaviest` for a window no longer than the even steps: it lies around a sample above both its neighbours.

    With the line falling a per second before and b after it, the ends stand equally high b width / (a + b) before it,
    and the mean is a b width / (2 (a + b)) under it. At the first and last sample the window lies on one side.
    """
    before = np.r_[np.inf, np.diff(value) / step]
    after = np.r_[-np.diff(value) / step, np.inf]
    top = np.flatnonzero((before >= 0) & (after >= 0))
    a, b = before[top], after[top]
    with np.errstate(invalid="ignore"):
        share = np.where(np.isinf(a), 0.0, np.where(np.isinf(b), 1.0, np.where(a + b > 0, b / (a + b), 0.5)))
        steep = np.where(share > 0, a * share, b)
    mean = value[top] - width / 2 * steep
    best = int(np.argmax(mean))
    return Heaviest(float(mean[best]), float(second[top[best]] - share[best] * width))


def _heaviest_of_steps(second: Floats, value: Floats, width: float, steps: int) -> Heaviest:
    """`heaviest` where a window is a whole number of even steps: both its ends meet samples together."""
    step = width / steps
    area = np.r_[0.0, np.cumsum((value[:-1] + value[1:]) * (step / 2))]
    means = (area[steps:] - area[:-steps]) / width
    best = int(np.argmax(means))
    gain = value[steps:] - value[:-steps]
    at = np.flatnonzero((gain[:-1] > 0) & (gain[1:] < 0))
    share = gain[at] / (gain[at] - gain[at + 1])
    between = means[at] + gain[at] * share * (step / 2 / width)  # the gain falls to 0 in a straight line
    if len(at) and between.max() > means[best]:
        top = int(np.argmax(between))
        return Heaviest(float(between[top]), float(second[at[top]] + share[top] * step))
    return Heaviest(float(means[best]), float(second[best]))


def _crossings(line: _Line, starts: Floats, width: float) -> Floats:
    """Starts at which the line goes from higher at the window's end to higher at its start: a local maximum."""
    gain = np.interp(starts + width, line.second, line.value) - np.interp(starts, line.second, line.value)
    at = np.flatnonzero((gain[:-1] > 0) & (gain[1:] < 0))
    share = gain[at] / (gain[at] - gain[at + 1])
    return starts[at] + share * (starts[at + 1] - starts[at])


class Held(NamedTuple):
    """How long samples stood above a limit (s): in all, its standard uncertainty from the steps between samples, and
    the longest on end."""

    total: float
    u: float
    longest: float


def held_above(second: Floats, value: Floats, limit: float) -> Held:
    """Seconds above `limit` of a value that leaps, as a current does: each sample above it counts half of the step
    before it and half of the step after it. Gaps count for nothing and end a stretch.

    With samples that fall at any instant of what goes on, the share of them above the limit is right on average however
    short the peaks are. (The straight line between samples is not: it cuts the top off every peak narrower than two
    steps. Of a current that leaps from 80 to 160 A and back it finds an eighth of each step at the edges above 150 A,
    where half of it is.) The ends of a stretch of two samples or more lie anywhere within a step each, step^2 / 12
    (JCGM 100:2008, 4.3.7). A lone sample may stand for a peak shorter than a step, p of it long: it is seen with
    probability p and then counts a whole step, which has the variance (1 - p) step^2 for each that is seen; with all
    lengths alike that is step^2 / 3. One more of these stands for what was not seen at all.
    """
    known = np.isfinite(value)
    second, over = second[known], value[known] > limit
    if len(second) < 2:
        return Held(0.0, 0.0, 0.0)
    step = usual_step(second)
    rows = np.flatnonzero(over)
    if not len(rows):
        return Held(0.0, step / np.sqrt(3), 0.0)
    weight = weights(second)
    ends = (np.diff(rows) > 1) | (np.diff(second)[rows[1:] - 1] > gap_limit(second))
    starts = np.flatnonzero(np.r_[True, ends])
    runs, sizes = np.add.reduceat(weight[rows], starts), np.diff(np.r_[starts, len(rows)])
    alone = int((sizes == 1).sum())
    u = step * np.sqrt((1 + alone) / 3 + (len(sizes) - alone) / 6)
    return Held(float(weight[rows].sum()), float(u), float(runs.max()))


def above(second: Floats, value: Floats, limit: float) -> tuple[float, float]:
    """Seconds for which the line stands above `limit`: in all, and the longest on end. For what changes slowly from
    sample to sample, as a temperature does; see held_above for a current.

    Between two samples the line is straight and the instant it crosses `limit` is worked out: 90, 130, 90 at 0, 1, 2 s
    are above 100 for 1.5 s. (Holding each sample until the next would say 1.0 s.) Gaps count for nothing and end a
    stretch.
    """
    known = np.isfinite(value)
    second, over = second[known], value[known] - limit
    if len(second) < 2 or not np.isfinite(limit):
        return 0.0, 0.0
    whole = np.diff(second) <= gap_limit(second)
    high, low = np.maximum(over[:-1], over[1:]), np.minimum(over[:-1], over[1:])
    reach = np.clip(np.divide(high, high - low, out=(high > 0).astype(float), where=high > low), 0.0, 1.0)
    spent = np.where(whole, np.diff(second) * reach, 0.0)
    joined = (over[1:-1] > 0) & whole[1:] & whole[:-1]
    starts = np.flatnonzero(np.r_[True, ~joined])
    return float(spent.sum()), float(np.add.reduceat(spent, starts).max())
