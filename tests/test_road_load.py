"""Road load: the formula against its worked table, drives and a coast-down of known truth, and what is not told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.measures import road_load
from rangebook.pipeline.measures.least_squares import fit
from rangebook.pipeline.measures.motion import Motion, line_at, motions_of
from rangebook.pipeline.measures.road_load import MEASURE, air_density, road_force
from rangebook.pipeline.measures.traction import spans, windows_of
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stretch import Fixes, Result, Samples, Stretch
from rangebook.pipeline.units import conversion

from .electrical import START, batch, codes, measured, stretch

MPH = conversion("mph", "m/s")[0]
MILE = conversion("mi", "m")[0]


@pytest.mark.parametrize(
    ("mass", "rolling", "drag", "mph", "slope", "newton", "watt", "watt_hour_per_mile"),
    [
        # Worked out from the stated formula with g = 9.80665, air of 1.2 kg/m3 and a driveline of 0.75, no accessories.
        (550, 0.015, 1.0, 12, 0.00, 98.17, 702.2, 58.5),
        (550, 0.020, 1.2, 15, 0.00, 140.25, 1253.9, 83.6),
        (550, 0.020, 1.2, 20, 0.00, 165.43, 1972.1, 98.6),
        (550, 0.050, 1.2, 12, 0.00, 290.40, 2077.2, 173.1),
        (550, 0.020, 1.2, 12, 0.05, 397.80, 2845.4, 237.1),
        (700, 0.020, 1.2, 12, 0.00, 158.01, 1130.2, 94.2),
    ],
)
def test_the_worked_table(
    mass: float, rolling: float, drag: float, mph: float, slope: float,
    newton: float, watt: float, watt_hour_per_mile: float,
) -> None:  # fmt: skip
    force = road_force(mass, rolling, drag, mph * MPH, slope)
    assert force == pytest.approx(newton, abs=0.006)
    assert force * mph * MPH / 0.75 == pytest.approx(watt, abs=0.06)
    assert force / 0.75 * MILE / 3600 == pytest.approx(watt_hour_per_mile, abs=0.06)


def test_air_of_the_standard_atmosphere() -> None:
    # ISO 2533: 1.225 kg/m3 at sea level and 15 degrees.
    assert air_density(15.0) == pytest.approx(1.225, abs=2e-4)


def test_a_coast_down_gives_back_what_slowed_it() -> None:
    # F = f0 + f2 v^2 (the form of SAE J1263, from memory) has the closed form
    # v = sqrt(f0/f2) tan(atan(v0 sqrt(f2/f0)) - t sqrt(f0 f2)/m).
    f0, f2, mass, v0 = 107.87, 0.735, 550.0, 9.0
    second = np.arange(0, 36, 0.5)
    speed = np.sqrt(f0 / f2) * np.tan(np.arctan(v0 * np.sqrt(f2 / f0)) - second * np.sqrt(f0 * f2) / mass)
    assert speed[-1] > 0.5
    still = np.zeros(len(second))
    coast = Motion(second, speed, 100.0 + still, 50.0 + still, still)
    windows = windows_of([coast], 5.0)
    found = fit(np.c_[windows.speed, windows.cube], -mass * windows.swing)
    assert found.value == pytest.approx([f0, f2], rel=0.01)


def test_windows_are_cut_where_flags_or_samples_end() -> None:
    # By hand: rows 0..9 at 1 s, a gap of 20 s, rows 10..15; row 4 is not wanted. Of 3 s each.
    second = np.r_[np.arange(10.0), 29 + np.arange(6.0)]
    flags = np.ones(16, dtype=bool)
    flags[4] = False
    first, last = spans(second, flags, 3.0)
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == [(0, 3), (5, 8), (10, 13), (13, 15)]


def test_a_line_says_nothing_outside_of_itself_nor_in_its_gaps() -> None:
    # By hand: two lines at 1 s a step, the first with a gap of 10 s.
    at = np.array([0.0, 1, 2, 3, 13, 14])
    found = line_at(np.array([-1.0, 0.5, 2.5, 8.0, 13.5, 14.0, 17.0, 20.5, 30.0]), [(at, 2 * at), (at + 20, at)])
    assert np.array_equal(found, [np.nan, 1.0, 5.0, np.nan, 27.0, 28.0, np.nan, 0.5, np.nan], equal_nan=True)


@pytest.mark.parametrize("told", ["channel", "receiver", "fixes"])
def test_speed_is_told_by_the_best_that_is_there(told: str) -> None:
    found = drive(Truth())
    assert found.fixes is not None
    assert found.samples is not None
    if told != "channel":
        found = replace(found, samples=replace(found.samples, other={}))
    if told != "fixes":  # where both speak, the channel is heard
        own = speeds(Truth(), found.fixes.second) * (0.5 if told == "channel" else 1.0)
        found = replace(found, fixes=replace(found.fixes, speed=own))
    motions = motions_of(found)
    assert motions.told == told
    (part,) = motions.parts
    known = np.isfinite(part.speed)
    assert known.mean() > 0.95
    # Places every second are told over some seconds: late by a little where speed changes.
    assert np.mean(np.abs(part.speed - speeds(Truth(), part.second))[known]) < (0.2 if told == "fixes" else 0.02)


# --- drives whose truth is known -------------------------------------------------------------------


@dataclass(frozen=True)
class Truth:
    """A cart, its way and its instruments. SI units; hill: height (m) of waves of 500 m; wander: of the heights, m."""

    mass: float = 700.0
    rolling: float = 0.02
    drag: float = 1.2
    efficiency: float = 0.75
    auxiliary: float = 60.0
    top: float = 6.0
    hill: float = 4.0
    wander: float = 0.0
    noise: float = 0.0
    stops: bool = True
    step: float = 0.2
    second: float = 2400.0
    seed: int = 1


def speeds(truth: Truth, second: np.ndarray) -> np.ndarray:
    """Speed that goes straight to a new one now and then, up at 0.6 and down at 1 m/s2, and stands in between."""
    rng = np.random.default_rng(truth.seed)
    ends, values, now = [0.0], [0.0 if truth.stops else truth.top], 0.0
    while ends[-1] < second[-1]:
        want = (rng.uniform(0.35, 1.0) if truth.stops else 1.0) * truth.top
        for target, stay in ((want, rng.uniform(25, 70)), (0.0 if truth.stops else want, 12.0)):
            now = values[-1]
            ramp = abs(target - now) / (0.6 if target > now else 1.0)
            ends += [ends[-1] + max(ramp, 1e-3), ends[-1] + max(ramp, 1e-3) + stay]
            values += [target, target]
    return np.interp(second, ends, values)


def drive(truth: Truth, **facts: Any) -> Stretch:
    """The drive of `truth` as a test: samples with a speed channel, fixes once a second with heights."""
    fine = np.arange(0, truth.second, 0.1)
    speed = speeds(truth, fine)
    way = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 * 0.1)]
    height = truth.hill * np.sin(2 * np.pi * way / 500)
    slope = truth.hill * 2 * np.pi / 500 * np.cos(2 * np.pi * way / 500)
    force = road_force_of(truth, speed, slope) + 1.05 * truth.mass * np.gradient(speed, fine)
    force = np.where(speed > 0, force, 0.0)
    watt = np.maximum(force * speed, 0.0) / truth.efficiency + truth.auxiliary
    rng = np.random.default_rng([truth.seed, 2])
    rows = np.arange(0, len(fine), round(truth.step * 10))
    seen = np.maximum(speed[rows] + rng.normal(0, truth.noise, len(rows)) * (speed[rows] > 0), 0.0)
    log = batch(fine[rows], 50.0, -watt[rows] / 50.0, speed_metre_per_second=seen)
    test = {"test": "T-1", "kind": "range", "payload_kg": 200.0, "ambient_celsius": 20.0, **facts.pop("test", {})}
    cart = {"cart": "C01", "mass_kg": truth.mass - 200.0, **facts.pop("cart", {})}
    found = stretch("range", log, test=test, cart=cart, **facts)
    return replace(found, fixes=fixes(truth, fine[::10], way[::10], height[::10], rng))


def road_force_of(truth: Truth, speed: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """The formula once more, apart from the program's."""
    angle = np.arctan(slope)
    weight = truth.mass * 9.80665
    return weight * (truth.rolling * np.cos(angle) + np.sin(angle)) + 0.5 * 1.2041 * truth.drag * speed**2


