"""Which rows of a stretch a measure goes by, and where they are unbroken."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..levels import is_pack, levels
from ..reading import Floats
from ..stretch import Samples, Stint, Stretch
from ..tables import TEST_KINDS

GAP_SECOND = 5.0
GAP_STEPS = 3
MAIN = {"charge": "charge", "standing": "rest"}
"""The kind of stint a kind of test is about; every other kind of test is about its drives."""

Flags = npt.NDArray[np.bool_]


def is_test(stretch: Stretch) -> bool:
    """Whether `stretch` is a test: `charge` is a kind of both, and only a test has a sheet's row."""
    return stretch.kind in TEST_KINDS and (stretch.kind != "charge" or bool(stretch.test))


def main_kind(stretch: Stretch) -> str:
    """The kind of stint the figures of `stretch` are about."""
    return MAIN.get(stretch.kind, "drive") if is_test(stretch) else stretch.kind


def main_stints(stretch: Stretch) -> list[Stint]:
    """The stints the figures of `stretch` are about, in order; those whose rows adjoin are one.

    For a test its drives (its charges, its rests); for a stint all its rows.
    """
    if stretch.samples is None:
        return []
    if not is_test(stretch):
        return [whole(stretch.samples, stretch.kind)]
    found: list[Stint] = []
    for stint in stretch.stints:
        if stint.kind != main_kind(stretch):
            continue
        if found and found[-1].last + 1 == stint.first:
            before = found.pop()
            stint = Stint(stint.kind, before.first, stint.last, before.started, stint.ended)
        found.append(stint)
    return found


def whole(samples: Samples, kind: str) -> Stint:
    started, ended = (samples.start + round(float(s) * 1e6) for s in samples.second[[0, -1]])
    return Stint(kind, 0, len(samples) - 1, started, ended)


def main_parts(stretch: Stretch) -> list[Samples]:
    """The samples of `main_stints`."""
    if stretch.samples is None:
        return []
    return [stretch.samples.part(stint.first, stint.last) for stint in main_stints(stretch)]


def rests(stretch: Stretch) -> list[Samples]:
    """The samples of the rests of `stretch`."""
    if stretch.samples is None:
        return []
    if not is_test(stretch) and stretch.kind == "rest":
        return [stretch.samples]
    return [stretch.samples.part(s.first, s.last) for s in stretch.stints if s.kind == "rest"]


def picked(wanted: Flags) -> Flags | slice:
    """What picks the wanted rows of an array; all of them without a copy."""
    return slice(None) if wanted.all() else wanted


def usual_step(second: Floats) -> float:
    """Median step of ascending times (s) that are not the same instant; 0 where there is none."""
    step = np.diff(second)
    if len(step) and 0 < (first := step[0]) == step.min() == step.max():
        return float(first)  # most logs: no need to sort
    step = step[step > 0]
    return float(np.median(step)) if len(step) else 0.0


def gap_limit(second: Floats) -> float:
    """Steps longer than this (s) are gaps: the longer of 5 s and three usual steps."""
    return max(GAP_SECOND, GAP_STEPS * usual_step(second))


def weights(second: Floats) -> Floats:
    """The time (s) that each sample at `second` (s, ascending) stands for: half of the step before it and of the step
    after it, nothing of a gap. They add up to the time that is covered."""
    step = np.diff(second)
    half = np.where(step <= gap_limit(second), step, 0.0) / 2
    return np.asarray(np.r_[0.0, half] + np.r_[half, 0.0])[: len(second)]


def load_level(samples: Samples | None) -> float:
    """Drawing more than this (A) is load, less is what a standing cart takes: the level at which a sample drives."""
    return levels(biggest(samples), samples is None or is_pack(samples.volt)).drive


def biggest(samples: Samples | None) -> float:
    """The largest absolute current (A), 0 where there is none."""
    if samples is None:
        return 0.0
    return float(np.max(np.abs(samples.ampere[np.isfinite(samples.ampere)]), initial=0.0))
