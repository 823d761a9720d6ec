"""By how much one signal comes later than others that explain it: every lag at once, window by window, then a line.

All signals stand on grids of equal cells (grids.py) and have had their slow changes taken out, so that no constant is
fitted. What was not recorded is masked out of every sum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .grids import Flags, Grid
from .reading import Floats, Wholes

LEAST_SHARED = 300.0
"""s that both must have recorded at a lag for it to be a candidate, and s of noise that are added to what is to be
explained, so that a short overlap cannot score by luck."""
LEAST_ACTIVITY = 0.1
"""Share of what there is to explain at the best lag that another one must have to be compared with it."""
WINDOW = 300.0
"""s of a window."""
BUSY = 0.1
"""A window with less than this share of the usual weight tells nothing."""
CRYSTAL = 100e-6
"""Standard drift of a clock. Common practice (quartz without compensation), no source."""
SHARPEST = 0.01
"""s. No window is taken to be better than this."""
RIDGE = 0.01


# --- every lag at once -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scores:
    """For each lag (n, ascending, in cells): gain in log likelihood over no relation; activity, which is what there is
    to explain, in s of the usual; share of it that is explained."""

    lag: Wholes
    gain: Floats
    activity: Floats
    share: Floats

    def best(self) -> tuple[int, float]:
        """Place of the highest gain; and how near any other lag comes to it, as a share. In gain, which tells a lag
        that stands out from the luckiest of many; and in gain for its activity: of laps that are alike, one set beside
        another has less to explain, and explains it as well.

        The highest one's own slopes, down to where they rise again, are no other lags.
        """
        top = int(np.argmax(self.gain))
        falls = np.diff(self.gain)
        left, right = np.flatnonzero(falls[:top] < 0), np.flatnonzero(falls[top:] > 0)
        other = self.activity >= LEAST_ACTIVITY * self.activity[top]
        other[left[-1] + 1 if len(left) else 0 : top + right[0] + 1 if len(right) else None] = False
        rate = np.divide(self.gain, self.activity, out=np.zeros(len(self.gain)), where=self.activity > 0)
        nearest = (float(each[other].max(initial=0.0) / max(each[top], 1e-9)) for each in (self.gain, rate))
        return top, min(max(nearest), 1.0)

    def near(self, lag: int, reach: int) -> float:
        """The highest gain within `reach` cells of `lag`; 0 where none was asked."""
        return float(self.gain[np.abs(self.lag - lag) <= reach].max(initial=0.0))


def correlated(left: Floats, right: Floats, size: int) -> Floats:
    """Sum over t of left[t] right[t + lag], for the rows of `right`, by FFT of `size`, a sum of both lengths or more.
    Lags count from 0; negative ones from the end."""
    return np.asarray(np.fft.irfft(np.conj(np.fft.rfft(left, size)) * np.fft.rfft(right, size), size))


def scores(seen: Grid, shapes: Grid) -> Scores:
    """Fit the `shapes` to the one signal `seen` by least squares at every lag at which enough of both is known; cell t
    of `seen` is set beside cell t + lag of `shapes`. All sums are cross-correlations, with masks (Padfield, Masked
    object registration in the Fourier domain, IEEE Trans. Image Processing 21, 2012).

    The gain is n/2 log(TSS/RSS) in s, that of Gaussian noise, where n counts activity: TSS in units of the mean.
    """
    size = 1 << int(np.ceil(np.log2(len(seen) + len(shapes))))
    lag = np.r_[-len(seen) + 1 : len(shapes)]
    here, there = seen.known.astype(float), shapes.known.astype(float)
    count = correlated(here, there, size)[lag]
    enough = count * seen.step >= LEAST_SHARED
    lag, count = lag[enough], count[enough]
    y, x = _of_unit_size(seen)[0], _of_unit_size(shapes)
    one, two = np.triu_indices(len(x))
    inner = np.empty((len(lag), len(x), len(x)))
    inner[:, one, two] = inner[:, two, one] = correlated(here, x[one] * x[two], size)[:, lag].T
    cross = correlated(y, x, size)[:, lag].T
    square = np.maximum(correlated(y * y, there, size)[lag], 1e-9)
    factors = fitted(inner, cross, count)
    # The first shape is what drives: a fit in which it takes power back is none.
    explained = np.where(factors[:, 0] > 0, np.einsum("nk,nk->n", factors, cross), 0.0)
    shrunk = np.clip(explained / (square + LEAST_SHARED / seen.step), 0.0, 0.9999)
    gain = -square * seen.step * np.log1p(-shrunk) / 2
    return Scores(lag, gain, square * seen.step, np.clip(explained / square, 0.0, 1.0))


def _of_unit_size(grid: Grid) -> Floats:
    """Its signals over their root mean square."""
    size = np.sqrt(np.square(grid.values).sum(axis=1) / max(np.count_nonzero(grid.known), 1))
    return np.asarray(grid.values / np.where(size > 0, size, 1.0)[:, None])


def fitted(inner: Floats, cross: Floats, count: Floats) -> Floats:
    """Factors (n, k) from sums of products (n, k, k) and with the signal (n, k). A hundredth of `count` (n) is added to
    the sums of squares of the shapes, which are of unit size, so that ones alike do not cancel out."""
    ridge = np.eye(inner.shape[-1]) * RIDGE * np.maximum(count, 1.0)[:, None, None]
    return np.asarray(np.linalg.solve(inner + ridge, cross[..., None])[..., 0])


# --- window by window --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Windows:
    """What each of n windows finds. second: its middle. lag: how much later the shapes are than what is seen, s.
    weight: one over its variance, up to a factor. Only windows in which something happens."""

    second: Floats
    lag: Floats
    weight: Floats

    def __len__(self) -> int:
        return len(self.lag)


def windows(seen: Grid, shapes: Grid, reach: int) -> Windows:
    """The lag of each window, up to `reach` cells either way. `shapes` begins and ends that much further out.

    What the shapes say together is fitted once, at lag 0; each window then looks where it leaves least. The variance of
    such a lag is that of the noise over the sum of squares of the signal's slope (Cramer-Rao bound of a delay).
    """
    model = _model(seen, shapes, reach)
    width = max(round(WINDOW / seen.step), 1)
    starts = np.arange(0, len(seen), width)
    cost = np.array([_misfit(seen, model, shift, starts) for shift in range(2 * reach + 1)])
    lag, clear = lowest(cost)
    inner = slice(reach, reach + len(seen))
    steep = np.where(model.known[inner] & seen.known, np.gradient(model.values[0])[inner], 0.0)
    noise = np.where(clear, cost.min(axis=0), 1.0)
    weight = np.where(clear, np.add.reduceat(np.square(steep), starts) / np.maximum(noise, 1e-12), 0.0)
    busy = weight > (BUSY * float(np.median(weight[clear])) if clear.any() else 0.0)
    middle = seen.first + seen.step * (starts + np.minimum(starts + width, len(seen))) / 2
    return Windows(middle[busy], (lag[busy] - reach) * seen.step, weight[busy])


def _model(seen: Grid, shapes: Grid, reach: int) -> Grid:
    """The one signal that the shapes, fitted at lag 0, make of `seen`."""
    both = seen.known & shapes.known[reach : reach + len(seen)]
    x = shapes.values[:, reach : reach + len(seen)] * both
    size = np.sqrt(np.square(x).sum(axis=1))
    size = np.where(size > 0, size, 1.0)
    x = x / size[:, None]
    factors = fitted((x @ x.T)[None], (x @ (seen.values[0] * both))[None], np.ones(1))[0]
    return replace(shapes, values=((factors / size) @ shapes.values)[None, :])


def _misfit(seen: Grid, model: Grid, shift: int, starts: Wholes) -> Floats:
    """Mean square left in each window by the model, taken `shift` cells on; infinite where half of it is unknown."""
    cut = slice(shift, shift + len(seen))
    both = seen.known & model.known[cut]
    left = np.add.reduceat(np.where(both, np.square(seen.values[0] - model.values[0, cut]), 0.0), starts)
    count = np.add.reduceat(both.astype(float), starts)
    enough = (count >= np.diff(np.r_[starts, len(seen)]) / 2) & (count > 0)
    return np.asarray(np.divide(left, count, out=np.full(len(starts), np.inf), where=enough))


def lowest(cost: Floats) -> tuple[Floats, Flags]:
    """Where each column is lowest, in rows and to a fraction, by the parabola through that row and its neighbours; and
    whether it has a lowest point at all (not at an end, nor beside infinity)."""
    last = len(cost) - 1
    low = np.argmin(cost, axis=0)
    clear = (low > 0) & (low < last)
    at = np.clip(low, 1, last - 1)
    near = np.stack([cost[at + step, np.arange(cost.shape[1])] for step in (-1, 0, 1)])
    clear &= np.isfinite(near).all(axis=0)
    before, here, after = np.where(clear, near, 0.0)
    bend = before - 2 * here + after
    clear &= bend > 0
    return at + np.divide(before - after, 2 * bend, out=np.zeros(len(at)), where=clear), clear


# --- a line through them -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Trend:
    """A line: offset (s) at `at` (s), drift (1), and their standard uncertainties."""

    at: float
    offset: float
    drift: float = 0.0
    u: float = float("inf")
    drift_u: float = float("inf")

    def ahead(self, second: Floats) -> Floats:
        """Offset (s) at seconds of the log's clock."""
        return np.asarray(self.offset + self.drift * (second - self.at))

    def back(self, second: Floats) -> Floats:
        """Seconds of the log's clock from those of the other."""
        return np.asarray(self.at + (second - self.at - self.offset) / (1 + self.drift))