def fixes(truth: Truth, second: np.ndarray, way: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> Fixes:
    """Due east from (28, -82); heights that wander slowly, as a receiver's do."""
    wander = np.zeros(len(second))
    for row in range(1, len(second)):
        wander[row] = 0.999 * wander[row - 1] + rng.normal(0, truth.wander * np.sqrt(1 - 0.999**2))
    still = np.full(len(second), np.nan)
    return Fixes(
        START, second, np.zeros(len(second), np.int64), np.full(len(second), 28.0), -82 + way / 98361.87,
        height + wander + rng.normal(0, 0.1 * truth.wander, len(second)), still, still,
    )  # fmt: skip


def told(found: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    return measured(MEASURE, found)


def test_all_four_come_back_from_a_drive_with_hills_stops_and_speed() -> None:
    truth = Truth(top=11.0)
    results, _ = told(drive(truth))
    assert results["auxiliary_watt"].value == pytest.approx(60.0, rel=0.01)
    assert results["rolling_coefficient"].value == pytest.approx(0.02, rel=0.02)
    assert results["drag_area_m2"].value == pytest.approx(1.2, rel=0.03)
    assert results["driveline_efficiency"].value == pytest.approx(0.75, rel=0.01)
    speed = results["level_speed"].value
    level = float(road_force_of(truth, np.array(speed), np.array(0.0))) * speed / 0.75 + 60
    assert results["level_watt"].value == pytest.approx(level, rel=0.01)


def z_scores(quantity: str, value: float, truths: Sequence[Truth]) -> np.ndarray:
    results = [told(drive(truth))[0][quantity] for truth in truths]
    return np.array([(one.value - value) / (one.u or 0.0) for one in results])


NOISY = [Truth(hill=1.5, wander=4.0, noise=0.05, step=1.0, second=7200.0, seed=seed) for seed in range(1, 17)]


@pytest.mark.parametrize(("quantity", "value"), [("rolling_coefficient", 0.02), ("driveline_efficiency", 0.75)])
def test_with_heights_that_wander_the_uncertainty_holds(quantity: str, value: float) -> None:
    # Of 16 drives with a receiver's heights (4 m, slow) at least 13 within two standard uncertainties, where 95 % would
    # be 15; and no bias: their mean within one.
    z = z_scores(quantity, value, NOISY)
    assert np.count_nonzero(np.abs(z) <= 2) >= 13
    assert abs(np.mean(z)) < 1
    assert np.max(np.abs(z)) > 0.5  # not so wide that it would hold anything


def test_a_dragging_brake_shows() -> None:
    # Three drives before and three with rolling 1.3 times as hard.
    before, after = (
        [told(drive(replace(truth, rolling=rolling)))[0] for truth in NOISY[:3]] for rolling in (0.02, 0.026)
    )
    rolling = [np.mean([one["rolling_coefficient"].value for one in each]) for each in (before, after)]
    assert rolling[1] / rolling[0] == pytest.approx(1.3, abs=0.15)
    level = [np.mean([one["level_watt"].value for one in each]) for each in (before, after)]
    # By hand: rolling is 137 of 162 N at 5.3 m/s, and 60 W are accessories: a fourth more.
    assert 1.18 < level[1] / level[0] < 1.30


def test_a_height_that_leaps_is_left_out() -> None:
    found = drive(Truth(top=11.0))
    assert found.fixes is not None
    leaped = found.fixes.elevation + np.where(found.fixes.second // 200 % 2 == 1, 80.0, 0.0)
    results, _ = told(replace(found, fixes=replace(found.fixes, elevation=leaped)))
    assert results["rolling_coefficient"].value == pytest.approx(0.02, rel=0.02)
    assert results["driveline_efficiency"].value == pytest.approx(0.75, rel=0.01)


def test_long_standing_among_few_pulls_is_no_trouble() -> None:
    # All pulls would fall into one of the stretches that are left out in turn, if standing counted.
    found = drive(Truth(top=11.0, second=900.0))
    load = road_load._load(found, windows_of(motions_of(found).parts, 10.0))
    windows = load.windows
    rows = np.r_[np.flatnonzero(windows.moving), np.repeat(np.flatnonzero(~windows.moving)[:1], 2000)]
    many = replace(load, windows=replace(windows, **{name: one[rows] for name, one in vars(windows).items()}))
    covariance, _ = road_load.doubt(many, road_load.moved(found, many, "channel"))
    assert np.isfinite(covariance).all()
    assert (np.diag(covariance) > 0).all()


# --- what a drive does not tell ----------------------------------------------------------------------


def test_at_one_speed_on_the_level_only_the_sum_is_told() -> None:
    truth = Truth(hill=0.0, stops=False, top=5.0)
    results, findings = told(drive(truth))
    assert sorted(results) == ["level_speed", "level_watt"]
    watt = float(road_force_of(truth, np.array(5.0), np.array(0.0))) * 5 / 0.75 + 60
    assert results["level_watt"].value == pytest.approx(watt, rel=0.005)
    assert codes(findings) == ["inseparable"]
    for word in ("accessories", "rolling", "drag", "driveline efficiency", f"{watt:.0f} W at 5.0 m/s"):
        assert word in findings[0].words


@pytest.mark.parametrize(
    "truth",
    [
        Truth(hill=0.0, stops=False, top=5.0, noise=0.02),  # what tells nothing scatters little
        Truth(hill=2.0, stops=False, top=5.0, noise=0.02, wander=1.0, step=1.0, second=7200.0),
    ],
)
def test_accessories_and_rolling_at_one_speed_are_never_told_apart(truth: Truth) -> None:
    results, findings = told(drive(truth))
    assert not {"auxiliary_watt", "rolling_coefficient"} & set(results)
    assert "its speeds and slopes go together" in findings[0].words


def test_what_stands_on_its_bound_is_no_figure() -> None:
    # A way that helps more than rolling takes (a following wind, heights that are wrong): rolling would be negative.
    results, _ = told(drive(Truth(top=11.0, rolling=-0.004)))
    assert "rolling_coefficient" not in results


def test_a_driveline_gives_no_more_than_it_gets() -> None:
    # Power that is half of what the motion needs: a stated mass twice the true one. 1/e would be 0.67.
    found = drive(Truth(top=11.0))
    results, _ = told(replace(found, cart={"mass_kg": 1200.0}))
    assert "driveline_efficiency" not in results
    load = road_load._load(replace(found, cart={"mass_kg": 1200.0}), windows_of(motions_of(found).parts, 10.0))
    assert road_load.solved(load)[0].driveline_efficiency == pytest.approx(1.0)


def test_drag_is_not_told_at_a_walk() -> None:
    results, findings = told(drive(Truth(top=3.0, hill=1.0, wander=1.0, noise=0.05, step=1.0, second=7200.0)))
    assert "drag_area_m2" not in results
    assert results["rolling_coefficient"].value == pytest.approx(0.02, rel=0.2)
    assert "drag area taken as 1.4 +-0.6 m2" in results["rolling_coefficient"].note
    assert codes(findings) == ["inseparable"]


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"cart": {"mass_kg": None}}, "the cart's mass is not stated"),
        ({"test": {"payload_kg": None}}, "the payload is not stated"),
    ],
)
def test_nothing_without_a_mass(facts: dict[str, Any], words: str) -> None:
    results, findings = told(drive(Truth(), **facts))
    assert not results
    assert [(one.code, one.severity) for one in findings] == [("no-road-load", "note")]
    assert words in findings[0].words


def test_nothing_without_heights_or_speed() -> None:
    found = drive(Truth())
    assert found.samples is not None
    blind = Samples(found.samples.start, found.samples.second, found.samples.volt, found.samples.ampere)
    results, findings = told(replace(found, fixes=None, samples=blind))
    assert not results
    assert "no speed is known, no heights are known" in findings[0].words


def test_a_short_drive_says_how_short() -> None:
    results, findings = told(drive(Truth(second=200.0)))
    assert not results
    assert "40 are needed" in findings[0].words


def test_a_stint_alone_has_no_payload_and_says_nothing() -> None:
    found = drive(Truth())
    assert told(replace(found, kind="drive", test={})) == ({}, [])
