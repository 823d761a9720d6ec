"""The season's calendar: which cart goes out when, with what, and why it comes back."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from .fleet import CARTS, SEASON_START, SETTINGS, WEEKS, ZONE, Cart, Pack, Settings, pack_in

ROUTE_NAMES = ("harbour loop", "hill road", "shore path")
FORTNIGHTS = WEEKS // 2
NIGHT_TEST = ("C09", 12)
"""This test's log runs through the night in which summer time ends."""
NOT_FULL = {("C03", 6), ("C07", 9)}
"""Tests that set out from a pack that was not full."""


@dataclass(frozen=True)
class Outing:
    """One log's worth: rest, drive, rest, and sometimes the recharge.

    started: UTC seconds at which the log starts. rest_before, rest_after: s. end: why it is over
    (`cut-off`, or `distance` m, `time` s, `operator` s by `end_at`). charge: state of charge at the start.
    """

    name: str
    kind: str
    cart: Cart
    pack: Pack
    settings: Settings
    route: str
    day: datetime.date
    started: int
    rest_before: int
    rest_after: int
    payload: float
    ambient: float
    end: str
    end_at: float
    charge: float
    recharge: bool

    @property
    def week(self) -> int:
        """Week of the season, from 0."""
        return (self.day - SEASON_START).days // 7

    @property
    def dragging(self) -> bool:
        """Whether the cart's brake drags on this day."""
        return self.cart.drag_week is not None and self.week >= self.cart.drag_week


def weather(day: datetime.date, rng: np.random.Generator) -> float:
    """Ambient temperature of the day, °C: warmest in August, with two cold spells and a hot week."""
    week = (day - SEASON_START).days // 7
    spell = {2: -6.0, 3: -5.0, 12: 6.0, 13: 5.0, 23: -7.0, 24: -8.0}.get(week, 0.0)
    season = 18.0 + 5.0 * np.cos(2 * np.pi * ((day - datetime.date(2026, 8, 10)).days / 365))
    return float(round(season + spell + rng.normal(0, 1.2), 1))


def _utc(day: datetime.date, minute: float) -> int:
    local = datetime.datetime.combine(day, datetime.time(), ZoneInfo(ZONE))
    return int(local.timestamp() + 60 * minute)


def _ending(number: int, rng: np.random.Generator) -> tuple[str, float]:
    """Why a test stops: mostly the pack, about one in nine something else."""
    if number % 9 != 4:
        return "cut-off", 0.0
    kind = ("operator", "distance", "time")[number // 9 % 3]
    return kind, {"operator": 60.0 * rng.integers(40, 65), "distance": 15000.0, "time": 3600.0}[kind]


def _range_test(place: int, fortnight: int, seed: int) -> Outing:
    cart = CARTS[place]
    rng = np.random.default_rng([seed, 1, place, fortnight])
    day = SEASON_START + datetime.timedelta(14 * fortnight + place % 5 + 7 * (place // 5))
    night = (cart.name, fortnight) == NIGHT_TEST
    day = datetime.date(2026, 10, 24) if night else day
    minute = 18 * 60 + 40 if night else float(rng.integers(8 * 60, 12 * 60))
    end, end_at = ("cut-off", 0.0) if night else _ending(place * FORTNIGHTS + fortnight, rng)
    return Outing(
        "", "range", cart, pack_in(cart.name, day), SETTINGS[(fortnight + place) % 4],
        ROUTE_NAMES[(place + (fortnight % 3 == 2)) % 3], day, _utc(day, minute) + int(rng.integers(0, 60)),
        int(rng.integers(330, 600)), int(rng.integers(660, 1500)),
        5.0 * round(cart.payload * rng.uniform(0.7, 1.2) / 5),
        weather(day, rng), end, end_at, 0.88 if (cart.name, fortnight) in NOT_FULL else 1.0,
        night or (cart.name in ("C07", "C08", "C09") and fortnight % 2 == 0),
    )  # fmt: skip


def _everyday(place: int, fortnight: int, seed: int) -> Outing:
    cart = CARTS[place]
    rng = np.random.default_rng([seed, 2, place, fortnight])
    day = SEASON_START + datetime.timedelta(14 * fortnight + (place + 6) % 12)
    return Outing(
        f"{cart.name} {day:%Y%m%d}", "everyday", cart, pack_in(cart.name, day), SETTINGS[1 + place % 2],
        ROUTE_NAMES[place % 3], day, _utc(day, float(rng.integers(7 * 60, 10 * 60))), int(rng.integers(120, 600)),
        int(rng.integers(300, 900)), cart.payload * rng.uniform(0.6, 1.4), weather(day, rng), "time",
        float(rng.integers(150, 210) * 60), rng.uniform(0.97, 1.0), place % 3 == 0,
    )  # fmt: skip


def season(seed: int) -> list[Outing]:
    """Every outing of the season: range tests T-0001 ... in order of time, then the everyday ones."""
    tests = [_range_test(place, turn, seed) for turn in range(FORTNIGHTS) for place in range(len(CARTS))]
    tests.sort(key=lambda outing: outing.started)
    numbered = [_named(outing, f"T-{n:04d}") for n, outing in enumerate(tests, 1)]
    everyday = [_everyday(place, turn, seed) for turn in (1, 4, 7, 10) for place in range(len(CARTS))]
    return numbered + everyday


def _named(outing: Outing, name: str) -> Outing:
    return Outing(**{**vars(outing), "name": name})
