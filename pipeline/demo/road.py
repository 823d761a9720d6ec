"""The island's three routes: closed loops with hills, slow places and stopping places."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .noise import wander

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]

ORIGIN = (36.2, -31.6)
"""Latitude and longitude of the pier: open sea on any map."""
AXIS, FLATTENING = 6378137.0, 1 / 298.257223563
"""WGS84 ellipsoid, m and 1 (NGA.STND.0036)."""
BRAKING = 1.1
"""How hard drivers brake, m/s²."""


@dataclass(frozen=True)
class Route:
    """A closed loop. length: m along the road. hills: (waves a lap, height m, phase) of the ground. shape: the same
    for the outline. ground: factor on the rolling coefficient. slow: (from, to, factor on the speed), as parts of a
    lap. stops: stopping places, m. spacing: chance of stopping at each."""

    name: str
    length: int
    place: tuple[float, float]
    hills: tuple[tuple[int, float, float], ...]
    shape: tuple[tuple[int, float, float], ...]
    ground: float
    slow: tuple[tuple[float, float, float], ...]
    stops: tuple[float, ...]
    chance: float

    @cached_property
    def height(self) -> Floats:
        """Height of the ground at each metre of a lap, both ends included, m."""
        turn = np.linspace(0.0, 2 * np.pi, self.length + 1)
        rise = sum(high * np.cos(waves * turn + phase) for waves, high, phase in self.hills)
        return np.asarray(rise - np.min(rise) + 4.0)

    @cached_property
    def grade(self) -> Floats:
        """Rise of each metre of road, m (the sine of its slope)."""
        return np.diff(self.height)

    @cached_property
    def surface(self) -> Floats:
        """How rough each metre is, as a factor on the rolling coefficient; 1 on the whole lap's average."""
        rough = 1 + wander(np.random.default_rng(self.length), self.length, 0.13, 0.93)
        return np.asarray(rough / rough.mean())

    @cached_property
    def outline(self) -> tuple[Floats, Floats]:
        """East and north of each metre of a lap from ORIGIN, m, spaced evenly along the outline."""
        turn = np.linspace(0.0, 2 * np.pi, 20 * self.length + 1)
        radius = 1 + sum(out * np.cos(waves * turn + phase) for waves, out, phase in self.shape)
        east, north = radius * np.cos(turn), radius * np.sin(turn)
        way = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))))
        scale = self.length / way[-1]
        metres = np.arange(self.length + 1.0)
        x, y = (np.interp(metres, way * scale, line * scale) for line in (east, north))
        return x + self.place[0], y + self.place[1]

    def speed_limits(self, top: float) -> Floats:
        """Fastest sensible speed at each metre of a lap for a cart that does `top` m/s: slow places, and
        braking ahead of them (the backward pass v² = v₂² + 2 b d)."""
        factor = np.ones(self.length)
        for first, last, slow in self.slow:
            factor[int(first * self.length) : int(last * self.length)] = slow
        metres = np.arange(2.0 * self.length)
        reach = np.tile((factor * top) ** 2, 2) + 2 * BRAKING * metres
        least = np.minimum.accumulate(reach[::-1])[::-1] - 2 * BRAKING * metres
        return np.asarray(np.sqrt(least[: self.length]))


ROUTES = {
    route.name: route
    for route in (
        Route(
            "harbour loop", 3200, (300.0, 150.0), ((1, 6.0, 0.4), (3, 2.5, 2.0), (7, 0.6, 1.0)),
            ((2, 0.25, 0.3), (3, 0.12, 1.9), (5, 0.05, 0.2)), 1.0, ((0.10, 0.14, 0.6), (0.55, 0.60, 0.5)),
            (140, 420, 610, 980, 1300, 1690, 1900, 2310, 2600, 3050), 0.5,
        ),
        Route(
            "hill road", 4600, (-900.0, 1400.0), ((1, 24.0, 2.8), (2, 9.0, 0.5), (5, 2.2, 1.1)),
            ((2, 0.30, 1.3), (3, 0.15, 0.4), (7, 0.06, 2.2)), 1.0,
            ((0.20, 0.24, 0.6), (0.47, 0.52, 0.5), (0.80, 0.84, 0.6)),
            (300, 950, 1500, 2100, 2300, 2900, 3700, 4300), 0.45,
        ),
        Route(
            "shore path", 2400, (900.0, -700.0), ((1, 1.5, 1.0), (4, 0.8, 0.2)),
            ((2, 0.45, 2.1), (4, 0.08, 0.9)), 1.25, ((0.30, 0.38, 0.6), (0.70, 0.74, 0.5)),
            (80, 350, 700, 1150, 1480, 1800, 2250), 0.5,
        ),
    )
}  # fmt: skip


def degrees(east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Latitude and longitude of points a few kilometres from ORIGIN, by the ellipsoid's radii of curvature there."""
    square = FLATTENING * (2 - FLATTENING)
    middle = np.radians(ORIGIN[0] + north / 222000.0)
    flat = 1 - square * np.sin(middle) ** 2
    latitude = ORIGIN[0] + np.degrees(north / (AXIS * (1 - square) / flat**1.5))
    here = np.radians(latitude)
    across = AXIS / np.sqrt(1 - square * np.sin(here) ** 2) * np.cos(here)
    return latitude, ORIGIN[1] + np.degrees(east / across)


def halts(route: Route, laps: int, slow: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Where a driver stops on the way, m from the start, and for how long, s. `slow`: factor on the length."""
    places = (np.arange(laps)[:, None] * route.length + np.asarray(route.stops)[None, :]).ravel()
    chosen = places[rng.random(len(places)) < route.chance]
    long = rng.random(len(chosen)) < 0.06
    waits = np.where(long, rng.uniform(60, 150, len(chosen)), rng.exponential(9.0, len(chosen)) + 3.0)
    return chosen, waits * slow
