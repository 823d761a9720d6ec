"""Time and way: how long, how far, how fast, how high.

Of the distances that there are the first that is about as good as the best is taken; the others check it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .climb import REVERSAL, climb_along
from .parts import main_kind, usual_step
from .sources import Drive, Source, drive_of, sources
from .track import FASTEST, track_length
from .travel import HELD_SECOND, Trace, held

LEAST_COVER = 0.5
"""A source that knows less of the drive's time than this gives no distance."""
GOOD_COVER = 0.9
ABOUT_AS_GOOD = 1.5
DISAGREE = 3.0
"""Times the joint uncertainty; a coverage factor of 3 is about 99.7 % of a normal distribution (JCGM 100:2008, G.1)."""
SLOW_FIXES = 5.0
"""s. Fixes further apart tell no top speed."""


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All quantities of the way that `stretch` can carry; of a stretch that is no drive, only how long it is."""
    drive = drive_of(stretch)
    if drive.second is not None:
        yield Result("duration_second", drive.second, "s", drive.second_u, "clock")
    if main_kind(stretch) == "drive":
        yield from _of_fixes(drive)
        yield from _of_distance(drive)
        yield from _top(drive)


def _of_fixes(drive: Drive) -> Iterator[Result | Finding]:
    """The track as recorded, climb and descent, and what is odd about the fixes."""
    if drive.fixes is None or drive.track is None:
        return
    metre = track_length(drive.fixes)
    note = "as recorded: the receiver's noise is in it"
    yield Result("track_length_metre", metre, "m", drive.gain("gps") * metre, "gps", note=note)
    cover = drive.cover(drive.fixed_second)
    if cover >= LEAST_COVER and (climb := climb_along(drive.fixes)):
        u = un.of_limit(REVERSAL) * max(climb.ways / 2, 1.0)
        for quantity, value in (("climb_metre", climb.up), ("descent_metre", climb.down)):
            yield Result(quantity, value, "m", u, "gps", cover < GOOD_COVER, f"in ways of {REVERSAL:g} m and more")
    if drive.track.jumps:
        words = f"{drive.track.jumps} jumps of the fixes at more than {FASTEST:g} m/s are left out of the distance"
        yield Finding("fixes-jump", "warning", words)
    if drive.track.stale > 0.5:
        words = f"{100 * drive.track.stale:.0f} % of the fixes repeat the place before, so corners are cut"
        yield Finding("fixes-stale", "warning", words)


def _of_distance(drive: Drive) -> Iterator[Result | Finding]:
    """The distance, what the other sources say to it, and the mean speeds that follow."""
    found = list(sources(drive))
    yield from _partial(found)
    known = [one for one in found if one.cover >= LEAST_COVER]
    if not known:
        return
    best = next(one for one in known if one.u <= ABOUT_AS_GOOD * min(other.u for other in known))
    others = [one for one in known if one is not best]
    note = "; ".join([best.words, *(f"{one.words} {one.metre:.0f} m" for one in others)])
    yield Result("distance_metre", best.metre, "m", best.u, best.method, best.cover < GOOD_COVER, note)
    yield from _disagreements(best, others)
    yield from _mean_speeds(drive, best, known)


def _partial(found: Sequence[Source]) -> Iterator[Finding]:
    for one in found:
        if one.cover < GOOD_COVER:
            words = f"distance {one.words} knows only {100 * one.cover:.0f} % of the time of the drive"
            yield Finding("distance-partial", "warning" if one.cover < LEAST_COVER else "note", words)


def _disagreements(best: Source, others: Sequence[Source]) -> Iterator[Finding]:
    """Two sources that differ by more than both allow. One that knows only a part of the drive may well be shorter."""
    for one in others:
        joint, shorter = un.combine(best.u, one.u), min(best, one, key=lambda source: source.metre)
        if abs(one.metre - best.metre) > DISAGREE * joint and shorter.cover >= GOOD_COVER:
            words = (
                f"distance {best.words} is {best.metre:.0f} m, {one.words} {one.metre:.0f} m: they differ by "
                f"{abs(one.metre - best.metre):.0f} m, the joint standard uncertainty is {joint:.0f} m"
            )
            yield Finding("distance-disagrees", "warning", words)


def _mean_speeds(drive: Drive, best: Source, known: Sequence[Source]) -> Iterator[Result]:
    if drive.second:
        yield _ratio("mean_speed", best, drive.second, drive.second_u)
    timed = [one for one in (best, *known) if one.moving_second is not None]
    if not timed:
        return
    moving, second = timed[0], timed[0].moving_second or 0.0
    yield Result("moving_second", second, "s", moving.moving_u, moving.method, moving.cover < GOOD_COVER)
    if second > 0 and moving is best:
        yield _ratio("mean_moving_speed", best, second, moving.moving_u)


def _ratio(quantity: str, way: Source, second: float, u: float) -> Result:
    speed = way.metre / second
    return Result(quantity, speed, "m/s", un.combine(way.u / second, speed * u / second), way.method)


# --- top speed ---------------------------------------------------------------------------------------


def _top(drive: Drive) -> Iterator[Result]:
    """The top speed by the first of speed channel, receiver's speed and fixes that can tell it."""
    for method, instrument, traces, own in (
        ("speed", "odometer", drive.traces, _coarseness(drive.traces)),
        ("gps", "gps", drive.own, _coarseness(drive.own)),
        ("gps", "gps", *_by_legs(drive)),
    ):
        tops = [top for trace in traces if (top := held(trace)) is not None]
        known = sum(float(trace.step[trace.whole].sum()) for trace in traces)
        if tops and drive.cover(known) >= LEAST_COVER:
            u, note = un.combine(drive.gain(instrument) * max(tops), own), f"held for {HELD_SECOND:g} s"
            yield Result("top_speed", max(tops), "m/s", u, method, drive.cover(known) < GOOD_COVER, note)
            return


def _coarseness(traces: Sequence[Trace]) -> float:
    """Of a channel that shows speed in steps: it may be rounded down as well as to the nearest step."""
    seen = np.unique(np.concatenate([trace.speed for trace in traces])[:20_000]) if traces else np.zeros(0)
    return un.of_limit(float(np.diff(seen).min())) if len(seen) > 1 else 0.0


def _by_legs(drive: Drive) -> tuple[list[Trace], float]:
    """Speeds between fixes, and what noise leaves in them (m/s)."""
    way, track = drive.way, drive.track
    if way is None or track is None or not len(way.step) or usual_step(track.second) > SLOW_FIXES:
        return [], 0.0
    middle = (track.second[1:] + track.second[:-1]) / 2
    noise = way.lag.variance**0.5 / (way.lag.fixes * max(usual_step(track.second), 1e-3))
    return [Trace.of(middle, way.speed)], noise


MEASURE = Measure(
    name="way",
    version="2",
    about="How long, how far, how fast and how high: from fixes, from a speed channel, from the trip on the sheet.",
    quantities=(
        Quantity("duration_second", "s", "length of the drive, or of all drives of a test together"),
        Quantity("moving_second", "s", "of that, time on the move"),
        Quantity("track_length_metre", "m", "length of the fixes as recorded, over the ellipsoid"),
        Quantity("distance_metre", "m", "distance driven, best estimate"),
        Quantity("mean_speed", "m/s", "distance over duration"),
        Quantity("mean_moving_speed", "m/s", "distance over the time on the move"),
        Quantity("top_speed", "m/s", "highest speed held for 3 s"),
        Quantity("climb_metre", "m", "metres up, in ways of 3 m and more"),
        Quantity("descent_metre", "m", "metres down, in ways of 3 m and more"),
    ),
    compute=compute,
)
