"""Steps of current from sample to sample, and the resistance they tell by least squares (see resistance.py)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ..reading import Floats
from ..stretch import Samples
from . import uncertainty as un
from .parts import Flags
from .state import PACK_CELSIUS

STEP_SECOND = 2.0
"""A step of the current takes this long at most."""
STEP_SHARE = 0.1
"""A step counts from this share of the range of the current."""
BLOCKS = 20
"""The jackknife leaves out one of so many at a time."""
LAG_SHARE = 0.1
"""Volts lag where the steps beside hold this share of the slope, and three times their own uncertainty."""
OUTLIER = 6.0
"""Residuals over this many standard deviations (of a normal distribution, by the median) are left out."""
LEAST_STEPS = 20
"""Fewer tell no resistance. Common practice, no source."""
NORMAL = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""


class Steps(NamedTuple):
    """Steps from sample to sample. volt, ampere: change (V, A). charge: what flowed (A.s). long: s. before, after:
    change of the current in the steps beside (A). celsius: of the pack at its end. flowed: from the start to its end
    (A.s)."""

    volt: Floats
    ampere: Floats
    charge: Floats
    long: Floats
    before: Floats
    after: Floats
    celsius: Floats
    flowed: Floats


class Slope(NamedTuple):
    """A resistance (Ohm), its standard uncertainty from scatter and noise, how many steps told it, whether the volts
    lag, and the share by which noise in the current had pulled it down."""

    ohm: float
    u: float
    steps: int
    lagged: bool = False
    pulled: float = 0.0


def steps_of(parts: Sequence[Samples]) -> Steps:
    """The steps of `parts` that take 2 s or less, each part by itself."""
    found: list[Steps] = []
    flowed = 0.0
    for part in parts:
        steps, through = _steps(part)
        found.append(steps._replace(flowed=steps.flowed + flowed))
        flowed += through
    return Steps(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _steps(part: Samples) -> tuple[Steps, float]:
    """The steps of `part`, and the charge (A.s) that flowed in all of it."""
    known = np.isfinite(part.volt) & np.isfinite(part.ampere)
    second, volt, ampere = part.second[known], part.volt[known], part.ampere[known]
    celsius = part.other.get(PACK_CELSIUS, np.full(len(part), np.nan))[known][1:]
    long, change = np.diff(second), np.diff(ampere)
    charge = long * (ampere[:-1] + ampere[1:]) / 2
    brief = (long > 0) & (long <= STEP_SECOND)
    beside = np.where(brief, change, 0.0)
    before, after = np.r_[0.0, beside][:-1], np.r_[beside, 0.0][1:]
    columns = (np.diff(volt), change, charge, long, before, after, celsius, np.cumsum(charge))
    return Steps(*(column[brief] for column in columns)), float(charge.sum())


def range_of(parts: Sequence[Samples]) -> float:
    """Range of the current (A) of `parts`, without the outermost thousandth on either side."""
    ampere = np.concatenate([part.ampere[np.isfinite(part.ampere)] for part in parts])
    low, high = np.quantile(ampere, (0.001, 0.999)) if len(ampere) else (0.0, 0.0)
    return float(high - low)


def large(steps: Steps, extent: float) -> Steps:
    """The steps that are large against the range `extent` (A) of the current."""
    counts = np.abs(steps.ampere) >= max(STEP_SHARE * extent, 1e-9)
    return Steps(*(column[counts] for column in steps))


def fitted(steps: Steps, noise: float) -> Slope | None:
    """Resistance of `steps` by least squares, `noise` (A) being in each change of the current; None where too few steps
    tell it. Its uncertainty is from leaving out each twentieth of the steps in turn (the jackknife, Quenouille 1956,
    Biometrika 43:353, from memory), which also holds what the resistance moves by on the way."""
    if len(steps.ampere) < LEAST_STEPS:
        return None
    wide = np.column_stack([steps.ampere, steps.charge, steps.long, steps.before, steps.after])
    narrow = wide[:, :3]
    kept = _kept(wide, steps.volt)
    beside, beside_u = _jackknife(wide[kept], steps.volt[kept], (3, 4))
    alone, alone_u = _jackknife(narrow[kept], steps.volt[kept], (0,))
    lagged = abs(beside) > max(LAG_SHARE * abs(alone), 3 * beside_u)
    ohm, u = _jackknife(wide[kept], steps.volt[kept], (0, 3, 4)) if lagged else (alone, alone_u)
    pulled = noise**2 / float(np.mean(steps.ampere[kept] ** 2))
    whole = ohm / (1 - min(pulled, 0.5))
    return Slope(whole, un.combine(u, (whole - ohm) / 2), int(kept.sum()), lagged, pulled)


def _kept(columns: Floats, volt: Floats) -> Flags:
    """Which steps are not far from the plane that fits all."""
    miss = volt - columns @ np.linalg.lstsq(columns, volt, rcond=None)[0]
    scatter = NORMAL * float(np.median(np.abs(miss)))
    return np.asarray(np.abs(miss) <= OUTLIER * scatter + 1e-9)


def _jackknife(columns: Floats, volt: Floats, which: tuple[int, ...]) -> tuple[float, float]:
    """Sum of the coefficients `which` of the least-squares fit, and its standard uncertainty."""
    scale = np.sqrt(np.mean(columns**2, axis=0))
    scale[scale == 0] = 1.0
    columns = columns / scale
    bounds = np.linspace(0, len(volt), BLOCKS + 1).astype(int)
    cuts = [slice(one, other) for one, other in pairwise(bounds.tolist())]
    squares = np.stack([columns[cut].T @ columns[cut] for cut in cuts])
    products = np.stack([columns[cut].T @ volt[cut] for cut in cuts])

    def total(square: Floats, product: Floats) -> float:
        return float(sum(np.linalg.lstsq(square, product, rcond=None)[0][n] / scale[n] for n in which))

    whole = total(squares.sum(axis=0), products.sum(axis=0))
    without = [total(squares.sum(axis=0) - s, products.sum(axis=0) - p) for s, p in zip(squares, products, strict=True)]
    return whole, float(np.sqrt((BLOCKS - 1) * np.mean((np.array(without) - np.mean(without)) ** 2)))
