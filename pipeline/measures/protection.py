"""Trips of the pack's protection, told from a driver who lets go, a switch-off and a logger that drops out; and the
logger's own charge counter against the integral of its current.

A load **stops** where a sample that draws load is followed by one that draws nothing (what a shunt's zero may be off),
or by nothing at all: a gap, or the end of the log. In a log of several samples a second it may take a second. It stops
**for good** when nothing flows for the next 60 s: a driver who lets go for a moment is back by then, and regen, or what
the controller draws, shows that the pack is connected. By what is seen then:

- **trip at the limit.** It stops for good, and the last loaded sample stands at the cut-off or under it, or no more
  than 5 % above it and falling so that the next would. Not where a throttle is logged and let go, nor where a speed is
  logged and the cart stood still: then it was the driver.
- **trip with the throttle down.** Nothing flows for ten seconds, the volts are above the limit, but the throttle is
  still down, the load was over a fifth of the largest of the log, the volts are up at once, and the cart, if its speed
  is logged, slows: the protection against too much current, a hot pack or a cell that is low does that. On a descent a
  cart does not slow.
- **switch-off.** The volts fall to nothing with the current: a contactor or switch opened upstream of the sense wires.
  No trip, unless at the limit.
- **drop-out.** The log ends, or leaves a gap, under load and above the limit: the logger's, or a trip before the next
  sample was due. At the limit it is a trip that took the logger with it.
- **the driver.** Everything else.

Without a throttle a trip above the limit looks like a driver who parks: it is not counted, and not ruled out. Where
samples are more than 5 s apart, a load that stops at once is not told from one that is let go, and there is no
figure. A controller that gives up at its own limit looks the same as the pack's protection. All of this is common
practice of the workshop, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from ..chemistry import cut_off_volt
from ..levels import is_pack, levels
from ..reading import Finding, Floats, Wholes
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .ending import CLOSE
from .energy import doubt_of
from .flow import HOUR, flow_of
from .parts import Flags, biggest, gap_limit, is_test, load_level, main_kind, main_parts, main_stints, usual_step
from .zero import limit_of, removed, removed_u

COUNTER, THROTTLE, SPEED = "net_capacity_ah", "throttle_percent", "speed_metre_per_second"
AWAY_SECOND, BRIEF_SECOND, AT_ONCE_SECOND, SLOWEST_SECOND = 60.0, 10.0, 1.0, 5.0
NEAR = 0.05
PRESSED_PERCENT, STANDING_SPEED = 10.0, 0.5
HARD_SHARE, SLOWED_SHARE, SLOWED_SECOND = 0.2, 0.8, 10.0
NO_VOLT_SHARE = 0.1
CLEAR_U, UNCLEAR_U = 0.05, 0.3
LIMIT, PRESSED, SWITCHED, DROPPED, DRIVER = "limit", "throttle-down", "switched-off", "dropped-out", "driver"
LEAST_AH, COVERAGE = 0.2, 3.0
JUMP_TIMES = 5.0


class _Log(NamedTuple):
    """A drive and what follows it until the next, as columns: second (s), volt, discharge (A, positive), throttle (%)
    and speed (m/s), NaN where not logged; whole (n - 1): no gap to the next."""

    second: Floats
    volt: Floats
    discharge: Floats
    throttle: Floats
    speed: Floats
    whole: Flags

    @classmethod
    def of(cls, part: Samples, zero: float) -> _Log:
        known = np.isfinite(part.ampere)
        unknown = np.full(len(part), np.nan)
        throttle, speed = (part.other.get(name, unknown)[known] for name in (THROTTLE, SPEED))
        second = part.second[known]
        whole = np.diff(second) <= gap_limit(second)
        return cls(second, part.volt[known], zero - part.ampere[known], throttle, np.abs(speed), whole)


class _Bounds(NamedTuple):
    """load: A, more is load. nothing: A, less either way is nothing. hard: A, what a trip with the throttle down
    stops. limit: V, NaN where not known."""

    load: float
    nothing: float
    hard: float
    limit: float

    @classmethod
    def of(cls, stretch: Stretch) -> _Bounds:
        most = biggest(stretch.samples)
        quiet = levels(most, stretch.samples is None or is_pack(stretch.samples.volt)).quiet
        limit = cut_off_volt(stretch.pack)
        nothing = max(quiet, limit_of(stretch))
        return cls(load_level(stretch.samples), nothing, HARD_SHARE * most, limit[0] if limit else np.nan)


class Stop(NamedTuple):
    """A load that stopped. kind: limit, throttle-down, switched-off, dropped-out or driver. second: s from the
    start of its drive. u: its standard uncertainty. volt (V), ampere (A): of the last loaded sample."""

    kind: str
    second: float
    u: float
    volt: float
    ampere: float


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for the drives of `stretch`, and the counter of any stretch."""
    if main_kind(stretch) == "drive":
        yield from _trips(stretch)
    yield from _counter(stretch)


