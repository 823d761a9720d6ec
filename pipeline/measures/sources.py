"""Where a distance can come from, each with its uncertainty and how much of the drive it knows.

A wheel's or controller's speed, the fixes of a GPS receiver, the receiver's own speed, and the trip that a person
wrote down, in this order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..reading import Floats
from ..stints import cut_track
from ..stretch import Fixes, Stint, Stretch
from . import uncertainty as un
from .along import Way, way_along
from .marks import since_start, span
from .parts import is_test, main_kind, main_parts, main_stints, usual_step
from .track import Track, track_length, tracked
from .travel import Trace, Travel, travel_along

MARGIN_SECOND = 5.0
"""Fixes count this long before and after the drive they belong to."""
ROLLING_SECOND = 10.0
"""A cart stands within this of its last current: from 15 km/h at 0.5 m/s2 it takes 8 s. Common practice, no source."""
UNTIMED_SHARE = 0.02
"""Limit of error of a track whose noise cannot be judged for want of times. Common practice, no source."""
TRIP_STEP = 160.9344
"""m. Trip meters show tenths of a mile or coarser. Common practice, no source."""
SPEED = "speed_metre_per_second"


@dataclass(frozen=True)
class Source:
    """A distance (m) with its standard uncertainty and the way it was got. cover: share of the drive's time that it
    knows. moving_second and its uncertainty (s): None where the source has no times."""

    method: str
    words: str
    metre: float
    u: float
    cover: float = 1.0
    moving_second: float | None = None
    moving_u: float = 0.0


@dataclass(frozen=True)
class Drive:
    """What there is to go by. second: length of the drives, s, with its uncertainty; None where nothing has times.

    fixes: within the drives, a segment for each. traces: the speed channel by part, in seconds from the zero of the
    fixes; own: the receiver's speed, by segment. track, way: from the fixes; way only where all have times.
    """

    stretch: Stretch
    second: float | None
    second_u: float
    fixes: Fixes | None = None
    traces: Sequence[Trace] = ()
    own: Sequence[Trace] = ()
    track: Track | None = None
    way: Way | None = None

    def gain(self, instrument: str) -> float:
        return un.gain(self.stretch.instruments, instrument)

    def cover(self, second: float) -> float:
        """Share of the drive's time that `second` s are; 1 where the drive has no times."""
        return min(second / self.second, 1.0) if self.second else 1.0

    @property
    def fixed_second(self) -> float:
        """Seconds that the fixes know of; all, where they have no times."""
        if self.way is None or self.track is None:
            return self.second or 0.0
        return self.way.second + float(self.way.step[self.track.joined].sum())


# --- what there is to go by ----------------------------------------------------------------------


def drive_of(stretch: Stretch) -> Drive:
    """Everything the way of `stretch` can be told from. Of a stretch that is no drive, only how long it is."""
    stints = _stints(stretch)
    second, second_u = _duration(stretch, stints)
    if main_kind(stretch) != "drive":
        return Drive(stretch, second, second_u)
    fixes = _fixes(stretch, stints)
    traces = _traces(stretch, 0 if fixes is None else fixes.start)
    if fixes is None:
        return Drive(stretch, second, second_u, None, traces)
    own, track = _own_traces(fixes), tracked(fixes)
    return Drive(stretch, second, second_u, fixes, traces, own, track, _way(track, [*own, *traces]))


def _stints(stretch: Stretch) -> list[Stint]:
    """The stints the figures are about; of a track alone, by its own gaps."""
    if stretch.samples is not None:
        return main_stints(stretch)
    return cut_track(stretch.fixes) if stretch.fixes is not None and main_kind(stretch) == "drive" else []


def _spans(stints: Sequence[Stint]) -> list[tuple[int, int]]:
    return [(one.started, one.ended) for one in stints if one.started is not None and one.ended is not None]


def _duration(stretch: Stretch, stints: Sequence[Stint]) -> tuple[float | None, float]:
    """Length of all stints together (s), and its uncertainty: each begins and ends within a step of what was logged,
    and where only the current tells, a cart may roll on for some seconds after the last of it."""
    spans = _spans(stints)
    if not spans:
        return None, 0.0
    times = stretch.samples.second if stretch.samples is not None else _times(stretch.fixes)
    rolling = un.of_step(ROLLING_SECOND) if main_kind(stretch) == "drive" and _by_current(stretch) else 0.0
    u = un.combine(un.of_step(usual_step(times)) * 2**0.5, rolling) * len(spans) ** 0.5
    return sum(ended - started for started, ended in spans) / 1e6, u


def _by_current(stretch: Stretch) -> bool:
    """Whether only the current tells when the cart drives: there is a log, and it holds no speed."""
    if stretch.samples is None:
        return False
    speed = stretch.samples.other.get("speed_metre_per_second")
    return speed is None or not bool(np.isfinite(speed).any())


def _times(fixes: Fixes | None) -> Floats:
    return np.zeros(0) if fixes is None else fixes.second[np.isfinite(fixes.second)]


