"""Least squares for a handful of unknowns, each kept within bounds, with the covariance of what is found.

However many rows there are, a QR decomposition first reduces them to as many as there are unknowns. The bounds are met
by an active set: unknowns that would leave them stand on them, and are let go when the sum of squares wants them back
(Lawson and Hanson, Solving Least Squares Problems, 1974, chapter 23; with two bounds: Stark and Parker,
Computational Statistics 10:129, 1995; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from .parts import Flags

TINY = 1e-11
"""What is lost in rounding, as a share of the columns' own length."""
MOST_CONDITION = 30.0
"""Of the largest to a smaller singular value; see entangled()."""


@dataclass(frozen=True)
class Fit:
    """What p unknowns came out as. value (p). covariance (p, p), 0 for those that stand on a bound. free (p): not on a
    bound. scatter: standard deviation of one row of weight 1, in the unit of what was wanted. entangled (p): see
    entangled()."""

    value: Floats
    covariance: Floats
    free: Flags
    scatter: float
    entangled: Flags

    @property
    def u(self) -> Floats:
        """Standard uncertainty (p) of each unknown, 0 for those on a bound."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def fit(
    columns: Floats, wanted: Floats, weight: Floats | None = None, low: Floats | None = None, high: Floats | None = None
) -> Fit:
    """The x within low..high for which sum(weight (columns x - wanted)^2) is least.

    columns (n, p); wanted (n); weight (n): the inverse of each row's variance, up to a common factor, all 1 where not
    given. low, high (p): bounds, infinite where there is none. Nothing may be NaN. Raises ValueError when there are
    fewer rows than unknowns, or a bound excludes the other.
    """
    count, unknowns = columns.shape
    low = np.full(unknowns, -np.inf) if low is None else np.asarray(low, dtype=float)
    high = np.full(unknowns, np.inf) if high is None else np.asarray(high, dtype=float)
    if count < unknowns or (low > high).any():
        raise ValueError(f"{count} rows for {unknowns} unknowns, bounds {low} to {high}")
    root = np.ones(count) if weight is None else np.sqrt(weight)
    size = np.linalg.norm(columns * root[:, None], axis=0)
    size[size == 0] = 1.0
    reduced = np.asarray(np.linalg.qr(np.c_[columns / size, wanted] * root[:, None], mode="r"))
    matrix, right = reduced[:unknowns, :unknowns], reduced[:unknowns, unknowns]
    scaled, free = _bounded(matrix, right, low * size, high * size)
    rest = float(np.sum(reduced[unknowns:, unknowns] ** 2)) + float(np.sum((right - matrix @ scaled) ** 2))
    spare = count - int(free.sum())
    scatter = float(np.sqrt(rest / spare)) if spare else 0.0
    covariance = _covariance(matrix, free) * scatter**2 / np.outer(size, size)
    return Fit(scaled / size, covariance, free, scatter, entangled(matrix))


def entangled(columns: Floats) -> Flags:
    """Which of p columns (n, p) cannot be told apart from others: what belongs to one and what to another hangs on
    small errors of the rows.

    Belsley, Kuh and Welsch, Regression Diagnostics, 1980, chapter 3 (from memory): with columns of length 1, a
    singular value less than a thirtieth of the largest is one combination that the rows hardly show, and those of whose
    variance it makes more than half are the ones in it. A column of zeros is one by itself.
    """
    size = np.linalg.norm(columns, axis=0)
    _, values, turned = np.linalg.svd(columns / np.where(size == 0, 1.0, size), full_matrices=False)
    variance = np.square(turned / np.maximum(values, TINY * values[0])[:, None])
    hardly = values * MOST_CONDITION < values[0]
    return np.asarray(variance[hardly].sum(axis=0) > variance.sum(axis=0) / 2)


def _covariance(matrix: Floats, free: Flags) -> Floats:
    found = np.zeros(matrix.shape)
    inverse = np.linalg.pinv(matrix[:, free], rcond=TINY)
    found[np.ix_(free, free)] = inverse @ inverse.T
    return found


def _bounded(matrix: Floats, right: Floats, low: Floats, high: Floats) -> tuple[Floats, Flags]:
    """x within low..high that makes |matrix x - right| least, and which of it is not on a bound."""
    start = np.where(np.isfinite(low), low, np.where(np.isfinite(high), high, 0.0))
    x, free = start, np.isinf(low) & np.isinf(high)
    for _ in range(20 * len(x)):
        x, free = _settled(matrix, right, low, high, x, free)
        pull = matrix.T @ (right - matrix @ x)
        inward = ~free & (low < high) & np.where(x <= low, pull > 0, pull < 0)
        wants = np.where(inward, np.abs(pull), 0.0)
        most = int(np.argmax(wants))
        if wants[most] <= TINY * np.linalg.norm(right):
            break
        free = free.copy()
        free[most] = True
    return x, free


def _settled(matrix: Floats, right: Floats, low: Floats, high: Floats, x: Floats, free: Flags) -> tuple[Floats, Flags]:
    """The best x with the others on their bounds: free ones that would pass a bound stop at it, the nearest first."""
    x, free = x.copy(), free.copy()
    while free.any():
        held = right - matrix[:, ~free] @ x[~free]
        best = x.copy()
        best[free] = np.linalg.lstsq(matrix[:, free], held, rcond=TINY)[0]
        bound = np.where(best < low, low, np.where(best > high, high, np.nan))
        over = np.flatnonzero(free & np.isfinite(bound))
        if not len(over):
            return best, free
        share = (bound[over] - x[over]) / (best[over] - x[over])
        stop = over[int(np.argmin(share))]
        x = np.where(free, x + float(share.min()) * (best - x), x)
        x[stop], free[stop] = bound[stop], False
    return x, free
