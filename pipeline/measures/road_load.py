"""What the road takes: rolling, drag, driveline losses and accessories, told from power, speed, slope and mass.

    P = (m g c cos s + m g sin s + d A/2 v^2 + k m a) v / e + P0

P: W drawn from the pack. c: rolling coefficient. A: drag area, m2. e: driveline efficiency, from the pack to the road.
P0: what lights, radio and controller draw. d: density of air. k: the turning parts. Over a window in which the motor
pulls throughout (see traction.py) its means are linear in P0, c/e, A/e and 1/e, which are fitted by least squares
(least_squares.py) together with windows of standing, in which P0 is all there is. cos s is 1 to a part in a thousand on
any slope a cart takes.

What the heights err by would pull 1/e down (slopes that are not there explain nothing). So 1/e is told by the cart's
own gain and loss of speed, and by the slope only as far as the other columns foresee it; what remains of the slope
has a factor of its own, no larger. (Two-stage least squares: speed is the instrument; Theil 1953, Basmann 1957, from
memory.) Without that, heights of a receiver make rolling read a half too high on the demo's drives.

Drag is a tenth of what a cart's drive takes, and a drive with steady slopes or speeds says little of the driveline.
What common practice knows of both is therefore one more row each (mixed estimation: Theil and Goldberger, Int. Economic
Review 2:65, 1961, from memory). A figure that would hang on such a row more than on the drive is not given, and its
doubt is in the uncertainty of the others. Uncertainties: leaving out one of 20 stretches of the drive at a time
(Quenouille 1956, Biometrika 43:353, from memory), and moving each input by its own uncertainty (JCGM 100:2008, 5.1.3).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .least_squares import Fit, fit
from .motion import MASS_LIMIT, Motions, motions_of
from .parts import Flags, is_test, main_kind
from .traction import Windows, windows_of
from .zero import removed_u

GRAVITY = 9.80665
"""m/s2, standard (ISO 80000-3)."""
GAS, PRESSURE, ZERO_CELSIUS = 287.05, 101325.0, 273.15
"""Dry air: J/(kg K); Pa at sea level (ISO 2533); K."""
TURNING, TURNING_LIMIT = 1.05, 0.03
"""Turning parts as a factor on the mass, and its limit of error. Common practice, no source."""
DENSITY_LIMIT = 0.05
"""Limit of error of the density of air where only its temperature is known, as a share. Common practice, no source."""
AMBIENT_CELSIUS = 15.0
"""Where no temperature is stated: the standard atmosphere (ISO 2533)."""
DRAG, DRAG_LIMIT = 1.4, 0.6
"""m2. Open carts to closed boxes are 0.8 to 2.0. Common practice, no source."""
LOSS, LOSS_LIMIT = 1.39, 0.28
"""1/e. Controller, motor and gears together are 0.60 to 0.90. Common practice, no source."""
WIDTH = {"channel": 10.0, "receiver": 10.0, "fixes": 30.0}
"""s of a window, by what tells the speed: places are told over some seconds, so that their gains of speed are late."""
SLOWEST_STEP = 10.0
LEAST_WINDOWS = 40
STRETCHES = 20
MOST_DOUBT = 1 / 3
MOST_TAKEN = 0.5
"""A figure that moves by more than this share of a row's own move hangs on that row. Common practice, no source."""
ROUNDS = 3
LEAST_SCATTER = 1e-3


class Figures(NamedTuple):
    """What is worked out: W, 1, m2, 1, W."""

    auxiliary_watt: float
    rolling_coefficient: float
    drag_area_m2: float
    driveline_efficiency: float
    level_watt: float


@dataclass(frozen=True)
class Load:
    """What goes in. mass: kg. density: kg/m3. turning: factor on the mass. drag, loss: what common practice says.
    level: speed (m/s) at which level_watt is told."""

    windows: Windows
    mass: float
    density: float
    level: float
    turning: float = TURNING
    drag: float = DRAG
    loss: float = LOSS

    def lift(self) -> Floats:
        return GRAVITY * self.windows.lift

    def swing(self) -> Floats:
        return self.turning * self.windows.swing


