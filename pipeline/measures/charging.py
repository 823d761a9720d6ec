"""What a charge put in, whether it went on to the end, and what comes back of it; and what a pack loses standing.

A charger holds its current, then its volts, and then the current falls: the taper. It is taken as reached when for a
minute in all the current was between a hundredth and a tenth of the main current (the largest mean over a minute), or
when after half a minute below a half of it the last current was a twentieth of the rated capacity an hour, where
chargers for lithium stop; all with the volts within 1 % of the highest. Common practice, no source.

Efficiencies compare all that came out with all that went in, regen and recharge, between full and full: coulombic
A.h over A.h, energy W.h over W.h (as IEC 62660-1 has them, from memory). A tenth short of full at one end is a tenth on
the figure, so there is none unless the log shows that both ends are the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..chemistry import is_lead
from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .ending import beginning_of, charged_between
from .energy import doubt_of
from .flow import Flow, flow_of, total
from .parts import is_test, main_kind, main_parts, usual_step, weights
from .rest import MEAN_SECOND
from .standing import standing
from .windows import heaviest
from .zero import removed, removed_u

TAPER_SECOND = 60.0
TAPER_SHARE, OFF_SHARE = 0.1, 0.01
TAPER_HOURS, FALL_SECOND = 20.0, 30.0
SLACK = 1.1
"""On a current that a charger stops at."""
HELD_SHARE = 0.01
SAME_REST = 0.01
"""Rest volts before and after that differ by less than this share are the same state. Common practice, no source."""
CLOSURE = 0.005
"""How far two full charges may differ, as a share of the charge (limit). Common practice, no source."""
LITHIUM_IN_OUT = (1.0, 1.03)
"""A.h in over A.h out from full to full, for lithium. Common practice, no source."""


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family: of charges, of a drive and its recharge, of long rests."""
    if main_kind(stretch) == "rest":
        yield from standing(stretch)
        return
    parts = _charges(stretch)
    if not parts:
        return
    flowed = flow_of(parts, removed(stretch))
    if not flowed.second:
        return
    yield from _charge(stretch, parts, flowed)
    if main_kind(stretch) == "drive":
        yield from _loop(stretch, parts, flowed)


def _charges(stretch: Stretch) -> list[Samples]:
    """The charges that `stretch` is about; of a test that drives, the recharge after its last drive."""
    if main_kind(stretch) == "charge":
        return [part for part in main_parts(stretch) if _has_current(part)]
    if stretch.samples is None or not is_test(stretch):
        return []
    drives = [stint.last for stint in stretch.stints if stint.kind == "drive"]
    after = [stint for stint in stretch.stints if stint.kind == "charge" and drives and stint.first >= max(drives)]
    parts = [stretch.samples.part(stint.first, stint.last) for stint in after]
    return [part for part in parts if _has_current(part)]


def _has_current(part: Samples) -> bool:
    return int(np.isfinite(part.ampere).sum()) > 1


def _charge(stretch: Stretch, parts: Sequence[Samples], flowed: Flow) -> Iterator[Result]:
    doubt = doubt_of(stretch, flowed, removed_u(stretch))
    ah, wh = flowed.charging_ah, flowed.charging_wh
    yield Result("charge_ah", ah, "A.h", doubt.ah(ah, doubt.charging_ah), "trapezoid")
    if np.isfinite(wh):
        yield Result("charge_wh", wh, "W.h", doubt.wh(wh, doubt.charging_ah), "linear-product")
    second = sum(float(part.second[-1] - part.second[0]) for part in parts)
    ends = un.of_step(max(usual_step(part.second) for part in parts)) * np.sqrt(2 * len(parts))
    yield Result("charge_second", second, "s", float(ends), "first-to-last", note=_times(len(parts)))
    reached = taper_of(parts[-1], stretch.pack.get("rated_capacity_ah"))
    if reached is not None:
        yield Result("taper_reached", float(reached), "1", None, "current-fell", note=_TAPER[reached])


_TAPER = {True: "the current fell at steady volts: charged to the end", False: "the current never fell: cut short"}


def _times(count: int) -> str:
    return "" if count == 1 else f"in {count} charges"


