"""What driving needs to know and keeps account of: facts, state, ledger. Each outing is a place in every array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import pack as cells
from .fleet import BRAKE_FACTOR, cut_off
from .road import ROUTES
from .season import Outing

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Singles = npt.NDArray[np.float32]

GRAVITY = 9.80665
STEP = 0.5
"""Seconds a step."""
DWELL = 10.0
"""Seconds under the cut-off voltage that end a drive."""
LONGEST = 4.2 * 3600
SLOW_AVERAGE = 300.0
"""Time over which a lead pack feels the mean current, s."""
SPIN = 1.05
"""Turning parts, as a factor on the mass."""


@dataclass(frozen=True)
class Fixed:
    """What does not change on the way, one value an outing. SI units; size in Ah, limits in A."""

    mass: Floats
    rolling: Floats
    drag: Floats
    """half of air density times drag area, kg/m"""
    efficiency: Floats
    regen_efficiency: Floats
    auxiliary: Floats
    winding: Floats
    tractive: Floats
    current_limit: Floats
    regen_limit: Floats
    acceleration: Floats
    series: Floats
    size: Floats
    ohm: Floats
    activation: Floats
    cold: Floats
    peukert: Floats
    reference: Floats
    """current at which the pack gives its rated capacity, A"""
    slow_share: Floats
    slow_keep: Floats
    """what one step leaves of the slow voltage"""
    heat: Floats
    """heat capacity, J/K"""
    cooling: Floats
    """W/K"""
    ambient: Floats
    cut_off: Floats
    continuous: Floats
    peak: Floats
    table: Floats
    """row of the voltage tables"""
    rest: Floats
    """seconds of rest before the drive"""
    far: Floats
    late: Floats


@dataclass
class Moving:
    """The state, one value an outing.

    way: m. speed: m/s. drawn: Ah, as the pack feels it. slow: V lost in the slow resistance. celsius: °C. mean:
    current over the last minutes, A. low: readings in a row under the cut-off. waiting: s still to stand. halt: number
    of the next stop. over: the drive has ended. clock: s of driving.
    """

    way: Floats
    speed: Floats
    drawn: Floats
    slow: Floats
    celsius: Floats
    mean: Floats
    low: Floats
    waiting: Floats
    halt: Wholes
    over: Flags
    emptied: Flags
    clock: Floats


@dataclass
class Ledger:
    """Where it all went, one value an outing, summed over the drive. Energies in J, charge in As, times in s."""

    out_charge: Floats
    in_charge: Floats
    out_energy: Floats
    in_energy: Floats
    auxiliary: Floats
    driveline: Floats
    winding: Floats
    regen_loss: Floats
    friction: Floats
    rolling: Floats
    drag: Floats
    lift: Floats
    kinetic: Floats
    climb: Floats
    moving: Floats
    over_continuous: Floats
    over_peak: Floats
    peak: Floats


@dataclass(frozen=True)
class Track:
    """What an outing's loggers could see, once a second from the start of its log. volt: V. ampere: A, positive
    charges. speed: m/s. way: m. celsius: pack temperature. rest, ended: seconds from the start of the log at
    which the drive starts and ends."""

    volt: Singles
    ampere: Singles
    speed: Singles
    celsius: Singles
    way: Floats
    rest: int
    ended: int


def air_density(celsius: float) -> float:
    """Density of air at sea level, kg/m³: ideal gas, 101325 Pa, 287.05 J/(kg K)."""
    return 101325 / (287.05 * (celsius + 273.15))


def _facts(outing: Outing) -> dict[str, float]:
    cart, pack, settings, ends = outing.cart, outing.pack, outing.settings, outing.end_at
    kind = pack.chemistry
    stiff = 1 + 0.006 * (20 - outing.ambient)
    return {
        "mass": cart.mass + outing.payload,
        "rolling": cart.rolling * ROUTES[outing.route].ground * stiff * (BRAKE_FACTOR if outing.dragging else 1.0),
        "drag": 0.5 * air_density(outing.ambient) * cart.drag_area,
        "efficiency": cart.efficiency, "regen_efficiency": cart.regen_efficiency, "auxiliary": cart.auxiliary,
        "winding": cart.winding, "tractive": cart.tractive, "current_limit": settings.current,
        "regen_limit": settings.regen_ampere, "acceleration": settings.acceleration, "series": pack.cells,
        "size": cells.capacity(pack, outing.day), "ohm": cells.resistance(pack, outing.day),
        "activation": cells.ACTIVATION[kind], "cold": cells.COLD_LOSS[kind], "peukert": cells.PEUKERT[kind],
        "reference": pack.rated_ah / pack.rated_hours, "slow_share": cells.SLOW_SHARE[kind],
        "slow_keep": float(np.exp(-STEP / cells.SLOW_TIME[kind])), "heat": 950 * pack.mass,
        "cooling": 0.12 * pack.mass ** (2 / 3), "ambient": outing.ambient, "cut_off": cut_off(pack),
        "continuous": pack.continuous, "peak": pack.peak, "table": cells.CHEMISTRIES.index(kind),
        "rest": outing.rest_before, "far": ends if outing.end == "distance" else np.inf,
        "late": ends if outing.end in ("time", "operator") else LONGEST,
    }  # fmt: skip


def fixed(outings: Sequence[Outing]) -> Fixed:
    """The facts of `outings` as columns."""
    rows = [_facts(outing) for outing in outings]
    return Fixed(**{name: np.array([row[name] for row in rows], dtype=float) for name in rows[0]})