def air_density(celsius: float) -> float:
    """Density of dry air (kg/m3) at sea level and `celsius`: ideal gas."""
    return PRESSURE / (GAS * (celsius + ZERO_CELSIUS))


def road_force(
    mass: float, rolling: float, drag: float, speed: float, slope: float = 0.0, density: float = 1.2
) -> float:
    """Force (N) at a steady `speed` (m/s): m g (c cos s + sin s) + density/2 drag v^2. mass: kg. drag: m2. slope: rise
    over run, 1. density: kg/m3."""
    angle = np.arctan(slope)
    return float(mass * GRAVITY * (rolling * np.cos(angle) + np.sin(angle)) + density / 2 * drag * speed**2)


def solved(load: Load) -> tuple[Figures, Fit]:
    """The figures of `load`, and the fit behind them: P0, c/e, A/e, and 1/e as the sum of two that are not negative."""
    windows = load.windows
    columns = _columns(load)
    prior = np.array([[0, 0, 1, -load.drag, -load.drag], [0, 0, 0, 1, 1]], dtype=float)
    rows, wanted = np.r_[columns, prior], np.r_[windows.watt, 0.0, load.loss]
    known = 1 / np.square([un.of_limit(DRAG_LIMIT) * LOSS, un.of_limit(LOSS_LIMIT)])
    scatter = np.where(windows.moving, 1.0, 0.1) * np.mean(windows.watt[windows.moving])
    for _ in range(ROUNDS):
        found = _fitted(rows, wanted, np.r_[1 / scatter**2, known])
        scatter = _scatter(windows, windows.watt - columns @ found.value)
    return _figures(load, found.value), found


def _fitted(rows: Floats, wanted: Floats, weight: Floats) -> Fit:
    """The fit with nothing negative and 1/e, the sum of the last two, not under 1: when it would be, it is 1, and only
    how it is shared remains to be found."""
    found = fit(rows, wanted, weight, np.zeros(5))
    if found.value[3:].sum() >= 1:
        return found
    shared = np.c_[rows[:, :3], rows[:, 3] - rows[:, 4]]
    edge = fit(shared, wanted - rows[:, 4], weight, np.zeros(4), np.array([np.inf, np.inf, np.inf, 1.0]))
    free = np.r_[edge.free[:3], False, False]
    return Fit(np.r_[edge.value, 1 - edge.value[3]], found.covariance, free, edge.scatter, found.entangled)


def _columns(load: Load) -> Floats:
    """Of each window: what one W of accessories, c/e, A/e, and 1/e in its two parts put into its mean power (W)."""
    windows, weight = load.windows, load.mass * GRAVITY
    lift, swing = load.lift(), load.swing()
    foreseen = np.zeros(len(windows))
    basis = np.c_[np.ones(len(windows)), windows.speed, windows.cube, swing][windows.moving]
    foreseen[windows.moving] = basis @ np.linalg.lstsq(basis, lift[windows.moving], rcond=None)[0]
    rolling, drag = weight * windows.speed, load.density / 2 * windows.cube
    told, guessed = load.mass * (swing + lift), load.mass * (swing + foreseen)
    return np.asarray(np.c_[np.ones(len(windows)), rolling, drag, told, guessed])


def _scatter(windows: Windows, rest: Floats) -> Floats:
    """Standard deviation (W) of what the fit leaves, of windows that move and that stand."""
    least = LEAST_SCATTER * float(np.mean(windows.watt[windows.moving]))
    moving, standing = (
        max(float(np.sqrt(np.mean(np.square(rest[kind])))), least) if kind.any() else least
        for kind in (windows.moving, ~windows.moving)
    )
    return np.asarray(np.where(windows.moving, moving, standing))


def _figures(load: Load, x: Floats) -> Figures:
    auxiliary, rolling, drag, *both = x.tolist()
    loss = max(sum(both), 1e-9)
    force = road_force(load.mass, rolling / loss, drag / loss, load.level, density=load.density)
    return Figures(auxiliary, rolling / loss, drag / loss, 1 / loss, auxiliary + loss * force * load.level)


# --- uncertainty -------------------------------------------------------------------------------------


