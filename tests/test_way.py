"""Length, distance, speed and climb against published geodesics, real recordings and noise of known size."""

from __future__ import annotations

import csv
import datetime
import math
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import gpxpy
import numpy as np
import pyarrow as pa
import pytest
from geographiclib.test.test_geodesic import GeodesicTest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline.measures.along import way_along
from rangebook.pipeline.measures.climb import climb_along, running_median, turning_points
from rangebook.pipeline.measures.noise import noise_of
from rangebook.pipeline.measures.sources import drive_of, sources
from rangebook.pipeline.measures.track import legs, offsets, track_length, tracked
from rangebook.pipeline.measures.travel import Trace, held, lowest_between
from rangebook.pipeline.measures.way import MEASURE, compute
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Floats, Options, Rows
from rangebook.pipeline.stretch import Fixes, Result, Samples, Stint, Stretch
from rangebook.plugins.gpx import Gpx

HERE = Path(__file__).parent
TRACKS = HERE / "samples" / "gpx"
DRIVES = HERE / "samples" / "delimited"
RECORDED = {  # samples/gpx/SOURCES.md: pyproj and geographiclib agree
    "walk-19km.gpx": 19_353.975,
    "loop-21km.gpx": 21_545.882,
    "odd/around-visnjan-with-car.gpx": 2_736.001,
    "odd/korita-zbevnica.gpx": 14_914.283,
}
START = 1_780_000_000_000_000
LATITUDE, LONGITUDE = 45.0, 13.0


@cache
def recorded(name: str) -> Fixes:
    items = Gpx().read(Original.at(TRACKS / name), Options())
    batches = [pa.Table.from_batches([item.batch]) for item in items if isinstance(item, Rows)]
    return Fixes.of(pa.concat_tables(batches, promote_options="default"))


def along(east: Floats, north: Floats, step: float = 1.0, **columns: Floats) -> Fixes:
    """Fixes at metres east and north of a place, by the ellipsoid's radii there: good to 0.1 mm within a kilometre."""
    place = offsets(np.array([LATITUDE - 0.005, LATITUDE + 0.005]), np.array([LONGITUDE, LONGITUDE + 0.01]), 1)
    nothing = np.full(len(east), np.nan)
    fixes = Fixes(
        START,
        np.arange(len(east)) * step,
        np.zeros(len(east), np.int64),
        LATITUDE + 0.01 * north / place.north[0],
        LONGITUDE + 0.01 * east / place.east[0],
        nothing,
        nothing,
        nothing,
    )
    return replace(fixes, **columns)


def noise(count: int, correlation: float, seed: int, sigma: float = 3.0) -> Floats:
    """Errors along one axis, m: a first-order autoregression of standard deviation `sigma`."""
    random = np.random.default_rng(seed)
    shocks = random.normal(size=count) * sigma * math.sqrt(1 - correlation**2)
    errors = np.empty(count)
    errors[0] = random.normal() * sigma
    for n in range(1, count):
        errors[n] = correlation * errors[n - 1] + shocks[n]
    return errors


def noisy(east: Floats, north: Floats, correlation: float, seed: int, **columns: Floats) -> Fixes:
    """The way with errors of 3 m on each axis."""
    errors = (noise(len(east), correlation, 2 * seed + axis) for axis in (0, 1))
    return along(east + next(errors), north + next(errors), **columns)


def samples(speed: Floats, step: float = 1.0, start: int = START) -> Samples:
    nothing = np.full(len(speed), np.nan)
    return Samples(start, np.arange(len(speed)) * step, nothing, nothing, {"speed_metre_per_second": speed})


def results(stretch: Stretch) -> dict[str, Result]:
    return {item.quantity: item for item in compute(stretch) if isinstance(item, Result)}


def findings(stretch: Stretch) -> dict[str, Finding]:
    return {item.code: item for item in compute(stretch) if isinstance(item, Finding)}


def drive(fixes: Fixes | None = None, samples: Samples | None = None, **more: Any) -> Stretch:
    return Stretch("drive", samples, fixes, **more)


# --- geodesics ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", GeodesicTest.testcases)
def test_lengths_are_those_of_geographiclib(case: list[float]) -> None:
    """The 20 rows of GeodTest.dat that the geographiclib package tests itself with."""
    lat1, lon1, _, lat2, lon2, _, metre, *_ = case
    assert legs(np.array([lat1, lat2]), np.array([lon1, lon2]))[0] == pytest.approx(metre, abs=1e-6)


