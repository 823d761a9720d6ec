"""The simulated workshop's road, instruments and files, against general-purpose readers and libraries."""

from __future__ import annotations

import io
import tomllib
from itertools import pairwise
from pathlib import Path

import gpxpy
import numpy as np
import openpyxl
import pytest
from geographiclib.geodesic import Geodesic
from scipy.signal import lfilter

from rangebook.pipeline import demo
from rangebook.pipeline.demo import awkward, files, fleet, logs, sheets
from rangebook.pipeline.demo.drive import Driven, drive
from rangebook.pipeline.demo.noise import wander
from rangebook.pipeline.demo.road import BRAKING, ROUTES, Route, degrees
from rangebook.pipeline.demo.season import NIGHT_TEST, Outing, season
from rangebook.pipeline.demo.sensors import fixes, instruments

SEED = 20260401


@pytest.fixture(scope="module")
def outings() -> list[Outing]:
    """The first two tests of each cart, and those to which something happens."""
    whole = season(SEED)
    odd = {files.SPARE_TEST, files.TIMELESS_TRACK, ("C09", "2026-10-24")}
    return [o for n, o in enumerate(whole) if n < 20 or (o.cart.name, o.day.isoformat()) in odd or o.kind != "range"]


@pytest.fixture(scope="module")
def driven(outings: list[Outing]) -> Driven:
    return drive(outings, SEED)


def named(outings: list[Outing], name: str) -> int:
    return next(row for row, outing in enumerate(outings) if outing.name == name)


def test_a_log_crosses_the_end_of_summer_time(driven: Driven, outings: list[Outing]) -> None:
    """Sunday 25 October 2026 at 01:00 UTC, when the Azores' clocks go from 01:00 back to 00:00 (IANA tz database)."""
    row = next(r for r, o in enumerate(outings) if o.cart.name == NIGHT_TEST[0] and o.day.isoformat() == "2026-10-24")
    lines = files.log(driven, row, outings[row], SEED)[1].decode().splitlines()
    back = [(one[:19], two[:19]) for one, two in pairwise(lines[1:]) if two[:19] < one[:19]]
    assert back == [("2026-10-25 00:59:58", "2026-10-25 00:00:03")]


@pytest.mark.parametrize("route", ROUTES.values(), ids=lambda route: route.name)
def test_a_lap_is_as_long_over_the_ellipsoid(route: Route) -> None:
    """Geodesics between a lap's points, by Karney's method (geographiclib), add up to the lap's length."""
    latitude, longitude = degrees(*route.outline)
    legs = zip(latitude[:-1:8], longitude[:-1:8], latitude[8::8], longitude[8::8], strict=True)
    lap = sum(Geodesic.WGS84.Inverse(*leg, Geodesic.DISTANCE)["s12"] for leg in legs)
    assert lap == pytest.approx(route.length, rel=3e-4)


@pytest.mark.parametrize("route", ROUTES.values(), ids=lambda route: route.name)
def test_hills_close_and_brakes_suffice(route: Route) -> None:
    assert route.height[0] == pytest.approx(route.height[-1]) and np.abs(route.grade).max() < 0.12
    speed = route.speed_limits(8.0)
    assert np.all(np.diff(speed**2) >= -2 * BRAKING - 1e-6) and speed.max() == pytest.approx(8.0)


def test_wandering_noise_is_the_plain_recursion() -> None:
    """Closed-form blocks against scipy's direct recursion x' = keep x + e."""
    noise = wander(np.random.default_rng(5), 5000, 2.5, 0.99)
    rng = np.random.default_rng(5)
    shock = rng.normal(0, 2.5 * np.sqrt(1 - 0.99**2), 5000)
    shock[0] = rng.normal(0, 2.5)
    assert noise == pytest.approx(lfilter([1], [1, -0.99], shock), abs=1e-9)


def test_a_standing_receiver_wanders(driven: Driven, outings: list[Outing]) -> None:
    """At rest the fixes move, by centimetres to a metre a second, and stay within a few sigma of 2.5 m."""
    row = named(outings, "T-0001")
    track = driven.tracks[row]
    seen = fixes(track, ROUTES[outings[row].route], 1, np.random.default_rng(3))
    still = seen.second < track.rest
    north = (seen.latitude[still] - seen.latitude[still].mean()) * 111000
    assert 0.02 < np.abs(np.diff(north)).mean() < 1.0 and np.abs(north).max() < 12


def test_instruments_keep_to_their_stated_limits() -> None:
    for cart in fleet.CARTS:
        made = instruments(cart.name, SEED)
        assert abs(made.current_gain - 1) <= 0.005 and abs(made.voltage_gain - 1) <= 0.0025
        assert 0.02 <= abs(made.current_offset) <= 0.15 and abs(made.thermometer_offset) <= 1.0


