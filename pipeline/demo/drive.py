"""Driving: carts, packs and drivers together, all outings side by side, step by step.

At each step the driver wants a speed, the controller and the pack limit the pull, the road takes its
share, and the pack's current follows from the power. Current and power out of the pack are positive here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from .noise import wander
from .pack import BELOW, GRID, resistance_factor, volt_tables
from .road import BRAKING, ROUTES, halts
from .season import Outing
from .state import (
    DWELL,
    GRAVITY,
    LONGEST,
    SLOW_AVERAGE,
    SPIN,
    STEP,
    Fixed,
    Flags,
    Floats,
    Ledger,
    Moving,
    Track,
    Wholes,
    fixed,
)  # fmt: skip

MOODS = 8191
"""Seconds after which a driver's mood repeats."""


@dataclass(frozen=True)
class Way:
    """What lies ahead. limits, grade, surface: flat over laps, each outing's beginning at its `limit_at`, `grade_at`.
    halts, waits: stops, m and s, one row an outing, endless at the end. pace: how briskly each driver goes
    from stop to stop, as a factor on the speed limit; mood: how it wavers from second to second."""

    length: Floats
    limits: Floats
    limit_at: Wholes
    grade: Floats
    surface: Floats
    grade_at: Wholes
    halts: Floats
    waits: Floats
    pace: Floats
    mood: Floats
    mood_at: Wholes
    rows: Wholes


def _laid(parts: Sequence[Floats]) -> tuple[Floats, Wholes]:
    """Arrays end to end, and where each begins."""
    starts = np.cumsum([0, *[len(part) for part in parts[:-1]]])
    return np.concatenate(parts), starts.astype(np.int64)


