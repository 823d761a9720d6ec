"""Peaks of current and times above stated ratings."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize

from rangebook.pipeline.measures.limits import MEASURE
from rangebook.pipeline.measures.windows import above, heaviest, held_above
from rangebook.pipeline.stretch import Samples

from .electrical import batch, codes, known, measured, pack_trip, stint, stretch

RATED = {"continuous_discharge_ampere": 100.0, "peak_discharge_ampere": 200.0, "peak_time_second": 10.0}


def test_time_above_a_limit_is_that_of_the_samples_above_it() -> None:
    # By hand: of -90, -130, -90 A at 0, 1, 2 s one is above 100 A, and stands for half a second either side.
    results, findings = measured(MEASURE, stint("drive", batch([0, 1, 2], 50.0, [-90, -130, -90]), pack=RATED))
    assert results["over_continuous_second"].value == pytest.approx(1.0)
    assert results["over_peak_second"].value == 0.0
    assert [finding.words for finding in findings] == [
        "above its stated continuous limit of 100 A for 1.0 s, at most 130 A"
    ]


def test_a_breach_is_said_once_and_in_plain_words() -> None:
    ampere = np.full(120, -80.0)
    ampere[50:64] = -150.0
    results, findings = measured(MEASURE, stint("drive", batch(np.arange(120), 50.0, ampere), pack=RATED))
    assert results["over_continuous_second"].value == pytest.approx(14.0)
    assert [(finding.code, finding.severity) for finding in findings] == [("above-rating", "warning")]
    assert findings[0].words == (
        "above its stated continuous limit of 100 A for 14 s, at most 150 A; 14 s of it on end, and its peaks are "
        "stated for 10 s"
    )
    assert "safe" not in " ".join(finding.words for finding in findings)


def test_above_peak_is_said_too() -> None:
    ampere = np.full(120, -80.0)
    ampere[50:55] = -250.0
    results, findings = measured(MEASURE, stint("drive", batch(np.arange(120), 50.0, ampere), pack=RATED))
    assert results["over_peak_second"].value == pytest.approx(5.0)
    assert "above its stated peak limit of 200 A for 5.0 s, at most 250 A" in [finding.words for finding in findings]


@pytest.mark.parametrize(("second", "ampere", "severity"), [(2, 60, "note"), (20, 51, "note"), (20, 60, "warning")])
def test_a_little_regen_above_its_rating_is_a_note(second: int, ampere: float, severity: str) -> None:
    course = np.full(300, -40.0)
    course[100 : 100 + second] = ampere
    log = batch(np.arange(300), 50.0, course)
    _, findings = measured(MEASURE, stint("drive", log, pack={"continuous_charge_ampere": 50.0}))
    assert [(finding.code, finding.severity) for finding in findings] == [("above-rating", severity)]
    assert findings[0].words.startswith(f"charged above its stated continuous limit of 50 A for {second}")


@pytest.mark.parametrize("step", [2, 3, 5, 10])
def test_a_slower_log_finds_as_much_time_above_a_limit(step: int) -> None:
    # Every sample of the simulated trip is in one of its thinned logs, so their mean is the count over all samples; and
    # each lies within what it claims (k = 3). The line between samples would find as little as half of it at 10 s.
    part = Samples.of(pack_trip("000"))
    limit = float(np.quantile(-part.ampere, 0.97))
    whole = held_above(part.second, -part.ampere, limit).total
    found = [held_above(part.second[k::step], -part.ampere[k::step], limit) for k in range(step)]
    assert np.mean([one.total for one in found]) == pytest.approx(whole, rel=0.02)
    assert all(abs(one.total - whole) < 3 * one.u for one in found)


def test_what_a_slower_log_misses_of_the_peaks_is_within_what_it_claims() -> None:
    # The simulated trips at 1 s are the truth for themselves thinned (k = 3).
    inside = []
    for cycle, step in product(("000", "060"), (2, 5, 10)):
        log = pack_trip(cycle)
        whole, _ = measured(MEASURE, stint("drive", log))
        for begin in range(0, step, max(1, step // 5)):
            results, findings = measured(MEASURE, stint("drive", log.take(np.arange(begin, len(log), step))))
            inside += [abs(one.value - whole[name].value) <= 3 * (one.u or 0) for name, one in results.items()]
            said = " ".join(finding.words for finding in findings)
            assert all(name in said for name in ("peak_discharge_ampere", "peak_charge_ampere") if name not in results)
    assert np.mean(inside) >= 0.9


def test_peaks_that_a_slow_log_cannot_show_are_no_figure() -> None:
    # One pull of 200 A in a drive at 20 A, that one sample in ten seconds happens to meet.
    ampere = np.full(400, -20.0)
    ampere[200] = -200.0
    results, findings = measured(MEASURE, stint("drive", batch(10.0 * np.arange(400), 50.0, ampere)))
    assert "peak_discharge_ampere" not in results
    assert codes(findings) == ["peaks-unclear"]
    assert "one sample in 10 s" in findings[0].words
    assert "peak_discharge_ampere (the largest seen is 200 A)" in findings[0].words


def test_nothing_is_held_against_a_pack_without_ratings() -> None:
    results, findings = measured(MEASURE, stint("drive", batch(np.arange(120), 50.0, -500.0)))
    assert "over_continuous_second" not in results
    assert findings == []


def test_charging_above_its_rating_is_said() -> None:
    log = batch(np.arange(1000), 55.0, 60.0)
    _, findings = measured(MEASURE, stint("charge", log, pack={"continuous_charge_ampere": 50.0}))
    assert [finding.words for finding in findings] == [
        "charged above its stated continuous limit of 50 A for 999 s, at most 60.0 A"
    ]


def test_gaps_count_for_nothing() -> None:
    log = batch([0, 1, 2, 100, 101, 102], 50.0, -150.0)
    results, _ = measured(MEASURE, stint("drive", log, pack=RATED))
    assert results["over_continuous_second"].value == 4.0
    assert "peak_discharge_10s_ampere" not in results
    assert results["peak_discharge_1s_ampere"].value == pytest.approx(150.0)


def test_a_test_is_about_its_drives() -> None:
    ampere = np.concatenate([np.full(900, 30.0), np.zeros(900), np.full(900, -60.0)])
    results, _ = measured(MEASURE, stretch("hill", batch(np.arange(2700), 50.0, ampere)))
    assert "peak_charge_ampere" not in results
    assert results["peak_discharge_60s_ampere"].value == pytest.approx(60.0)


def test_the_shunts_zero_is_taken_off() -> None:
    log = batch(np.arange(100), 50.0, -99.9)
    results, findings = measured(MEASURE, stint("drive", log, pack=RATED, known=known(zero_offset_ampere=0.2)))
    assert results["peak_discharge_ampere"].value == pytest.approx(100.1)
    assert codes(findings)[0] == "above-rating"


def test_peaks_of_a_simulated_trip_fall_with_the_window() -> None:
    part = Samples.of(pack_trip("000"))
    results, _ = measured(MEASURE, stint("drive", pack_trip("000")))
    peaks = [results[f"peak_discharge_{name}ampere"].value for name in ("", "1s_", "10s_", "60s_")]
    assert peaks == sorted(peaks, reverse=True)
    assert peaks[0] == -part.ampere.min()
    area = np.r_[0.0, integrate.cumulative_trapezoid(-part.ampere, part.second)]  # on whole seconds only
    assert peaks[3] >= max(area[60:12516] - area[:12456]) / 60
    assert peaks[3] == pytest.approx(max(area[60:12516] - area[:12456]) / 60, rel=1e-3)


def test_a_window_shorter_than_the_step_has_no_figure() -> None:
    results, _ = measured(MEASURE, stint("drive", batch(np.arange(0, 600, 5), 50.0, -50.0)))
    assert "peak_discharge_1s_ampere" not in results
    assert "peak_discharge_10s_ampere" in results


@given(st.lists(st.integers(-300, 300), min_size=8, max_size=30), st.floats(0.5, 6.0), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=60)
def test_the_heaviest_window_is_what_a_search_finds(values: list[int], width: float, seed: int) -> None:
    # scipy.optimize searches the mean over the window, integrated on a fine grid, from every start.
    second = np.cumsum(np.random.default_rng(seed).uniform(0.5, 2.0, len(values)))
    value = np.array(values, dtype=float)
    found = heaviest(second, value, width)
    assert found is not None
    fine = np.linspace(second[0], second[-1], 40_001)
    area = np.r_[0.0, integrate.cumulative_trapezoid(np.interp(fine, second, value), fine)]

    def mean(start: float) -> float:
        return float(np.interp(start + width, fine, area) - np.interp(start, fine, area)) / width

    starts = np.linspace(second[0], second[-1] - width, 400)
    best = max(starts, key=mean)
    near = optimize.minimize_scalar(
        lambda start: -mean(start),
        bounds=(max(best - 0.1, second[0]), min(best + 0.1, second[-1] - width)),
        method="bounded",
    )
    assert found.mean >= max(mean(best), -near.fun) - 0.05
    assert found.mean == pytest.approx(mean(found.start), abs=0.05)


@given(st.lists(st.floats(-300, 300), min_size=2, max_size=40), st.floats(-200, 200))
@settings(deadline=None)
def test_time_above_and_below_make_the_whole(values: list[float], limit: float) -> None:
    second, value = np.arange(len(values), dtype=float), np.array(values)
    over, under = above(second, value, limit), above(second, -value, -limit)
    flat = (value[:-1] == limit) & (value[1:] == limit)
    assert over[0] + under[0] + flat.sum() == pytest.approx(second[-1])
    assert 0 <= over[1] <= over[0] + 1e-12


def test_two_values_at_one_instant_do_not_end_a_stretch() -> None:
    assert above(np.array([0.0, 5.0, 5.0, 10.0]), np.array([120.0, 120.0, 180.0, 180.0]), 100.0) == (10.0, 10.0)


@given(
    value=st.lists(st.floats(-100, 100), min_size=2, max_size=60),
    step=st.sampled_from([0.2, 0.5, 1.0, 5.0]),
    width=st.sampled_from([1.0, 3.0, 10.0]),
)
def test_even_steps_are_a_short_cut_to_the_same_window(value: list[float], step: float, width: float) -> None:
    second = np.arange(len(value)) * step
    # a sample doubled at its own instant changes nothing but that the steps are no longer even
    uneven = heaviest(np.r_[second[0], second], np.r_[value[0], value], width)
    even = heaviest(second, np.array(value), width)
    assert (even is None) == (uneven is None)
    if even and uneven:
        assert even.mean == pytest.approx(uneven.mean, rel=1e-9, abs=1e-9)