def trend(second: Floats, lag: Floats, weight: Floats, crystal: float = CRYSTAL) -> Trend:
    """Weighted least squares line through (second, lag), n of two or more; weights hold up to a factor, which the
    scatter sets. That the drift is 0 +- `crystal` counts as one more observation; infinity leaves it out."""
    total = weight.sum()
    at, mean = float(weight @ second / total), float(weight @ lag / total)
    off, rise = second - at, lag - mean
    spread, product = float(weight @ np.square(off)), float(weight @ (off * rise))
    alone = product / spread if spread > 0 else 0.0
    variance = float(weight @ np.square(rise - alone * off)) / max(len(lag) - 2, 1)
    variance = max(variance, SHARPEST**2 * total / len(lag))
    certainty = max(spread / variance + 1 / crystal**2, 1e-12)
    return Trend(at, mean, product / variance / certainty, (variance / total) ** 0.5, certainty**-0.5)


def without_strays(found: Windows) -> Trend:
    """The line through the windows that lie within three robust standard deviations of it, or a second."""
    off = np.abs(found.lag - np.median(found.lag))
    line = Trend(0.0, 0.0)
    for _ in range(3):
        near = off <= max(3 * 1.4826 * float(np.median(off)), 1.0)
        line = trend(found.second[near], found.lag[near], found.weight[near])
        off = np.abs(found.lag - line.ahead(found.second))
    return line
