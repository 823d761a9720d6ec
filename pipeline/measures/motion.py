"""Speed, power and height of a drive at the same instants, whichever instruments told them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..reading import Floats
from ..stretch import Fixes, Stretch
from .along import STANDING
from .climb import running_median
from .parts import gap_limit, main_parts
from .sources import Drive, drive_of
from .zero import removed

MASS_LIMIT = 0.02
"""Limit of error of stated masses, as a share. Common practice, no source."""

Line = tuple[Floats, Floats]
"""Instants (s, ascending) and a value at each."""


@dataclass(frozen=True)
class Motion:
    """One part of a drive, n samples: second (s, ascending), speed (m/s, not negative), watt (W drawn from the pack),
    volt (V), height (m above any level). NaN where an instrument does not say."""

    second: Floats
    speed: Floats
    watt: Floats
    volt: Floats
    height: Floats

    def __len__(self) -> int:
        return len(self.second)


@dataclass(frozen=True)
class Motions:
    """The parts of a drive, and what tells the speed: `channel` (wheel, motor or controller), `receiver` (its own
    speed), `fixes` (from place to place), or nothing."""

    parts: Sequence[Motion]
    told: str

    @property
    def has_heights(self) -> bool:
        return any(bool(np.isfinite(part.height).any()) for part in self.parts)


def motions_of(stretch: Stretch) -> Motions:
    """Everything of `stretch` that a log of volts and current covers, the shunt's zero taken off."""
    drive = drive_of(stretch)
    told, speeds = speed_of(drive)
    heights = _heights(drive.fixes)
    start = 0 if drive.fixes is None else drive.fixes.start
    shift = 0.0 if stretch.samples is None else (stretch.samples.start - start) / 1e6
    zero = removed(stretch)
    parts = [
        Motion(
            part.second, line_at(part.second + shift, speeds), part.volt * (zero - part.ampere), part.volt,
            line_at(part.second + shift, heights),
        )
        for part in main_parts(stretch)
    ]  # fmt: skip
    return Motions(parts, told)


def speed_of(drive: Drive) -> tuple[str, list[Line]]:
    """What tells the speed of `drive`, and the lines it tells (m/s over s from the zero of the fixes): the speed
    channel, else the receiver's own speed, else its places."""
    for told, traces in (("channel", drive.traces), ("receiver", drive.own)):
        if traces:
            return told, [(trace.second, trace.speed) for trace in traces]
    return ("fixes", _by_place(drive)) if drive.way is not None and drive.track is not None else ("", [])


def _by_place(drive: Drive) -> list[Line]:
    """Mean speed of each leg at its middle, a line for each run; 0 where a receiver slept and had not moved."""
    assert drive.way is not None and drive.track is not None
    track, known = drive.track, drive.track.inside
    middle = (track.second[1:] + track.second[:-1]) / 2
    runs = np.split(np.flatnonzero(known), np.flatnonzero(np.diff(track.run[:-1][known])) + 1)
    moved = [(middle[run], drive.way.speed[run]) for run in runs if len(run) > 1]
    asleep = np.flatnonzero(track.joined & (track.leg <= STANDING * np.diff(track.second)))
    return [*moved, *((track.second[leg : leg + 2], np.zeros(2)) for leg in asleep)]


def _heights(fixes: Fixes | None) -> list[Line]:
    """Elevation over time of each segment, lone outliers smoothed away (see climb.py)."""
    if fixes is None:
        return []
    known = np.isfinite(fixes.elevation) & np.isfinite(fixes.second)
    cuts = np.flatnonzero(np.diff(fixes.segment[known])) + 1
    pieces = zip(np.split(fixes.second[known], cuts), np.split(fixes.elevation[known], cuts), strict=True)
    return [(second, running_median(elevation)) for second, elevation in pieces if len(second) > 1]


def line_at(second: Floats, lines: Sequence[Line]) -> Floats:
    """The broken lines' value at each of `second` (s); NaN outside of all of them and in their gaps."""
    found = np.full(len(second), np.nan)
    for at, value in lines:
        inside = np.flatnonzero((second >= at[0]) & (second <= at[-1]))
        after = np.clip(np.searchsorted(at, second[inside], "left"), 1, len(at) - 1)
        whole = (at[after] - at[after - 1]) <= gap_limit(at)
        found[inside[whole]] = np.interp(second[inside[whole]], at, value)
    return found
