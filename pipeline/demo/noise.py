"""Noise with a memory."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def wander(rng: np.random.Generator, count: int, sigma: float, keep: float) -> Floats:
    """Stationary noise of `sigma` whose neighbours correlate by `keep`: x' = keep x + e, in closed-form blocks."""
    shock = rng.normal(0, sigma * np.sqrt(1 - keep * keep), count)
    shock[:1] = rng.normal(0, sigma, min(count, 1))
    out, block, last = np.empty(count), 256, 0.0
    decay = keep ** np.arange(1.0, block + 1)
    for first in range(0, count, block):
        part = shock[first : first + block]
        fall = decay[: len(part)]
        out[first : first + block] = fall * (last + np.cumsum(part / fall))
        last = out[min(first + block, count) - 1]
    return out