def published() -> list[dict[str, str]]:
    lines = (HERE / "reference" / "geodesics.csv").read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", published(), ids=lambda row: f"{row['source']} {row['metre']} m")
def test_published_lines(row: dict[str, str]) -> None:
    latitude, longitude = (np.array([float(row[f"{axis}_{n}"]) for n in (1, 2)]) for axis in ("latitude", "longitude"))
    assert legs(latitude, longitude)[0] == pytest.approx(float(row["metre"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize(("name", "metre"), RECORDED.items())
def test_real_recordings_as_recorded(name: str, metre: float) -> None:
    assert track_length(recorded(name)) == pytest.approx(metre, abs=1e-3)


def haversine(latitude: Floats, longitude: Floats) -> float:
    """On a sphere of the ellipsoid's mean radius, 6371008.7714 m: what the ellipsoid is needed for."""
    lat, lon = np.radians(latitude), np.radians(longitude)
    half = np.sin(np.diff(lat) / 2) ** 2 + np.cos(lat[1:]) * np.cos(lat[:-1]) * np.sin(np.diff(lon) / 2) ** 2
    return float((2 * 6371008.7714 * np.arcsin(np.sqrt(half))).sum())


def test_a_sphere_would_not_pass() -> None:
    fixes = recorded("loop-21km.gpx")
    on_a_sphere = haversine(fixes.latitude, fixes.longitude)
    assert on_a_sphere == pytest.approx(21_503.3, abs=0.05)
    assert abs(on_a_sphere - RECORDED["loop-21km.gpx"]) > 1


def test_a_general_library_agrees_within_its_own_error() -> None:
    """gpxpy measures on a plane, 0.1 % short here: 21,527.4 m."""
    parsed = gpxpy.parse((TRACKS / "loop-21km.gpx").read_text())
    assert parsed.length_2d() == pytest.approx(track_length(recorded("loop-21km.gpx")), rel=1.5e-3)


@given(st.floats(-80, 80), st.floats(-180, 179.9), st.floats(-1, 1), st.floats(-1, 1))
def test_chords_by_radii_of_curvature_agree_with_the_geodesic(lat: float, lon: float, a: float, b: float) -> None:
    """Chords up to two kilometres, anywhere but at the poles, also across 180 degrees."""
    latitude = np.array([lat, lat + 0.01 * a])
    longitude = (np.array([lon, lon + 0.01 * b]) + 180) % 360 - 180
    chord = math.sqrt(offsets(latitude, longitude, 1).square[0])
    assert chord == pytest.approx(legs(latitude, longitude)[0], rel=2e-6, abs=1e-6)


def test_nothing_is_added_from_segment_to_segment() -> None:
    fixes = along(np.arange(10) * 20.0, np.zeros(10))
    parted = replace(fixes, segment=np.repeat([0, 1], 5))
    assert track_length(fixes) == pytest.approx(180, abs=0.01)
    assert track_length(parted) == pytest.approx(160, abs=0.01)
    assert way_along(tracked(parted)).metre == pytest.approx(160, abs=0.01)


def test_a_track_of_nothing_but_jumps_has_no_way() -> None:
    assert way_along(tracked(along(np.arange(10) * 100.0, np.zeros(10)))).metre == 0


# --- distance from fixes that are off ----------------------------------------------------------------


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("seed", range(4))
def test_ten_minutes_of_standing_add_nothing_much(correlation: float, seed: int) -> None:
    """Errors of 3 m on each axis. As recorded they add 319 m (correlation 0.99) to 3,190 m (none)."""
    fixes = noisy(np.zeros(601), np.zeros(601), correlation, seed)
    assert track_length(fixes) > 250
    assert way_along(tracked(fixes)).metre < 20


@pytest.mark.parametrize(("out", "metre"), [(6.0, 0.0), (40.0, 80.0)])
def test_a_move_within_ten_metres_is_taken_for_noise(out: float, metre: float) -> None:
    """Out and back at 1 m/s, standing for a minute before and after."""
    way = np.concatenate([np.zeros(60), np.arange(out), np.arange(out, 0, -1), np.zeros(60)])
    assert way_along(tracked(along(way, np.zeros(len(way))))).metre == pytest.approx(metre, abs=2)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9, 0.99])
def test_a_straight_kilometre_comes_out_a_kilometre_long(correlation: float) -> None:
    """At 5 m/s. The ends alone are off by 3 m each way, so it is the mean of 20 that is held to 0.5 %."""
    way = np.arange(201) * 5.0
    found = [way_along(tracked(noisy(way, np.zeros(201), correlation, seed))).metre for seed in range(20)]
    assert np.mean(found) == pytest.approx(1000, rel=0.005)
    assert found[0] == pytest.approx(1000, rel=0.01)


def test_the_same_kilometre_as_recorded_is_long() -> None:
    """E of a step of 5 m with errors of 3 m and correlation 0.9: 5.18 m (mean of the Rice distribution), 3.5 % long."""
    way = np.arange(2001) * 5.0
    assert track_length(noisy(way, np.zeros(2001), 0.9, 1)) == pytest.approx(10_000 * 1.0353, rel=0.01)


@pytest.mark.parametrize(("correlation", "sigma"), [(0.0, 3.0), (0.5, 1.0), (0.9, 3.0)])
def test_noise_is_told_from_the_track(correlation: float, sigma: float) -> None:
    """The variance of the difference of neighbours is 2 sigma2 (1 - r), along one axis."""
    errors = [noise(5000, correlation, seed, sigma) for seed in (1, 2)]
    told = noise_of(tracked(along(np.arange(5000) * 5.0 + errors[0], errors[1])))
    assert told.of_chord(1) == pytest.approx(2 * sigma**2 * (1 - correlation), rel=0.15)


def test_a_bend_is_not_noise() -> None:
    """A circle of 20 m radius at 5 m/s: chords of one second are 0.26 % short, and that is all that may be lost."""
    angle = np.arange(500) * 5.0 / 20.0
    way = way_along(tracked(along(20 * np.cos(angle), 20 * np.sin(angle))))
    assert way.lag.fixes == 1
    assert way.metre == pytest.approx(499 * 5.0, rel=0.004)


def test_corners_are_not_cut_on_a_clean_track() -> None:
    side = np.arange(0, 100, 4.0)
    zero, full = np.zeros(25), np.full(25, 100.0)
    east = np.concatenate([side, full, 100 - side, zero, [0.0]])
    north = np.concatenate([zero, side, full, 100 - side, [0.0]])
    assert way_along(tracked(along(east, north))).metre == pytest.approx(400, rel=0.005)


def test_a_real_track_at_1_hz_keeps_its_length() -> None:
    assert results(drive(recorded("loop-21km.gpx")))["distance_metre"].value == pytest.approx(21_545.9, rel=0.002)


def test_a_stop_on_the_way_adds_nothing() -> None:
    way = np.concatenate([np.arange(200) * 5.0, np.full(300, 1000.0), 1000 + np.arange(201) * 5.0])
    fixes = noisy(way, np.zeros(len(way)), 0.9, 3)
    found = results(drive(fixes))
    assert found["distance_metre"].value == pytest.approx(2000, rel=0.015)
    assert found["moving_second"].value == pytest.approx(400, abs=25)


def test_a_jump_is_left_out_and_said() -> None:
    east, north = np.arange(300) * 5.0, np.zeros(300)
    north[[100, 200, 201]] = 500.0
    stretch = drive(along(east, north))
    assert "3 jumps" in findings(stretch)["fixes-jump"].words
    assert results(stretch)["distance_metre"].value == pytest.approx(1495, abs=15)
    assert results(stretch)["track_length_metre"].value > 3000


def test_a_gap_counts_straight_and_widens_the_uncertainty() -> None:
    whole = along(np.arange(600) * 5.0, np.zeros(600))
    kept = np.r_[0:200, 300:600]
    columns = ("second", "segment", "latitude", "longitude", "elevation", "speed", "hdop")
    cut = replace(whole, **{name: getattr(whole, name)[kept] for name in columns})
    detour = replace(cut, longitude=cut.longitude - np.where(kept >= 300, 0.0032, 0.0))
    assert results(drive(cut))["distance_metre"].value == pytest.approx(2995, rel=0.001)
    assert results(drive(cut))["distance_metre"].u == pytest.approx(2995 * 0.01 / math.sqrt(3), rel=0.05)
    assert results(drive(detour))["distance_metre"].u > 60


@pytest.mark.parametrize("seed", range(3))
def test_twenty_minutes_of_town_lie_within_three_uncertainties(seed: int) -> None:
    """Straights of 150 m between right angles and stops of 15 s, errors of 3 m: the truth is known."""
    east, north, metre = town(40)
    for correlation in (0.5, 0.9, 0.99):
        found = results(drive(noisy(east, north, correlation, seed)))["distance_metre"]
        assert found.u is not None
        assert abs(found.value - metre) < 3 * found.u, correlation
        assert found.u < 0.03 * metre


def town(blocks: int) -> tuple[Floats, Floats, float]:
    """At 1 Hz: out of each corner at 1 m/s2, 6 m/s at most, every other corner a stop. East, north and metres."""
    place, heading, speed, metre = np.zeros(2), 0.0, 0.0, 0.0
    places = [place]
    for block in range(blocks):
        left, slow = 150.0, 2.5 if block % 2 else 0.0
        while left > 0:
            braking = speed**2 - slow**2 >= 2 * left
            speed = max(speed - 1, 0.3) if braking else min(speed + 1, 6)
            step = min(speed, left)
            left, metre = left - step, metre + step
            place = place + step * np.array([math.cos(heading), math.sin(heading)])
            places.append(place)
        if not slow:
            places += [place] * 15
        heading += math.pi / 2 * (1 if (block // 3) % 2 else -1)
    east, north = np.array(places).T
    return east, north, metre


# --- measured drives ---------------------------------------------------------------------------------


@cache
def rows_of(name: str) -> list[dict[str, str]]:
    with (DRIVES / name).open(newline="") as stream:
        return list(csv.DictReader(stream))


def column(name: str, field: str) -> Floats:
    return np.array([float(row[field]) for row in rows_of(name)])


def fixes_of(name: str, latitude: str, longitude: str) -> Fixes:
    count = len(rows_of(name))
    nothing, segment = np.full(count, np.nan), np.zeros(count, np.int64)
    lat, lon = column(name, latitude), column(name, longitude)
    return Fixes(START, np.arange(float(count)), segment, lat, lon, nothing, nothing, nothing)


def test_a_bicycle_agrees_with_its_odometer() -> None:
    """DualEMobilityData: the odometer says 4,898.47 m, the fixes as recorded are 4,824.0 m long."""
    fixes = fixes_of("ebike-1hz.csv", "position_lat", "position_long")
    assert track_length(fixes) == pytest.approx(4824.0, abs=0.05)
    found = results(drive(fixes))["distance_metre"]
    assert found.u is not None
    odometer = 4898.47
    assert abs(found.value - odometer) < 3 * math.hypot(found.u, odometer * 0.01 / math.sqrt(3))
    speed = results(drive(fixes, samples(column("ebike-1hz.csv", "speed") / 3.6)))["distance_metre"]
    assert speed.method == "speed"
    assert speed.value == pytest.approx(odometer, rel=0.01)


def test_fixes_that_lag_behind_are_no_stops() -> None:
    """RSK EV: the integral of Speed is 13,831.3 m; of the rows on the move 92 % repeat the place before. The fixes are
    14,715.1 m long, and that they disagree is to be said."""
    name = "quadricycle-1hz.csv"
    fixes, speed = fixes_of(name, "LAT", "LON"), column(name, "Speed") / 3.6
    stale = (np.diff(fixes.latitude) == 0) & (np.diff(fixes.longitude) == 0) & (speed[1:] > 0)
    assert stale.sum() / (speed[1:] > 0).sum() == pytest.approx(0.92, abs=0.01)
    stretch = drive(fixes, samples(speed))
    found = results(stretch)
    assert found["track_length_metre"].value == pytest.approx(14_715.1, abs=0.05)
    assert found["distance_metre"].value == pytest.approx(13_831.3, abs=0.05)
    assert found["distance_metre"].method == "speed"
    assert found["moving_second"].value == pytest.approx((speed > 0.3).sum(), rel=0.03)
    assert set(findings(stretch)) == {"distance-disagrees", "fixes-stale"}
    assert "13831 m" in findings(stretch)["distance-disagrees"].words
    assert results(drive(fixes))["distance_metre"].value == pytest.approx(14_715.1, rel=0.01)


# --- sources -----------------------------------------------------------------------------------------


def steady(count: int = 601, speed: float = 5.0) -> tuple[Fixes, Samples]:
    return along(np.arange(count) * speed, np.zeros(count)), samples(np.full(count, speed))


def range_test(samples: Samples, distance: float, **more: Any) -> Stretch:
    end = samples.start + round(float(samples.second[-1]) * 1e6)
    when = datetime.datetime.fromtimestamp(end / 1e6, datetime.UTC)
    stint = Stint("drive", 0, len(samples) - 1, samples.start, end)
    marks = [{"time": when, "distance_metre": distance}]
    return Stretch("range", samples, stints=[stint], marks=marks, test={"test": "T1"}, **more)


def test_speed_before_fixes_before_the_sheet() -> None:
    fixes, channel = steady()
    stretch = range_test(channel, 3100.0, fixes=fixes)
    found = results(stretch)["distance_metre"]
    assert (found.method, found.value) == ("speed", pytest.approx(3000))
    assert "by fixes 3000 m" in found.note and "by the sheet 3100 m" in found.note
    assert not findings(stretch)


def test_the_sheet_alone_gives_a_distance() -> None:
    stretch = Stretch("range", marks=[{"distance_metre": 9000.0}, {"distance_metre": None}], test={"test": "T1"})
    found = results(stretch)
    assert set(found) == {"distance_metre"}
    assert (found["distance_metre"].method, found["distance_metre"].value) == ("sheet", 9000.0)
    assert found["distance_metre"].u == pytest.approx(math.hypot(90 / math.sqrt(3), 160.9344 / math.sqrt(12)))


def test_a_trip_that_disagrees_is_said_with_its_figures() -> None:
    stretch = range_test(steady()[1], 3600.0)
    words = findings(stretch)["distance-disagrees"].words
    assert "3000 m" in words and "3600 m" in words and "600 m" in words


def test_a_trip_written_down_half_way_is_not_the_whole() -> None:
    stretch = range_test(steady()[1], 1500.0)
    early = {**stretch.marks[0], "time": stretch.marks[0]["time"] - datetime.timedelta(minutes=5)}
    assert not {"distance-disagrees"} & set(findings(replace(stretch, marks=[early])))


def test_what_was_driven_after_the_last_mark_is_in_the_uncertainty() -> None:
    start = datetime.datetime(2026, 6, 14, 19, 5, tzinfo=datetime.UTC)
    minutes = [datetime.timedelta(minutes=n) for n in (60, 48)]
    sheet = {"test": "T1", "started": start, "ended": start + minutes[0]}
    marks = [{"time": start + minutes[1], "distance_metre": 8000.0}]
    found = results(Stretch("range", marks=marks, test=sheet))["distance_metre"]
    assert found.lower_bound
    assert found.u is not None and found.u > 8000 * 0.2 / math.sqrt(3)


def test_a_channel_that_falls_silent_makes_way_for_the_fixes() -> None:
    fixes, channel = steady()
    channel.other["speed_metre_per_second"][200:] = np.nan
    stretch = drive(fixes, channel)
    assert results(stretch)["distance_metre"].method == "gps"
    assert "33 %" in findings(stretch)["distance-partial"].words


def test_fixes_of_all_the_way_are_better_than_a_channel_of_most_of_it() -> None:
    fixes, channel = steady()
    channel.other["speed_metre_per_second"][420:] = np.nan
    found = results(drive(fixes, channel))["distance_metre"]
    assert (found.method, found.value) == ("gps", pytest.approx(3000, rel=0.001))
    assert f"by speed {419 * 5} m" in found.note


def test_a_channel_with_a_hole_is_a_lower_bound_when_there_is_nothing_else() -> None:
    channel = steady()[1]
    channel.other["speed_metre_per_second"][200:350] = np.nan
    found = results(drive(samples=channel))["distance_metre"]
    assert found.lower_bound
    assert found.value == pytest.approx(3000 - 151 * 5)
    assert found.u is not None and abs(found.value - 3000) < 3 * found.u


def test_an_odometer_of_known_accuracy_narrows_the_uncertainty() -> None:
    channel = steady()[1]
    usual = results(drive(samples=channel))["distance_metre"].u
    better = results(drive(samples=channel, instruments={"odometer": {"accuracy_percent": 0.1}}))["distance_metre"].u
    assert usual == pytest.approx(3000 * 0.01 / math.sqrt(3))
    assert better == pytest.approx(3000 * 0.001 / math.sqrt(3))


def test_the_receivers_own_speed_says_what_stands() -> None:
    """The fixes wander off at 0.5 m/s while the receiver's Doppler speed says 0.05 m/s."""
    wandering = along(np.arange(600) * 0.5, np.zeros(600))
    assert results(drive(wandering))["distance_metre"].value == pytest.approx(299.5, rel=0.01)
    still = replace(wandering, speed=np.full(600, 0.05))
    assert still.speed.max() < 0.3
    assert [one.metre for one in sources(drive_of(drive(still)))] == [0.0, pytest.approx(599 * 0.05)]


def test_a_speed_channel_says_what_moves_between_fixes_but_not_across_its_gaps() -> None:
    channel = Trace.of(np.r_[0:10, 40:50].astype(float), np.full(20, 2.0))
    said = channel.mean_between(np.array([-1.0, 0.0, 4.5, 9.0, 40.0, 45.0, 60.0]))
    assert said.tolist() == pytest.approx([math.nan, 2.0, 2.0, math.nan, 2.0, math.nan], nan_ok=True)
    assert channel.run()[-1] == 2.0 * 18


def test_only_fixes_of_the_drives_count_for_a_test() -> None:
    """Ten minutes' drive, ten minutes' rest on a trailer that moves, ten minutes' drive."""
    east = np.concatenate([np.arange(600) * 5.0, 3000 + np.arange(600) * 20.0, 15_000 + np.arange(601) * 5.0])
    channel = samples(np.full(1801, np.nan))
    stints = [
        Stint(kind, first, last, START + first * 1_000_000, START + last * 1_000_000)
        for kind, first, last in (("drive", 0, 599), ("rest", 600, 1199), ("drive", 1200, 1800))
    ]
    found = results(Stretch("range", channel, along(east, np.zeros(1801)), stints, test={"test": "T1"}))
    assert found["duration_second"].value == 599 + 600
    assert found["distance_metre"].value == pytest.approx(599 * 5 + 600 * 5, abs=4 * 5 * 20)
    assert found["track_length_metre"].value < 6500


def test_nothing_gives_nothing() -> None:
    assert list(compute(drive())) == []
    assert list(compute(Stretch("range", test={"test": "T1"}))) == []
    electric = samples(np.full(100, np.nan))
    assert list(results(drive(samples=electric))) == ["duration_second"]


def test_where_a_drive_ends_is_less_sure_when_only_its_current_tells() -> None:
    # By hand: 1 s steps at both ends, sqrt(2 / 12); rolling up to 10 s more, 10 / sqrt(12): 2.915 s together.
    channel = samples(np.full(100, 5.0))
    told = results(drive(samples=channel))["duration_second"]
    silent = results(drive(samples=replace(channel, other={})))["duration_second"]
    assert told.u == pytest.approx((2 / 12) ** 0.5)
    assert silent.u == pytest.approx(2.915, abs=1e-3)
    resting = results(replace(drive(samples=replace(channel, other={})), kind="rest"))["duration_second"]
    assert resting.u == pytest.approx((2 / 12) ** 0.5)


@pytest.mark.parametrize("kind", ["rest", "charge"])
def test_of_what_is_no_drive_only_the_length_is_told(kind: str) -> None:
    stretch = Stretch(kind, steady()[1], steady()[0])
    assert list(results(stretch)) == ["duration_second"]
    assert not findings(stretch)


def test_a_track_without_times_has_length_and_climb_and_no_speeds() -> None:
    fixes = recorded("odd/track-with-extremes.gpx")
    assert set(results(drive(fixes))) == {"track_length_metre", "distance_metre", "climb_metre", "descent_metre"}


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_a_few_fixes_are_enough_not_to_fail(count: int) -> None:
    found = results(drive(along(np.arange(count) * 20.0, np.zeros(count), step=4.0)))
    assert found["track_length_metre"].value == pytest.approx(20 * (count - 1), abs=0.01)


def test_all_results_are_declared_with_their_units() -> None:
    units = {quantity.name: quantity.unit for quantity in MEASURE.quantities}
    fixes, channel = steady()
    climbing = replace(fixes, elevation=np.linspace(0, 30, len(fixes)))
    found = results(drive(climbing, channel))
    assert set(found) == set(units)
    assert all(units[name] == result.unit and result.u is not None and result.u >= 0 for name, result in found.items())


# --- speed -------------------------------------------------------------------------------------------


def test_mean_speeds_are_distance_over_time() -> None:
    speed = np.concatenate([np.full(300, 6.0), np.zeros(100), np.full(201, 6.0)])
    found = results(drive(samples=samples(speed)))
    metre, second, moving = (found[name].value for name in ("distance_metre", "duration_second", "moving_second"))
    assert second == 600
    assert moving == pytest.approx(500, abs=2)
    assert found["mean_speed"].value == metre / second
    assert found["mean_moving_speed"].value == metre / moving


def trace(values: Iterable[float], step: float = 1.0) -> Trace:
    speed = np.array(list(values), dtype=float)
    return Trace.of(np.arange(len(speed)) * step, speed)


@pytest.mark.parametrize(
    ("values", "top"),
    [
        ([0, 2, 4, 6, 6, 6, 6, 4, 2, 0], 6),  # 6 m/s from 3 to 6 s: just 3 s
        ([0, 2, 4, 6, 6, 6, 4, 2, 0, 0], 5),  # a second less: from 2.5 to 5.5 s it is never below 5
        ([5, 5, 5, 5, 9, 5, 5, 5, 5, 5], 5),  # a spike
        ([5, 5, 5, 5, 0, 5, 5, 5, 5, 5], 5),  # a drop-out
        ([-5, -5, -5, -5, -5], 5),  # reversing
        ([5, 5, 5], None),  # two seconds
    ],
)
def test_top_speed_is_held_for_three_seconds(values: list[float], top: float | None) -> None:
    assert held(trace(values)) == (top if top is None else pytest.approx(top, abs=1e-9))


@given(st.lists(st.integers(0, 9), min_size=4, max_size=15))
def test_no_window_is_better_than_the_one_found(speeds: list[int]) -> None:
    """Against all windows that begin at a hundredth of a second, of speeds without lone spikes (each stands twice)."""
    found = trace(np.repeat(speeds, 2))
    at = np.arange(0, found.second[-1] + 0.005, 0.01)
    fine = np.interp(at, found.second, found.speed)
    best = np.lib.stride_tricks.sliding_window_view(fine, 301).min(axis=1).max()
    assert best - 1e-9 <= held(found) <= best + 0.05


def test_top_speed_is_not_held_across_a_gap() -> None:
    second = np.concatenate([np.arange(3.0), 20 + np.arange(10.0)])
    assert held(Trace.of(second, np.r_[9.0, 9.0, 9.0, np.full(10, 4.0)])) == 4.0


@given(st.lists(st.integers(0, 20), min_size=1, max_size=40), st.data())
def test_lowest_between(values: list[int], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(values) - 1))
    last = data.draw(st.integers(first - 1, len(values) - 1))
    (found,) = lowest_between(np.array(values, dtype=float), np.array([first]), np.array([last]))
    assert found == min(values[first : last + 1], default=math.inf)


def test_top_speed_from_fixes_alone() -> None:
    way = np.cumsum(np.concatenate([np.linspace(0, 7, 15), np.full(60, 7.0), np.linspace(7, 0, 15)]))
    found = results(drive(along(way, np.zeros(len(way)))))["top_speed"]
    assert (found.method, found.value) == ("gps", pytest.approx(7.0, abs=0.05))


# --- climb -------------------------------------------------------------------------------------------

WORKED = np.array([12, 17, 15, 20, 22, 18, 15, 16, 14, 12], dtype=float)


def reanchored(values: Floats, least: float) -> float:
    """The other common definition: from an anchor that moves whenever it is `least` or more away."""
    anchor, up = values[0], 0.0
    for value in values[1:]:
        if abs(value - anchor) >= least:
            up, anchor = up + max(value - anchor, 0.0), value
    return up


def walked(values: Floats, reversal: float) -> tuple[float, float]:
    """Turning points one value at a time, as one would with pencil and paper."""
    up = down = 0.0
    low = high = turn = values[0]
    way = 0
    for value in values[1:]:
        low, high = min(low, value), max(high, value)
        if way >= 0 and high - value >= reversal:
            up, turn, low, way = up + (high - turn if way else 0.0), high, value, -1
        elif way <= 0 and value - low >= reversal:
            down, turn, high, way = down + (turn - low if way else 0.0), low, value, 1
    return up + (high - turn if way > 0 else 0.0), down + (turn - low if way < 0 else 0.0)


def up_and_down(values: Floats, reversal: float = 3.0) -> tuple[float, float]:
    ways = np.diff(turning_points(values, reversal))
    return float(ways[ways > 0].sum()), float(-ways[ways < 0].sum())


def test_the_worked_list_and_what_other_definitions_make_of_it() -> None:
    """By hand: every rise counted gives 5 + 5 + 2 + 1 = 13 m; turning points 12 to 22, 10 m; a moving anchor 8 m."""
    assert np.maximum(np.diff(WORKED), 0).sum() == 13
    assert up_and_down(WORKED) == (10, 10)
    assert reanchored(WORKED, 3.0) == 8


@pytest.mark.parametrize(("top", "counts"), [(2.999, False), (3.0, True), (3.001, True)])
def test_three_metres_are_enough_and_less_are_not(top: float, counts: bool) -> None:
    assert up_and_down(np.array([0.0, top, 0.0])) == ((top, top) if counts else (0, 0))


@given(st.lists(st.integers(-12, 12).map(lambda n: n / 2), min_size=1, max_size=60), st.sampled_from([1.0, 3.0, 2.75]))
def test_turning_points_by_rounds_are_those_found_walking(steps: list[float], reversal: float) -> None:
    values = np.cumsum(steps)
    assert up_and_down(values, reversal) == pytest.approx(walked(values, reversal))


def test_a_flat_way_that_scatters_does_not_climb_and_a_ramp_does() -> None:
    """Independent errors of 1 m: every rise counted says a kilometre."""
    scatter = np.random.default_rng(11).normal(size=1800)
    flat = along(np.arange(1800) * 5.0, np.zeros(1800), elevation=100 + scatter)
    ramp = replace(flat, elevation=flat.elevation + np.linspace(0, 20, 1800))
    assert np.maximum(np.diff(scatter), 0).sum() > 900
    found = climb_along(flat), climb_along(ramp)
    assert found[0] is not None and found[0].up < 7
    assert found[1] is not None and found[1].up - found[1].down == pytest.approx(20, abs=3)


@pytest.mark.parametrize("seed", range(5))
def test_elevations_that_drift_are_covered_by_the_uncertainty(seed: int) -> None:
    """Errors of 1 m and correlation 0.9 on a flat way do pass for climbs of some 50 m; so the uncertainty says."""
    scatter = noise(1800, 0.9, seed, sigma=1.0)
    found = results(drive(along(np.arange(1800) * 5.0, np.zeros(1800), elevation=100 + scatter)))["climb_metre"]
    assert found.u is not None and 0 < found.value < 3 * found.u


def test_nothing_is_climbed_from_segment_to_segment() -> None:
    elevation = np.concatenate([np.linspace(0, 10, 20), np.linspace(100, 110, 20)])
    fixes = along(np.arange(40) * 5.0, np.zeros(40), elevation=elevation)
    parted = climb_along(replace(fixes, segment=np.repeat([0, 1], 20)))
    assert parted is not None and (parted.up, parted.down) == (pytest.approx(20), 0)
    assert climb_along(along(np.arange(40) * 5.0, np.zeros(40))) is None


def test_the_running_median_keeps_the_ends_and_drops_spikes() -> None:
    assert running_median(np.array([1, 2, 30, 4, 5, 6.0])).tolist() == [1, 2, 4, 5, 5, 6]
    assert running_median(np.array([7.0, 1.0])).tolist() == [7, 1]
    assert running_median(np.array([7.0, 1.0, 2.0])).tolist() == [7, 2, 2]


def test_climb_of_a_real_walk_is_half_of_what_every_rise_makes() -> None:
    """gpxpy counts every rise of its smoothed elevations; a track in the hills is off by tens of per cent with it."""
    fixes = recorded("walk-19km.gpx")
    found = climb_along(fixes)
    assert found is not None
    every = float(np.maximum(np.diff(fixes.elevation), 0).sum())
    assert found.up < every
    assert found.up - found.down == pytest.approx(fixes.elevation[-1] - fixes.elevation[0], abs=4 * 3)
