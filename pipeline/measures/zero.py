"""The zero of the shunt: what it reads when nothing flows, from the rests of the same log.

A small steady current at rest is the shunt's zero, or a real draw. It is taken as the zero, and removed, only where a
shunt's zero could be that far off; a larger one is a real draw and stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from ..stretch import Stretch
from . import uncertainty as un
from .parts import biggest, main_kind, rests

SHARE = 0.001
"""How far a shunt's zero may be off, as a share of the largest current. Common practice, no source."""
AMPERE, LARGEST_SHARE = 0.3, 0.01
"""The same in ampere, but never more than this share of the largest current. Common practice, no source."""
LEAST_SAMPLES = 10


@dataclass(frozen=True)
class Zero:
    """ampere: zero to remove (A). u: its standard uncertainty (A). rests: how many tell it. words: what to say."""

    ampere: float
    u: float
    rests: int = 0
    words: str = ""


def limit_of(stretch: Stretch) -> float:
    """How far off (A) the shunt's zero can be: as its register row states, else by the largest current."""
    stated = stretch.instruments.get("shunt", {}).get("offset")
    if stated:
        return abs(float(stated))
    most = biggest(stretch.samples)
    return max(SHARE * most, min(AMPERE, LARGEST_SHARE * most))


def zero_of(stretch: Stretch) -> Zero:
    """The zero of the shunt of `stretch`. 0 with a wide uncertainty where no rest tells it, and for a stretch that is
    about its rests: there the current at rest is the figure itself."""
    unknown = Zero(0.0, un.of_limit(max(_unknown(stretch), 1e-3)))
    levels = [_level(part.ampere) for part in rests(stretch) if np.isfinite(part.ampere).sum() >= LEAST_SAMPLES]
    if not levels or main_kind(stretch) == "rest" or stretch.samples is None:
        return unknown
    limit = limit_of(stretch)
    value = float(np.median([level for level, _ in levels]))
    spread = max(level for level, _ in levels) - min(level for level, _ in levels)
    if abs(value) > limit:
        return Zero(0.0, unknown.u, len(levels), f"current at rest is {value:+.2f} A, {_TOO_LARGE}")
    if spread > limit or max(drift for _, drift in levels) > limit / 2:
        return Zero(0.0, un.of_limit(limit), len(levels), f"current at rest moves by {spread:.2f} A, {_UNSTEADY}")
    step = un.resolution(stretch.instruments, "shunt", stretch.samples.ampere)
    drift = max(drift for _, drift in levels)
    u = un.combine(spread / 2, drift / 2, un.of_step(step), un.of_limit(value) if value < 0 else 0.0)
    return Zero(value, u, len(levels), _removed(value) if abs(value) > step / 2 else "")


_TOO_LARGE = "more than a shunt's zero is off: taken as a real draw and left as it is"
_UNSTEADY = "too unsteady to be the shunt's zero: left as it is"


def _unknown(stretch: Stretch) -> float:
    stated = stretch.instruments.get("shunt", {}).get("offset")
    return abs(float(stated)) if stated else SHARE * biggest(stretch.samples)


def _removed(value: float) -> str:
    doubt = "; a small real draw would look the same, so the uncertainty holds it" if value < 0 else ""
    return f"current at rest is {value:+.3f} A: taken as the shunt's zero and removed{doubt}"


def _level(ampere: Floats) -> tuple[float, float]:
    """Mean current of a rest (A) without its outliers, and how far its halves differ (A)."""
    ampere = ampere[np.isfinite(ampere)]
    middle = np.median(ampere)
    scatter = 1.4826 * np.median(np.abs(ampere - middle))  # a normal distribution's standard deviation
    kept = ampere[np.abs(ampere - middle) <= max(3 * scatter, SHARE * np.max(np.abs(ampere)))]
    half = len(kept) // 2
    drift = abs(float(np.mean(kept[:half]) - np.mean(kept[half:]))) if half else 0.0
    return float(np.mean(kept)), drift


def removed(stretch: Stretch) -> float:
    """The zero (A) that the figures before this one found and removed; 0 where they did not."""
    known = stretch.known.get("zero_offset_ampere")
    return known.value if known else 0.0


def removed_u(stretch: Stretch) -> float:
    """Standard uncertainty (A) of what remains of the zero."""
    known = stretch.known.get("zero_offset_ampere")
    if known and known.u is not None:
        return known.u
    return un.of_limit(max(_unknown(stretch), 1e-3))
