"""The pack: cell voltage, resistance, what cold and current take away, ageing, recharge."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .fleet import SEASON_START, WEEKS, Pack, charge_volt

Floats = npt.NDArray[np.float64]

CHEMISTRIES = ("LFP", "NMC", "flooded")
GRID = 400
"""Steps of the voltage tables for one full charge."""
BELOW = -0.1
"""The tables go on to this state of charge, so that an empty pack still has a voltage."""

# Rest volts of a cell against state of charge. LFP and NMC: from memory, discharge branch at 25 °C. Flooded:
# a maker's table for a 12 V block at 26.7 °C (12.65, 12.45, 12.24, 12.06, 11.89 V), divided by six.
_REST_VOLTS = {
    "LFP": (
        (-0.1, 0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 0.99, 1.0),
        (1.9, 2.60, 2.85, 3.01, 3.12, 3.21, 3.25, 3.27, 3.28, 3.29, 3.31, 3.32, 3.33, 3.335, 3.36, 3.40),
    ),
    "NMC": (
        (-0.1, 0.0, 0.02, 0.05, 0.15, 0.3, 0.5, 0.65, 0.8, 0.9, 1.0),
        (2.2, 3.0, 3.17, 3.30, 3.50, 3.60, 3.68, 3.80, 3.92, 4.06, 4.18),
    ),
    "flooded": (
        (-0.1, -0.03, 0.0, 0.25, 0.5, 0.75, 1.0),
        (1.55, 1.90, 11.89 / 6, 12.06 / 6, 12.24 / 6, 12.45 / 6, 12.65 / 6),
    ),
}

ACTIVATION = {"LFP": 2600.0, "NMC": 2400.0, "flooded": 1300.0}
"""Resistance against temperature, K: R = R25 exp(a (1/T - 1/298.15))."""
COLD_LOSS = {"LFP": 0.007, "NMC": 0.005, "flooded": 0.008}
"""Share of the capacity that each kelvin below 25 °C takes away."""
PEUKERT = {"LFP": 1.0, "NMC": 1.0, "flooded": 1.2}
"""Peukert's exponent; common practice, no source."""
SLOW_SHARE = {"LFP": 0.6, "NMC": 0.6, "flooded": 0.5}
"""The slow (RC) part of the resistance over the ohmic part, and its time constant, s."""
SLOW_TIME = {"LFP": 45.0, "NMC": 40.0, "flooded": 160.0}
AGEING_FACTOR = {"LFP": 1.0, "NMC": 1.3, "flooded": 2.0}


def rest_volts(chemistry: str, charge: Floats) -> Floats:
    """Rest voltage of one cell, V, at state of charge `charge` (1 is full)."""
    at, volts = _REST_VOLTS[chemistry]
    return np.asarray(np.interp(charge, at, volts))


def volt_tables() -> Floats:
    """Rest volts of a cell, one row a chemistry, every 1/GRID of a charge from BELOW to just over full."""
    grid = BELOW + np.arange(int((1.05 - BELOW) * GRID) + 2) / GRID
    return np.stack([rest_volts(chemistry, grid) for chemistry in CHEMISTRIES])


def resistance_factor(charge: Floats, celsius: Floats, activation: Floats) -> Floats:
    """Resistance over the one at 25 °C and half full: cold and emptiness raise it."""
    return np.asarray(
        np.exp(activation * (1 / (celsius + 273.15) - 1 / 298.15)) * (1 + 1.5 * np.exp(-np.maximum(charge, 0) / 0.07))
    )


def throughput_loss(ah: float, celsius: float = 25.0) -> float:
    """Capacity lost to use, %, of a 2.2 Ah LFP cell after `ah` of discharge at C/2.

    Wang et al. 2011, J. Power Sources 196:3942: 31630 exp((-31700 + 370.3 C) / (R T)) Ah^0.55, C = 0.5.
    """
    exponent = (-31700 + 370.3 * 0.5) / (8.314 * (celsius + 273.15))
    return float(31630 * np.exp(exponent) * ah**0.55)


def calendar_loss(days: float) -> float:
    """Capacity lost to time, %: with its square root, 3 % in the first year."""
    return float(3.0 * np.sqrt(days / 365.0))


def fade(pack: Pack, day: datetime.date) -> float:
    """Share of its capacity when new that `pack` has lost by `day`."""
    days = max((day - pack.in_service).days, 0)
    ordinary = throughput_loss(2.2 * pack.cycles_per_day * days) + calendar_loss(days)
    season = min(max((day - SEASON_START).days / (7.0 * WEEKS), 0.0), 1.0)
    fault: float = pack.season_fault * season**1.2
    return ordinary * AGEING_FACTOR[pack.chemistry] / 100 + fault


def capacity(pack: Pack, day: datetime.date) -> float:
    """Capacity on `day` at 25 °C and, for lead, at the 20 h rate, Ah."""
    return pack.rated_ah * pack.excess * (1 - fade(pack, day))


def resistance(pack: Pack, day: datetime.date) -> float:
    """Ohmic resistance on `day` at 25 °C, half full, ohm: it grows twice as fast as the capacity fades."""
    return pack.resistance * (1 + 2 * fade(pack, day))


@dataclass(frozen=True)
class Charge:
    """A recharge, sample by sample. volt: V. ampere: A, positive charges."""

    volt: Floats
    ampere: Floats


def recharge(pack: Pack, size: float, charge: float, ohm: float, step: float) -> Charge:
    """A recharge of a pack of `size` Ah from state of charge `charge`, every `step` seconds.

    Constant current until the charger's voltage, then that voltage with a current that dies away. Lead
    takes a tenth more than it gave (common practice, no source).
    """
    rate = pack.rated_ah * (0.13 if pack.chemistry == "flooded" else 0.25)
    top, total = charge_volt(pack), ohm * (1 + SLOW_SHARE[pack.chemistry])
    grid = np.linspace(charge, 1.0, 2000)
    loaded = pack.cells * rest_volts(pack.chemistry, grid) + rate * total
    turn = float(grid[np.argmax(loaded >= top)]) if loaded[-1] >= top else 0.96
    turn = min(max(turn, charge), 0.97)
    bulk = np.arange(0.0, (turn - charge) * size / rate * 3600, step)
    fill = (1 - turn) * size + (0.1 * (1 - charge) * size if pack.chemistry == "flooded" else 0.0)
    fall = fill * 3600 / (rate * 0.97)
    taper = np.arange(0.0, 3.5 * fall, step)
    sofar = charge + bulk * rate / size / 3600
    rise = pack.cells * rest_volts(pack.chemistry, sofar) + rate * (
        ohm + (total - ohm) * (1 - np.exp(-bulk / SLOW_TIME[pack.chemistry]))
    )
    if len(bulk):
        rise = rise + (top - rise[-1]) * np.exp((sofar - turn) / 0.012)
    return Charge(
        np.concatenate([np.minimum(rise, top), np.full(len(taper), top)]),
        np.concatenate([np.full(len(bulk), rate), rate * np.exp(-taper / fall)]),
    )
