"""The way along fixes: as recorded, and with what the receiver's noise adds taken out.

Position noise makes a recorded way longer, standing still most of all (Ranacher, Brunauer, Trutschnig, van der Spek
and Reich, Why GPS makes distances bigger than they are, Int. J. Geographical Information Science 30, 2016): the mean
square of a measured step is the true one's plus the variance of the difference of the two errors.

What is done about it. Over a *lag* of some fixes the way is told from chords, fix to fix; the lag is the shortest over
which noise lengthens chords by less than one in a hundred, so that a clean track keeps its corners and a noisy one is
seen from further away. The noise is read off the track itself. What remains of it is taken out of each chord, and
where nothing but noise moves, nothing is added.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from .noise import Lag, lag_of
from .parts import Flags, usual_step
from .track import Place, Track, offsets

STANDING = 0.3
"""m/s. Slower than this is standing. Common practice (0.3 to 0.5 m/s), no source."""
LEAST_MOVE = 10.0
"""m. A move that never leaves a square of this size is noise. Common practice (thinning to 10 m), no source."""
LEAST_WINDOW = 9.0
"""s over which standing is judged."""
STANDING_POWER = 4.2
"""Mean square chord over variance: 2 where only noise moves. In nine of ten windows of three independent chords
(chi-square, 6 degrees of freedom) it is under 3.6."""
STANDING_CHORD = 6.0
"""The same for a single chord: exceeded once in twenty (chi-square, 2 degrees of freedom)."""


@dataclass(frozen=True)
class Way:
    """What a track tells. metre: best estimate, m. noise, corner, gap: its standard uncertainties from these, m.

    speed (n - 1): m/s on each leg, 0 where it stands, NaN outside runs. step (n - 1): s. usual: median speed while
    moving, m/s. lag: as used.
    """

    metre: float
    noise: float
    corner: float
    gap: float
    speed: Floats
    step: Floats
    usual: float
    lag: Lag

    @property
    def moving_second(self) -> float:
        return float(self.step[self.speed > 0].sum())

    @property
    def switching(self) -> float:
        """Standard uncertainty (s) of the time on the move: each start and stop lies somewhere within the chord that
        shows it, and all of them may be seen early or late alike."""
        turns = np.count_nonzero(np.diff(self.speed > 0))
        return _median(self.step) * self.lag.fixes * float(turns / np.sqrt(12.0))

    @property
    def second(self) -> float:
        """Seconds inside runs."""
        return float(self.step[np.isfinite(self.speed)].sum())


def way_along(track: Track, hint: Floats | None = None) -> Way:
    """The best estimate of the way along a timed track.

    hint (n - 1): mean speed (m/s) on each leg by another instrument, NaN where it does not say; where it does, it
    decides what is standing. Chords longer than a clean track would need cut corners: what they cut is taken to be half
    of what chords twice as long cut more.
    """
    lag, inside, step = lag_of(track), track.inside, np.diff(track.second)
    moving = _moving(track, lag, hint)
    speed, noisy, coarse = (
        np.where(moving, _speeds(track, count, variance), 0.0)
        for count, variance in ((lag.fixes, lag.variance), (lag.fixes, 0.0), (2 * lag.fixes, lag.double))
    )
    metre, uncorrected, seen = (float((step * one)[inside].sum()) for one in (speed, noisy, coarse))
    cut = max(metre - seen, 0.0) / 2 if lag.fixes > 1 else 0.0
    straight, usual = track.leg[track.joined], _median(speed[speed > 0])
    stops = np.count_nonzero(np.diff(moving)) / 2
    return Way(
        metre=metre + cut + float(straight.sum()),
        noise=float(np.hypot((uncorrected - metre) / 4, np.sqrt(stops * lag.variance))),
        corner=abs(metre - seen) / 2,
        gap=float(np.linalg.norm(_hidden(straight, step[track.joined], usual))),
        speed=np.where(inside, speed, np.nan),
        step=step,
        usual=usual,
        lag=lag,
    )


def _median(values: Floats) -> float:
    return float(np.median(values)) if len(values) else 0.0


def _hidden(straight: Floats, step: Floats, usual: float) -> Floats:
    """Standard uncertainty (m) of each leg over a gap: from straight to the way at usual speed (rectangular,
    JCGM 100:2008, 4.3.7). A gap without a move is a receiver that sleeps while it stands."""
    moved = straight > STANDING * step
    return np.asarray(np.where(moved, np.maximum(usual * step - straight, 0.0), 0.0) / np.sqrt(12.0))


def _speeds(track: Track, lag: int, variance: float) -> Floats:
    """Speed (m/s) on each leg: mean over the chords that cover it, noise taken out of their squares; the leg itself
    where the run is too short for a chord."""
    step = np.diff(track.second)
    alone = np.divide(track.leg, step, out=np.zeros_like(step), where=step > 0)
    if len(track.run) <= lag:
        return alone
    square = offsets(track.latitude, track.longitude, lag).square
    time = track.second[lag:] - track.second[:-lag]
    whole = (track.run[lag:] == track.run[:-lag]) & (time > 0)
    true = np.where(square < STANDING_CHORD * variance, 0.0, np.sqrt(np.maximum(square - variance, 0.0)))
    speed = np.divide(true, time, out=np.zeros_like(time), where=whole)
    return _over_legs(speed, whole, lag, 0, alone)


def _over_legs(value: Floats, valid: Flags, lag: int, more: int, other: Floats) -> Floats:
    """For each leg the mean of the valid chords that cover it, and of `more` on either side; `other` without any."""
    sums, counts = (np.r_[0.0, np.cumsum(one)] for one in (np.where(valid, value, 0.0), valid))
    leg = np.arange(len(other))
    first, last = np.clip(leg - lag + 1 - more, 0, len(value)), np.clip(leg + 1 + more, 0, len(value))
    count = counts[last] - counts[first]
    return np.asarray(np.divide(sums[last] - sums[first], count, out=other.copy(), where=count > 0))


def _moving(track: Track, lag: Lag, hint: Floats | None) -> Flags:
    """Legs on which the cart moves: as the other instrument says, else as the chords around them do."""
    moving = track.inside & _more_than_noise(track, lag, usual_step(track.second))
    moving &= _reaching(track, moving, max(LEAST_MOVE, 4 * np.sqrt(lag.standing)))
    if hint is not None:
        moving = np.where(np.isfinite(hint), hint >= STANDING, moving)
    return np.asarray(moving & track.inside & (np.diff(track.second) > 0))


def _more_than_noise(track: Track, lag: Lag, step: float) -> Flags:
    """Legs around which chords are longer than noise makes them, or than standing allows."""
    if len(track.run) <= lag.fixes or step == 0.0:
        return np.asarray(track.leg > STANDING * np.diff(track.second))
    square = offsets(track.latitude, track.longitude, lag.fixes).square
    whole = track.run[lag.fixes :] == track.run[: -lag.fixes]
    window = max(LEAST_WINDOW / step, 3.0 * lag.fixes)
    more = max(0, round((window - lag.fixes) / 2))
    alone = np.square(track.leg * lag.fixes)
    power = _over_legs(square, whole, lag.fixes, more, alone)
    return np.asarray(power > max(STANDING_POWER * lag.standing, (STANDING * step * lag.fixes) ** 2))


def _reaching(track: Track, moving: Flags, least: float) -> Flags:
    """Moves that leave a square of `least` metres; others are noise that got past."""
    if not len(moving):
        return moving
    starts = np.flatnonzero(np.r_[True, np.diff(moving)])
    origin = Place(*(np.r_[0.0, np.cumsum(axis)] for axis in offsets(track.latitude, track.longitude, 1)))
    reach = np.zeros(len(starts))
    for axis in origin:
        high, low = np.maximum(axis[1:], axis[:-1]), np.minimum(axis[1:], axis[:-1])
        reach = np.maximum(reach, np.maximum.reduceat(high, starts) - np.minimum.reduceat(low, starts))
    return np.asarray(np.repeat(reach >= least, np.diff(np.r_[starts, len(moving)])))