def stops_of(stretch: Stretch) -> list[Stop]:
    """Every load of the drives of `stretch` that stopped for ten seconds or more, in order."""
    bounds, zero = _Bounds.of(stretch), removed(stretch)
    logs = [_Log.of(part, zero) for part in _with_what_follows(stretch)]
    return [stop for log in logs if len(log.second) for stop in _stops(log, bounds)]


def _with_what_follows(stretch: Stretch) -> list[Samples]:
    """Each drive with all that is logged between it and the next, or the end."""
    drives, samples = main_stints(stretch), stretch.samples
    if samples is None:
        return []
    ends = [drive.first - 1 for drive in drives[1:]] + [len(samples) - 1]
    return [samples.part(drive.first, end) for drive, end in zip(drives, ends, strict=True)]


def _stops(log: _Log, bounds: _Bounds) -> list[Stop]:
    rows, away = _last_active(log, bounds)
    ampere, volt = _just_before(log, rows, log.discharge), -_just_before(log, rows, -log.volt)
    loaded = ampere > bounds.load
    rows, ampere, volt = rows[loaded], ampere[loaded], volt[loaded]
    kinds = _kinds(log, bounds, rows, ampere, volt, away[loaded] < AWAY_SECOND)
    after = np.r_[np.where(log.whole, np.diff(log.second), 0.0), 0.0][rows]
    u = np.maximum(after, usual_step(log.second)) / np.sqrt(12.0)
    second = log.second[rows] - log.second[0] + after / 2
    return [
        Stop(str(kind), *(float(one) for one in figures))
        for kind, *figures in zip(kinds, second, u, volt, ampere, strict=True)
    ]


def _last_active(log: _Log, bounds: _Bounds) -> tuple[Wholes, Floats]:
    """Rows that draw something after which nothing flows, either way, for ten seconds or more, and for how long (s)."""
    active = np.flatnonzero(np.abs(log.discharge) > bounds.nothing)
    away = np.diff(np.append(log.second[active], np.inf))
    stopped = (away >= BRIEF_SECOND) & (log.discharge[active] > 0)
    return active[stopped], away[stopped]


def _just_before(log: _Log, rows: Wholes, value: Floats) -> Floats:
    """The most of `value` in the second that ends with each of `rows`: in a fast log a cut takes more than a step."""
    if not len(rows):
        return np.empty(0)
    first = np.searchsorted(log.second, log.second[rows] - AT_ONCE_SECOND, "right")
    pairs = np.c_[first, rows + 1].ravel()
    return np.asarray(np.fmax.reduceat(np.append(value, np.nan), pairs)[::2])


def _kinds(
    log: _Log, bounds: _Bounds, rows: Wholes, ampere: Floats, volt: Floats, brief: Flags
) -> np.ndarray[Any, np.dtype[np.str_]]:
    """What stopped the load after each of `rows`, which drew `ampere` (A) at `volt` (V) just before; brief:
    it came back within a minute."""
    after = np.minimum(rows + 1, len(log.second) - 1)
    seen = np.r_[log.whole, False][rows]
    at_limit = (volt <= bounds.limit * (1 + CLOSE)) | _falling_to(log, bounds.limit, rows)
    gone = seen & (log.volt[after] < NO_VOLT_SHARE * volt)
    let_go = seen & ((log.throttle[after] < PRESSED_PERCENT) | (log.speed[rows] < STANDING_SPEED))
    pressed = seen & (ampere > bounds.hard) & (log.volt[after] > volt) & _throttle_down(log, rows, after)
    at_limit &= ~let_go
    cases = [(brief & ~pressed, DRIVER), (at_limit, LIMIT), (gone, SWITCHED), (~seen, DROPPED), (pressed, PRESSED)]
    return np.select([case for case, _ in cases], [kind for _, kind in cases], DRIVER)