def doubt(load: Load, inputs: dict[str, Load]) -> tuple[Floats, Floats]:
    """Covariance (5, 5) of the figures of `load`, and how far (5) each row of common practice, `drag` and `loss`, moves
    what it is about, as a share of its own move. inputs: `load` with each input moved by its standard uncertainty."""
    middle = np.array(solved(load)[0])
    moves = {name: np.array(solved(moved)[0]) - middle for name, moved in inputs.items()}
    pulls = np.maximum(np.cumsum(load.windows.moving) - 1, 0)
    stretch = pulls * STRETCHES // (pulls[-1] + 1)
    left = [solved(replace(load, windows=load.windows.only(stretch != one)))[0] for one in range(STRETCHES)]
    off = np.array(left) - np.mean(left, axis=0)
    covariance = off.T @ off * (STRETCHES - 1) / STRETCHES + sum(np.outer(one, one) for one in moves.values())
    taken = np.zeros(5)
    taken[2] = abs(moves["drag"][2]) / un.of_limit(DRAG_LIMIT)
    taken[3] = abs(1 / (middle[3] + moves["loss"][3]) - 1 / middle[3]) / un.of_limit(LOSS_LIMIT)
    return np.asarray(covariance), taken


def moved(stretch: Stretch, load: Load, told: str) -> dict[str, Load]:
    """`load` with each input moved by one standard uncertainty."""
    windows, instruments = load.windows, stretch.instruments
    faster = 1 + un.gain(instruments, "odometer" if told == "channel" else "gps")
    more = 1 + un.combine(un.gain(instruments, "shunt"), un.gain(instruments, "voltmeter"))
    quick = replace(
        windows, speed=windows.speed * faster, cube=windows.cube * faster**3, swing=windows.swing * faster**2
    )
    return {
        "speed": replace(load, windows=quick, level=load.level * faster),
        "power": replace(load, windows=replace(windows, watt=windows.watt * more)),
        "zero": replace(load, windows=replace(windows, watt=windows.watt + removed_u(stretch) * windows.volt)),
        "mass": replace(load, mass=load.mass * (1 + un.of_limit(MASS_LIMIT))),
        "density": replace(load, density=load.density * (1 + un.of_limit(DENSITY_LIMIT))),
        "turning": replace(load, turning=load.turning + un.of_limit(TURNING_LIMIT)),
        "drag": replace(load, drag=load.drag + un.of_limit(DRAG_LIMIT)),
        "loss": replace(load, loss=load.loss + un.of_limit(LOSS_LIMIT)),
    }


