"""Charge and energy: the integrals of `flow`, with what is uncertain of them, and per distance.

net = charging - discharging, so it is negative on a drive, as in the Battery Data Format (ontology 1.3.0).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .flow import HOUR, Flow, flow_of
from .parts import is_test, main_kind, main_parts
from .zero import zero_of

SLOW_SECOND = 10.0
LEAST_METRE = 100.0
NOTICED_SHARE = 0.005
"""What gaps may have held before it is worth a warning, as a share of what flowed."""
HIDDEN_SHARE = 0.5**0.5
"""How much of flow.sampling() a figure is off by. That is the miss of samples twice as far apart. Where samples are too
far apart to hang together, n misses of a step each add up to the root of n steps, so half the step misses the root of a
half; of samples that do hang together it misses less."""


@dataclass(frozen=True)
class Doubt:
    """Standard uncertainties of a flow. gain_ah, gain_wh: shares of the figure (1), shared by all figures of the same
    instruments. net_ah, charging_ah, discharging_ah: the rest (A.h) of each. volt: V that turn those into W.h."""

    gain_ah: float
    gain_wh: float
    net_ah: float
    charging_ah: float
    discharging_ah: float
    volt: float

    def ah(self, value: float, own: float) -> float:
        """Of a charge of `value` A.h, `own` (A.h) being the part that is not the gain."""
        return un.combine(self.gain_ah * value, own)

    def wh(self, value: float, own: float) -> float:
        """Of an energy of `value` W.h, `own` (A.h) being the part that is not the gain."""
        return un.combine(self.gain_wh * value, self.volt * own)


def doubt_of(stretch: Stretch, flowed: Flow, zero_u: float) -> Doubt:
    """What is uncertain of `flowed`: gain of shunt and voltmeter, the shunt's zero (`zero_u`, A) over the time, what
    hides between samples, and the charge of the gaps, of which only is known that the current was somewhere
    between nothing and twice its mean."""
    shunt, voltmeter = un.gain(stretch.instruments, "shunt"), un.gain(stretch.instruments, "voltmeter")
    drift = zero_u * flowed.second / HOUR
    gaps = un.of_limit(flowed.mean_ampere * flowed.gap_second / HOUR)
    hidden = (flowed.sampling_ah, flowed.charging_sampling_ah, flowed.discharging_sampling_ah)
    net, charging, discharging = (un.combine(drift, gaps, HIDDEN_SHARE * one) for one in hidden)
    return Doubt(shunt, un.combine(shunt, voltmeter), net, charging, discharging, flowed.mean_volt)


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`, and what was noticed on the way."""
    parts = [part for part in main_parts(stretch) if np.isfinite(part.ampere).sum() > 1]
    if not parts:
        yield from _nothing(stretch)
        return
    zero = zero_of(stretch)
    if zero.words:
        yield Finding("zero-offset", "note", zero.words)
    if zero.rests:
        yield Result("zero_offset_ampere", zero.ampere, "A", zero.u, "rests", note=f"from {zero.rests} rests")
    flowed = flow_of(parts, zero.ampere)
    yield from _noticed(stretch, flowed)
    if not flowed.second:
        return
    doubt = doubt_of(stretch, flowed, zero.u)
    yield from _charge(flowed, doubt)
    if np.isfinite(flowed.net_wh):
        yield from _energy(stretch, flowed, doubt)
    else:
        yield Finding("no-volts", "warning", "no volts were logged: no energy, only charge")
    yield from _per_way(stretch, flowed, doubt)


def _nothing(stretch: Stretch) -> Iterator[Finding]:
    if not is_test(stretch):
        return
    if stretch.samples is None:
        yield Finding("no-log", "note", "no log of volts and current belongs to this test: no charge, no energy")
    elif not np.isfinite(stretch.samples.ampere).any():
        yield Finding("no-current", "warning", "the log holds no current: no charge, no energy")
    else:
        yield Finding("no-stint", "warning", f"no {main_kind(stretch)} in this test's log{_backwards(stretch)}")


def _backwards(stretch: Stretch) -> str:
    others = {stint.kind for stint in stretch.stints}
    if main_kind(stretch) == "drive" and "charge" in others:
        return ", only charging: is the sign of its current the wrong way round?"
    return f", only {' and '.join(sorted(others))}" if others else ""