def _falling_to(log: _Log, limit: float, rows: Wholes) -> Flags:
    """Whether the volts, near the limit, would be at it one step later if they went on falling as they did."""
    before = np.maximum(rows - 1, 0)
    fall = np.where(log.second[rows] > log.second[before], log.volt[rows] - log.volt[before], 0.0)
    return np.asarray((log.volt[rows] <= limit * (1 + NEAR)) & (fall < 0) & (log.volt[rows] + fall <= limit))


def _throttle_down(log: _Log, rows: Wholes, after: Wholes) -> Flags:
    """Whether the throttle stayed down while the cart, where its speed is known, lost speed."""
    later = np.searchsorted(log.second, log.second[rows] + SLOWED_SECOND)
    later = np.minimum(later, len(log.second) - 1)
    holds_speed = log.speed[later] > SLOWED_SHARE * log.speed[rows]
    return np.asarray((log.throttle[after] >= PRESSED_PERCENT) & ~holds_speed)


def _trips(stretch: Stretch) -> Iterator[Result | Finding]:
    parts = [part for part in main_parts(stretch) if np.isfinite(part.ampere).any() and np.isfinite(part.volt).any()]
    if not parts:
        return
    has_throttle = any(np.isfinite(part.other.get(THROTTLE, np.empty(0))).any() for part in parts)
    why = _blind(stretch, parts, has_throttle)
    if why:
        if is_test(stretch):
            yield Finding("trips-unclear", "note", f"{why}: no count of trips")
        return
    stops = stops_of(stretch)
    trips = [stop for stop in stops if stop.kind in (LIMIT, PRESSED)]
    u, method = (CLEAR_U, "throttle-and-limit") if has_throttle else (UNCLEAR_U, "limit")
    note = "" if has_throttle else "no throttle is logged: a trip above the cut-off would look like a driver who parks"
    yield Result("trips", float(len(trips)), "1", u, method, note=note)
    if trips:
        first = trips[0]
        yield Result("trip_second", first.second, "s", first.u or 1e-3, first.kind, note="from the start of its drive")
        yield Finding("tripped", "note" if _meant(stretch, trips) else "warning", _words(trips, stretch))
    yield from _others(stretch, stops, trips)


def _meant(stretch: Stretch, trips: Sequence[Stop]) -> bool:
    """Whether the test was to go on until the limit ended it, and did so once: nothing to look into."""
    return is_test(stretch) and stretch.kind in ("range", "capacity") and [one.kind for one in trips] == [LIMIT]


def _blind(stretch: Stretch, parts: Sequence[Samples], has_throttle: bool) -> str:
    """Why trips can't be told, '' where they can."""
    step = max(usual_step(part.second) for part in parts)
    if step > SLOWEST_SECOND:
        return f"one sample in {step:.3g} s does not show whether the load was cut or let go"
    if not has_throttle and cut_off_volt(stretch.pack) is None:
        return "neither a cut-off voltage is known nor a throttle logged"
    return ""


def _words(trips: Sequence[Stop], stretch: Stretch) -> str:
    first, known = trips[0], cut_off_volt(stretch.pack)
    where = f"the load of {first.ampere:.0f} A was cut off at {first.volt:.1f} V after {_time(first.second)}"
    if first.kind == LIMIT and known:
        where += f", the cut-off is {known[0]:g} V ({known[1]}): the protection of the pack, or the controller's limit"
    else:
        where += " with the throttle down and the volts above the cut-off: the protection of the pack (current, "
        where += "temperature or a single cell), or a contact that opened"
    return where + (f"; {len(trips)} times in all" if len(trips) > 1 else "")


def _time(second: float) -> str:
    if second < 90:
        return f"{second:.0f} s"
    minutes = round(second / 60)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def _at(stop: Stop) -> str:
    return f"at {stop.volt:.1f} V and {stop.ampere:.0f} A after {_time(stop.second)}"