def test_tracks_and_workbooks_open_elsewhere(driven: Driven, outings: list[Outing]) -> None:
    """gpxpy and openpyxl, which know nothing of this project, read what is written."""
    row = next(r for r, o in enumerate(outings) if o.cart.name == "C06" and o.kind == "range")
    (path, content), *_ = files.track(driven, row, outings[row], SEED)
    track = gpxpy.parse(content.decode())
    assert path.endswith(".gpx") and track.get_points_no() > 3000
    assert track.length_2d() == pytest.approx(driven.end.way[row], rel=0.15)
    (path, content), *_ = files.sheet(driven, row, outings[row], SEED)
    page = openpyxl.load_workbook(io.BytesIO(content)).active
    fields = {left: right for left, right in page.iter_rows(max_col=2, values_only=True) if left}
    assert (
        path.endswith(".xlsx")
        and fields["test"] == outings[row].name
        and fields["payload (kg)"] == outings[row].payload
    )


def test_local_times_are_the_zones() -> None:
    """1 June 2026 12:00 UTC is 12:00 in the Azores, 1 November 11:00 (IANA tz database)."""
    summer, winter = np.array([1780315200]), np.array([1793534400])
    assert logs.stamps(summer, "local", 0) == ["2026-06-01 12:00:00"]
    assert logs.stamps(winter, "day-first", 0) == ["01/11/2026 11:00:00"]
    assert logs.stamps(summer, "utc", 0) == ["2026-06-01T12:00:00Z"]
    assert logs.stamps(winter, "offset", 0) == ["2026-11-01T11:00:00-01:00"]
    assert logs.stamps(summer + 65, "elapsed", int(summer[0])) == ["65"]


def test_numbers_are_written_as_loggers_do() -> None:
    assert logs.numbers(np.array([-0.001, 52.606, -3.2]), 2) == ["0.00", "52.61", "-3.20"]
    assert logs.numbers(np.array([52.606]), 2, ",") == ["52,61"]


@pytest.mark.parametrize("name", sorted(awkward.FAULTS))
def test_faults_touch_only_what_they_say(name: str) -> None:
    lines = ["time,volts,amps", *(f"{n},50.0,-1.0" for n in range(400))]
    spoilt = awkward.FAULTS[name](lines, 1, 2)
    assert spoilt != lines and spoilt[:100] == lines[:100]
    assert abs(len(spoilt) - len(lines)) <= 90


def test_every_fault_and_map_finds_its_file(tmp_path: Path, driven: Driven, outings: list[Outing]) -> None:
    names = {outing.name for outing in season(SEED)}
    assert set(awkward.FAULTS) <= names and files.LOST_CARD in names
    rows = {(outing.cart.name, outing.day.isoformat()): row for row, outing in enumerate(outings)}
    chosen = [rows[files.SPARE_TEST], rows[files.TIMELESS_TRACK], named(outings, "T-0007"), named(outings, "T-0012")]
    made = [file for row in chosen for file in files.of_outing(driven, row, outings[row], SEED)]
    for path, content in [*made, *files.of_shop()]:
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(content)
    for pattern, path in demo.MAPS:
        assert list(tmp_path.glob(pattern)), pattern
        assert tomllib.loads((tmp_path / path).read_text())["columns"]
    track = gpxpy.parse((tmp_path / "C04" / outings[chosen[1]].name / "track.gpx").read_text())
    assert not track.has_times() and track.get_points_no() > 1000


def test_register_sheets_are_tables() -> None:
    for name, rows in sheets.REGISTER.items():
        assert len({len(row) for row in rows()}) == 1, name


def everything(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    """And an outing's files do not depend on which others are made beside it."""
    chosen = [outing for outing in season(SEED) if outing.name in ("T-0002", "T-0014", "T-0026")]
    demo.write(tmp_path / "one", chosen, SEED)
    demo.write(tmp_path / "two", chosen, SEED)
    demo.write(tmp_path / "three", chosen[1:], SEED)
    demo.write(tmp_path / "four", season(SEED + 1)[1:2], SEED + 1)
    one, three = everything(tmp_path / "one"), everything(tmp_path / "three")
    assert one == everything(tmp_path / "two")
    assert len(one) == 3 + 6 + 2 + 3 + 3 + 2  # truth, register, maps, logs, sheets, tracks
    assert all(one[name] == content for name, content in three.items() if not name.startswith("truth.csv"))
    assert season(SEED) == season(SEED) and season(SEED)[1].started != season(SEED + 1)[1].started
    assert one["incoming/sheets/T-0002.csv"] != everything(tmp_path / "four")["incoming/sheets/T-0002.csv"]


def test_truth_is_written_for_every_test(tmp_path: Path, outings: list[Outing]) -> None:
    seen: list[tuple[int, int]] = []
    demo.write(tmp_path, [outings[1], outings[-1]], SEED, lambda done, of: seen.append((done, of)))
    lines = (tmp_path / "truth.csv").read_text().splitlines()
    assert lines[0] == "test,quantity,value,unit" and {line.split(",")[0] for line in lines[1:]} == {"T-0002"}
    facts = {line.split(",")[1]: line.split(",")[2] for line in lines[1:]}
    assert float(facts["net_wh"]) == pytest.approx(float(facts["charging_wh"]) - float(facts["discharging_wh"]))
    assert facts["end_reason"] == "distance" and float(facts["distance_metre"]) == pytest.approx(15000, abs=30)
    assert "capacity_ah" not in facts and "range_metre" not in facts
    assert seen == [(1, 2), (2, 2)]