def _fixes(stretch: Stretch, stints: Sequence[Stint]) -> Fixes | None:
    """The fixes within the stints and a few seconds around them, a new segment with each stint; all, without times."""
    fixes, spans = stretch.fixes, _spans(stints)
    if fixes is None or not len(fixes):
        return None
    if not spans or not np.isfinite(fixes.second).any():
        return fixes
    started, ended = ((np.array(side) - fixes.start) / 1e6 for side in zip(*spans, strict=True))
    number = np.searchsorted(started - MARGIN_SECOND, fixes.second, side="right") - 1
    inside = (number >= 0) & (fixes.second <= ended[np.maximum(number, 0)] + MARGIN_SECOND)
    if not inside.any():
        return None
    apart = (np.diff(fixes.segment[inside]) != 0) | (np.diff(number[inside]) != 0)
    names = ("second", "latitude", "longitude", "elevation", "speed", "hdop")
    columns = {name: getattr(fixes, name)[inside] for name in names}
    return replace(fixes, segment=np.r_[0, np.cumsum(apart)], **columns)


def _traces(stretch: Stretch, start: int) -> list[Trace]:
    """The speed channel of each drive, in seconds from `start`."""
    if stretch.samples is None or SPEED not in stretch.samples.other:
        return []
    shift = (stretch.samples.start - start) / 1e6
    traces = [Trace.of(part.second + shift, part.other[SPEED]) for part in main_parts(stretch)]
    return [trace for trace in traces if len(trace) > 1]


def _own_traces(fixes: Fixes) -> list[Trace]:
    cuts = np.flatnonzero(np.diff(fixes.segment)) + 1
    parts = zip(np.split(fixes.second, cuts), np.split(fixes.speed, cuts), strict=True)
    return [trace for second, speed in parts if len(trace := Trace.of(second, speed)) > 1]


def _way(track: Track, traces: Sequence[Trace]) -> Way | None:
    """The way along a timed track; what stands is told by the last trace that covers it, where one does."""
    if len(track.run) < 2 or not np.isfinite(track.second).all():
        return None
    hint = np.full(len(track.leg), np.nan)
    for trace in traces:
        said = trace.mean_between(track.second)
        hint = np.where(np.isfinite(said), said, hint)
    return way_along(track, hint)


# --- distances -------------------------------------------------------------------------------------


def sources(drive: Drive) -> Iterator[Source]:
    """All distances that `drive` can give, in order of preference."""
    yield from _by_speed(drive, drive.traces, "speed", "by speed", "odometer")
    yield from _by_fixes(drive)
    yield from _by_speed(drive, drive.own, "gps", "by the receiver's speed", "gps")
    yield from _by_sheet(drive)


def _by_speed(drive: Drive, traces: Sequence[Trace], method: str, words: str, instrument: str) -> Iterator[Source]:
    travel = travel_along(traces)
    if travel is None or not drive.second:
        return
    missing = max(drive.second - travel.second, 0.0)
    u = un.combine(drive.gain(instrument) * travel.metre, travel.between, un.of_limit(travel.usual * missing))
    moving_u = un.combine(_switching(traces, travel), un.of_limit(missing))
    yield Source(method, words, travel.metre, u, drive.cover(travel.second), travel.moving_second, moving_u)


def _switching(traces: Sequence[Trace], travel: Travel) -> float:
    """Each start and stop lies somewhere within a step (s), and all of them may be seen early or late alike."""
    return float(max(un.of_step(usual_step(trace.second)) for trace in traces) * travel.turns)


def _by_fixes(drive: Drive) -> Iterator[Source]:
    if drive.fixes is None or drive.track is None or len(drive.fixes) < 2:
        return
    if drive.way is None:
        metre = track_length(drive.fixes)
        u = un.combine(drive.gain("gps") * metre, un.of_limit(UNTIMED_SHARE * metre))
        yield Source("gps", "by fixes", metre, u)
        return
    way, known = drive.way, drive.fixed_second
    missing = max((drive.second or 0.0) - known, 0.0)
    own = (way.noise, way.corner, way.gap, un.of_limit(way.usual * missing))
    u = un.combine(drive.gain("gps") * way.metre, *own)
    moving_u = un.combine(way.switching, un.of_limit(missing + known - way.second))
    yield Source("gps", "by fixes", way.metre, u, drive.cover(known), way.moving_second, moving_u)


def _by_sheet(drive: Drive) -> Iterator[Source]:
    """The last trip written down. What was driven after it is only known to be possible."""
    if not is_test(drive.stretch):
        return
    trips = [mark for mark in drive.stretch.marks if mark.get("distance_metre") is not None]
    if not trips:
        return
    metre = float(trips[-1]["distance_metre"])
    after = _after(drive, trips[-1])
    u = un.combine(drive.gain("odometer") * metre, un.of_step(TRIP_STEP), un.of_limit(metre * after))
    yield Source("sheet", "by the sheet", metre, u, 1 - after)


def _after(drive: Drive, mark: Mapping[str, Any]) -> float:
    """Share of the test's time that came after `mark`; 0 where that is not known."""
    started, ended = span(drive.stretch)
    second = since_start(drive.stretch, mark)
    if started is None or ended is None or second is None or ended <= started:
        return 0.0
    return min(max(1 - second * 1e6 / (ended - started), 0.0), 1.0)
