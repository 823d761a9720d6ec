"""What warms the pack: the heat of its resistance, the warmth that is seen, and when it reaches its stated maximum.

    heating = R * mean(I^2)        (Joule's law)
    warmth  = m * c * rise / time  (heat stored in a mass that warms)

R is the resistance from sample to sample that the drive itself showed (see resistance.py). The slower part of a pack's
losses is not in it, and is commonly a third as much again and more: where the warmth seen is held against it, that is
part of the doubt. The mean of I^2 is taken at the samples, each for the time it stands for: with samples at any
instant of what goes on it is right on average however short the peaks are. (A straight line between samples would
cut their squares off.) The heat capacity c of a pack, cells and case, is about 1000 J/(kg K), 20 % either way. Both,
and the ten minutes and the ten hours below: common practice, no source.

A thermometer sits on a few cells, and lags behind them, so what is seen may be less than what is there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .energy import HIDDEN_SHARE
from .flow import HOUR, sampling
from .parts import is_test, main_kind, main_parts, weights
from .standing import slope_of
from .zero import removed, removed_u

PACK, AIR = "temperature_t1_celsius", "ambient_temperature_celsius"
HEAT_CAPACITY, HEAT_CAPACITY_SHARE = 1000.0, 0.2
"""Of a pack, J/(kg K), and its standard uncertainty as a share."""
SLOW_SHARE = 1 / 3
"""What the slow part of the losses may add to the heat of the resistance, as a share."""
LEAST_SECOND, END_SECOND = 600.0, 60.0
OHM_SHARE = 1 / 3
"""Standard uncertainty of a resistance that comes without one, as a share. Common practice, no source."""
LONGEST_SECOND = 10 * HOUR
BLOCKS = 10
COVERAGE = 3.0


class _Course(NamedTuple):
    """Temperature (Cel) over time (s) of one drive of ten minutes or more, both known throughout."""

    second: Floats
    celsius: Floats

    @property
    def length(self) -> float:
        return float(self.second[-1] - self.second[0])

    @property
    def start(self) -> float:
        return float(np.mean(self.celsius[self.second <= self.second[0] + END_SECOND]))

    @property
    def end(self) -> float:
        return float(np.mean(self.celsius[self.second >= self.second[-1] - END_SECOND]))


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for the drives of `stretch`."""
    if main_kind(stretch) != "drive":
        return
    parts = main_parts(stretch)
    courses = [one for one in map(_course, parts) if one is not None]
    heating, seen = _heating(stretch, parts), None
    if heating is not None:
        yield heating
    for item in _seen(stretch, courses):
        seen = item if isinstance(item, Result) else seen
        yield item
    if heating is not None and seen is not None:
        yield from _more(stretch, heating, seen)
    if courses:
        yield from _to_maximum(stretch, courses[-1])


def _course(part: Samples) -> _Course | None:
    if PACK not in part.other:
        return None
    known = np.isfinite(part.other[PACK])
    second, celsius = part.second[known], part.other[PACK][known]
    enough = len(second) >= 2 * BLOCKS and second[-1] - second[0] >= LEAST_SECOND
    return _Course(second, celsius) if enough else None


def _heating(stretch: Stretch, parts: Sequence[Samples]) -> Result | None:
    """R times the mean of I^2 (W); None without a resistance or a current."""
    ohm = stretch.known.get("resistance_ohm")
    rows = [(part.second[known], part.ampere[known] - removed(stretch))
            for part in parts if (known := np.isfinite(part.ampere)).sum() > 2]  # fmt: skip
    covered = sum(float(weights(second).sum()) for second, _ in rows)
    if ohm is None or ohm.value <= 0 or not covered:
        return None
    square = sum(float(weights(second) @ ampere**2) for second, ampere in rows) / covered
    if not square:
        return None
    mean = sum(float(weights(second) @ np.abs(ampere)) for second, ampere in rows) / covered
    hidden = HIDDEN_SHARE * HOUR * un.combine(*(sampling(second, ampere**2) for second, ampere in rows)) / covered
    gain = 2 * square * un.gain(stretch.instruments, "shunt")
    u_square = un.combine(gain, 2 * mean * removed_u(stretch), hidden)
    u_ohm = ohm.u if ohm.u is not None else OHM_SHARE * ohm.value
    u = un.combine(ohm.value * u_square, square * u_ohm)
    note = f"{np.sqrt(square):.0f} A root mean square through {ohm.value:.3g} ohm; slower losses are not in it"
    return Result("heating_watt", ohm.value * square, "W", u, "resistance", note=note)


