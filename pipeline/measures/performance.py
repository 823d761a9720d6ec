"""How fast a cart gets going, and what power its pack gives.

Times run from the instant the cart begins to move to the one at which the line from sample to sample reaches a speed or
a distance. The beginning lies between the last sample that stands and the first that moves: where the line through the
first two that move comes from. Only starts of tests of acceleration and hills are timed: elsewhere nobody says that the
pedal was down. The figure is the median over all clean starts, the best is in its note; runs both ways are to be in one
test, so that wind and slope cancel (as in ISO 8715, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .along import STANDING
from .motion import MASS_LIMIT, speed_of
from .parts import gap_limit, is_test, main_kind, main_parts, usual_step
from .sources import drive_of
from .thinning import Part, hidden
from .windows import heaviest
from .zero import removed, removed_u

TIMED = ("acceleration", "hill")
MPH, KMH = 0.44704, 1 / 3.6
"""m/s (NIST SP 811, appendix B)."""
SPEEDS = {
    "time_to_10_mph_second": 10 * MPH, "time_to_15_mph_second": 15 * MPH, "time_to_20_mph_second": 20 * MPH,
    "time_to_15_kmh_second": 15 * KMH, "time_to_25_kmh_second": 25 * KMH, "time_to_30_kmh_second": 30 * KMH,
}  # fmt: skip
METRES = {"time_to_30_m_second": 30.0}
STILL_SECOND = 2.0
"""A start is a standing one after this long. Common practice, no source."""
RISE_SECOND = 0.5
"""Over which the first gain of speed is read. Common practice, no source."""
LEAST_GAIN = 0.2
"""m/s2. A start that is slower has no instant at which it begins. Common practice, no source."""
LET_OFF = 0.9
"""Below this share of the highest speed so far the driver let off, and the start ends. Common practice, no source."""
SUSTAINED_SECOND = 60.0
MOST_DOUBT = 1 / 3
MEDIAN = 1.2533
"""Standard error of a median over that of a mean, normal scatter: sqrt(pi/2)."""


class Reached(NamedTuple):
    """A start: s it took, and speed (m/s) and gain of speed (m/s2) there."""

    second: float
    speed: float
    gain: float


@dataclass(frozen=True)
class Start:
    """A clean start from standing: second (s), 0 where it begins, and speed (m/s) of n samples, the first one still."""

    second: Floats
    speed: Floats

    def to_speed(self, speed: float) -> Reached | None:
        """When `speed` (m/s) is reached, None if it never is."""
        return self._reached(self.speed, speed)

    def to_metre(self, metre: float) -> Reached | None:
        """When the way is `metre` (m), None if it never is that long."""
        second = np.maximum(self.second, 0.0)
        return self._reached(np.r_[0.0, np.cumsum(np.diff(second) * (self.speed[1:] + self.speed[:-1]) / 2)], metre)

    def _reached(self, value: Floats, want: float) -> Reached | None:
        after = int(np.argmax(value >= want))
        if value[after] < want or after == 0:
            return None
        step = self.second[after] - self.second[after - 1]
        share = (want - value[after - 1]) / (value[after] - value[after - 1])
        gain = (self.speed[after] - self.speed[after - 1]) / step
        speed = self.speed[after - 1] + share * (self.speed[after] - self.speed[after - 1])
        return Reached(float(self.second[after - 1] + share * step), float(speed), float(gain))


def starts_of(second: Floats, speed: Floats) -> list[Start]:
    """The clean starts from standing in samples of speed (m/s over s, ascending)."""
    known = np.isfinite(speed) & (np.diff(second, prepend=-np.inf) > 0)
    second, speed = second[known], speed[known]
    if len(second) < 3:
        return []
    still = speed < STANDING
    gaps = np.r_[np.diff(second) > gap_limit(second), True]
    begins = np.flatnonzero(still[:-1] & ~still[1:] & ~gaps[:-1]).tolist()
    ends = [_last_of_rise(speed, still, gaps, begin) for begin in begins]
    stood = [_stood(second, still, gaps, begin) for begin in begins]
    runs = [(b, e) for b, e, s in zip(begins, ends, stood, strict=True) if s >= STILL_SECOND and e > b + 1]
    return [Start(second[b : e + 1] - _beginning(second, speed, b), speed[b : e + 1]) for b, e in runs]


def _last_of_rise(speed: Floats, still: np.ndarray, gaps: np.ndarray, begin: int) -> int:
    """The last row before the cart stands again, a gap, or the driver lets off."""
    stop = np.flatnonzero(still[begin + 1 :] | gaps[begin + 1 :])
    end = begin + 1 + (int(stop[0]) if len(stop) else len(speed) - begin - 2)
    rise = speed[begin : end + 1]
    off = np.flatnonzero(rise < LET_OFF * np.maximum.accumulate(rise))
    off = off[off > 1]
    return begin + int(off[0]) - 1 if len(off) else end


def _stood(second: Floats, still: np.ndarray, gaps: np.ndarray, begin: int) -> float:
    """For how long (s) the cart had been standing at row `begin`."""
    before = np.flatnonzero(~still[:begin] | gaps[:begin])
    return float(second[begin] - second[before[-1] + 1 if len(before) else 0])


def _beginning(second: Floats, speed: Floats, begin: int) -> float:
    """When (s) the cart begins to move, where row `begin` is the last that stands: where the line through its first
    half second on the move comes from 0, but not before the rows that show 0."""
    first = begin + 1
    after = min(max(first + 1, int(np.searchsorted(second, second[first] + RISE_SECOND))), len(second) - 1)
    gain = (speed[after] - speed[first]) / (second[after] - second[first])
    if gain < LEAST_GAIN:
        return float(second[begin])
    return float(max(second[first] - speed[first] / gain, second[begin] - speed[begin] / gain))


# --- what is said ------------------------------------------------------------------------------------


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family: power of every drive, times of tests of acceleration and hills.

    A stint of no known cart has none: power says nothing until it is somebody's.
    """
    if main_kind(stretch) != "drive" or not (is_test(stretch) or stretch.cart):
        return
    yield from _powers(stretch)
    if is_test(stretch) and stretch.kind in TIMED:
        yield from _times(stretch)


