"""How well clocks are matched: `python tests/accuracy/clocks.py [--cases N] [--seed S] [--each]`.

Drives of the simulated workshop, seen by a shunt log and a receiver whose clocks disagree by a known offset and
drift: whole and half hours, minutes or anything up to 14 h; up to 200 ppm; logs at 0.2 to 5 Hz, fixes at 0.2 to 1 Hz;
either cut at both ends; reception lost; with and without elevation and the receiver's speed. Beside them pairs that
have no answer: the track of another drive on the same road, and laps so alike that any of them fits.

The simulated current is that of the half second after its stamp, so a perfect match would stand 0.25 s off.

Prints one line for each kind of pair: how many, how many were applied, how far off those were, and how many were
silent or wrong. The offset is judged at both ends and the middle of what the log and the track share.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rangebook.pipeline.clocks import Match, match
from rangebook.pipeline.demo import sensors
from rangebook.pipeline.demo.drive import Driven, drive
from rangebook.pipeline.demo.road import ROUTES
from rangebook.pipeline.demo.season import Outing, season
from rangebook.pipeline.reading import Floats
from rangebook.pipeline.stretch import Fixes, Samples

SHARED_LEAST = 1500.0
"""Seconds that a log and a track share at the least, where they share anything."""
CHANNELS = ("volt", "ampere", "celsius", "speed")
WRONG = 5.0
"""s. Further off than this is wrong."""


@dataclass(frozen=True)
class Clock:
    """A clock that shows (1 + drift) t + offset at true second t. drift: 1."""

    offset: float = 0.0
    drift: float = 0.0

    def shows(self, true: Floats) -> Floats:
        return np.asarray(self.offset + true * (1 + self.drift))

    def true(self, shown: Floats) -> Floats:
        return np.asarray((shown - self.offset) / (1 + self.drift))


@dataclass(frozen=True)
class Pair:
    """A log and a track. clock: the track's, on the log's seconds. shared: first and last second (the log's) that both
    cover. answer: whether there is one. words: what sort of pair it is."""

    samples: Samples
    fixes: Fixes
    clock: Clock
    shared: tuple[float, float]
    answer: bool
    words: str


# --- what the instruments saw --------------------------------------------------------------------------


def a_log(
    seen: sensors.Seen, made: sensors.Instruments, hertz: float, span: Floats, rng: np.random.Generator
) -> Samples:
    """The log between the seconds of `span`."""
    second = np.arange(span[0] + rng.uniform(0, 1), span[1], 1 / hertz)
    columns = (np.interp(second, seen.second, getattr(seen, name)) for name in CHANNELS)
    found = sensors.logged(sensors.Seen(second, *columns), made, rng)
    return Samples(0, second, np.round(found.volt, 2), np.round(found.ampere, 2))


def a_track(fixes: sensors.Fixes, clock: Clock, period: float, span: Floats) -> Fixes:
    """Fixes between the seconds of `span`, taken when the receiver's clock shows whole seconds."""
    shown = np.arange(np.ceil(clock.shows(span[:1])[0]), clock.shows(span[1:])[0], period)
    true = clock.true(shown)
    at = np.searchsorted(fixes.second, true)
    inside = (at > 0) & (at < len(fixes.second))
    shown, true, at = shown[inside], true[inside], at[inside]
    inside = fixes.segment[at] == fixes.segment[at - 1]
    shown, true, at = shown[inside], true[inside], at[inside]
    latitude, longitude, elevation = (
        np.interp(true, fixes.second, column) for column in (fixes.latitude, fixes.longitude, fixes.elevation)
    )
    unknown = np.full(len(shown), np.nan)
    return Fixes(0, shown, fixes.segment[at], latitude, longitude, np.round(elevation, 1), unknown, unknown)


def lost(fixes: Fixes, count: int, rng: np.random.Generator) -> Fixes:
    """With `count` holes of 20 s to 10 min."""
    keep, segment = np.ones(len(fixes), dtype=bool), fixes.segment.copy()
    for _ in range(count):
        start = rng.uniform(*fixes.second[[0, -1]])
        keep &= ~((fixes.second >= start) & (fixes.second < start + rng.uniform(20, 600)))
        segment = segment + (fixes.second >= start)
    columns = {
        name: getattr(fixes, name)[keep] for name in ("second", "latitude", "longitude", "elevation", "speed", "hdop")
    }
    return Fixes(fixes.start, segment=segment[keep], **columns)


def a_clock(rng: np.random.Generator) -> Clock:
    drift = rng.uniform(-200, 200) * 1e-6
    kind = rng.integers(0, 4)
    if kind == 0:
        return Clock(3600.0 * rng.integers(-14, 15) + rng.uniform(-20, 20), drift)
    if kind == 1:
        return Clock(900.0 * rng.integers(-56, 57) + rng.uniform(-5, 5), drift)
    return Clock(rng.uniform(-150, 150) if kind == 2 else rng.uniform(-14, 14) * 3600, drift)


def spans(length: float, rng: np.random.Generator) -> tuple[Floats, Floats, tuple[float, float]]:
    """What the log and the track cover of a drive, and what they share."""
    while True:
        log, track = np.array([0.0, length]), np.array([0.0, length])
        for span in (log, track):
            if rng.random() < 0.4:
                span[:] = np.sort(rng.uniform(0, length, 2))
        first, last = max(log[0], track[0]), min(log[1], track[1])
        if last - first > SHARED_LEAST:
            return log, track, (first, last)


def pair(driven: Driven, outings: Sequence[Outing], row: int, other: int, rng: np.random.Generator) -> Pair:
    """A log of outing `row` and a track of outing `other`, the same one or another."""
    track, outing = driven.tracks[row], outings[row]
    columns = (getattr(track, name).astype(float) for name in CHANNELS)
    seen = sensors.Seen(np.arange(float(len(track.volt))), *columns)
    hertz, period = rng.choice([0.2, 0.5, 1.0, 2.0, 5.0]), rng.choice([1.0, 2.0, 5.0])
    log_span, track_span, shared = spans(float(min(len(driven.tracks[each].volt) for each in (row, other)) - 1), rng)
    samples = a_log(seen, sensors.instruments(outing.cart.name, 1), hertz, log_span, rng)
    clock = a_clock(rng)
    heard = sensors.fixes(driven.tracks[other], ROUTES[outings[other].route], 1, rng)
    fixes = a_track(heard, clock, period, track_span)
    own, high, holes = rng.random() < 0.35, rng.random() < 0.6, int(rng.integers(0, 4))
    if own:
        truth = driven.tracks[other]
        speed = np.interp(clock.true(fixes.second), np.arange(len(truth.speed)), truth.speed)
        fixes = replace(fixes, speed=np.abs(speed + rng.normal(0, 0.1, len(speed))))
    fixes = fixes if high else replace(fixes, elevation=np.full(len(fixes), np.nan))
    seen_by = f"log {hertz:g} Hz fixes {1 / period:g} Hz{' own speed' if own else ''}{' high' if high else ''}"
    words = f"{outing.name} {outing.route} {seen_by} shared {shared[1] - shared[0]:.0f} s holes {holes}"
    return Pair(samples, lost(fixes, holes, rng), clock, shared, row == other, words)


def like_laps(driven: Driven, outings: Sequence[Outing], row: int, rng: np.random.Generator) -> Pair:
    """A log and a track that hold nothing but one lap over and over, each from anywhere on it and two laps or more."""
    track, route = driven.tracks[row], ROUTES[outings[row].route]
    first = int(np.searchsorted(track.way, 300.0))
    last = int(np.searchsorted(track.way, track.way[first] + route.length))
    lap, laps = last - first, int(rng.integers(3, 9))
    length = float(lap * laps - 1)
    columns = (np.tile(getattr(track, name)[first:last].astype(float), laps) for name in CHANNELS)
    seen = sensors.Seen(np.arange(length + 1), *columns)
    once = track.way[first:last] - track.way[first]
    way = 300.0 + (np.arange(laps)[:, None] * route.length + once[None, :]).ravel()
    heard = sensors.fixes(replace(track, way=way, rest=0, ended=len(way) - 1), route, 1, rng)
    log_span, track_span = (
        np.array([a := rng.uniform(0, length - 2 * lap), rng.uniform(a + 2 * lap, length)]) for _ in "12"
    )
    clock = a_clock(rng)
    samples = a_log(seen, sensors.instruments(outings[row].cart.name, 1), 1.0, log_span, rng)
    shared = (max(log_span[0], track_span[0]), min(log_span[1], track_span[1]))
    words = f"{outings[row].name} {laps} laps of {lap} s, log {log_span / lap}, track {track_span / lap}"
    return Pair(samples, a_track(heard, clock, 1.0, track_span), clock, shared, True, words)


def pairs(seed: int, count: int, drives: int = 40) -> Iterator[tuple[str, Pair]]:
    """`count` pairs with an answer, and half as many of each kind without, from so many drives of the season."""
    rng = np.random.default_rng(seed)
    every = season(seed)
    outings = [every[at] for at in sorted(rng.choice(len(every), drives, replace=False))]
    driven = drive(outings, seed)
    for n in range(count):
        row = n % len(outings)
        yield "one drive", pair(driven, outings, row, row, rng)
    for n in range(count // 2):
        row = n % len(outings)
        others = [k for k in range(len(outings)) if k != row]
        alike = [k for k in others if outings[k].route == outings[row].route] or others
        yield "another drive", pair(driven, outings, row, int(rng.choice(alike)), rng)
    for n in range(count // 2):
        yield "laps alike", like_laps(driven, outings, n % len(outings), rng)


# --- judging --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """error: s, largest at both ends and the middle of what is shared. ppm: error of the drift. spent: s."""

    kind: str
    pair: Pair
    match: Match
    error: float
    ppm: float
    spent: float

    @property
    def ratio(self) -> float:
        """Error of the offset over its stated uncertainty."""
        at = self.match.at / 1e6
        return abs(self.match.offset_second - (self.pair.clock.offset + self.pair.clock.drift * at)) / self.match.u


def judged(kind: str, one: Pair) -> Case:
    began = time.perf_counter()
    found = match(one.samples, one.fixes)
    spent = time.perf_counter() - began
    at = np.linspace(*one.shared, 3)
    error = float(np.abs(found.ahead(at * 1e6) - (one.clock.shows(at) - at)).max())
    return Case(kind, one, found, error, found.drift_ppm - one.clock.drift * 1e6, spent)


def line(kind: str, cases: Sequence[Case]) -> str:
    applied = [case for case in cases if case.match.applied]
    error = np.array([case.error for case in applied] or [np.nan])
    wrong = sum(case.error > WRONG or not case.pair.answer for case in applied)
    ppm, spent = [abs(case.ppm) for case in applied] or [np.nan], [case.spent for case in cases]
    figures = (
        f"{len(cases):>6}{len(applied):>9}{100 * (1 - len(applied) / len(cases)):>8.1f} %{wrong:>7}",
        *(f"{each:>9.2f}" for each in (np.median(error), np.percentile(error, 95), error.max())),
        f"{100 * np.mean(error <= 1):>9.1f} %{np.median(ppm):>8.0f}{np.median(spent):>9.3f}{max(spent):>9.3f}",
    )
    return f"{kind:<14}" + "".join(figures)


def told(case: Case) -> str:
    found = case.match
    return (
        f"{case.kind} | {'applied' if found.applied else 'silent'} | off {case.error:.2f} s, "
        f"{case.error / found.u:.1f} u, {case.ppm:.0f} ppm | sure {found.confidence:.2f} | {case.pair.words} | "
        f"{found.why}"
    )


HEAD = (
    f"{'pairs':<14}{'number':>6}{'applied':>9}{'silent':>10}{'wrong':>7}{'half':>9}{'95 %':>9}{'worst':>9}"
    f"{'in 1 s':>11}{'drift':>8}{'time':>9}{'most':>9}\n"
    f"{'':<46}{'s':>9}{'s':>9}{'s':>9}{'':>11}{'ppm':>8}{'s':>9}{'s':>9}"
)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cases", type=int, default=240)
    options.add_argument("--seed", type=int, default=11)
    options.add_argument("--each", action="store_true", help="a line for each pair")
    asked = options.parse_args()
    cases = []
    for kind, one in pairs(asked.seed, asked.cases):
        cases.append(judged(kind, one))
        if asked.each:
            print(told(cases[-1]))
    print(HEAD)
    for kind in dict.fromkeys(case.kind for case in cases):
        print(line(kind, [case for case in cases if case.kind == kind]))
    true = [case for case in cases if case.pair.answer and case.match.applied]
    print(
        f"stated uncertainty: {100 * np.mean([case.ratio <= 2 for case in true]):.0f} % of the offsets within two of it"
    )


if __name__ == "__main__":
    main()