def _seen(stretch: Stretch, courses: Sequence[_Course]) -> Iterator[Result | Finding]:
    """Heat (W) that went into warming the pack: rises of all drives over their time. None without the pack's mass."""
    mass = stretch.pack.get("mass_kg")
    if not mass or not courses:
        return
    rise, second = sum(one.end - one.start for one in courses), sum(one.length for one in courses)
    u_rise = _u_celsius(stretch, courses) * len(courses) ** 0.5
    if abs(rise) <= 2 * u_rise:
        if is_test(stretch):
            words = (
                f"the pack warmed by {rise:.1f} K, the thermometer is unsure by {u_rise:.1f} K: no warming_watt_seen"
            )
            yield Finding("warming-unclear", "note", words)
        return
    watt_a_kelvin = HEAT_CAPACITY * float(mass) / second
    u = watt_a_kelvin * un.combine(u_rise, HEAT_CAPACITY_SHARE * rise)
    note = f"{rise:.1f} K in {second / 60:.0f} min; {HEAT_CAPACITY:.0f} J/(kg K) taken; what the air took is not in it"
    yield Result("warming_watt_seen", watt_a_kelvin * rise, "W", u, "rise-of-temperature", note=note)


def _u_celsius(stretch: Stretch, courses: Sequence[_Course]) -> float:
    """Standard uncertainty (K) of a rise: of one reading, as how much of it both share is not known (as in heat.py),
    and of what both are rounded to."""
    return un.combine(un.thermometer(stretch.instruments), un.of_step(_step(stretch, courses)) * 2**0.5)


def _step(stretch: Stretch, courses: Sequence[_Course]) -> float:
    """What the thermometer reads to (K): as stated, else the smallest step between two readings."""
    stated = stretch.instruments.get("thermometer", {}).get("resolution")
    if stated:
        return float(stated)
    seen = np.unique(np.concatenate([one.celsius for one in courses])[:20_000])
    return float(np.diff(seen).min()) if len(seen) > 1 else 1.0


def _more(stretch: Stretch, heating: Result, seen: Result) -> Iterator[Finding]:
    """Whether the pack warms more than its resistance accounts for, beyond three joint uncertainties; not where the
    air is warmer than the pack was, which warms it too."""
    doubt = un.combine(heating.u or 0.0, seen.u or 0.0, SLOW_SHARE * heating.value)
    air = _air(stretch)
    start = stretch.known.get("temperature_start")
    if seen.value - heating.value <= COVERAGE * doubt or (air is not None and start and air > start.value):
        return
    words = f"the pack warmed as by {seen.value:.0f} W, its resistance accounts for {heating.value:.0f} W"
    causes = "a loose connection, a weak cell, or warmth from outside (motor, sun, air)"
    yield Finding(
        "warms-more-than-its-resistance", "warning", f"{words} (standard uncertainty {doubt:.0f} W): {causes}?"
    )


def _air(stretch: Stretch) -> float | None:
    """Temperature of the air (Cel): the log, else the sheet."""
    logged = [part.other[AIR] for part in main_parts(stretch) if AIR in part.other]
    known = np.concatenate([*logged, np.empty(0)])
    known = known[np.isfinite(known)]
    stated = stretch.test.get("ambient_celsius")
    return float(known.mean()) if len(known) else None if stated is None else float(stated)


def _to_maximum(stretch: Stretch, course: _Course) -> Iterator[Result]:
    """Seconds from the end of the last drive to the stated maximum, had it gone on warming as in its second half.

    The slope is that of a line through ten means of the second half. Warming levels off, so it will rather take longer.
    """
    limit = stretch.pack.get("maximum_temperature_celsius")
    if limit is None or course.end >= float(limit):
        return
    second, celsius = _means(course)
    if len(second) < BLOCKS // 2:
        return
    slope, u_slope = slope_of(second, celsius)
    step = un.of_step(_step(stretch, [course])) * 2**0.5 / float(second[-1] - second[0])
    u_slope = un.combine(u_slope, step)
    if slope <= COVERAGE * u_slope:
        return
    left = (float(limit) - course.end) / slope
    if left > LONGEST_SECOND:
        return
    u = un.combine(un.thermometer(stretch.instruments) / slope, left * u_slope / slope)
    note = (
        f"from {course.end:.1f} to {float(limit):g} °C at {slope * 60:.2g} K/min; warming levels off, so rather later"
    )
    yield Result("seconds_to_maximum", left, "s", u, "line-of-second-half", note=note)


def _means(course: _Course) -> tuple[Floats, Floats]:
    """Mean time (s) and temperature (Cel) of ten parts, equally long, of the second half; one with nothing in it is
    left out."""
    half = course.second >= course.second[0] + course.length / 2
    second, celsius = course.second[half], course.celsius[half]
    edges = np.linspace(second[0], second[-1], BLOCKS + 1)
    block = np.clip(np.searchsorted(edges, second, "right") - 1, 0, BLOCKS - 1)
    _, place, count = np.unique(block, return_inverse=True, return_counts=True)
    return np.bincount(place, second) / count, np.bincount(place, celsius) / count


MEASURE = Measure(
    "warming",
    "1",
    "What warms the pack, and when it reaches its stated maximum.",
    (
        Quantity("heating_watt", "W", "mean heat of the resistance of the pack"),
        Quantity("warming_watt_seen", "W", "mean heat that warmed the pack, by its thermometer"),
        Quantity("seconds_to_maximum", "s", "time to the stated maximum temperature at this duty"),
    ),
    compute,
)
