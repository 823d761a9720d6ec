"""Fixes as a track: which of them count, and the length of the legs between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..reading import Floats, Wholes
from ..stretch import Fixes
from .parts import Flags, gap_limit

FASTEST = 40.0
"""m/s. No cart goes faster; a leg that implies it is a jump of the receiver."""
JUMP_SLACK = 10.0
"""m that a fix may be off without being a jump, however short the step."""
EQUATOR = 6378137.0
ECCENTRICITY = 0.0066943799901413165
"""WGS84: semi-major axis (m) and square of the first eccentricity."""


class Place(NamedTuple):
    """East and north components of chords, m."""

    east: Floats
    north: Floats

    @property
    def square(self) -> Floats:
        return self.east**2 + self.north**2


@dataclass(frozen=True)
class Track:
    """Fixes, n of them, and the legs between neighbours. Legs are only inside a run; `second` is NaN without times.

    run (n): ends with a segment, a gap or a jump. joined (n - 1): legs that count although they end a run (over a
    gap the way is at least straight). leg (n - 1): geodesic length, m, 0 where nothing counts. jumps: how many were
    left out. stale: share of all fixes that repeat the place before, 0 to 1.
    """

    second: Floats
    latitude: Floats
    longitude: Floats
    run: Wholes
    joined: Flags
    leg: Floats
    jumps: int
    stale: float

    @property
    def inside(self) -> Flags:
        return np.asarray(np.diff(self.run) == 0)


def legs(latitude: Floats, longitude: Floats) -> Floats:
    """Geodesic length (m) of the n - 1 legs between n places in degrees, on the WGS84 ellipsoid.

    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013), as PROJ does it: good to nanometres.
    """
    from pyproj import Geod

    if len(latitude) < 2:
        return np.zeros(0)
    *_, metre = Geod(ellps="WGS84").inv(longitude[:-1], latitude[:-1], longitude[1:], latitude[1:])
    return np.asarray(metre, dtype=np.float64)


def track_length(fixes: Fixes) -> float:
    """Length (m) of the fixes as recorded: geodesic from fix to fix, nothing from segment to segment."""
    same = np.diff(fixes.segment) == 0
    return float(legs(fixes.latitude, fixes.longitude)[same].sum())


def offsets(latitude: Floats, longitude: Floats, lag: int) -> Place:
    """Chords (m) over `lag` fixes by the ellipsoid's radii of curvature at their middle latitude.

    Good to a millionth for chords up to some kilometres; longitudes may pass 180 degrees.
    """
    middle = np.radians((latitude[lag:] + latitude[:-lag]) / 2)
    root = np.sqrt(1 - ECCENTRICITY * np.sin(middle) ** 2)
    turn = np.radians((longitude[lag:] - longitude[:-lag] + 180.0) % 360.0 - 180.0)
    east = turn * np.cos(middle) * EQUATOR / root
    north = np.radians(latitude[lag:] - latitude[:-lag]) * EQUATOR * (1 - ECCENTRICITY) / root**3
    return Place(east, north)


def tracked(fixes: Fixes) -> Track:
    """The fixes fit for telling a way: repeats and lone jumps left out, gaps and other jumps ending a run."""
    fresh = _fresh(fixes)
    kept, lone = _without_spikes(_select(fixes, fresh))
    metre, step = legs(kept.latitude, kept.longitude), np.diff(kept.second)
    same = np.diff(kept.segment) == 0
    jumped = same & _too_fast(metre, step)
    gap = same & ~jumped & (np.nan_to_num(step) > gap_limit(kept.second[np.isfinite(kept.second)]))
    return Track(
        second=kept.second,
        latitude=kept.latitude,
        longitude=kept.longitude,
        run=np.r_[0, np.cumsum(~same | jumped | gap)][: len(kept)],
        joined=gap,
        leg=np.where(same & ~jumped, metre, 0.0),
        jumps=lone + int(jumped.sum()),
        stale=1 - float(fresh.mean()) if len(fresh) else 0.0,
    )


def _select(fixes: Fixes, rows: Flags) -> Fixes:
    names = ("second", "segment", "latitude", "longitude", "elevation", "speed", "hdop")
    return replace(fixes, **{name: getattr(fixes, name)[rows] for name in names})


def _fresh(fixes: Fixes) -> Flags:
    """Fixes that are not where the one before was, and the last of each segment, which says how long it stayed."""
    if len(fixes) < 2:
        return np.ones(len(fixes), bool)
    same = np.diff(fixes.segment) == 0
    stale = same & (np.diff(fixes.latitude) == 0) & (np.diff(fixes.longitude) == 0)
    return np.asarray(~np.r_[False, stale] | np.r_[~same, True])


def _too_fast(metre: Floats, step: Floats) -> Flags:
    return np.asarray(metre > FASTEST * np.maximum(step, 0.0) + JUMP_SLACK)


def _without_spikes(fixes: Fixes) -> tuple[Fixes, int]:
    """Leave out fixes that are a jump away from both neighbours while these agree; how many they were."""
    if len(fixes) < 3:
        return fixes, 0
    fast = _too_fast(legs(fixes.latitude, fixes.longitude), np.diff(fixes.second))
    across = np.sqrt(offsets(fixes.latitude, fixes.longitude, 2).square)
    spike = fast[:-1] & fast[1:] & ~_too_fast(across, fixes.second[2:] - fixes.second[:-2])
    return _select(fixes, ~np.r_[False, spike, False]), int(spike.sum())