def _stops(outings: Sequence[Outing], seed: int) -> tuple[Floats, Floats, Floats]:
    most = 400
    where, long, pace = (np.full((len(outings), most), fill) for fill in (np.inf, 0.0, 1.0))
    for row, outing in enumerate(outings):
        rng = np.random.default_rng([seed, 3, *outing.name.encode()])
        route = ROUTES[outing.route]
        places, waits = halts(route, 70000 // route.length, 6.0 if outing.kind == "everyday" else 1.0, rng)
        count = min(len(places), most - 1)
        where[row, :count], long[row, :count] = places[:count], waits[:count]
        pace[row] = rng.uniform(0.84, 1.0, most)
    return where, long, pace


def way_of(outings: Sequence[Outing], seed: int) -> Way:
    """The way of each of `outings`, with its stops drawn."""
    kinds = sorted({(outing.route, outing.settings.speed) for outing in outings})
    limits, limit_starts = _laid([ROUTES[route].speed_limits(speed) for route, speed in kinds])
    names = sorted(ROUTES)
    grade, grade_starts = _laid([ROUTES[name].grade for name in names])
    surface, _ = _laid([ROUTES[name].surface for name in names])
    where, waits, pace = _stops(outings, seed)
    return Way(
        np.array([float(ROUTES[outing.route].length) for outing in outings]),
        limits, limit_starts[[kinds.index((o.route, o.settings.speed)) for o in outings]],
        grade, surface, grade_starts[[names.index(o.route) for o in outings]],
        where, waits, pace, 1 + wander(np.random.default_rng([seed, 7]), MOODS, 0.02, 0.9),
        np.array([sum(outing.name.encode()) * 997 % MOODS for outing in outings]), np.arange(len(outings)),
    )  # fmt: skip


def at_start(outings: Sequence[Outing], facts: Fixed) -> Moving:
    """The state in which each of `outings` begins: standing, at its charge, as warm as its shed."""
    count = len(outings)
    celsius = facts.ambient + 0.3 * (20 - facts.ambient)
    size = facts.size * (1 - facts.cold * (25 - celsius))
    way, speed, slow, mean, low, waiting = np.zeros((6, count))
    return Moving(
        way=way, speed=speed, drawn=size * (1 - np.array([outing.charge for outing in outings])), slow=slow,
        celsius=celsius, mean=mean, low=low, waiting=waiting, halt=np.zeros(count, dtype=np.int64),
        over=np.zeros(count, dtype=bool), emptied=np.zeros(count, dtype=bool), clock=-facts.rest,
    )  # fmt: skip


def wanted_speed(now: Moving, way: Way, going: Flags) -> Floats:
    """The speed the driver wants: the place's limit at his pace, slowing for the next stop, nothing when standing."""
    metre = (now.way % way.length).astype(np.int64)
    left = way.halts[way.rows, now.halt] - now.way
    stop = np.sqrt(2 * 0.8 * BRAKING * np.maximum(left, 0.0) + 0.25)
    mood = way.mood[(way.mood_at + now.clock.astype(np.int64)) % MOODS]
    speed = np.minimum(way.limits[way.limit_at + metre] * way.pace[way.rows, now.halt] * mood, stop)
    return np.where(going & (now.waiting <= 0), speed, 0.0)


def source(now: Moving, facts: Fixed, tables: Floats) -> tuple[Floats, Floats, Floats]:
    """State of charge, volts behind the ohmic resistance, and that resistance."""
    size = facts.size * (1 - facts.cold * (25 - now.celsius))
    charge = 1 - now.drawn / size
    place = (np.clip(charge, BELOW, 1.04) - BELOW) * GRID
    low = place.astype(np.int64)
    at = facts.table.astype(np.int64) * tables.shape[1] + low
    flat = tables.ravel()
    cell = flat[at] + (flat[at + 1] - flat[at]) * (place - low)
    return charge, facts.series * cell - now.slow, facts.ohm * resistance_factor(charge, now.celsius, facts.activation)


def most_power(volt: Floats, ohm: Floats, limit: Floats) -> Floats:
    """The power a pack gives at the current limit, never beyond its own best."""
    current = np.minimum(limit, 0.35 * volt / ohm)
    return current * (volt - current * ohm)


def current_for(power: Floats, volt: Floats, ohm: Floats) -> Floats:
    """Current at which a source of `volt` behind `ohm` gives `power`: the smaller root of (E - I R) I = P."""
    return 2 * power / (volt + np.sqrt(np.maximum(volt * volt - 4 * ohm * power, 0.0)))


def strongest(power: Floats, ratio: Floats, winding: Floats) -> Floats:
    """Pull F in N that uses up `power`: the root of winding F² + ratio F = power."""
    return 2 * power / (ratio + np.sqrt(ratio * ratio + 4 * winding * power))


@dataclass(frozen=True)
class Push:
    """One step's motion: mean speed m/s, new speed, and forces in N: at the wheels, rolling, drag, lift."""

    mean: Floats
    speed: Floats
    wheel: Floats
    rolling: Floats
    drag: Floats
    lift: Floats


def push(now: Moving, facts: Fixed, want: Floats, sine: Floats, rough: Floats, power: Floats) -> Push:
    """Motion over one step towards the speed `want`, on a slope of `sine` and a ground as `rough`, with `power` W at
    the driveline."""
    wish = np.clip((want - now.speed) / (2 * STEP), -1.3 * BRAKING, facts.acceleration)
    guess = np.maximum(now.speed + 0.5 * STEP * wish, 0.05)
    weight = facts.mass * GRAVITY
    lift, rolling = weight * sine, weight * facts.rolling * rough * np.sqrt(1 - sine * sine)
    most = np.minimum(facts.tractive, strongest(np.maximum(power, 0.0), guess / facts.efficiency, facts.winding))
    heavy = SPIN * facts.mass
    gain = np.minimum(wish, (most - lift - rolling - facts.drag * guess * guess) / heavy)
    final = now.speed + gain * STEP
    gain = np.where((want <= 0) & (final > 0) & (final < 0.05), -now.speed / STEP, gain)
    final = now.speed + gain * STEP
    # A cart that comes to rest within the step travels v² / 2a, not the mean of both ends.
    stopping = now.speed**2 / np.maximum(-2 * gain * STEP, 1e-9)
    mean = np.where(final < 0, stopping, 0.5 * (now.speed + final))
    drag = facts.drag * mean * mean
    wheel = np.where(mean > 0, heavy * gain + lift + rolling + drag, 0.0)
    speed = np.maximum(final, 0.0)
    return Push(mean, speed, wheel, rolling, drag, lift)


@dataclass(frozen=True)
class Power:
    """One step's powers in W: of the pack, and what becomes of it."""

    pack: Floats
    auxiliary: Floats
    driveline: Floats
    winding: Floats
    regen_loss: Floats
    friction: Floats


def powers(step: Push, facts: Fixed, on: Flags, regen: Floats) -> Power:
    """From force and speed at the wheels to the pack; `regen` is the most power it takes back, W at the pack."""
    work = step.wheel * step.mean
    drive = np.where(on, np.maximum(work, 0.0), 0.0)
    brake = np.maximum(-work, 0.0)
    back = np.where(on, np.minimum(0.8 * brake, regen / facts.regen_efficiency), 0.0)
    auxiliary = np.where(on, facts.auxiliary, 0.0)
    winding = np.where(drive > 0, facts.winding * step.wheel * step.wheel, 0.0)
    driveline = drive * (1 / facts.efficiency - 1)
    kept = facts.regen_efficiency * back
    return Power(
        drive + driveline + winding + auxiliary - kept, auxiliary, driveline, winding, back - kept, brake - back
    )


def _regen_limit(now: Moving, facts: Fixed, charge: Floats, volt: Floats, ohm: Floats) -> Floats:
    """Regen fades out near full and near standing."""
    current = facts.regen_limit * np.clip((0.99 - charge) / 0.04, 0, 1) * np.clip((now.speed - 0.6) / 1.2, 0, 1)
    return current * (volt + current * ohm)


def _account(book: Ledger, step: Push, power: Power, volt: Floats, current: Floats, facts: Fixed) -> None:
    out, metres = np.maximum(current, 0.0) * STEP, step.mean * STEP
    back = out - current * STEP
    book.out_charge += out
    book.in_charge += back
    book.out_energy += volt * out
    book.in_energy += volt * back
    for name in ("auxiliary", "driveline", "winding", "regen_loss", "friction"):
        total = getattr(book, name)
        total += getattr(power, name) * STEP
    book.rolling += step.rolling * metres
    book.drag += step.drag * metres
    book.lift += step.lift * metres
    book.climb += np.maximum(step.lift, 0.0) * metres
    book.moving += np.where(step.mean > 0.5, STEP, 0.0)
    book.over_continuous += np.where(current > facts.continuous, STEP, 0.0)
    book.over_peak += np.where(current > facts.peak, STEP, 0.0)
    np.maximum(book.peak, current, out=book.peak)


def felt(current: Floats, mean: Floats, facts: Fixed) -> Floats:
    """Current that counts against the capacity, A: Peukert's law with the mean current; what comes back counts once."""
    times = np.maximum(mean, facts.reference) / facts.reference
    return np.where(current > 0, current * times ** (facts.peukert - 1), current)


def relaxed(slow: Floats, final: Floats, keep: Floats) -> Floats:
    """Voltage of a resistor and capacitor one step on: towards `final`, `keep` of the distance left. Exact at
    constant current."""
    return final + (slow - final) * keep


def _advance(now: Moving, facts: Fixed, way: Way, step: Push, current: Floats, ohm: Floats) -> None:
    now.way += step.mean * STEP
    now.speed = step.speed
    passed = now.way >= way.halts[way.rows, now.halt] - 0.1
    now.waiting = np.where(passed, way.waits[way.rows, now.halt], now.waiting - STEP * (now.speed <= 0))
    now.halt += passed
    now.mean += (current - now.mean) * (STEP / SLOW_AVERAGE)
    now.drawn += felt(current, now.mean, facts) * (STEP / 3600)
    lost = current * current * facts.ohm + now.slow * now.slow / (facts.ohm * facts.slow_share)
    now.celsius = now.celsius + STEP * (lost - facts.cooling * (now.celsius - facts.ambient)) / facts.heat
    now.slow = relaxed(now.slow, current * ohm * facts.slow_share, facts.slow_keep)
    now.clock = now.clock + np.where(now.over, 0.0, STEP)
    now.over |= now.emptied | (now.way >= facts.far) | (now.clock >= facts.late)


def watch(now: Moving, facts: Fixed, volt: Floats) -> None:
    """Battery management: it looks once a second, and ends the drive when the volts have been low for DWELL seconds."""
    going = (now.clock >= 0) & ~now.over
    now.low = np.where(going & (volt < facts.cut_off), now.low + 1, 0.0)
    now.emptied |= now.low > DWELL


class Recorder:
    """Keeps what loggers could see, once a second, and when each drive ended."""

    def __init__(self, count: int, seconds: int) -> None:
        self.volt, self.ampere, self.speed, self.celsius = (np.zeros((seconds, count), np.float32) for _ in range(4))
        self.way = np.zeros((seconds, count))
        self.ended = np.full(count, -1, dtype=np.int64)

    def keep(self, second: int, now: Moving, volt: Floats, current: Floats) -> None:
        """What each outing shows at `second`."""
        self.volt[second], self.ampere[second] = volt, -current
        self.speed[second], self.celsius[second], self.way[second] = now.speed, now.celsius, now.way
        self.ended[now.over & (now.speed <= 0) & (self.ended < 0)] = second

    def track(self, row: int, outing: Outing) -> Track:
        """One outing's part."""
        cut = slice(0, int(self.ended[row]) + outing.rest_after + 1)
        volt, ampere, speed, celsius = (
            self.volt[cut, row],
            self.ampere[cut, row],
            self.speed[cut, row],
            self.celsius[cut, row],
        )
        return Track(volt, ampere, speed, celsius, self.way[cut, row], outing.rest_before, int(self.ended[row]))


@dataclass(frozen=True)
class Driven:
    """All outings driven: state at the end, ledger, and track of each, in the order given."""

    facts: Fixed
    end: Moving
    ledger: Ledger
    tracks: list[Track]


def drive(outings: Sequence[Outing], seed: int, way: Way | None = None, facts: Fixed | None = None) -> Driven:
    """Drive `outings` from rest to rest. `way` and `facts` replace the ones of the outings, for trials."""
    facts, way = facts or fixed(outings), way or way_of(outings, seed)
    now, tables = at_start(outings, facts), volt_tables()
    book = Ledger(*np.zeros((len(fields(Ledger)), len(outings))))
    last = np.array([outing.rest_after for outing in outings])
    seconds = int(LONGEST + facts.rest.max() + last.max() + 120)
    recorder = Recorder(len(outings), seconds)
    for tick in range(int(seconds / STEP)):
        on = (now.clock >= 0) & ~now.over
        charge, volt, ohm = source(now, facts, tables)
        metre = ((now.way + 0.5 * STEP * now.speed) % way.length).astype(np.int64)
        here = way.grade_at + metre
        want = wanted_speed(now, way, on)
        room = np.where(on, most_power(volt, ohm, facts.current_limit) - facts.auxiliary, 0.0)
        step = push(now, facts, want, way.grade[here], way.surface[here], room)
        power = powers(step, facts, on, _regen_limit(now, facts, charge, volt, ohm))
        current = current_for(power.pack, volt, ohm)
        loaded = volt - current * ohm
        if tick % int(1 / STEP) == 0:
            second = int(tick * STEP)
            recorder.keep(second, now, loaded, current)
            if np.all((recorder.ended >= 0) & (second >= recorder.ended + last)):
                break
            watch(now, facts, loaded)
        _account(book, step, power, loaded, current, facts)
        _advance(now, facts, way, step, current, ohm)
    book.kinetic += 0.5 * SPIN * facts.mass * now.speed**2
    book.climb /= facts.mass * GRAVITY
    return Driven(facts, now, book, [recorder.track(row, outing) for row, outing in enumerate(outings)])