def _others(stretch: Stretch, stops: Sequence[Stop], trips: Sequence[Stop]) -> Iterator[Finding]:
    """What else stopped the load of a test, and a sheet that says otherwise."""
    if not is_test(stretch):
        return  # a stint may be cut where the log goes on
    for kind, code, words in (
        (DROPPED, "log-dropped-out", "the log breaks off under load {at}: taken as the logger's, no trip"),
        (SWITCHED, "switched-off", "volts and current went to nothing together {at}: switched off, no trip"),
    ):
        alike = [stop for stop in stops if stop.kind == kind]
        if alike:
            often = f"; {len(alike)} times in all" if len(alike) > 1 else ""
            yield Finding(code, "note", words.format(at=_at(alike[0])) + often)
    if not trips and stretch.test.get("end_reason") == "bms-trip":
        yield Finding("trip-not-seen", "note", "the sheet says that the protection tripped, the log does not show it")


# The logger's own counter.


class _Counted(NamedTuple):
    """Charge (A.h) over the same steps: by the counter, by the current; steps of the counter that were left out
    because it was set anew or wrapped."""

    counter: float
    current: float
    resets: int


def _counter(stretch: Stretch) -> Iterator[Finding]:
    parts = [part for part in main_parts(stretch) if COUNTER in part.other]
    found = [one for part in parts if (one := _counted(part)) is not None]
    if not found:
        return
    resets = sum(one.resets for one in found)
    if resets:
        often = "once" if resets == 1 else f"{resets} times"
        yield Finding(
            "counter-reset", "note", f"the log's own charge counter was set anew or wrapped {often}: left out"
        )
    counter, current = sum(one.counter for one in found), sum(one.current for one in found)
    u = _counter_u(stretch, parts, current)
    if abs(counter - current) <= max(COVERAGE * u, LEAST_AH):
        return
    words = f"the log's own counter says {counter:+.2f} Ah, its current adds up to {current:+.2f} Ah"
    turned = "; its sign is the other way round" if abs(counter + current) <= max(COVERAGE * u, LEAST_AH) else ""
    yield Finding("counter-disagrees", "warning", f"{words} (standard uncertainty {u:.2g} Ah){turned}")


def _counted(part: Samples) -> _Counted | None:
    """None where the counter never moves: a column that nothing is kept in."""
    known = np.isfinite(part.other[COUNTER]) & np.isfinite(part.ampere)
    second, counter, ampere = part.second[known], part.other[COUNTER][known], part.ampere[known]
    if len(second) < 2 or not np.ptp(counter):
        return None
    step = np.diff(second)
    by_current = step * (ampere[:-1] + ampere[1:]) / 2 / HOUR
    by_counter = np.diff(counter)
    whole = step <= gap_limit(second)
    jumped = whole & (np.abs(by_counter - by_current) > _jump(by_counter, ampere, step))
    kept = whole & ~jumped
    return _Counted(float(by_counter[kept].sum()), float(by_current[kept].sum()), int(jumped.sum()))


def _jump(by_counter: Floats, ampere: Floats, step: Floats) -> Floats:
    """A counter that moves by more than this (A.h) in a step did not count: five times what the largest current would
    have moved it, or five of its usual moves."""
    moves = np.abs(by_counter[by_counter != 0])
    usual = float(np.median(moves)) if len(moves) else 0.0
    return np.asarray(JUMP_TIMES * np.maximum(np.max(np.abs(ampere)) * step / HOUR, usual))


def _counter_u(stretch: Stretch, parts: Sequence[Samples], current: float) -> float:
    """Standard uncertainty (A.h) of the difference: of the integral, its zero, what is hidden between samples, and of
    what the counter reads to. The counter is taken as an instrument of its own."""
    zero = un.combine(removed(stretch), removed_u(stretch))
    doubt = doubt_of(stretch, replace(flow_of(parts, 0.0), gap_second=0.0), zero)  # gaps are left out of both
    seen = np.unique(np.concatenate([part.other[COUNTER] for part in parts])[:20_000])
    steps = np.diff(seen[np.isfinite(seen)])
    step = float(steps.min()) if len(steps) else 0.0
    return un.combine(doubt.ah(current, doubt.net_ah), un.of_step(step) * (2 * len(parts)) ** 0.5)


MEASURE = Measure(
    "protection",
    "1",
    "Trips of the pack's protection, and the log's own charge counter against its current.",
    (
        Quantity("trips", "1", "times the load was cut off, at the cut-off or with the throttle down"),
        Quantity("trip_second", "s", "time from the start of its drive to the first of them"),
    ),
    compute,
)
