"""Matching clocks: the sums against scipy and numpy, known shifts of real drives, and what must not be believed."""

from __future__ import annotations

import csv
import datetime
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline.clocks import (
    FAR,
    Match,
    aligned,
    finding,
    ground_speed,
    match,
    of_motion,
    powers,
    told,
    zone_of,
)
from rangebook.pipeline.grids import Grid, Line, band, slope, smoothed
from rangebook.pipeline.lags import RIDGE, Scores, Windows, correlated, lowest, scores, trend, without_strays
from rangebook.pipeline.reading import Floats
from rangebook.pipeline.stretch import Fixes, Samples

from .accuracy.clocks import WRONG, Case, judged, pairs

SAMPLES = Path(__file__).parent / "samples"
START = 1_780_000_000_000_000
SPEED = "speed_metre_per_second"


def noise(*shape: int, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(size=shape)


def grid(values: Floats, known: Floats | None = None) -> Grid:
    told = np.ones(values.shape[-1], dtype=bool) if known is None else known.astype(bool)
    return Grid(0.0, 1.0, np.where(told, np.atleast_2d(values), 0.0), told)


# --- on a grid ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hertz", [0.2, 0.7, 1.0, 5.0])
def test_cells_hold_the_means_of_what_goes_straight_between(hertz: float) -> None:
    """Beside the mean of numpy's interpolation at a thousand places a cell."""
    second = np.sort(np.random.default_rng(3).uniform(0.3, 100.2, int(100 * hertz)))
    value = noise(len(second))
    found = Line(second, value[None, :], np.ones(len(second) - 1, dtype=bool)).on(0.0, 101, 1.0)
    dense = (np.arange(101_000) + 0.5) / 1000
    inside = np.where((dense > second[0]) & (dense < second[-1]), np.interp(dense, second, value), np.nan)
    rows = inside.reshape(101, 1000)
    whole = np.isfinite(rows).mean(axis=1) > 0.51
    assert np.array_equal(found.known, np.isfinite(rows).mean(axis=1) > 0.5)
    assert found.values[0, whole] == pytest.approx(np.nanmean(rows[whole], axis=1), abs=2e-3)


def test_gaps_and_new_segments_are_not_known() -> None:
    second = np.r_[0.0:50.0, 80.0:130.0]
    line = Line.of(second, [second], np.repeat([0, 0, 1], [50, 20, 30]))
    known = line.on(0.0, 129, 1.0).known
    assert known[:49].all() and not known[49:80].any() and known[80:99].all() and not known[99] and known[100:].all()


def test_rows_without_a_value_or_with_time_going_back_are_left_out() -> None:
    line = Line.of(np.array([0.0, 1, np.nan, 2, 4, 3, 4, 5]), [np.array([0.0, 1, 2, np.nan, 4, 5, 6, 7])])
    assert line.second.tolist() == [0, 1, 4, 5]
    assert line.values.tolist() == [[0, 1, 4, 7]]


def test_band_drops_what_is_slow_and_slope_is_a_derivative() -> None:
    second = np.arange(1000.0)
    slow, quick = 500 + second, np.sin(2 * np.pi * second / 20)
    kept = band(grid(slow + quick), 3.0, 61.0).values[0, 100:-100]
    assert np.corrcoef(kept, quick[100:-100])[0, 1] > 0.999
    assert abs(kept).max() < 1.1
    assert slope(grid(slow), 4.0).values[0, 10:-10] == pytest.approx(1.0)
    assert smoothed(grid(quick), 5.0)[0, 500] == pytest.approx(quick[498:503].mean())


# --- lags --------------------------------------------------------------------------------------------------


@given(st.integers(2, 80), st.integers(2, 80), st.integers(0, 1000))
def test_correlation_is_scipys(left: int, right: int, seed: int) -> None:
    """scipy.signal.correlate, mode full, method direct: its lags run from -(left - 1) to right - 1."""
    a, b = noise(left, seed=seed), noise(right, seed=seed + 1)
    ours = correlated(a, b, 256)[np.r_[-left + 1 : right]]
    assert ours == pytest.approx(scipy.signal.correlate(b, a, mode="full", method="direct"), abs=1e-9)


def test_scores_are_least_squares_of_what_both_know() -> None:
    """Beside numpy.linalg.lstsq lag by lag, the ridge as rows of its own."""
    here = grid(noise(900, seed=4), noise(900, seed=5) > -1)
    there = grid(noise(2, 1200, seed=6), noise(1200, seed=7) > -1)
    found = scores(here, there)
    y = here.values[0] / np.sqrt(np.square(here.values).sum() / here.known.sum())
    x = there.values / np.sqrt(np.square(there.values).sum(axis=1) / there.known.sum())[:, None]
    for lag in (-450, -7, 0, 3, 300, 700):
        at = np.arange(max(0, -lag), min(900, 1200 - lag))
        both = at[here.known[at] & there.known[at + lag]]
        rows = np.r_[x[:, both + lag].T, np.sqrt(RIDGE * len(both)) * np.eye(2)]
        factors = np.linalg.lstsq(rows, np.r_[y[both], 0, 0], rcond=None)[0]
        explained = factors @ x[:, both + lag] @ y[both] if factors[0] > 0 else 0.0
        row = int(np.flatnonzero(found.lag == lag)[0])
        assert found.share[row] == pytest.approx(max(explained, 0) / np.square(y[both]).sum(), abs=1e-9)


def test_the_highest_ones_own_slopes_are_no_other_lags() -> None:
    gain = np.array([1.0, 3, 2, 6, 9, 8, 4, 5, 1])
    found = Scores(np.arange(9), gain, np.ones(9), gain)
    assert found.best() == (4, pytest.approx(5 / 9))
    assert replace(found, activity=np.array([0.05, 0.3, 1, 1, 1, 1, 1, 1, 1])).best()[1] == 1.0
    assert replace(found, activity=np.array([0.05, 0.6, 1, 1, 1, 1, 1, 1, 1])).best()[1] == pytest.approx(5 / 9)


def test_lowest_of_a_parabola_is_exact() -> None:
    at = np.array([3.3, 0.2, 6.0, 9.9])
    cost = np.square(np.arange(11.0)[:, None] - at)
    cost[:, 2] = np.inf
    place, clear = lowest(cost)
    assert clear.tolist() == [True, False, False, False]
    assert place[0] == pytest.approx(3.3)


def test_the_line_is_the_weighted_regression_of_numpy_and_scipy() -> None:
    second, lag = np.sort(np.random.default_rng(8).uniform(0, 14400, 40)), noise(40, seed=9)
    lag, weight = lag + 3 + 120e-6 * second, np.random.default_rng(10).uniform(0.2, 5, 40)
    ours = trend(second, lag, weight, crystal=np.inf)
    (rise, mean), cov = np.polyfit(second - ours.at, lag, 1, w=np.sqrt(weight), cov=True)
    assert (ours.drift, ours.offset) == (pytest.approx(rise), pytest.approx(mean))
    assert (ours.drift_u, ours.u) == (pytest.approx(cov[0, 0] ** 0.5), pytest.approx(cov[1, 1] ** 0.5))
    plain, scipys = trend(second, lag, np.ones(40), crystal=np.inf), scipy.stats.linregress(second, lag)
    assert (plain.drift, plain.drift_u) == (pytest.approx(scipys.slope), pytest.approx(scipys.stderr))
    assert plain.ahead(np.array([0.0]))[0] == pytest.approx(scipys.intercept)
    assert plain.back(100 + plain.ahead(np.array([100.0]))) == pytest.approx(100)


def test_what_is_known_of_crystals_is_one_more_observation() -> None:
    """Beside numpy.linalg.lstsq with a row that says drift 0 +- 100 ppm, the noise known from the scatter."""
    second = np.linspace(0, 1200, 5)
    lag, weight = noise(5, seed=11) * 0.3, np.ones(5)
    plain, ours = trend(second, lag, weight, crystal=np.inf), trend(second, lag, weight)
    sigma = plain.drift_u * np.sqrt(np.square(second - 600).sum())
    rows = np.r_[np.c_[np.ones(5), second - 600] / sigma, [[0, 1 / 100e-6]]]
    assert ours.drift == pytest.approx(np.linalg.lstsq(rows, np.r_[lag / sigma, 0], rcond=None)[0][1])
    assert ours.drift_u < 100e-6 < plain.drift_u


def test_stray_windows_do_not_bend_the_line() -> None:
    second = np.arange(30) * 300.0
    lag = 2 + 1e-4 * second + 0.1 * noise(30)
    lag[[3, 11, 20]] = 15, -14, 18
    found = without_strays(Windows(second, lag, np.ones(30)))
    assert found.ahead(np.array([0.0, 9000.0])) == pytest.approx([2.0, 2.9], abs=0.2)


# --- known shifts of real drives ---------------------------------------------------------------------------


@cache
def table(name: str) -> dict[str, list[str]]:
    with (SAMPLES / "delimited" / name).open() as stream:
        rows = list(csv.DictReader(stream))
    return {key: [row[key] for row in rows] for key in rows[0]}


def column(name: str, key: str) -> Floats:
    return np.array([float(value) for value in table(name)[key]])


@cache
def loop() -> Fixes:
    """The 21 km loop run with a receiver at 1 Hz (tests/samples/gpx/SOURCES.md)."""
    text = (SAMPLES / "gpx" / "loop-21km.gpx").read_text()
    where = {key: np.array([float(n) for n in re.findall(rf'{key}="([-\d.]+)"', text)]) for key in ("lat", "lon")}
    high = np.array([float(n) for n in re.findall(r"<ele>([-\d.]+)", text)])
    stamps = re.findall(r"<trkpt.*?<time>([^<]+)</time>", text, re.DOTALL)
    at = np.array([datetime.datetime.fromisoformat(stamp).timestamp() for stamp in stamps])
    unknown = np.full(len(at), np.nan)
    segment = np.zeros(len(at), dtype=np.int64)
    return Fixes(round(at[0] * 1e6), at - at[0], segment, where["lat"], where["lon"], high, unknown, unknown)


def logged(need: Floats, start: int, share: float, seed: int = 1) -> Samples:
    """A 50 V log, a row a second, of a cart that needs `need` W/kg; noise of `share` of what it draws."""
    watt = 450 * np.where(need > 0, need / 0.75, 0.4 * need)
    watt = watt + 60 + share * watt.std() * noise(len(need), seed=seed)
    return Samples(start, 0.5 + np.arange(len(need)), np.full(len(need), 50.0), -watt / 50)


def shifted(fixes: Fixes, offset: float, ppm: float) -> Fixes:
    return replace(fixes, second=fixes.second * (1 + ppm * 1e-6) + offset)


SHIFTS = [(0.0, 0.0), (7200.3, 150.0), (-18000.7, -180.0), (-45.2, 40.0), (49_800.0, 90.0), (-50_000.0, 200.0)]


@pytest.mark.parametrize(("offset", "ppm"), SHIFTS)
def test_a_real_loop_is_found_again_after_a_shift(offset: float, ppm: float) -> None:
    """The log's power is made of the loop's own speed over 9 s; every other fix is kept, 0.3 m unsure, heights not."""
    fixes = loop()
    count = int(fixes.second[-1])
    speed = ground_speed(of_motion(fixes, as_speed=False).line.on(0.0, count, 1.0))
    need = powers(replace(speed, values=smoothed(speed, 9.0)), None).values.sum(axis=0)
    kept = {name: getattr(fixes, name)[::2] for name in ("second", "segment", "latitude", "longitude", "speed", "hdop")}
    kept["latitude"] = kept["latitude"] + 0.3 * noise(len(kept["latitude"])) / 111_000
    thin = replace(fixes, elevation=np.full(len(kept["second"]), np.nan), **kept)
    found = match(logged(need, fixes.start, 0.2), shifted(thin, offset, ppm))
    at = np.array([0.0, count / 2, count])
    assert found.applied, found.why
    assert found.ahead(fixes.start + at * 1e6) == pytest.approx(offset + ppm * 1e-6 * at, abs=1.0)
    assert abs(found.drift_ppm - ppm) < 3 * found.drift_u


@pytest.mark.parametrize(("offset", "ppm"), SHIFTS)
def test_a_real_drives_speed_channel_is_found_again_after_a_shift(offset: float, ppm: float) -> None:
    """RSK EV dataset, Speed at 1 Hz for 16 min (tests/samples/delimited/SOURCES.md): its speed channel by itself, as
    another logger has it, against a log of the power that the same drive needs."""
    speed = column("quadricycle-1hz.csv", "Speed") / 3.6
    need = speed * (1.05 * np.gradient(speed) + 0.25 + 0.0012 * speed**2)
    unknown = np.full(len(speed), np.nan)
    other = Samples(START, (np.arange(len(speed)) + 0.5) * (1 + ppm * 1e-6) + offset, unknown, unknown, {SPEED: speed})
    found = match(logged(need, START, 0.3), other)
    assert found.applied, found.why
    assert found.whose == "the speed channel's clock"
    assert found.ahead(np.array([START + 480e6]))[0] == pytest.approx(offset + ppm * 480e-6, abs=0.6)
    back = aligned(other, found)
    assert back.start == START and back.second == pytest.approx(np.arange(len(speed)) + 0.5, abs=0.7)


def test_a_receiver_that_shows_the_same_place_for_seconds_is_not_believed() -> None:
    """RSK EV: of the rows on the move 92 % repeat the place before. Silence is right: nothing in it is sharp."""
    name = "quadricycle-1hz.csv"
    second = np.arange(961.0)
    unknown = np.full(961, np.nan)
    samples = Samples(START, second, unknown, unknown, {SPEED: column(name, "Speed") / 3.6})
    where = [column(name, key) for key in ("LAT", "LON", "ALT")]
    fixes = Fixes(START, second, np.zeros(961, dtype=np.int64), *where, unknown, unknown)
    assert not match(samples, fixes).applied
    assert not match(samples, replace(fixes, speed=column(name, "GpsSpeed") / 3.6)).applied


def test_a_real_speed_that_lags_behind_its_places_is_found_as_scipy_finds_it() -> None:
    """DualEMobilityData (SOURCES.md): the computer's speed comes 4 s after its places; scipy.signal.correlate of it
    with the steps of the computer's odometer says so too."""
    name = "ebike-1hz.csv"
    stamps = [datetime.datetime.fromisoformat(stamp).timestamp() for stamp in table(name)["timestamp"]]
    second, speed = np.array(stamps) - stamps[0], column(name, "speed") / 3.6
    unknown = np.full(len(second), np.nan)
    samples = Samples(START, second, unknown, unknown, {SPEED: speed})
    where = [column(name, key) for key in ("position_lat", "position_long", "altitude")]
    found = match(samples, Fixes(START, second, np.zeros(len(second), dtype=np.int64), *where, unknown, unknown))
    even = np.arange(second[-1])
    wheel = np.gradient(np.interp(even, second, column(name, "distance")))
    fine = np.interp(even, second, speed)
    both = scipy.signal.correlate(wheel - wheel.mean(), fine - fine.mean(), mode="full")
    scipys = float(scipy.signal.correlation_lags(len(even), len(even))[np.argmax(both)])
    assert found.applied
    assert found.offset_second == pytest.approx(scipys, abs=1.0)
    assert finding(found) is not None


# --- the simulated workshop --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return [judged(kind, pair) for kind, pair in pairs(3, 24, drives=6)]


def of_kind(cases: list[Case], kind: str) -> Iterator[Case]:
    yield from (case for case in cases if case.kind == kind)


def test_simulated_drives_are_matched(cases: list[Case]) -> None:
    drives = list(of_kind(cases, "one drive"))
    applied = [case for case in drives if case.match.applied]
    assert len(applied) >= 0.9 * len(drives)
    assert np.mean([case.error <= 1.0 for case in applied]) >= 0.9
    assert max(case.error for case in applied) < WRONG
    assert np.mean([case.ratio <= 2 for case in applied]) >= 0.9


def test_the_track_of_another_drive_is_never_believed(cases: list[Case]) -> None:
    others = list(of_kind(cases, "another drive"))
    assert len(others) >= 12
    assert not [case.pair.words for case in others if case.match.applied]


def test_laps_that_are_alike_are_never_mistaken(cases: list[Case]) -> None:
    laps = list(of_kind(cases, "laps alike"))
    assert len(laps) >= 12
    assert not [case.pair.words for case in laps if case.match.applied and case.error > WRONG]
    assert any("laps that are alike" in case.match.why for case in laps)


def test_a_track_is_found_in_a_log_of_a_whole_day(cases: list[Case]) -> None:
    """Three drives on one day; the track, an hour ahead, is of the second."""
    drives = [case for case in of_kind(cases, "one drive") if case.match.applied][:3]
    logs = [case.pair.samples for case in drives]
    seconds = [log.second - log.second[0] + 20_000 * n for n, log in enumerate(logs)]
    day = Samples(
        0,
        np.concatenate(seconds),
        *(np.concatenate([getattr(log, name) for log in logs]) for name in ("volt", "ampere")),
    )
    # Where the middle of the second drive's match now stands.
    at = drives[1].match.at / 1e6 + 20_000 - logs[1].second[0]
    track = drives[1].pair.fixes
    shift = at + 3600 - drives[1].match.at / 1e6 - drives[1].match.offset_second
    found = match(day, replace(track, second=track.second + shift))
    assert found.applied, found.why
    assert found.ahead(np.array([at * 1e6]))[0] == pytest.approx(3600, abs=0.5)


def test_four_hours_take_less_than_a_third_of_a_second() -> None:
    count = 14_400
    second = np.arange(count, dtype=float)
    speed = np.abs(5 * np.sin(second / 40) + np.interp(second, second[::50], noise(count // 50)))
    unknown = np.full(count, np.nan)
    north = 36 + np.cumsum(speed) / 111_000
    fixes = Fixes(0, second, np.zeros(count, dtype=np.int64), north, np.full(count, -31.0), unknown, unknown, unknown)
    samples = logged(speed * (np.gradient(speed) + 0.2), 0, 0.1)
    spent = []
    for _ in range(3):
        began = time.perf_counter()
        assert match(samples, fixes).applied
        spent.append(time.perf_counter() - began)
    assert min(spent) < 0.3


# --- what comes out ----------------------------------------------------------------------------------------


FOUND = Match(7200.4, 0.5, 120.0, 20.0, 0.9, True, "all windows agree", START + 3_600e6, zone_of(7200.4))


def fixes_at(second: Floats, start: int = START) -> Fixes:
    unknown = np.full(len(second), np.nan)
    return Fixes(start, second, np.zeros(len(second), dtype=np.int64), unknown, unknown, unknown, unknown, unknown)


@given(st.floats(-FAR, FAR), st.floats(-200, 200), st.integers(-10_000, 10_000))
def test_aligned_undoes_what_ahead_says(offset: float, ppm: float, later: int) -> None:
    found = replace(FOUND, offset_second=offset, drift_ppm=ppm)
    true = np.linspace(0, 14_400, 9)
    shown = true + found.ahead(START + true * 1e6)
    fixes = fixes_at(np.r_[shown - later, np.nan], START + later * 1_000_000)
    back = aligned(fixes, found)
    assert back.start == fixes.start
    assert back.second[:-1] + later == pytest.approx(true, abs=1e-5)
    assert np.isnan(back.second[-1])


def test_nothing_is_moved_by_what_is_not_applied() -> None:
    fixes = fixes_at(np.arange(5.0))
    assert aligned(fixes, replace(FOUND, applied=False)) is fixes


@pytest.mark.parametrize(
    ("zone", "whole"),
    [("Asia/Kolkata", None), ("Asia/Kathmandu", None), ("Pacific/Kiritimati", 14), ("America/New_York", -4)],
)
def test_zones_are_seen(zone: str, whole: int | None) -> None:
    """Offsets from the IANA time zone database."""
    beside = datetime.datetime(2026, 7, 1, tzinfo=ZoneInfo(zone)).utcoffset()
    assert beside is not None
    second = int(beside.total_seconds())
    assert zone_of(second + 3.2) == second
    assert replace(FOUND, zone_second=zone_of(second)).whole_hours == whole


@pytest.mark.parametrize("offset", [0.0, 30.0, -100.0, 300.0, 1000.0, 3600 * 2.1, 3600 * 5.5 + 100])
def test_other_offsets_are_no_zones(offset: float) -> None:
    assert zone_of(offset) is None


@pytest.mark.parametrize(
    ("second", "words"),
    [
        (7200.4, "2 h 0.4 s ahead"),
        (-59.96, "1 min 0.0 s behind"),
        (0.0, "0.0 s ahead"),
        (19_815, "5 h 30 min 15.0 s ahead"),
    ],
)
def test_offsets_in_words(second: float, words: str) -> None:
    assert told(second) == words


def test_findings_name_the_zone_the_offset_or_the_doubt() -> None:
    zone = finding(FOUND)
    assert zone is not None and (zone.code, zone.severity) == ("clock-zone", "warning")
    assert "the track's clock is 2 h 0.4 s ahead (+- 0.5 s)" in zone.words
    assert "gains 120 +- 20 ppm" in zone.words and "2 h ahead looks like a time zone" in zone.words
    other = finding(replace(FOUND, offset_second=-37.0, zone_second=None, drift_u=90.0))
    assert other is not None and other.code == "clock-offset"
    assert "37.0 s behind" in other.words and "ppm" not in other.words
    doubt = finding(replace(FOUND, applied=False, why="nothing moves"))
    assert doubt is not None and (doubt.code, doubt.severity) == ("clock-unclear", "note")
    assert "nothing moves" in doubt.words
    assert finding(replace(FOUND, offset_second=0.6, zone_second=None)) is None


def still(count: int) -> Samples:
    return Samples(START, np.arange(float(count)), np.full(count, 50.0), np.full(count, -2.0))


def standing(count: int) -> Fixes:
    """A receiver that stands: noise of 2 m, nothing else."""
    fixes = fixes_at(np.arange(float(count)))
    return replace(fixes, latitude=36 + noise(count) / 55_000, longitude=noise(count, seed=2) / 55_000)


@pytest.mark.parametrize(
    ("samples", "fixes"),
    [
        (lambda: still(0), lambda: standing(3600)),
        (lambda: still(1), lambda: standing(3600)),
        (lambda: still(3600), lambda: fixes_at(np.zeros(0))),
        (lambda: still(3600), lambda: fixes_at(np.full(100, np.nan))),
        (lambda: still(3600), lambda: standing(3600)),
        (lambda: still(3600), lambda: standing(2)),
        (lambda: replace(still(3600), ampere=np.full(3600, np.nan)), lambda: standing(3600)),
        (lambda: replace(still(3600), ampere=noise(3600)), lambda: standing(3600)),
        (lambda: replace(still(3600), ampere=noise(3600), volt=np.full(3600, np.nan)), lambda: standing(3600)),
        (lambda: still(3600), lambda: still(3600)),
        (lambda: replace(still(3600), second=np.zeros(3600)), lambda: standing(3600)),
    ],
)
@pytest.mark.filterwarnings("error")
def test_where_there_is_nothing_to_go_by_that_is_said(
    samples: Callable[[], Samples], fixes: Callable[[], Fixes | Samples]
) -> None:
    found = match(samples(), fixes())
    assert not found.applied and found.why
    said = finding(found)
    assert said is not None and said.code == "clock-unclear"


@pytest.mark.parametrize("regen", [0.0, 0.4])
def test_power_must_go_the_way_that_motion_needs_it(regen: float) -> None:
    """With and without regen a drive is matched; with its current the wrong way round it is not."""
    speed = column("quadricycle-1hz.csv", "Speed") / 3.6
    need = speed * (1.05 * np.gradient(speed) + 0.25)
    watt = 600 * np.maximum(need, 0) + regen * 450 * np.minimum(need, 0) + 20 * noise(len(need))
    second, unknown = np.arange(len(speed)) + 0.5, np.full(len(speed), np.nan)
    other = Samples(START, second, unknown, unknown, {SPEED: speed})
    samples = Samples(START, second, np.full(len(speed), 50.0), -watt / 50)
    assert match(samples, other).offset_second == pytest.approx(0, abs=0.5)
    assert match(samples, other).applied
    assert not match(replace(samples, ampere=-samples.ampere), other).applied


def test_laps_alike_say_that_the_clocks_may_stand() -> None:
    """Six laps of 5 min that differ in nothing; the track lacks the first and the last."""
    turn = np.arange(1800.0)
    speed = np.interp(turn % 300, np.arange(0, 301, 20), np.abs(np.r_[noise(15), noise(1)]) * 3)
    need = speed * (1.05 * np.gradient(speed) + 0.25)
    unknown = np.full(1200, np.nan)
    other = Samples(START, turn[300:1500] + 0.5, unknown, unknown, {SPEED: speed[300:1500]})
    found = match(logged(need, START, 0.1), other)
    assert not found.applied
    assert "as well as they stand, as with laps that are alike" in found.why


def test_more_than_any_time_zone_is_not_put_right() -> None:
    speed = column("quadricycle-1hz.csv", "Speed") / 3.6
    unknown = np.full(len(speed), np.nan)
    other = Samples(START + 86_400_000_000, np.arange(len(speed)) + 0.5, unknown, unknown, {SPEED: speed})
    found = match(logged(speed * (1.05 * np.gradient(speed) + 0.25), START, 0.1), other)
    assert not found.applied and "no time zone" in found.why
    assert found.offset_second == pytest.approx(86_400, abs=1)
