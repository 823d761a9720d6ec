"""Capacity at reference conditions: at 25 Cel and at the rate the pack is rated at, so that a cold day or a hard
drive does not look like a worn pack; capacity between two rests; and how much of a full cycle a stretch was.

Temperature: what was had is divided by the share of the capacity that the chemistry gives at the temperature it was
driven at (chemistry.toml). A lead-acid acceptance test does the same: percent capacity = t_a / (t_s K_T) 100, IEEE
450-2010, 7.4, from memory.

Rate: by Peukert, on the basis of the rated hours H. A pack of capacity C over H hours lasts t = H (C / (I H))^k hours
at the current I, so that one that gave Q = I t in t hours has C = Q (t / H)^(1/k - 1) over H hours. The same law is
also written C_p = I^k t, where C_p is the capacity over the hours in which 1 A empties the pack: another number than C,
and the two must not be mixed. t is the time the drive took, pauses included, as a pack recovers in them. A current that
comes in bursts takes more than its mean does, and a heavy load at the end brings the cut-off before the pack is empty,
by how much the law does not say: what the largest of its root mean square, its mean over the last 10 s and the load
that tripped would make of it in place of its mean is in the uncertainty, and for any chemistry what may be left then.
Lithium hardly knows the law: k = 1, with a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from ..chemistry import cell_of, peukert, rated_hours, warmth_share
from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .ending import charged_between, ending_of
from .flow import HOUR
from .parts import main_kind, main_parts, weights
from .state import END, START, warmth_of

MOST_PARTIAL = 0.25
"""A capacity between two rests that is less certain than this, as a share, is not given."""
LEFT_SHARE = 0.06
"""What a pack may hold back at a cut-off that a burst brings, of what a steady load would have had. Common practice, no
source."""
LAST_SECOND = 10.0
LEAST_PERCENT = 20.0
"""What must lie between two rests, % of charge."""
KNOWN_BY_ITSELF = ("rest-volts", "charged-full", "full-and-rested")
"""Ways to a state of charge that do not themselves go by a capacity."""


class Course(NamedTuple):
    """How long a discharge took (h), and how much harder than its mean it drew: the largest of the root mean square of
    its current, its mean over the last 10 s and the load that tripped, over its mean (1 where it is steady)."""

    hours: float
    bursts: float


def peukert_hours(rated_ah: float, hours: float, k: float, ampere: float) -> float:
    """How long (h) a pack of `rated_ah` over `hours` lasts at `ampere`: t = H (C / (I H))^k. With hours = C_p and
    rated_ah = C_p it is the other form, t = C_p / I^k, C_p being the capacity at 1 A.

    >>> round(peukert_hours(225.0, 20.0, 1.2, 75.0), 4)
    2.0528
    """
    return float(hours * (rated_ah / (ampere * hours)) ** k)


def peukert_exponent(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Exponent k from two discharges, each (A, h): (log t2 - log t1) / (log I1 - log I2)."""
    (ampere1, hours1), (ampere2, hours2) = one, other
    return (math.log(hours2) - math.log(hours1)) / (math.log(ampere1) - math.log(ampere2))


