"""Two clocks, one drive: how far the clock of a track (or of a speed channel) is ahead of the log's, and how it drifts.

What both saw. The log saw the power out of the pack; the track saw motion, and motion needs power: for each
kilogram and with handbook values for a light cart,

    w = v (1.05 a + 0.02 g + 0.001 v^2) + g climb        m^2/s^3, that is W/kg

(v speed, a acceleration, with a twentieth for turning parts; 0.02 rolling resistance; 0.001 /m half of air density
times drag area over mass; climb in m/s, where heights are known). The pack's power is taken to be a sum of two shapes,
w where it drives and w where it brakes, each with a factor fitted anew at every offset. More shapes fit better and tell
the time worse: fitted freely, they lean on each other and take a shift of a second or two upon themselves. Where the
log holds a speed of its own, speed is matched with speed instead.

How. Both sides are put on one grid of a second as means (so that 5 Hz and 0.2 Hz meet as equals), smoothed over 3 s,
and freed from all that changes slower than a minute: otherwise a single start would look like a thousand agreements.
Then every offset is scored at once, windows of five minutes each look near the best one, and a line through them is
offset and drift (lags.py). The windows look twice, the second time with the clocks nearly aligned.

When it is believed. `confidence` is how far any other offset stays behind, as a share of the best one's score for what
there is to explain, times the share of windows that agree with the line. Laps that are all alike score alike; the track
of another drive has nothing that stands out; then the clocks are left as they are, and it is said why. An instrument
that shows all things late cannot be told from a clock that is behind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from .grids import Grid, Line, band, slope, smoothed
from .lags import Trend, Windows, scores, windows, without_strays
from .reading import Finding, Floats
from .stretch import Fixes, Samples

Seen = TypeVar("Seen", Fixes, Samples)

VERSION = "1"
"""Changes whenever a match would differ."""
FAR = 14 * 3600.0
"""s. No clock is put right by more than this: time zones go to 14 h from UTC."""
MOST_CELLS = 1 << 17
"""Cells of a grid; what is longer (36 h) gets longer cells."""
SMOOTH, SLOW, CLIMB = 3.0, 61.0, 21.0
"""s. What changes faster, and slower, is taken out; heights are noisier and are smoothed for longer."""
SPEED_SPAN, GAIN_SPAN = 2.0, 4.0
"""s over which places become speed, and speed acceleration."""
REACH = (20, 8)
"""Cells that windows look to either side, the first and the second time."""
STAMP = (2 / 12) ** 0.5
"""s. Standard uncertainty of two stamps in whole seconds (rectangular, JCGM 100:2008, 4.3.7)."""
AGREES, LEAST_WINDOWS = 4.0, 4
"""s. A window this near to the line agrees with it; and how many must."""
LEAST_FIT, LEAST_CONFIDENCE = 0.2, 0.5
"""Share of the changes that motion explains, and confidence, under which nothing is applied. Laps that are exactly
alike come to a confidence under 0.3, the right offset of a drive mostly to over 0.7 (tests/accuracy/clocks.py)."""
MOSTLY, MOVES = 0.9, 1.0
"""Share of rows that must hold a value for it to count; m/s that a speed channel must show once."""
SAME = 2.0
"""s. Clocks this near are not worth a word."""
NEAR_HOUR, NEAR_QUARTER = 120.0, 20.0
"""s from a whole hour, and from a quarter, within which an offset looks like a time zone."""
GRAVITY = 9.80665
EARTH = 6371008.8
"""Mean radius of the Earth, m (GRS 80, Moritz 2000)."""
SPEED = "speed_metre_per_second"


@dataclass(frozen=True)
class Match:
    """How a clock stands to the log's.

    offset_second: how far it is ahead at `at` (microseconds since 1970 UTC on the log's clock), s, with its standard
    uncertainty u. drift_ppm, drift_u: how fast it gains. confidence: 0 to 1. applied: whether it is clear enough to go
    by; why: in words. zone_second: the time zone that the offset looks like, s. NaN where nothing was found.
    """

    offset_second: float
    u: float
    drift_ppm: float
    drift_u: float
    confidence: float
    applied: bool
    why: str
    at: float = 0.0
    zone_second: int | None = None
    whose: str = "the track's clock"

    @property
    def whole_hours(self) -> int | None:
        """The time zone that the offset looks like, h; None where it looks like none, or like one of odd minutes."""
        return None if self.zone_second is None or self.zone_second % 3600 else self.zone_second // 3600

    def ahead(self, micros: Floats) -> Floats:
        """How far ahead (s) the clock is at instants of the log's clock, microseconds since 1970 UTC."""
        return np.asarray(self.offset_second + self.drift_ppm * 1e-6 * (micros - self.at) / 1e6)


def aligned(seen: Seen, match: Match) -> Seen:
    """`seen` (fixes, or samples of another logger) on the log's clock; unchanged where the match is not applied. Its
    `start` stays, its `second` changes."""
    if not match.applied:
        return seen
    line = Trend((match.at - seen.start) / 1e6, match.offset_second, match.drift_ppm * 1e-6)
    return replace(seen, second=line.back(seen.second))


# --- what both saw -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Told:
    """What one side tells. line: its signals, in s of its own clock from `start` (microseconds since 1970 UTC).
    shapes: makes of them, once on a grid, what is matched."""

    start: int
    line: Line
    shapes: Callable[[Grid], Grid]

    def on(self, first: float, count: int, step: float) -> Grid:
        """What is matched, in `count` cells of `step` s from `first` on."""
        return band(self.shapes(self.line.on(first, count, step)), SMOOTH, SLOW)


def of_log(samples: Samples) -> tuple[Told, bool]:
    """What the log tells, and whether that is a speed: its own speed where it has one, else power."""
    speed = _speeds(samples)
    seen = _powers(samples) if speed is None else speed
    return Told(samples.start, Line.of(samples.second, [seen]), lambda grid: grid), speed is not None


def of_motion(seen: Fixes | Samples, as_speed: bool) -> Told:
    """What a track, or another logger's speed channel, tells: its speed, or the power that its motion needs."""
    if isinstance(seen, Samples):
        speed = _speeds(seen)
        signals = [np.full(len(seen), np.nan) if speed is None else speed]
        return Told(seen.start, Line.of(seen.second, signals), _shaped(True, False, as_speed))
    own, high = (len(seen) > 0 and bool(np.isfinite(each).mean() >= MOSTLY) for each in (seen.speed, seen.elevation))
    signals = [seen.speed] if own else _metres(seen)
    signals += [seen.elevation] if high else []
    return Told(seen.start, Line.of(seen.second, signals, seen.segment), _shaped(own, high, as_speed))


def _speeds(samples: Samples) -> Floats | None:
    """A speed channel that is there most of the time and does move."""
    speed = samples.other.get(SPEED)
    if speed is None or not len(speed) or np.isfinite(speed).mean() < MOSTLY or np.nanmax(np.abs(speed)) < MOVES:
        return None
    return np.abs(speed)


def _powers(samples: Samples) -> Floats:
    """Power out of the pack, W; the current alone where no volts were logged."""
    known = len(samples) > 0 and np.isfinite(samples.volt).mean() >= MOSTLY
    return -samples.ampere * (samples.volt if known else 1.0)


def _metres(fixes: Fixes) -> list[Floats]:
    """North and east of the first fix, m, on a sphere: good to 1 % of a speed."""
    north, east = np.radians(fixes.latitude), np.radians(fixes.longitude)
    narrow = np.cos(np.median(north)) if len(north) else 1.0
    return [EARTH * (north - north[:1]), EARTH * narrow * (east - east[:1])]


def _shaped(own: bool, high: bool, as_speed: bool) -> Callable[[Grid], Grid]:
    """How signals become shapes. own: the first is a speed, else the first two are north and east. high: the last is a
    height."""

    def shapes(grid: Grid) -> Grid:
        speed = own_speed(grid) if own else ground_speed(grid)
        return speed if as_speed else powers(speed, replace(grid, values=grid.values[-1:]) if high else None)

    return shapes


def own_speed(grid: Grid) -> Grid:
    """The first signal, smoothed."""
    return replace(grid, values=smoothed(replace(grid, values=grid.values[:1]), SMOOTH))


def ground_speed(grid: Grid) -> Grid:
    """Speed over ground, from north and east."""
    moved = slope(replace(grid, values=smoothed(replace(grid, values=grid.values[:2]), SMOOTH)), SPEED_SPAN)
    return replace(moved, values=np.hypot(*moved.values)[None, :])


def powers(speed: Grid, height: Grid | None) -> Grid:
    """Power that motion needs, W/kg: where it drives, and where it brakes (formula at the top)."""
    gain = slope(speed, GAIN_SPAN)
    known, v = speed.known & gain.known, speed.values[0]
    need = v * (1.05 * gain.values[0] + 0.02 * GRAVITY + 0.001 * v * v)
    if height is not None:
        climb = slope(replace(height, values=smoothed(height, CLIMB)), GAIN_SPAN)
        known, need = known & climb.known, need + GRAVITY * climb.values[0]
    both = np.array([np.maximum(need, 0.0), np.minimum(need, 0.0)])
    return replace(speed, values=np.where(known, both, 0.0), known=known)


# --- the match ---------------------------------------------------------------------------------------------


def match(samples: Samples, other: Fixes | Samples) -> Match:
    """Offset and drift of the clock of `other` (a track, or another logger's speed channel) against that of `samples`.

    Give all of both, not what is left of them after a cut by time. Four hours take a few hundredths of a second. Raises
    nothing: where there is nothing to go by, `applied` is false and `why` says so.
    """
    whose = "the track's clock" if isinstance(other, Fixes) else "the speed channel's clock"
    seen, as_speed = of_log(samples)
    moved = of_motion(other, as_speed)
    if len(seen.line) < 2 or len(moved.line) < 2:
        return _unclear("the log tells no power" if len(seen.line) < 2 else "no motion with times is known", whose)
    step = float(np.ceil(max(seen.line.span / MOST_CELLS, moved.line.span / MOST_CELLS, 1.0)))
    here, there = (each.on(*each.line.cells(step), step) for each in (seen, moved))
    found = scores(here, there)
    if not found.gain.any():
        return _unclear("what motion needs and what the log shows fit nowhere", whose)
    top, beside = found.best()
    # Cell t of the log stands beside cell t + lag of the track.
    base = (moved.start - seen.start) / 1e6 + there.first - here.first
    first = Trend(here.first + step * len(here) / 2, base + step * float(found.lag[top]))
    line, agree, asked = _refined(here, seen.start, moved, first)
    standing = found.near(round(-base / step), round(SAME / step)) / float(found.gain[top])
    return _judged(line, Evidence(float(found.share[top]), beside, standing, agree, asked), samples.start, whose)


def _refined(here: Grid, start: int, moved: Told, line: Trend) -> tuple[Trend, int, int]:
    """Offset and drift by windows; and how many of how many agree, by the first look, which is wide."""
    agree = asked = 0
    second = moved.line.second + (moved.start - start) / 1e6
    for reach in REACH:
        near = replace(moved, line=replace(moved.line, second=line.back(second)))
        found = windows(here, near.on(here.first - reach * here.step, len(here) + 2 * reach, here.step), reach)
        if len(found) < 2:
            return line, agree, max(asked, 1)
        found = Windows(found.second, found.lag + line.ahead(found.second), found.weight)
        line = without_strays(found)
        if not asked:
            agree, asked = int(np.count_nonzero(np.abs(found.lag - line.ahead(found.second)) <= AGREES)), len(found)
    return line, agree, asked


@dataclass(frozen=True)
class Evidence:
    """What speaks for a match. share: of the log's changes that motion explains. beside, standing: how well the next
    best offset fits, and none at all, as a share of how well the best one does. agree: windows that do, of `asked`."""

    share: float
    beside: float
    standing: float
    agree: int
    asked: int

    @property
    def confidence(self) -> float:
        """0 to 1: what the next best leaves of it, in as much of the drive as agrees."""
        return (1 - self.beside) * self.agree / self.asked

    @property
    def words(self) -> str:
        """The figures behind it."""
        return (
            f"motion explains {self.share:.0%} of what changes in the log, the next best offset fits {self.beside:.0%} "
            f"as well, and {self.agree} of {self.asked} windows agree"
        )


def _judged(line: Trend, evidence: Evidence, start: int, whose: str) -> Match:
    doubt = _doubt(line, evidence)
    why = f"{doubt}: {evidence.words}" if doubt else evidence.words
    return Match(
        line.offset, float(np.hypot(line.u, STAMP)), line.drift * 1e6, line.drift_u * 1e6, evidence.confidence,
        not doubt, why, start + line.at * 1e6, zone_of(line.offset), whose,
    )  # fmt: skip


def _doubt(line: Trend, evidence: Evidence) -> str:
    """Why a match is not to be gone by; nothing when it is."""
    if evidence.share < LEAST_FIT:
        return f"motion and power do not belong together, even {told(line.offset)}, where they fit best"
    best = f"they fit best {told(line.offset)}"
    if evidence.agree < LEAST_WINDOWS:
        return f"{best}, but share too little for that to be sure"
    if evidence.beside > 1 - LEAST_CONFIDENCE:
        stand = f", {evidence.standing:.0%} as well as they stand" if evidence.standing > 1 - LEAST_CONFIDENCE else ""
        return f"{best}, but other offsets fit nearly as well{stand}, as with laps that are alike"
    if evidence.confidence < LEAST_CONFIDENCE:
        return f"{best}, but not all along"
    return f"{best}, and no time zone is that far off" if abs(line.offset) > FAR + NEAR_HOUR else ""


def _unclear(why: str, whose: str) -> Match:
    return Match(np.nan, np.inf, np.nan, np.inf, 0.0, False, why, whose=whose)


# --- in words ----------------------------------------------------------------------------------------------


def zone_of(offset: float) -> int | None:
    """The time zone (s) that an offset (s) looks like: a whole hour or a quarter that it is near to, but not zero."""
    hours, quarters = 3600 * round(offset / 3600), 900 * round(offset / 900)
    if hours and abs(offset - hours) <= NEAR_HOUR:
        return hours
    return quarters if quarters and abs(offset - quarters) <= NEAR_QUARTER else None


def told(second: float, digits: int = 1) -> str:
    """An offset (s) in words: `2 h 0.4 s ahead`."""
    left = round(abs(second), digits)
    hours, minutes = int(left // 3600), int(left // 60 % 60)
    rest = f"{left % 60:.{digits}f} s" if digits or left % 60 or not left else ""
    parts = (f"{hours} h" if hours else "", f"{minutes} min" if minutes else "", rest)
    return " ".join(part for part in parts if part) + (" behind" if second < 0 else " ahead")


def finding(found: Match) -> Finding | None:
    """What to say of a match: a time zone, another offset, or that it is not clear. None where the clocks agree."""
    if not found.applied:
        words = f"{found.whose} is taken as it stands, since it could not be matched with the log's: {found.why}"
        return Finding("clock-unclear", "note", words)
    drifts = abs(found.drift_ppm) > 2 * found.drift_u
    drift = f" and gains {found.drift_ppm:.0f} +- {found.drift_u:.0f} ppm" if drifts else ""
    words = f"{found.whose} is {told(found.offset_second)} (+- {found.u:.1f} s) of the log's{drift}"
    if found.zone_second is not None:
        zone = f"{told(found.zone_second, 0)} looks like a time zone"
        return Finding("clock-zone", "warning", f"{words}: {zone}; it was put right, since {found.why}")
    if abs(found.offset_second) <= max(SAME, 2 * found.u):
        return None
    return Finding("clock-offset", "warning", f"{words}; it was put right, since {found.why}")
