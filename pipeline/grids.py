"""Signals of different rates on one grid of equal cells, with what was not recorded masked out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .reading import Floats, Wholes

Flags = npt.NDArray[np.bool_]
SHORTEST_GAP, GAP_STEPS = 5.0, 3
"""A gap is longer than 5 s and than three usual steps."""


@dataclass(frozen=True)
class Grid:
    """Cells of `step` s from `first` on. values (k, n): mean of each of k signals in each cell, 0 where not known."""

    first: float
    step: float
    values: Floats
    known: Flags

    def __len__(self) -> int:
        return len(self.known)


@dataclass(frozen=True)
class Line:
    """Signals (k, n), straight between instants. second: s, ascending (n). joined: legs (n - 1) without a gap."""

    second: Floats
    values: Floats
    joined: Flags

    @classmethod
    def of(cls, second: Floats, values: Sequence[Floats], segment: Wholes | None = None) -> Line:
        """Where every value is known and time goes on. segment (n): legs from one segment to the next are gaps too."""
        told = np.isfinite(second) & np.all(np.isfinite(values), axis=0)
        before = np.maximum.accumulate(np.where(told, second, -np.inf))
        told &= np.r_[True, second[1:] > before[:-1]]
        second, whole = second[told], np.array(values)[:, told]
        step = np.diff(second)
        joined = step <= max(SHORTEST_GAP, GAP_STEPS * float(np.median(step))) if len(step) else np.zeros(0, dtype=bool)
        if segment is not None:
            joined &= np.diff(segment[told]) == 0
        return cls(second, whole, joined)

    def __len__(self) -> int:
        return len(self.second)

    @property
    def span(self) -> float:
        """Seconds from the first instant to the last."""
        return float(self.second[-1] - self.second[0])

    def cells(self, step: float) -> tuple[float, int]:
        """First edge, at a multiple of `step`, and number of cells that hold it all."""
        first = float(np.floor(self.second[0] / step) * step)
        return first, int((self.second[-1] - first) / step) + 1

    def on(self, first: float, count: int, step: float) -> Grid:
        """Mean in each cell, from the exact integral up to each edge. Known: no gap in it, and half of it covered."""
        edges = np.clip(first + step * np.arange(count + 1), self.second[0], self.second[-1])
        at = np.clip(np.searchsorted(self.second, edges, side="right") - 1, 0, len(self.second) - 2)
        leg = np.diff(self.second)
        share = np.divide(edges - self.second[at], leg[at], out=np.zeros(count + 1), where=leg[at] > 0)
        lost = np.r_[0.0, np.cumsum(np.where(self.joined, 0.0, leg))]
        lost = lost[at] + share * (lost[at + 1] - lost[at])
        low, rise = self.values[:, at], np.diff(self.values, axis=1)[:, at]
        area = np.cumsum(leg * (self.values[:, 1:] + self.values[:, :-1]) / 2, axis=1)
        area = np.pad(area, ((0, 0), (1, 0)))[:, at] + share * leg[at] * (low + share * rise / 2)
        covered = np.diff(edges)
        known = (covered > step / 2) & (np.diff(lost) <= 0)
        return Grid(first, step, np.divide(np.diff(area), covered, out=np.zeros_like(area[:, 1:]), where=known), known)


def smoothed(grid: Grid, second: float) -> Floats:
    """Mean of the known cells within `second` / 2 of each."""
    half = max(round((second / grid.step - 1) / 2), 0)
    cell = np.arange(len(grid))
    low, high = np.maximum(cell - half, 0), np.minimum(cell + half + 1, len(grid))
    count = np.r_[0, np.cumsum(grid.known)]
    total = np.pad(np.cumsum(grid.values, axis=1), ((0, 0), (1, 0)))
    return np.asarray((total[:, high] - total[:, low]) / np.maximum(count[high] - count[low], 1))


def band(grid: Grid, fast: float, slow: float) -> Grid:
    """What changes neither within `fast` s nor only over `slow` s."""
    quick = replace(grid, values=np.where(grid.known, smoothed(grid, fast), 0.0))
    return replace(grid, values=np.where(grid.known, quick.values - smoothed(quick, slow), 0.0))


def slope(grid: Grid, second: float) -> Grid:
    """Change per second, over `second` around each cell; known where all cells in between are."""
    half = max(round(second / grid.step / 2), 1)
    rise, known = np.zeros_like(grid.values), np.zeros(len(grid), dtype=bool)
    if len(grid) > 2 * half:
        gaps = np.r_[0, np.cumsum(~grid.known)]
        rise[:, half:-half] = (grid.values[:, 2 * half :] - grid.values[:, : -2 * half]) / (2 * half * grid.step)
        known[half:-half] = gaps[2 * half + 1 :] == gaps[: -2 * half - 1]
    return replace(grid, values=np.where(known, rise, 0.0), known=known)