def _times(stretch: Stretch) -> Iterator[Result | Finding]:
    told, lines = speed_of(drive_of(stretch))
    if told not in ("channel", "receiver"):
        yield Finding("no-speed", "warning", "no speed was logged: no times from standstill")
        return
    starts = [start for second, speed in lines for start in starts_of(second, speed)]
    if not starts:
        yield Finding("no-clean-start", "warning", f"no clean start after {STILL_SECOND:.0f} s of standing: no times")
        return
    step = max(usual_step(second) for second, _ in lines)
    gain = un.gain(stretch.instruments, "odometer" if told == "channel" else "gps")
    unclear = []
    goals: dict[str, Callable[[Start], Reached | None]] = {
        **{name: partial(Start.to_speed, speed=speed) for name, speed in SPEEDS.items()},
        **{name: partial(Start.to_metre, metre=metre) for name, metre in METRES.items()},
    }
    for name, goal in goals.items():
        runs = [run for run in map(goal, starts) if run is not None]
        result = _timed(name, runs, step, gain) if runs else None
        if result is not None and (result.u or 0.0) > MOST_DOUBT * result.value:
            unclear.append(f"{name.removesuffix('_second').replace('_', ' ')} ({result.value:.2g} s)")
        elif result is not None:
            yield result
    if unclear:
        words = f"one sample in {step:.3g} s is too slow for the {', the '.join(unclear)}"
        yield Finding("starts-unclear", "note", words)


def _timed(name: str, runs: Sequence[Reached], step: float, gain: float) -> Result:
    """The median of `runs`: its uncertainty from the samples' step (s) at both ends of each, from how they scatter, and
    from the speed's gain (1), which all of them share."""
    second = np.array([run.second for run in runs])
    value = float(np.median(second))
    middle = runs[int(np.argmin(np.abs(second - value)))]
    if name in METRES:
        shared = METRES[name] / max(middle.speed, STANDING) * gain
    else:
        shared = middle.speed * gain / middle.gain if middle.gain > 0 else 0.0
    scatter = float(np.std(second, ddof=1)) * MEDIAN if len(runs) > 1 else 0.0
    own = un.combine(un.of_step(step) * np.sqrt(2), scatter) / np.sqrt(len(runs))
    count = "one start" if len(runs) == 1 else f"median of {len(runs)} starts, the best {second.min():.2f} s"
    return Result(name, value, "s", un.combine(own, shared), "standing-starts", note=count)


