"""Charge and energy.

Volts and amps are taken as running straight from sample to sample. Then charge is the trapezoid of current, and
energy the exact integral of the product of two straight lines (a trapezoid of V x I reads low whenever both move):

    dt (2 I0 V0 + 2 I1 V1 + I0 V1 + I1 V0) / 6

Both are split by the sign of the current, at the instant the line crosses zero, as the Battery Data Format defines
them (ontology 1.3.0): charging_ah = 1/3600 Int max(I, 0) dt, charging_wh = 1/3600 Int V I [I > 0] dt, net = charging -
discharging. Nothing is integrated across a gap.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from ..stretch import Samples
from . import uncertainty as un
from .parts import gap_limit, usual_step

HOUR = 3600.0


@dataclass(frozen=True)
class Flow:
    """What flowed: charge (A.h), energy (W.h; NaN where no volts were logged), and how well the log covers it.

    second: s integrated. gap_second: s left out, in `gaps` gaps. sampling_ah: see sampling(). mean_volt: V, over
    `second`. step: usual step, s.
    """

    charging_ah: float = 0.0
    discharging_ah: float = 0.0
    charging_wh: float = 0.0
    discharging_wh: float = 0.0
    second: float = 0.0
    gap_second: float = 0.0
    gaps: int = 0
    sampling_ah: float = 0.0
    mean_volt: float = 0.0
    step: float = 0.0

    @property
    def net_ah(self) -> float:
        return self.charging_ah - self.discharging_ah

    @property
    def net_wh(self) -> float:
        return self.charging_wh - self.discharging_wh

    @property
    def mean_ampere(self) -> float:
        return (self.charging_ah + self.discharging_ah) * HOUR / self.second if self.second else 0.0


def flow(second: Floats, volt: Floats, ampere: Floats) -> Flow:
    """Charge and energy of one stretch of samples: second (s, ascending), volt (V), ampere (A, positive charges).

    Arrays of equal length; rows without a current are left out, and a gap they leave is a gap. Energy is NaN
    when no row has volts; where only some lack them, they are read off the straight line between their neighbours.
    """
    known = np.isfinite(ampere)
    second, volt, ampere = second[known], _filled(second, volt)[known], ampere[known]
    step = np.diff(second)
    whole = step <= gap_limit(second)
    at = np.flatnonzero(whole)
    charge, energy = _single_signed(step[at], ampere[at], ampere[at + 1], volt[at], volt[at + 1])
    unknown = 0.0 if np.isfinite(volt).any() else np.nan
    covered = float(step[at].sum())
    return Flow(
        charging_ah=float(charge[charge > 0].sum()) / HOUR,
        discharging_ah=-float(charge[charge < 0].sum()) / HOUR,
        charging_wh=float(energy[charge > 0].sum()) / HOUR + unknown,
        discharging_wh=-float(energy[charge < 0].sum()) / HOUR + unknown,
        second=covered,
        gap_second=float(step[~whole].sum()),
        gaps=int((~whole).sum()),
        sampling_ah=sampling(second, ampere),
        mean_volt=float((step[at] * (volt[at] + volt[at + 1])).sum()) / 2 / covered if covered else 0.0,
        step=usual_step(second),
    )


def _filled(second: Floats, volt: Floats) -> Floats:
    known = np.isfinite(volt)
    if known.all() or not known.any():
        return volt
    return np.interp(second, second[known], volt[known])


def _single_signed(step: Floats, i0: Floats, i1: Floats, v0: Floats, v1: Floats) -> tuple[Floats, Floats]:
    """Charge (A.s) and energy (W.s) of pieces in which the current has one sign: each interval, or its two parts
    where the straight line from i0 to i1 crosses zero."""
    crosses = i0 * i1 < 0
    share = np.ones(len(step))
    share[crosses] = i0[crosses] / (i0[crosses] - i1[crosses])
    middle_i, middle_v = np.where(crosses, 0.0, i1), v0 + share * (v1 - v0)
    before = _piece(step * share, i0, middle_i, v0, middle_v)
    c = crosses
    after = _piece((step * (1 - share))[c], middle_i[c], i1[c], middle_v[c], v1[c])
    return np.r_[before[0], after[0]], np.r_[before[1], after[1]]


def _piece(step: Floats, i0: Floats, i1: Floats, v0: Floats, v1: Floats) -> tuple[Floats, Floats]:
    return step * (i0 + i1) / 2, step * (2 * i0 * v0 + 2 * i1 * v1 + i0 * v1 + i1 * v0) / 6


def sampling(second: Floats, ampere: Floats) -> float:
    """How much charge (A.h) hides between samples: the scale of what a straight line from one to the next misses.

    Leaving out every other sample shows how far the line misses it: d = I1 - (I0 + I2)/2. Misses that do not hang
    together add up to the root of the sum of (d dt)^2. A drive thinned from 1 s to 2..60 s (tests/test_energy.py)
    loses about that much from charging and from discharging each, as bursts of either go unseen, and is off by
    up to half of it in the net.
    """
    if len(second) < 3:
        return 0.0
    width = np.diff(second)
    left, right = width[:-1:2], width[1::2]
    left = left[: len(right)]
    i0, i1, i2 = ampere[:-2:2][: len(right)], ampere[1:-1:2][: len(right)], ampere[2::2][: len(right)]
    both = left + right
    share = np.divide(left, both, out=np.zeros(len(both)), where=both > 0)
    miss = i1 - (i0 + share * (i2 - i0))
    usable = both <= 2 * gap_limit(second)
    return float(np.sqrt(np.sum((miss * both / 2)[usable] ** 2))) / HOUR


def total(flows: Sequence[Flow]) -> Flow:
    """The sum of several flows: what each could miss is independent of the others."""
    second = sum(f.second for f in flows)
    return Flow(
        charging_ah=sum(f.charging_ah for f in flows),
        discharging_ah=sum(f.discharging_ah for f in flows),
        charging_wh=sum(f.charging_wh for f in flows),
        discharging_wh=sum(f.discharging_wh for f in flows),
        second=second,
        gap_second=sum(f.gap_second for f in flows),
        gaps=sum(f.gaps for f in flows),
        sampling_ah=un.combine(*(f.sampling_ah for f in flows)),
        mean_volt=sum(f.mean_volt * f.second for f in flows) / second if second else 0.0,
        step=max((f.step for f in flows), default=0.0),
    )


def flow_of(parts: Iterable[Samples], zero_ampere: float) -> Flow:
    """Charge and energy of `parts`, each by itself, with `zero_ampere` (A) taken off the current."""
    return total([flow(part.second, part.volt, part.ampere - zero_ampere) for part in parts])