# --- what is said ------------------------------------------------------------------------------------


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for a test with drives, and which of them its drive cannot tell apart."""
    if not is_test(stretch) or main_kind(stretch) != "drive" or stretch.samples is None:
        return
    motions = motions_of(stretch)
    missing = _missing(stretch, motions)
    if missing:
        yield Finding("no-road-load", "note", f"no road load: {', '.join(missing)}")
        return
    windows = windows_of(motions.parts, WIDTH[motions.told])
    pulls = int(windows.moving.sum())
    if pulls < LEAST_WINDOWS:
        words = f"no road load: {pulls} stretches in which the motor pulls throughout, {LEAST_WINDOWS} are needed"
        yield Finding("no-road-load", "note", words)
        return
    yield from _told(stretch, _load(stretch, windows), motions.told)


def _missing(stretch: Stretch, motions: Motions) -> list[str]:
    step = max((float(np.median(np.diff(part.second))) for part in motions.parts if len(part) > 1), default=np.inf)
    stated = {
        "the cart's mass is not stated": stretch.cart.get("mass_kg"),
        "the payload is not stated": stretch.test.get("payload_kg") is not None,
        "no speed is known": motions.told,
        "no heights are known": motions.has_heights,
        "no volts or current": any(np.isfinite(part.watt).any() for part in motions.parts),
        f"more than {SLOWEST_STEP:.0f} s from sample to sample": step <= SLOWEST_STEP,
    }
    return [words for words, known in stated.items() if not known]


def _load(stretch: Stretch, windows: Windows) -> Load:
    celsius = stretch.test.get("ambient_celsius")
    mass = float(stretch.cart["mass_kg"]) + float(stretch.test["payload_kg"])
    level = float(np.mean(windows.speed[windows.moving]))
    return Load(windows, mass, air_density(AMBIENT_CELSIUS if celsius is None else float(celsius)), level)


def _told(stretch: Stretch, load: Load, told: str) -> Iterator[Result | Finding]:
    figures, found = solved(load)
    covariance, taken = doubt(load, moved(stretch, load, told))
    u = np.sqrt(np.diag(covariance))
    tied = _tied(found)
    given = ~tied & (u <= MOST_DOUBT * np.abs(figures)) & (taken <= MOST_TAKEN)
    notes = _notes(load, figures, given, covariance)
    for name, value, one, known, note in zip(Figures._fields, figures, u, given, notes, strict=True):
        if known:
            yield Result(name, value, _UNITS[name], float(one), f"windows-{told}", note=note)
    if given[4]:
        speed = un.gain(stretch.instruments, "odometer" if told == "channel" else "gps") * load.level
        yield Result("level_speed", load.level, "m/s", speed, f"windows-{told}", note="mean while the motor pulls")
    if not given.all():
        yield Finding("inseparable", "note", _inseparable(load, figures, given, tied))


def _tied(found: Fit) -> Flags:
    """Which of the figures the rows cannot tell from another, or push against nothing. The level power is always theirs
    together."""
    lost = found.entangled | ~found.free
    return np.array([lost[0], lost[1], lost[2], found.entangled[3:].all() or not found.free[3:].any(), False])


def _notes(load: Load, figures: Figures, given: Flags, covariance: Floats) -> list[str]:
    u = np.sqrt(np.diag(covariance))
    together = covariance[1, 3] / (u[1] * u[3]) if u[1] * u[3] else 0.0
    rolling = f"correlation with driveline efficiency {together:+.2f}"
    if not given[2]:
        rolling += f"; drag area taken as {DRAG:g} +-{DRAG_LIMIT:g} m2"
    if not given[3]:
        rolling += f"; driveline efficiency {figures.driveline_efficiency:.2f}, of 0.6 to 0.9 as is usual"
    standing = int((~load.windows.moving).sum())
    auxiliary = f"with {standing} stretches of standing" if standing else "nothing while standing was logged"
    level = f"at {load.level:.2f} m/s on level ground with {load.mass:.0f} kg"
    return [auxiliary, rolling, "wind is not known", "from the pack to the road", level]


def _inseparable(load: Load, figures: Figures, given: Flags, tied: Flags) -> str:
    lost = [_WORDS[name] for name, known in zip(Figures._fields, given, strict=True) if not known]
    words = f"this drive does not tell {' nor '.join(lost)} apart from the rest"
    if tied.any():
        words += " (its speeds and slopes go together)"
    if given[4]:
        words += f"; together they take {figures.level_watt:.0f} W at {load.level:.1f} m/s on level ground"
    return words


_UNITS = {
    "auxiliary_watt": "W", "rolling_coefficient": "1", "drag_area_m2": "m2", "driveline_efficiency": "1",
    "level_watt": "W",
}  # fmt: skip
_WORDS = {
    "auxiliary_watt": "accessories", "rolling_coefficient": "rolling", "drag_area_m2": "drag",
    "driveline_efficiency": "driveline efficiency", "level_watt": "the power on level ground",
}  # fmt: skip

MEASURE = Measure(
    "road_load",
    "1",
    "What rolling, drag, driveline and accessories take, from power, speed, slope and mass.",
    (
        Quantity("auxiliary_watt", "W", "power that accessories and controller draw"),
        Quantity("rolling_coefficient", "1", "rolling resistance over weight"),
        Quantity("drag_area_m2", "m2", "drag coefficient times frontal area"),
        Quantity("driveline_efficiency", "1", "work at the road over energy from the pack, pulling"),
        Quantity("level_watt", "W", "power drawn on level ground at level_speed"),
        Quantity("level_speed", "m/s", "mean speed while the motor pulls"),
    ),
    compute,
)
