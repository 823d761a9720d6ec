"""Times from standstill against closed forms, and power against hand-made logs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.measures.performance import MEASURE, SPEEDS, starts_of
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stretch import Fixes, Result
from rangebook.pipeline.units import conversion

from .electrical import START, batch, codes, measured, stint, stretch

STILL = 10.0


def run(step: float, gain: float, top: float = 9.0, late: float = 0.0, runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """`runs` starts with constant `gain` (m/s2) to `top` (m/s), each after STILL s, `late` s after a sample."""
    length = STILL + top / gain + 40.0
    second = np.arange(0, runs * length, step)
    since = second % length - STILL - late
    down = np.maximum(top - 2 * (since - top / gain - 15), 0.0)
    return second, np.clip(np.minimum(gain * since, down), 0.0, top)


def timed(second: np.ndarray, speed: np.ndarray, kind: str = "acceleration") -> tuple[dict[str, Result], list[Finding]]:
    log = batch(second, 50.0, np.where(speed > 0, -60.0, -1.0), speed_metre_per_second=speed)
    return measured(MEASURE, stretch(kind, log))


def test_the_speeds_are_what_their_names_say() -> None:
    for name, speed in SPEEDS.items():
        _, _, number, unit, _ = name.split("_")
        assert speed == pytest.approx(float(number) * conversion({"mph": "mph", "kmh": "km/h"}[unit], "m/s")[0])


@pytest.mark.parametrize("late", [0.0, 0.03, 0.07])
def test_constant_acceleration_at_ten_samples_a_second(late: float) -> None:
    # Closed form: v / a, and sqrt(2 s / a) for a distance; 1.5 m/s2.
    results, findings = timed(*run(0.1, 1.5, late=late))
    expected = {name: speed / 1.5 for name, speed in SPEEDS.items()}
    expected["time_to_30_m_second"] = np.sqrt(60 / 1.5)
    assert {name: results[name].value for name in expected} == pytest.approx(expected, abs=0.02)
    assert not findings


@pytest.mark.parametrize("step", [0.2, 1.0])
def test_the_uncertainty_holds_what_the_samples_hide(step: float) -> None:
    # A motor that fades: v = 10 (1 - exp(-t / 8)) reaches v at -8 ln(1 - v / 10), by any phase of the samples.
    true = -8 * np.log(1 - SPEEDS["time_to_15_mph_second"] / 10)
    rng = np.random.default_rng(3)
    z = []
    for late in rng.random(40) * step:
        second = np.arange(0, 60, step)
        speed = 10 * (1 - np.exp(-np.maximum(second - STILL - late, 0.0) / 8))
        found = timed(second, speed)[0]["time_to_15_mph_second"]
        z.append((found.value - true) / (found.u or 0.0))
    assert np.abs(z).max() < 2.5
    assert (found.u or 0.0) < step  # and is not so wide that it would hold anything


def test_several_starts_give_their_median_and_name_the_best() -> None:
    pieces = [run(0.1, gain) for gain in (1.0, 1.5, 1.6)]
    ends = np.cumsum([0, *[second[-1] + 0.1 for second, _ in pieces]])
    second = np.concatenate([s + end for (s, _), end in zip(pieces, ends[:-1], strict=True)])
    found = timed(second, np.concatenate([speed for _, speed in pieces]))[0]["time_to_10_mph_second"]
    assert found.value == pytest.approx(4.4704 / 1.5, abs=0.02)
    assert found.note == f"median of 3 starts, the best {4.4704 / 1.6:.2f} s"
    # Scatter of three: its standard error is part of the uncertainty.
    assert (found.u or 0) > np.std([4.4704 / gain for gain in (1.0, 1.5, 1.6)], ddof=1) / np.sqrt(3)


def test_no_time_when_the_samples_are_too_slow_for_it() -> None:
    results, findings = timed(*run(5.0, 1.5))
    assert "time_to_10_mph_second" not in results
    assert "starts-unclear" in codes(findings)
    assert "one sample in 5 s is too slow for the time to 10 mph" in findings[-1].words


def test_only_clean_starts_count() -> None:
    # By hand: a start that lets off at 3 m/s and goes on, one after 1 s of standing, and one that is clean.
    second = np.arange(0, 61.0)
    speed = np.zeros(61)
    speed[11:20] = [1, 2, 3, 2, 3, 4, 5, 6, 0]
    speed[20:30] = [0.1, 1, 2, 3, 4, 5, 6, 7, 3, 0]
    speed[41:50] = np.arange(1, 10)
    starts = starts_of(second, speed)
    assert [start.speed.max() for start in starts] == [3.0, 9.0]
    assert [start.to_speed(5.0) is None for start in starts] == [True, False]
    reached = starts[1].to_speed(4.5)
    assert reached is not None
    assert reached.second == pytest.approx(4.5)


def test_a_creeping_start_begins_with_its_first_row() -> None:
    # 0.05 m/s2: the line back to 0 would begin many seconds before the cart stood.
    second = np.arange(0, 60.0)
    speed = np.r_[np.zeros(4), 0.25, 0.25 + 0.05 * np.arange(1, 56)]
    (start,) = starts_of(second, speed)
    assert start.second[0] == 0.0


def test_instants_that_stand_twice_are_no_trouble() -> None:
    second, speed = run(0.1, 1.5)
    with np.errstate(all="raise"):
        (start,) = starts_of(np.repeat(second, 2), np.repeat(speed, 2))
        reached = start.to_speed(4.5)
    assert reached is not None
    assert len(start.second) == len(np.unique(start.second))
    assert reached.second == pytest.approx(3.0, abs=0.01)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([0.0, 0.2, 1.0, 3.0, 5.0, np.nan]), max_size=40), st.sampled_from([0.1, 1.0, 7.0]))
def test_starts_are_starts_whatever_the_speeds(speeds: list[float], step: float) -> None:
    for start in starts_of(np.arange(len(speeds)) * step, np.array(speeds)):
        assert start.speed[0] < 0.3 <= start.speed[1]
        assert (np.diff(start.second) > 0).all()
        assert start.second[1] >= 0
        assert (start.speed[2:] >= 0.9 * np.maximum.accumulate(start.speed)[2:]).all()


def test_a_gap_ends_a_start() -> None:
    second = np.r_[np.arange(13.0), 60 + np.arange(10.0)]
    speed = np.r_[np.zeros(11), 1.0, 2.0, np.full(10, 8.0)]
    assert [start.speed.tolist() for start in starts_of(second, speed)] == [[0.0, 1.0, 2.0]]


def test_a_receivers_speed_serves_where_no_channel_is() -> None:
    second, speed = run(0.1, 1.5)
    found = stretch("hill", batch(second, 50.0, np.where(speed > 0, -60.0, -1.0)))
    way = np.r_[0.0, np.cumsum(speed[1:] * 0.1)]
    nothing = np.full(len(second), np.nan)
    fixes = Fixes(
        START, second, np.zeros(len(second), np.int64), np.full(len(second), 28.0), -82 + way / 98361.87,
        nothing, speed, nothing,
    )  # fmt: skip
    results, _ = measured(MEASURE, replace(found, fixes=fixes))
    assert results["time_to_10_mph_second"].value == pytest.approx(4.4704 / 1.5, abs=0.02)
    bare, findings = measured(MEASURE, found)
    assert not [name for name in bare if name.startswith("time")]
    assert codes(findings) == ["no-speed"]


def test_a_range_test_is_not_timed() -> None:
    results, findings = timed(*run(0.1, 1.5), kind="range")
    assert sorted(results) == ["power_peak_watt"]  # and no 60 s of power in 20 s of driving
    assert not findings


def test_power_by_hand() -> None:
    # 2 kW, with 5 kW for 60 s and 6 kW for 2 s of them: (58 * 5 + 2 * 6) / 60 = 5.0333 kW over 60 s, samples straight
    # at the edges apart.
    second = np.arange(0, 300, 0.1)
    watt = np.where((second >= 100) & (second < 160), 5000.0, 2000.0)
    watt[(second >= 120) & (second < 122)] = 6000.0
    facts = {"cart": {"mass_kg": 500.0}, "test": {"test": "T-1", "kind": "range", "payload_kg": 100.0}}
    results, _ = measured(MEASURE, stretch("range", batch(second, 50.0, -watt / 50.0), **facts))
    assert results["power_peak_watt"].value == pytest.approx(6000.0)
    assert results["power_peak_watt_per_kg"].value == pytest.approx(10.0)
    assert results["power_sustained_60s_watt"].value == pytest.approx(5033.3, abs=5.0)


def test_power_of_a_stint_has_no_mass() -> None:
    second = np.arange(0, 300.0)
    results, _ = measured(MEASURE, stint("drive", batch(second, 50.0, np.full(300, -40.0)), cart={"mass_kg": 500.0}))
    assert {name: one.value for name, one in results.items()} == pytest.approx(
        {"power_peak_watt": 2000.0, "power_sustained_60s_watt": 2000.0}
    )


def test_regen_is_no_power_drawn() -> None:
    results, findings = measured(MEASURE, stint("drive", batch(np.arange(0, 300.0), 50.0, np.full(300, 20.0))))
    assert (results, findings) == ({}, [])


def test_one_sample_a_minute_shows_no_peak() -> None:
    second = np.arange(0, 3600, 30.0)
    ampere = np.where(np.arange(120) % 17 == 5, -200.0, -20.0)
    results, findings = measured(MEASURE, stint("drive", batch(second, 50.0, ampere), cart={"cart": "C1"}))
    assert "power_peak_watt" not in results
    assert "at least 10000 W" in findings[0].words


def test_power_of_no_known_cart_is_nobodys() -> None:
    drive = batch(np.arange(0, 600.0), 50.0, np.full(600, -20.0))
    assert measured(MEASURE, stint("drive", drive)) == ({}, [])
    results, _ = measured(MEASURE, stint("drive", drive, cart={"cart": "C1"}))
    assert results["power_peak_watt"].value == pytest.approx(1000)


def test_a_charge_has_no_performance() -> None:
    assert measured(MEASURE, stint("charge", batch(np.arange(0, 300.0), 50.0, np.full(300, 20.0)))) == ({}, [])