def taper_of(part: Samples, rated_ah: float | None) -> bool | None:
    """Whether a charge went on to its taper. None where it is shorter than that would take to see, or has no volts."""
    most = heaviest(part.second, part.ampere, TAPER_SECOND)
    if most is None or most.mean <= 0 or not np.isfinite(part.volt).any():
        return None
    charging = part.ampere > OFF_SHARE * most.mean
    on = charging & (part.volt >= (1 - HELD_SHARE) * np.nanmax(part.volt))
    spent = weights(part.second)
    if spent[on & (part.ampere <= TAPER_SHARE * most.mean)].sum() >= TAPER_SECOND:
        return True
    last = int(np.flatnonzero(charging)[-1])
    stopped = part.ampere[last] <= SLACK * (rated_ah or 0.0) / TAPER_HOURS
    return bool(stopped and on[last] and spent[on & (part.ampere <= most.mean / 2)].sum() >= FALL_SECOND)


# --- out and in again --------------------------------------------------------------------------------


def _loop(stretch: Stretch, parts: Sequence[Samples], recharge: Flow) -> Iterator[Result | Finding]:
    """Efficiencies of a test that drives and is recharged to where it began."""
    open_words = _open(stretch, parts)
    if open_words:
        yield Finding("loop-open", "note", f"no efficiency from full to full: {open_words}")
        return
    driven = flow_of(main_parts(stretch), removed(stretch))
    whole = total([driven, recharge])
    doubt = doubt_of(stretch, whole, removed_u(stretch))
    if whole.charging_ah <= 0 or whole.discharging_ah <= 0:
        return
    own = un.combine(doubt.net_ah, un.of_limit(CLOSURE * whole.discharging_ah)) / whole.discharging_ah
    coulombic = 100 * whole.discharging_ah / whole.charging_ah
    note = "out over in from full to full, regen counted as in; the instruments' gain cancels"
    yield Result("coulombic_efficiency_percent", coulombic, "%", own * coulombic, "full-to-full", note=note)
    if np.isfinite(whole.charging_wh):
        energy = 100 * whole.discharging_wh / whole.charging_wh
        yield Result("energy_efficiency_percent", energy, "%", own * energy, "full-to-full", note=note)
    yield from _gate(stretch, recharge.charging_ah / -driven.net_ah, recharge.charging_ah / -driven.net_ah * own)


def _open(stretch: Stretch, parts: Sequence[Samples]) -> str:
    """Why the stretch does not end where it began, in words; nothing when it does."""
    start = stretch.known.get("rest_start_volt")
    began = beginning_of(stretch, None if start is None else start.value)
    if not began.full:
        return began.words
    if charged_between(stretch):
        return "the pack was charged between its drives"
    if not taper_of(parts[-1], stretch.pack.get("rated_capacity_ah")):
        return "the recharge did not go on to its taper"
    after = _rest_after(stretch)
    if start is None or start.method != "rest" or after is None:
        return ""
    volt = float(np.mean(after.volt[after.second >= after.second[-1] - MEAN_SECOND]))
    if abs(volt - start.value) > SAME_REST * start.value:
        return f"{start.value:.2f} V at rest before and {volt:.2f} V after the recharge"
    return ""


def _rest_after(stretch: Stretch) -> Samples | None:
    """The rest that ends the stretch, right after its last charge."""
    if stretch.samples is None or len(stretch.stints) < 2:
        return None
    charge, rest = stretch.stints[-2:]
    if charge.kind != "charge" or rest.kind != "rest":
        return None
    part = stretch.samples.part(rest.first, rest.last)
    return part if np.isfinite(part.volt).all() else None


def _gate(stretch: Stretch, in_out: float, u: float) -> Iterator[Finding]:
    """Lithium gives back what it takes: more or less shows a shunt's zero, or samples that are missing."""
    low, high = LITHIUM_IN_OUT
    if not stretch.pack.get("chemistry") or is_lead(stretch.pack):
        return
    if in_out + 2 * u < low or in_out - 2 * u > high:
        words = f"the recharge put in {in_out:.3f} times what the drive drew, lithium takes {low:.2f} to {high:.2f}"
        yield Finding("charge-balance", "warning", f"{words}: is the shunt's zero off, or part of the log missing?")


MEASURE = Measure(
    "charging",
    "1",
    "What a charge put in and what comes back of it, and what a pack loses standing.",
    (
        Quantity("charge_ah", "A.h", "charge put in by the charger"),
        Quantity("charge_wh", "W.h", "energy put in by the charger, at the pack"),
        Quantity("charge_second", "s", "time on charge"),
        Quantity("taper_reached", "1", "1 when the charge went on to its taper, else 0"),
        Quantity("coulombic_efficiency_percent", "%", "charge out over charge in, from full to full"),
        Quantity("energy_efficiency_percent", "%", "energy out over energy in at the pack, from full to full"),
        Quantity("self_discharge_volt_per_day", "V/d", "volts lost a day at rest"),
        Quantity("standing_current_ampere", "A", "current drawn at rest"),
    ),
    compute,
)
