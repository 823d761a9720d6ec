"""What instruments make of the truth: gain, zero offset, noise, resolution; and a receiver's wandering fixes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .fleet import CARTS
from .noise import wander
from .road import Floats, Route, Wholes, degrees
from .state import Track

SHUNT_LIMIT = 0.5
"""Stated accuracy of the shunts, % of reading."""
VOLT_LIMIT = 0.25
ODOMETER_LIMIT = 1.0
THERMOMETER_LIMIT = 1.0
"""K"""


@dataclass(frozen=True)
class Instruments:
    """One cart's instruments as they truly are. Gains as factors, offsets in A and K."""

    current_gain: float
    current_offset: float
    voltage_gain: float
    thermometer_offset: float
    wheel_gain: float
    odometer_gain: float


def instruments(cart: str, seed: int) -> Instruments:
    """The instruments that stay in `cart`: each somewhere within its stated accuracy."""
    rng = np.random.default_rng([seed, 4, [each.name for each in CARTS].index(cart)])
    gain, volt, odometer = (1 + rng.uniform(-1, 1) * limit / 100 for limit in (SHUNT_LIMIT, VOLT_LIMIT, ODOMETER_LIMIT))
    offset = float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.15))
    warm = float(rng.uniform(-THERMOMETER_LIMIT, THERMOMETER_LIMIT))
    return Instruments(gain, offset, volt, warm, 1 + float(rng.uniform(-0.015, 0.025)), odometer)


@dataclass(frozen=True)
class Seen:
    """What a logger stored. second: s from the start of the log. ampere: positive charges. speed: m/s."""

    second: Floats
    volt: Floats
    ampere: Floats
    celsius: Floats
    speed: Floats


def logged(truth: Seen, made: Instruments, rng: np.random.Generator) -> Seen:
    """`truth` through the cart's instruments, before rounding."""
    count = len(truth.second)
    return Seen(
        truth.second,
        truth.volt * made.voltage_gain + rng.normal(0, 0.008, count),
        truth.ampere * made.current_gain + made.current_offset + rng.normal(0, 0.06, count),
        truth.celsius + made.thermometer_offset + rng.normal(0, 0.05, count),
        np.maximum(truth.speed * made.wheel_gain + (truth.speed > 0) * rng.normal(0, 0.05, count), 0.0),
    )


@dataclass(frozen=True)
class Fixes:
    """A receiver's fixes. second: s from the start of the log. segment: a new one after lost reception."""

    second: Wholes
    segment: Wholes
    latitude: Floats
    longitude: Floats
    elevation: Floats


def fixes(track: Track, route: Route, period: int, rng: np.random.Generator) -> Fixes:
    """What a receiver in the cart keeps from a minute before the drive to a minute after it.

    Position noise of 2.5 m that wanders slowly, 0.3 m that does not; height twice as bad; reception lost
    now and then.
    """
    second = np.arange(max(track.rest - 60, 0), min(track.ended + 60, len(track.way) - 1), period)
    keep = rng.uniform(0.98, 0.995) ** period
    metre = track.way[second] % route.length
    grid = np.arange(route.length + 1.0)
    east, north = (
        np.interp(metre, grid, line) + wander(rng, len(second), 2.5, keep) + rng.normal(0, 0.3, len(second))
        for line in route.outline
    )
    height = np.interp(metre, grid, route.height) + wander(rng, len(second), 4.0, 0.999**period)
    latitude, longitude = degrees(east, north)
    segment = np.zeros(len(second), dtype=np.int64)
    heard = np.ones(len(second), dtype=bool)
    for start in np.sort(rng.integers(200, max(len(second) - 200, 201), rng.integers(0, 3))):
        heard[start : start + int(rng.integers(15, 60))] = False
        segment[start:] += 1
    height = height + rng.normal(0, 0.4, len(second))
    return Fixes(second[heard], segment[heard], latitude[heard], longitude[heard], height[heard])
