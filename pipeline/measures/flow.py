"""Charge and energy.

Volts and amps are taken as running straight from sample to sample. Then charge is the trapezoid of current, and
energy the exact integral of the product of two straight lines (a trapezoid of V x I reads low whenever both move):

    dt (2 I0 V0 + 2 I1 V1 + I0 V1 + I1 V0) / 6

Both are split by the sign of the current, as the Battery Data Format defines them (ontology 1.3.0): charging_ah =
1/3600 Int max(I, 0) dt, charging_wh = 1/3600 Int V I [I > 0] dt, net = charging - discharging. max(I, 0) is taken at
the samples and runs straight between them. With samples that fall at any instant of what goes on, that is right on
average however short the bursts of regen are, as the sum over samples of any function is. (To split the line from
sample to sample where it crosses zero is not: a burst between two samples that draw is pulled under by them, and a
drive logged at 5 s then shows much less regen than one at 1 s, see tests/test_energy.py.) The net is the same either
way. Nothing is integrated across a gap.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from ..stretch import Samples
from . import uncertainty as un
from .parts import gap_limit, picked, usual_step

HOUR = 3600.0


@dataclass(frozen=True)
class Flow:
    """What flowed: charge (A.h), energy (W.h; NaN where no volts were logged), and how well the log covers it.

    second: s integrated. gap_second: s left out, in `gaps` gaps. sampling_ah: see sampling(), of the net; then of
    charging and of discharging alone. mean_volt: V, over `second`. step: usual step, s.
    """

    charging_ah: float = 0.0
    discharging_ah: float = 0.0
    charging_wh: float = 0.0
    discharging_wh: float = 0.0
    second: float = 0.0
    gap_second: float = 0.0
    gaps: int = 0
    sampling_ah: float = 0.0
    charging_sampling_ah: float = 0.0
    discharging_sampling_ah: float = 0.0
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
    known = picked(np.isfinite(ampere))
    second, volt, ampere = second[known], _filled(second, volt)[known], ampere[known]
    step = np.diff(second)
    whole = step <= gap_limit(second)
    at = picked(whole)
    charge, discharge = np.maximum(ampere, 0.0), np.maximum(-ampere, 0.0)
    width, v0, v1 = step[at], volt[:-1][at], volt[1:][at]
    back, out = (_integrals(width, one[:-1][at], one[1:][at], v0, v1) for one in (charge, discharge))
    unknown = 0.0 if np.isfinite(volt).any() else np.nan
    covered = float(width.sum())
    return Flow(
        charging_ah=back[0] / HOUR,
        discharging_ah=out[0] / HOUR,
        charging_wh=back[1] / HOUR + unknown,
        discharging_wh=out[1] / HOUR + unknown,
        second=covered,
        gap_second=float(step[~whole].sum()),
        gaps=int((~whole).sum()),
        sampling_ah=sampling(second, ampere),
        charging_sampling_ah=sampling(second, charge),
        discharging_sampling_ah=sampling(second, discharge),
        mean_volt=float((width * (v0 + v1)).sum()) / 2 / covered if covered else 0.0,
        step=usual_step(second),
    )


def _filled(second: Floats, volt: Floats) -> Floats:
    known = np.isfinite(volt)
    if known.all() or not known.any():
        return volt
    return np.interp(second, second[known], volt[known])


def _integrals(step: Floats, i0: Floats, i1: Floats, v0: Floats, v1: Floats) -> tuple[float, float]:
    """Charge (A.s) and energy (W.s) over steps in which current and volts run straight from i0 to i1, v0 to v1."""
    charge = step * (i0 + i1) / 2
    energy = step * (2 * i0 * v0 + 2 * i1 * v1 + i0 * v1 + i1 * v0) / 6
    return float(charge.sum()), float(energy.sum())


def sampling(second: Floats, ampere: Floats) -> float:
    """How much charge (A.h) hides between samples: the scale of what straight lines from one to the next miss.

    Leaving out every other sample shows how far the line misses it: d = I1 - (I0 + I2)/2. Misses that do not hang
    together add up to the root of the sum of (d dt)^2. That is what samples twice as far
    apart miss, see energy.HIDDEN_SHARE; tests/test_energy.py holds it against a drive thinned from 1 s to 2..60 s.
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
        charging_sampling_ah=un.combine(*(f.charging_sampling_ah for f in flows)),
        discharging_sampling_ah=un.combine(*(f.discharging_sampling_ah for f in flows)),
        mean_volt=sum(f.mean_volt * f.second for f in flows) / second if second else 0.0,
        step=max((f.step for f in flows), default=0.0),
    )


def flow_of(parts: Iterable[Samples], zero_ampere: float) -> Flow:
    """Charge and energy of `parts`, each by itself, with `zero_ampere` (A) taken off the current."""
    return total([flow(part.second, part.volt, part.ampere - zero_ampere) for part in parts])
