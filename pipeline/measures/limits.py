"""Currents against what the register states the pack bears. Only stated ratings are held against it.

Peaks are the largest mean over a window, the line between samples straight; times above a rating are from the
instants that line crosses it (see windows.above).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .parts import main_parts, usual_step
from .windows import above, heaviest
from .zero import removed, removed_u

WINDOWS = {"peak_discharge_1s_ampere": 1.0, "peak_discharge_10s_ampere": 10.0, "peak_discharge_60s_ampere": 60.0}


class _Currents(NamedTuple):
    """Parts of a stretch with the shunt's zero taken off; gain (1) and zero (A): their standard uncertainties."""

    parts: Sequence[tuple[Floats, Floats]]
    gain: float
    zero: float

    @classmethod
    def of(cls, stretch: Stretch) -> _Currents:
        parts = [(part.second, part.ampere - removed(stretch)) for part in main_parts(stretch) if _has_current(part)]
        return cls(parts, un.gain(stretch.instruments, "shunt"), removed_u(stretch))

    def u(self, ampere: float) -> float:
        return un.combine(self.gain * ampere, self.zero)

    def peak(self, sign: float) -> float:
        return max(float(np.nanmax(sign * ampere)) for _, ampere in self.parts)

    def heaviest(self, width: float) -> float | None:
        """The largest mean discharge (A) over `width` s, None where no part is that long or samples lie wider."""
        found = [heaviest(second, -ampere, width) for second, ampere in self.parts if usual_step(second) <= width]
        means = [one.mean for one in found if one]
        return max(means) if means else None

    def above(self, limit: float, sign: float = -1.0) -> tuple[float, float]:
        spans = [above(second, sign * ampere, limit) for second, ampere in self.parts]
        return sum(total for total, _ in spans), max(longest for _, longest in spans)


def _has_current(part: Samples) -> bool:
    return bool(np.isfinite(part.ampere).any())


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and ratings that were passed."""
    currents = _Currents.of(stretch)
    if not currents.parts:
        return
    yield from _peaks(currents)
    yield from _over(stretch, currents, "continuous_discharge_ampere", "over_continuous_second", "continuous")
    yield from _over(stretch, currents, "peak_discharge_ampere", "over_peak_second", "peak")
    yield from _too_long(stretch, currents)
    yield from _charged_too_hard(stretch, currents)


_BETWEEN = "between samples it may have been more"


def _peaks(currents: _Currents) -> Iterator[Result]:
    discharge = currents.peak(-1.0)
    if discharge > 0:
        yield Result("peak_discharge_ampere", discharge, "A", currents.u(discharge), "largest-sample", note=_BETWEEN)
    for name, width in WINDOWS.items():
        mean = currents.heaviest(width)
        if mean is not None and mean > 0:
            yield Result(name, mean, "A", currents.u(mean), "largest-window-mean")
    charge = currents.peak(1.0)
    if charge > 0:
        yield Result("peak_charge_ampere", charge, "A", currents.u(charge), "largest-sample", note=_BETWEEN)


def _over(stretch: Stretch, currents: _Currents, rating: str, quantity: str, word: str) -> Iterator[Result | Finding]:
    """Seconds above a stated rating; nothing when it is not stated."""
    limit = stretch.pack.get(rating)
    if not limit:
        return
    limit = float(limit)
    spent, _ = currents.above(limit)
    yield Result(quantity, spent, "s", _over_u(currents, limit), "linear-crossing", note=f"above {limit:g} A")
    if spent > 0:
        peak = currents.peak(-1.0)
        words = f"above its stated {word} limit of {limit:g} A for {_seconds(spent)}, at most {_ampere(peak)}"
        yield Finding("above-rating", "warning", words)


def _over_u(currents: _Currents, limit: float) -> float:
    """Standard uncertainty (s) of a time above `limit`: how it moves when the current is off by its own uncertainty,
    and the step between samples."""
    u = currents.u(limit)
    shift = (currents.above(limit - u)[0] - currents.above(limit + u)[0]) / 2
    step = max(usual_step(second) for second, _ in currents.parts)
    return un.combine(shift, un.of_step(max(step, 1e-3)))


def _too_long(stretch: Stretch, currents: _Currents) -> Iterator[Finding]:
    """Stretches on end above a limit that last longer than the time the pack's peak is stated for."""
    allowed = float(stretch.pack.get("peak_time_second") or np.inf)
    for rating, word in (("continuous_discharge_ampere", "continuous"), ("peak_discharge_ampere", "peak")):
        limit = float(stretch.pack.get(rating) or np.inf)
        longest = currents.above(limit)[1]
        if longest > allowed:
            words = (
                f"above its stated {word} limit of {limit:g} A for {_seconds(longest)} on end; its peaks are "
                f"stated for {allowed:g} s"
            )
            yield Finding("above-rating", "warning", words)


def _charged_too_hard(stretch: Stretch, currents: _Currents) -> Iterator[Finding]:
    limit = float(stretch.pack.get("continuous_charge_ampere") or np.inf)
    spent = currents.above(limit, 1.0)[0]
    if spent > 0:
        words = f"charged above its stated continuous limit of {limit:g} A for {_seconds(spent)}"
        yield Finding("above-rating", "warning", f"{words}, at most {_ampere(currents.peak(1.0))}")


def _ampere(ampere: float) -> str:
    return f"{ampere:.0f} A" if ampere >= 99.5 else f"{ampere:.1f} A"


def _seconds(second: float) -> str:
    return f"{second:.0f} s" if second >= 9.95 else f"{second:.1f} s"


MEASURE = Measure(
    "limits",
    "1",
    "Peaks of current, and how long they stood above what the register states the pack bears.",
    (
        Quantity("peak_discharge_ampere", "A", "largest discharge, one sample"),
        Quantity("peak_discharge_1s_ampere", "A", "largest discharge, mean over 1 s"),
        Quantity("peak_discharge_10s_ampere", "A", "largest discharge, mean over 10 s"),
        Quantity("peak_discharge_60s_ampere", "A", "largest discharge, mean over 60 s"),
        Quantity("peak_charge_ampere", "A", "largest charge, one sample"),
        Quantity("over_continuous_second", "s", "time above the stated continuous discharge"),
        Quantity("over_peak_second", "s", "time above the stated peak discharge"),
    ),
    compute,
)
