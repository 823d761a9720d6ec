"""What the pack gave: volts at rest and loaded, capacity, depth, health and range.

A capacity is what was drawn, less what regen put back, from full to the cut-off. A test that did not begin full or
stopped before the cut-off proves only that the pack holds at least so much: a lower bound.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..chemistry import is_lead, rated_hours
from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .ending import Beginning, Ending, beginning_of, charged_between, ending_of
from .energy import Doubt, doubt_of
from .flow import HOUR, Flow, flow_of
from .parts import main_parts
from .rest import voltages
from .zero import removed, removed_u

FULL_KINDS = ("range", "capacity")
"""Kinds of test that begin full and go on to the cut-off by what they are."""
DROVE_ON_SECOND = 60.0
DOUBT_OF_SHARE = 0.1
"""How far off a share of the way taken from a share of the charge may be, as a share of what it takes away."""
OTHER_RATE = 1.5
"""Times by which the hours of a discharge may differ from the rated ones before it is said."""


@dataclass(frozen=True)
class Discharge:
    """A discharge from its beginning to the cut-off or to where it stopped. whole: charge drawn in all, A.h.
    ending_ah: standard uncertainty from not knowing just where the cut-off is, A.h."""

    flowed: Flow
    doubt: Doubt
    beginning: Beginning
    ending: Ending
    whole: float
    ending_ah: float = 0.0

    @property
    def complete(self) -> bool:
        return self.beginning.full and self.ending.reached

    @property
    def ah(self) -> float:
        return -self.flowed.net_ah

    @property
    def u_ah(self) -> float:
        return un.combine(self.doubt.ah(self.ah, self.doubt.net_ah), self.ending_ah)

    @property
    def u_wh(self) -> float:
        return un.combine(self.doubt.wh(self.flowed.net_wh, self.doubt.net_ah), self.ending_ah * self.flowed.mean_volt)

    @property
    def note(self) -> str:
        limit = f"to {self.ending.limit or 0:g} V ({self.ending.limit_words})"
        how = {
            "dwell": f"{limit} held for 10 s",
            "trip": f"{limit}, where a load of {self.ending.ampere or 0:.3g} A ended",
            "sheet": "to the cut-off as the sheet says",
            "stopped": "stopped before the cut-off",
        }[self.ending.how]
        return f"{self.beginning.words}; {how}; regen counted back; at the temperature and rate it was driven"


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and why one that is expected is not there."""
    seen = list(voltages(stretch))
    yield from seen
    volts = {result.quantity: result for result in seen if isinstance(result, Result)}
    if stretch.kind not in FULL_KINDS:
        return
    if charged_between(stretch):
        why = "the pack was charged between the drives of this test: no capacity, no range from full to cut-off"
        yield Finding("charged-between", "warning", why)
        return
    start = volts.get("rest_start_volt")
    discharge = _discharge(stretch, start.value if start else None)
    lowest = volts.get("lowest_loaded_volt")
    if discharge is not None:
        yield from _noticed(stretch, discharge, lowest.value if lowest else None)
        yield from _capacity(discharge)
        yield from _against_rating(stretch, discharge)
    yield from _range(stretch, discharge)


def _discharge(stretch: Stretch, rest_volt: float | None) -> Discharge | None:
    """The discharge of a test, None where no log tells it."""
    parts = [part for part in main_parts(stretch) if np.isfinite(part.ampere).sum() > 1]
    if not parts:
        return None
    ending, zero = ending_of(stretch), removed(stretch)
    whole = flow_of(parts, zero)
    flowed = _until(parts, ending, zero)
    if not flowed.second:
        return None
    doubt, beginning = doubt_of(stretch, flowed, removed_u(stretch)), beginning_of(stretch, rest_volt)
    return Discharge(flowed, doubt, beginning, ending, -whole.net_ah, _ending_u(stretch, parts, ending))


def _until(parts: Sequence[Samples], ending: Ending, zero: float) -> Flow:
    """What flowed in `parts` until the cut-off."""
    if ending.second is None:
        return flow_of(parts, zero)
    rows = [int(np.searchsorted(part.second, ending.second, "right")) for part in parts]
    return flow_of([p.part(0, n - 1) for p, n in zip(parts, rows, strict=True) if n > 1], zero)


def _ending_u(stretch: Stretch, parts: Sequence[Samples], ending: Ending) -> float:
    """Standard uncertainty (A.h) that the cut-off brings: half of what is drawn between where it would be with the
    volts off by their own standard uncertainty one way and the other (JCGM 100:2008, 5.1.3, note 2). Past the knee
    that is next to nothing; a pack with a soft end, or one that touches the limit early under load, has much of it."""
    if ending.how != "dwell" or ending.second is None or ending.limit is None:
        return 0.0
    off = un.gain(stretch.instruments, "voltmeter") * ending.limit
    zero = removed(stretch)
    drawn = [_until(parts, ending_of(stretch, shift), zero).net_ah for shift in (-off, off)]
    return abs(drawn[0] - drawn[1]) / 2