def at_rate(ah: float, took: float, hours: float, k: float) -> float:
    """Capacity (A.h) over `hours` of a pack that gave `ah` in `took` hours: Q (t / H)^(1/k - 1).

    >>> round(at_rate(75.0 * 2.0528, 2.0528, 20.0, 1.2), 1)
    225.0
    """
    return float(ah * (took / hours) ** (1 / k - 1))


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and why the capacity at reference conditions is missing."""
    yield from _cycles(stretch)
    whole, partial = None, _partial(stretch)
    for item in _reference(stretch):
        whole = item if isinstance(item, Result) else whole
        yield item
    if whole is not None:
        yield from _health(stretch, whole)
    if partial is not None:
        yield partial
    if whole is not None and partial is not None:
        yield combined(whole, partial)


def _cycles(stretch: Stretch) -> Iterator[Result]:
    drawn, rated = stretch.known.get("discharging_ah"), stretch.pack.get("rated_capacity_ah")
    if drawn is None or drawn.u is None or not rated or drawn.value <= 2 * drawn.u:
        return
    note = f"charge drawn over {float(rated):g} Ah as rated; charging does not count again"
    yield Result("full_cycles", drawn.value / float(rated), "1", drawn.u / float(rated), "drawn/rated", note=note)


def _reference(stretch: Stretch) -> Iterator[Result | Finding]:
    """Capacity from full to cut-off, brought to 25 Cel and the rated hours."""
    whole, cell = stretch.known.get("capacity_ah"), cell_of(stretch.pack)
    if whole is None or whole.u is None or whole.lower_bound:
        return
    warmth, hours, law = warmth_of(stretch), rated_hours(stretch.pack), peukert(stretch.pack)
    took = course_of(stretch)
    if cell is None or hours is None or law is None:
        yield _missing("the chemistry of the pack is not stated")
    elif warmth is None:
        yield _missing("the temperature of the pack is not known")
    elif took is not None:
        share, share_u = warmth_share(cell, warmth.celsius, warmth.u)
        k, k_u, words = law
        ah = at_rate(whole.value / share, took.hours, hours, k)
        u = ah * un.combine(whole.u / whole.value, share_u / share, _rate_u(took, hours, k, k_u))
        note = f"{share:.1%} at {warmth.celsius:.0f} °C ({warmth.words}); {hours:g} h by Peukert with {k:g} ± {k_u:g}"
        note = f"{note} ({words}) from {took.hours:.2f} h; {whole.note}"
        yield Result("capacity_reference_ah", ah, "A.h", u, "25C-rated-hours", note=note)


def _missing(why: str) -> Finding:
    return Finding("no-reference", "note", f"no capacity at reference conditions: {why}")


def _rate_u(took: Course, hours: float, k: float, k_u: float) -> float:
    """Standard uncertainty, as a share, of bringing a discharge to the rated hours. ln C = ln Q + (1/k - 1) ln(t / H),
    so k brings ln(t / H) / k^2 for each of its own (JCGM 100:2008, 5.1.3); the bursts (1 - 1/k) ln(bursts), as a limit;
    and so do they what is left at the cut-off, LEFT_SHARE at most and nothing where the load is steady."""
    bursts = (1 - 1 / k) * math.log(took.bursts)
    left = LEFT_SHARE * (1 - 1 / took.bursts)
    return un.combine(math.log(took.hours / hours) / k**2 * k_u, un.of_limit(bursts), un.of_limit(left))


def course_of(stretch: Stretch) -> Course | None:
    """The drives of `stretch` to the cut-off, gaps and all; None where nothing was drawn on the whole."""
    ending = ending_of(stretch)
    parts = [_known_to(part, math.inf if ending.second is None else ending.second) for part in main_parts(stretch)]
    parts = [part for part in parts if len(part[0]) > 1]
    weight = np.concatenate([*(weights(second) for second, _ in parts), np.empty(0)])
    drawn = -np.concatenate([*(ampere for _, ampere in parts), np.empty(0)])
    hours = sum(float(second[-1] - second[0]) for second, _ in parts) / HOUR
    if hours <= 0 or (weight * drawn).sum() <= 0:
        return None
    mean, square = (float(np.average(each, weights=weight)) for each in (drawn, drawn**2))
    second, ampere = parts[-1]
    last = -float(np.mean(ampere[second >= second[-1] - LAST_SECOND]))
    return Course(hours, max(math.sqrt(square) / mean, last / mean, (ending.ampere or 0.0) / mean, 1.0))


def _known_to(part: Samples, end: float) -> tuple[Floats, Floats]:
    """Seconds and current of `part` to `end` (s), as far as the current is known."""
    known = np.isfinite(part.ampere) & (part.second <= end)
    return part.second[known], part.ampere[known]


def _health(stretch: Stretch, whole: Result) -> Iterator[Result]:
    rated = stretch.pack.get("rated_capacity_ah")
    if rated and whole.u is not None:
        percent, u = 100 * whole.value / float(rated), 100 * whole.u / float(rated)
        note = f"of {float(rated):g} Ah as rated, at 25 °C and the rated hours"
        yield Result("state_of_health_reference_percent", percent, "%", u, "reference/rated", note=note)


def _partial(stretch: Stretch) -> Result | None:
    """Capacity from what was drawn between two known states of charge: 100 Q / (start - end)."""
    start, end, net = stretch.known.get(START), stretch.known.get(END), stretch.known.get("net_ah")
    if start is None or end is None or net is None or net.u is None or net.value >= 0:
        return None
    known = all(one.method in KNOWN_BY_ITSELF and one.u is not None for one in (start, end))
    if not known or main_kind(stretch) != "drive" or charged_between(stretch):
        return None
    between = start.value - end.value
    if between < LEAST_PERCENT:
        return None
    ah = -100 * net.value / between
    both = un.combine(start.u or 0.0, end.u or 0.0) / between
    u = ah * un.combine(both, net.u / net.value)
    if u > MOST_PARTIAL * ah:
        return None
    note = f"{-net.value:.1f} Ah from {start.value:.0f} % ({start.method}) to {end.value:.0f} % ({end.method})"
    return Result("capacity_partial_ah", ah, "A.h", u, "between-rests", note=note)


def combined(whole: Result, partial: Result) -> Result:
    """Mean of two capacities at reference conditions, each weighted with the inverse of its variance."""
    u1, u2 = whole.u or math.inf, partial.u or math.inf
    one, other = u1**-2, u2**-2
    ah = (one * whole.value + other * partial.value) / (one + other)
    apart = abs(whole.value - partial.value) / math.hypot(u1, u2)
    u = max(1.0, apart) / math.sqrt(one + other)
    note = f"{whole.value:.1f} Ah full to cut-off and {partial.value:.1f} Ah between rests, {apart:.1f} u apart"
    return Result("capacity_combined_ah", ah, "A.h", u, "inverse-variance", note=note)


MEASURE = Measure(
    "reference",
    "1",
    "Capacity at 25 °C and the rated hours, between two rests, and full cycles.",
    (
        Quantity("capacity_reference_ah", "A.h", "capacity from full to cut-off at 25 °C and the rated hours"),
        Quantity("state_of_health_reference_percent", "%", "capacity at reference conditions over the rated capacity"),
        Quantity("full_cycles", "1", "charge drawn over the rated capacity"),
        Quantity("capacity_partial_ah", "A.h", "capacity from the charge drawn between two known states of charge"),
        Quantity("capacity_combined_ah", "A.h", "capacity at reference conditions and between rests, together"),
    ),
    compute,
)
