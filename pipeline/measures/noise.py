"""The noise of a receiver, told from its track, and how far one must look to see past it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..reading import Floats
from .parts import usual_step
from .track import Place, Track, offsets

LONGEST_LAG = 15.0
"""s."""
NOISE_SHARE = 0.02
"""Variance over square of a chord that is accepted: the chord is longer by half of it."""
NOISE_STEP = 3.0
"""s. Fixes further apart do not tell noise from the road."""
THIRD_OVER_FIRST = 8.0
"""Variance of third differences over that of first ones: 10 for independent errors, 6 for a random walk."""
MEDIAN_SQUARE = 0.45493642
"""Median of the square of a standard normal variable."""


class Lag(NamedTuple):
    """Over how many fixes chords are drawn, and what noise adds to the square of one, along one axis (m2)."""

    fixes: int
    variance: float
    double: float
    """The same over twice the lag."""
    standing: float
    """The same as far as it may be where nothing moves."""


class Noise(NamedTuple):
    """Errors of fixes along one axis: variance (m2), and correlation from one fix to the next."""

    variance: float
    correlation: float

    def of_chord(self, lag: int) -> float:
        """Variance (m2, one axis) of the difference of the errors of two fixes `lag` apart."""
        return 2 * self.variance * (1 - self.correlation**lag)


def lag_of(track: Track) -> Lag:
    """The shortest lag over which noise lengthens a usual chord by less than one in a hundred."""
    step = usual_step(track.second[np.isfinite(track.second)])
    if step == 0.0 or step > NOISE_STEP:
        return Lag(1, 0.0, 0.0, 0.0)
    noise, lag = noise_of(track), Lag(1, 0.0, 0.0, 0.0)
    for count in _counts(LONGEST_LAG / step):
        chords = _chords(track, count)
        if not len(chords):
            break
        lag = _lag(track, noise, count)
        if lag.variance <= NOISE_SHARE * float(np.quantile(chords, 0.75)):
            break
    return lag


def _lag(track: Track, noise: Noise, count: int) -> Lag:
    """By the model of the noise; for judging what stands also by the track over just this lag, within reason."""
    seen = min(_roughness(track, count) / THIRD_OVER_FIRST, count * noise.of_chord(1))
    variance = noise.of_chord(count)
    return Lag(count, variance, noise.of_chord(2 * count), max(seen, variance))


def _counts(most: float) -> list[int]:
    """1, 2, 3, 4, 6, 8, 12, 16 ... up to `most`."""
    counts = sorted({1, *(2**n for n in range(12)), *(3 * 2**n for n in range(11))})
    return [count for count in counts if count <= max(most, 1.0)]


def _chords(track: Track, lag: int) -> Floats:
    """Squares (m2) of the chords over `lag` fixes inside runs."""
    if len(track.run) <= lag:
        return np.zeros(0)
    whole = track.run[lag:] == track.run[:-lag]
    return np.asarray(offsets(track.latitude, track.longitude, lag).square[whole])


def noise_of(track: Track) -> Noise:
    """The errors of the fixes, told from the track: from third differences over one fix and over two.

    Of errors with correlation r from fix to fix (a first-order autoregression) third differences over k fixes have
    the variance s2 (20 - 30 q + 12 q2 - 2 q3) with q = r**k.
    """
    one, two = _roughness(track, 1), _roughness(track, 2)
    r = np.linspace(0.0, 0.9999, 2001)
    ratio = _third(r**2) / _third(r)
    correlation = float(np.interp(two / one, ratio, r)) if one > 0 else 0.0
    return Noise(one / float(_third(np.array(correlation))), correlation)


def _third(q: Floats) -> Floats:
    variance: Floats = 20 - 30 * q + 12 * q**2 - 2 * q**3
    return variance


def _roughness(track: Track, lag: int) -> float:
    """Variance (m2) of third differences over `lag` fixes, across the direction of travel, by their median square.

    A steady curve and a steady change of speed leave nothing in third differences, noise does; and what corners leave
    here and there does not move the median.
    """
    if len(track.run) <= 3 * lag:
        return 0.0
    chord = offsets(track.latitude, track.longitude, lag)
    a, b, c = (slice(n * lag, len(chord.east) - (2 - n) * lag) for n in range(3))
    whole = track.run[3 * lag :] == track.run[: -3 * lag]
    east, north = (axis[c] - 2 * axis[b] + axis[a] for axis in chord)
    along = Place(*(axis[c] + axis[b] + axis[a] for axis in chord))
    whole &= along.square > 0
    across = (east * along.north - north * along.east)[whole] / np.sqrt(along.square[whole])
    return float(np.median(across**2)) / MEDIAN_SQUARE if len(across) else 0.0