def _powers(stretch: Stretch) -> Iterator[Result | Finding]:
    parts = [(part.second, part.volt * (removed(stretch) - part.ampere)) for part in main_parts(stretch)]
    parts = [part for part in parts if np.isfinite(part[1]).sum() > 1]
    peak, sustained = _peak(parts), _sustained(parts)
    if peak is not None and peak > 0:
        u = un.combine(_watt_u(stretch, peak), hidden(parts, _peak))
        yield from _peaks(stretch, peak, u) if u <= MOST_DOUBT * peak else _unclear(parts, peak)
    if sustained is not None and sustained > 0:
        u = un.combine(_watt_u(stretch, sustained), hidden(parts, _sustained))
        if u <= MOST_DOUBT * sustained:
            yield Result("power_sustained_60s_watt", sustained, "W", u, "largest-window-mean", note=_BETWEEN)


_BETWEEN = "between samples it may have been more"


def _unclear(parts: Sequence[Part], peak: float) -> Iterator[Finding]:
    step = max(usual_step(part[0]) for part in parts)
    words = f"one sample in {step:.3g} s does not show peaks of power: at least {peak:.0f} W"
    yield Finding("power-unclear", "note", words)


def _peaks(stretch: Stretch, peak: float, u: float) -> Iterator[Result]:
    yield Result("power_peak_watt", peak, "W", u, "largest-sample", note=_BETWEEN)
    mass, payload = stretch.cart.get("mass_kg"), stretch.test.get("payload_kg")
    if mass and payload is not None:
        kg = float(mass) + float(payload)
        share = un.combine(u / peak, un.of_limit(MASS_LIMIT))
        note = f"of {kg:.0f} kg, cart and payload"
        yield Result("power_peak_watt_per_kg", peak / kg, "W/kg", share * peak / kg, "largest-sample", note=note)


def _peak(parts: Sequence[Part]) -> float | None:
    known = [watt[np.isfinite(watt)] for _, watt in parts]
    return max((float(one.max()) for one in known if len(one)), default=None)


def _sustained(parts: Sequence[Part]) -> float | None:
    found = [one.mean for second, watt in parts if (one := heaviest(second, watt, SUSTAINED_SECOND)) is not None]
    return max(found, default=None)


def _watt_u(stretch: Stretch, watt: float) -> float:
    """From the gains of shunt and voltmeter, and what remains of the shunt's zero."""
    assert stretch.samples is not None
    gains = un.combine(un.gain(stretch.instruments, "shunt"), un.gain(stretch.instruments, "voltmeter"))
    return un.combine(gains * watt, removed_u(stretch) * float(np.nanmean(stretch.samples.volt)))


MEASURE = Measure(
    "performance",
    "1",
    "How fast a cart gets going from standstill, and the power its pack gives.",
    (
        Quantity("time_to_10_mph_second", "s", "time from standstill to 10 mph"),
        Quantity("time_to_15_mph_second", "s", "time from standstill to 15 mph"),
        Quantity("time_to_20_mph_second", "s", "time from standstill to 20 mph"),
        Quantity("time_to_15_kmh_second", "s", "time from standstill to 15 km/h"),
        Quantity("time_to_25_kmh_second", "s", "time from standstill to 25 km/h"),
        Quantity("time_to_30_kmh_second", "s", "time from standstill to 30 km/h"),
        Quantity("time_to_30_m_second", "s", "time from standstill over 30 m"),
        Quantity("power_peak_watt", "W", "largest power drawn from the pack, one sample"),
        Quantity("power_peak_watt_per_kg", "W/kg", "largest power over the mass of cart and payload"),
        Quantity("power_sustained_60s_watt", "W", "largest power drawn from the pack, mean over 60 s"),
    ),
    compute,
)
