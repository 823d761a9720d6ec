"""Currents against what the register states the pack bears. Only stated ratings are held against it.

Peaks are the largest sample, or the largest mean over a window with the line between samples straight; their
uncertainty holds what may hide between samples (see thinning.py), and where that is more than a third of the figure
there is none. Times above a rating count samples (see windows.held_above).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .parts import main_parts, usual_step
from .thinning import Part, hidden
from .windows import Held, heaviest, held_above
from .zero import removed, removed_u

WINDOWS = {"peak_discharge_1s_ampere": 1.0, "peak_discharge_10s_ampere": 10.0, "peak_discharge_60s_ampere": 60.0}
BRIEF_SECOND, SLIGHT_SHARE = 5.0, 0.05
"""Above a continuous rating for less than this, or by less, is a note and no warning. Common practice, no source."""


class _Currents(NamedTuple):
    """Parts of a stretch (second, ampere) with the shunt's zero taken off; gain (1) and zero (A): their standard
    uncertainties."""

    parts: Sequence[Part]
    gain: float
    zero: float

    @classmethod
    def of(cls, stretch: Stretch) -> _Currents:
        parts = [(part.second, part.ampere - removed(stretch)) for part in main_parts(stretch) if _has_current(part)]
        return cls(parts, un.gain(stretch.instruments, "shunt"), removed_u(stretch))

    def u(self, ampere: float) -> float:
        return un.combine(self.gain * ampere, self.zero)

    def step(self) -> float:
        return max(usual_step(second) for second, _ in self.parts)

    def above(self, limit: float, sign: float = -1.0) -> Held:
        """Seconds above `limit` of all parts; the uncertainty holds how that moves with the current's own."""
        spans, lower, higher = (
            [held_above(second, sign * ampere, level) for second, ampere in self.parts]
            for level in (limit, limit - self.u(limit), limit + self.u(limit))
        )
        shift = (sum(one.total for one in lower) - sum(one.total for one in higher)) / 2
        u = un.combine(shift, *(one.u for one in spans))
        return Held(sum(one.total for one in spans), u, max(one.longest for one in spans))


def _has_current(part: Samples) -> bool:
    return bool(np.isfinite(part.ampere).any())


def _largest(sign: float, parts: Sequence[Part]) -> float | None:
    """The largest sample (A) of charge (1) or discharge (-1)."""
    known = [sign * ampere[np.isfinite(ampere)] for _, ampere in parts]
    return max((float(one.max()) for one in known if len(one)), default=None)


def _heaviest(width: float, parts: Sequence[Part]) -> float | None:
    """The largest mean discharge (A) over `width` s, None where no part is that long."""
    found = [heaviest(second, -ampere, width) for second, ampere in parts]
    return max((one.mean for one in found if one), default=None)


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and ratings that were passed."""
    currents = _Currents.of(stretch)
    if not currents.parts:
        return
    yield from _peaks(currents)
    yield from _over(stretch, currents, "continuous_discharge_ampere", "over_continuous_second", "continuous")
    yield from _over(stretch, currents, "peak_discharge_ampere", "over_peak_second", "peak")
    yield from _charged_too_hard(stretch, currents)


def _peaks(currents: _Currents) -> Iterator[Result | Finding]:
    figures = {"peak_discharge_ampere": partial(_largest, -1.0)}
    figures |= {name: partial(_heaviest, width) for name, width in WINDOWS.items() if currents.step() <= width}
    figures["peak_charge_ampere"] = partial(_largest, 1.0)
    unclear = []
    for name, figure in figures.items():
        ampere = figure(currents.parts)
        if ampere is None or ampere <= 0:
            continue
        u = un.combine(currents.u(ampere), hidden(currents.parts, figure, WINDOWS.get(name, 0.0), ampere))
        if u > un.MOST_DOUBT * ampere:
            unclear.append(f"{name} (the largest seen is {_ampere(ampere)})")
            continue
        method = "largest-window-mean" if name in WINDOWS else "largest-sample"
        yield Result(name, ampere, "A", u, method, note="between samples it may have been more")
    if unclear:
        words = f"one sample in {currents.step():.3g} s does not show peaks, so there is no {', no '.join(unclear)}"
        yield Finding("peaks-unclear", "note", words)


def _over(stretch: Stretch, currents: _Currents, rating: str, quantity: str, word: str) -> Iterator[Result | Finding]:
    """Seconds above a stated rating; nothing when it is not stated."""
    limit = stretch.pack.get(rating)
    if not limit:
        return
    limit = float(limit)
    held = currents.above(limit)
    yield Result(quantity, held.total, "s", held.u or 1e-3, "samples-above", note=f"above {limit:g} A")
    if held.total <= 0:
        return
    most = _largest(-1.0, currents.parts) or 0.0
    words = f"above its stated {word} limit of {limit:g} A for {_seconds(held.total)}, at most {_ampere(most)}"
    allowed = float(stretch.pack.get("peak_time_second") or np.inf)
    if held.longest > allowed:
        words += f"; {_seconds(held.longest)} of it on end, and its peaks are stated for {allowed:g} s"
    brief = word == "continuous" and held.longest <= allowed and _of_little_worth(held, most, limit)
    yield Finding("above-rating", "note" if brief else "warning", words)


def _of_little_worth(held: Held, most: float, limit: float) -> bool:
    return held.total < BRIEF_SECOND or most < (1 + SLIGHT_SHARE) * limit


def _charged_too_hard(stretch: Stretch, currents: _Currents) -> Iterator[Finding]:
    limit = float(stretch.pack.get("continuous_charge_ampere") or np.inf)
    held = currents.above(limit, 1.0) if np.isfinite(limit) else Held(0.0, 0.0, 0.0)
    if held.total > 0:
        most = _largest(1.0, currents.parts) or 0.0
        words = f"charged above its stated continuous limit of {limit:g} A for {_seconds(held.total)}"
        severity = "note" if _of_little_worth(held, most, limit) else "warning"
        yield Finding("above-rating", severity, f"{words}, at most {_ampere(most)}")


def _ampere(ampere: float) -> str:
    return f"{ampere:.0f} A" if ampere >= 99.5 else f"{ampere:.1f} A"


def _seconds(second: float) -> str:
    return f"{second:.0f} s" if second >= 9.95 else f"{second:.1f} s"


MEASURE = Measure(
    "limits",
    "2",
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