def _capacity(discharge: Discharge) -> Iterator[Result]:
    flowed, bound = discharge.flowed, not discharge.complete
    method = "net-so-far" if bound else "net-full-to-cut-off"
    yield Result("capacity_ah", discharge.ah, "A.h", discharge.u_ah, method, bound, discharge.note)
    if np.isfinite(flowed.net_wh):
        yield Result("capacity_wh", -flowed.net_wh, "W.h", discharge.u_wh, method, bound, discharge.note)


def _against_rating(stretch: Stretch, discharge: Discharge) -> Iterator[Result | Finding]:
    """Depth of discharge and state of health against the rated capacity (A.h), which is taken as exact."""
    rated = stretch.pack.get("rated_capacity_ah")
    if not rated:
        yield Finding("no-rating", "note", "no rated capacity is stated for the pack: no depth, no state of health")
        return
    percent = 100 * discharge.ah / float(rated)
    u = 100 * discharge.u_ah / float(rated)
    note = f"of {float(rated):g} Ah as rated"
    if discharge.beginning.full:
        yield Result("depth_of_discharge_percent", percent, "%", u, "net/rated", note=note)
    if discharge.complete:
        hours, words = rated_hours(stretch.pack), ""
        took = discharge.flowed.second / HOUR
        if hours and max(hours / took, took / hours) > OTHER_RATE:
            words = f"; rated over {hours:g} h, discharged in {took:.1f} h, not corrected for it"
        yield Result("state_of_health_percent", percent, "%", u, "capacity/rated", note=note + words)
        if words and is_lead(stretch.pack):
            why = "lead gives less the faster it is drawn"
            yield Finding("other-rate", "note", f"state of health {percent:.0f} %{words}: {why}")


def _range(stretch: Stretch, discharge: Discharge | None) -> Iterator[Result | Finding]:
    """The way from full to the cut-off (m), of a range test; a lower bound when it was not the whole of that."""
    way = stretch.known.get("distance_metre")
    if stretch.kind != "range" or way is None:
        return
    if discharge is None:
        reached = ending_of(stretch).reached
        note = "to the cut-off as the sheet says" if reached else "stopped before the cut-off"
        yield Result("range_metre", way.value, "m", way.u, way.method, not reached, f"{note}; no log of the pack")
        return
    share = min(discharge.ah / discharge.whole, 1.0) if discharge.whole > 0 and _drove_on(stretch, discharge) else 1.0
    off = un.combine(DOUBT_OF_SHARE * (1 - share), discharge.ending_ah / max(discharge.whole, 1e-9))
    u = None if way.u is None else un.combine(way.u * share, off * way.value)
    note = discharge.note if share == 1.0 else f"{discharge.note}; {share:.1%} of the way, as of the charge"
    yield Result("range_metre", way.value * share, "m", u, way.method, not discharge.complete, note)


def _drove_on(stretch: Stretch, discharge: Discharge) -> float:
    """Seconds driven after the cut-off, 0 when that is hardly any."""
    end = discharge.ending.second
    last = main_parts(stretch)[-1].second[-1]
    return 0.0 if end is None or last - end <= DROVE_ON_SECOND else float(last - end)


def _noticed(stretch: Stretch, discharge: Discharge, lowest: float | None) -> Iterator[Finding]:
    beginning, ending = discharge.beginning, discharge.ending
    if not beginning.full:
        yield Finding(
            "not-full", "warning", f"the test did not begin full: {beginning.words}; capacity is at least this"
        )
    if not ending.reached:
        yield Finding(
            "no-cut-off", "note", f"{_why_not(stretch, ending, lowest)}; capacity and range are at least this"
        )
    if ending.how == "sheet" and ending.limit and lowest is not None and lowest > ending.limit:
        words = f"the sheet says {stretch.test.get('end_reason')}, but the lowest loaded voltage is {lowest:.1f} V"
        yield Finding("cut-off-not-seen", "note", f"{words} and the cut-off {ending.limit:g} V")
    after = _drove_on(stretch, discharge)
    if after:
        yield Finding("drove-on", "note", f"the log goes on for {after:.0f} s after the cut-off; capacity ends there")


def _why_not(stretch: Stretch, ending: Ending, lowest: float | None) -> str:
    if ending.limit is None:
        return "no cut-off voltage is known for the pack and the sheet names no cut-off"
    seen = "" if lowest is None else f", the lowest loaded voltage is {lowest:.1f} V"
    return f"the cut-off of {ending.limit:g} V was not reached{seen}"


MEASURE = Measure(
    "pack",
    "2",
    "Volts at rest and loaded, capacity from full to cut-off, depth, health, and the range that was driven.",
    (
        Quantity("rest_start_volt", "V", "voltage at rest before the drive"),
        Quantity("rest_end_volt", "V", "voltage at rest after the drive, ten minutes or more"),
        Quantity("lowest_loaded_volt", "V", "lowest voltage under load"),
        Quantity("sag_volt", "V", "drop of voltage in the heaviest 10 s"),
        Quantity("capacity_ah", "A.h", "charge from full to cut-off, net of regen"),
        Quantity("capacity_wh", "W.h", "energy from full to cut-off, net of regen"),
        Quantity("depth_of_discharge_percent", "%", "charge drawn from full over the rated capacity"),
        Quantity("state_of_health_percent", "%", "capacity over the rated capacity"),
        Quantity("range_metre", "m", "way from full to cut-off"),
    ),
    compute,
)