def _noticed(stretch: Stretch, flowed: Flow) -> Iterator[Finding]:
    if flowed.gap_second:
        missed = flowed.mean_ampere * flowed.gap_second / HOUR
        some = missed > NOTICED_SHARE * (flowed.charging_ah + flowed.discharging_ah)
        where = "one gap" if flowed.gaps == 1 else f"{flowed.gaps} gaps"
        words = f"{flowed.gap_second:.0f} s are missing in {where}: not counted"
        yield Finding("gap", "warning" if some else "note", f"{words}; at the mean current they held {missed:.3g} Ah")
    if flowed.step >= SLOW_SECOND and main_kind(stretch) == "drive":
        words = f"one sample in {flowed.step:.0f} s: stop-and-go between samples is not seen"
        yield Finding("slow-log", "warning", f"{words}, and the uncertainty says so ({flowed.sampling_ah:.2g} Ah)")


def _charge(flowed: Flow, doubt: Doubt) -> Iterator[Result]:
    way = "trapezoid"
    yield Result(
        "discharging_ah", flowed.discharging_ah, "A.h", doubt.ah(flowed.discharging_ah, doubt.discharging_ah), way
    )
    yield Result("charging_ah", flowed.charging_ah, "A.h", doubt.ah(flowed.charging_ah, doubt.charging_ah), way)
    yield Result("net_ah", flowed.net_ah, "A.h", doubt.ah(flowed.net_ah, doubt.net_ah), way)
    yield Result("gap_second", flowed.gap_second, "s", un.of_step(max(flowed.step, 1e-3)), "longer-than-3-steps")


def _energy(stretch: Stretch, flowed: Flow, doubt: Doubt) -> Iterator[Result]:
    way = "linear-product"
    yield Result(
        "discharging_wh", flowed.discharging_wh, "W.h", doubt.wh(flowed.discharging_wh, doubt.discharging_ah), way
    )
    yield Result("charging_wh", flowed.charging_wh, "W.h", doubt.wh(flowed.charging_wh, doubt.charging_ah), way)
    yield Result("net_wh", flowed.net_wh, "W.h", doubt.wh(flowed.net_wh, doubt.net_ah), way)
    if main_kind(stretch) == "drive" and flowed.discharging_wh > 0:
        share = flowed.charging_wh / flowed.discharging_wh
        back, out = (doubt.volt * own / flowed.discharging_wh for own in (doubt.charging_ah, doubt.discharging_ah))
        yield Result(
            "regen_share", share, "1", un.combine(back, share * out), way, note="the instruments' gain cancels"
        )


def _per_way(stretch: Stretch, flowed: Flow, doubt: Doubt) -> Iterator[Result | Finding]:
    if main_kind(stretch) != "drive":
        return
    way = stretch.known.get("distance_metre")
    if way is None or way.value < LEAST_METRE:
        if is_test(stretch) and stretch.kind == "range":
            yield Finding("no-distance", "warning", "no distance is known: no consumption per distance")
        return
    km = way.value / 1000
    note = f"distance by {way.method}"
    if np.isfinite(flowed.net_wh):
        u = _per_km_u(-flowed.net_wh, doubt.wh(flowed.net_wh, doubt.net_ah), way)
        yield Result("consumption_wh_per_km", -flowed.net_wh / km, "W.h/km", u, "net/distance", note=note)
    u = _per_km_u(flowed.discharging_ah, doubt.ah(flowed.discharging_ah, doubt.discharging_ah), way)
    yield Result("discharge_ah_per_km", flowed.discharging_ah / km, "A.h/km", u, "discharging/distance", note=note)


def _per_km_u(value: float, u: float, way: Result) -> float | None:
    """Standard uncertainty of value / distance per km (JCGM 100:2008, 5.1.2), None where the distance has none."""
    if way.u is None:
        return None
    km = way.value / 1000
    return un.combine(u / km, value / km * way.u / way.value)


MEASURE = Measure(
    "energy",
    "2",
    "Charge and energy out and in, and what the way took of them.",
    (
        Quantity("discharging_ah", "A.h", "charge drawn"),
        Quantity("charging_ah", "A.h", "charge put in, regen on a drive"),
        Quantity("net_ah", "A.h", "charge put in less charge drawn"),
        Quantity("discharging_wh", "W.h", "energy drawn"),
        Quantity("charging_wh", "W.h", "energy put in, regen on a drive"),
        Quantity("net_wh", "W.h", "energy put in less energy drawn"),
        Quantity("regen_share", "1", "energy put back by regen over energy drawn"),
        Quantity("gap_second", "s", "time the log does not cover, not integrated"),
        Quantity("zero_offset_ampere", "A", "zero of the shunt, removed from the current"),
        Quantity("consumption_wh_per_km", "W.h/km", "net energy drawn over the way"),
        Quantity("discharge_ah_per_km", "A.h/km", "charge drawn over the way"),
    ),
    compute,
)
