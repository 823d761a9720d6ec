"""The simulated workshop's physics, against handbooks, closed forms and conservation laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rangebook.pipeline.demo import fleet, truth
from rangebook.pipeline.demo import pack as cells
from rangebook.pipeline.demo.drive import Driven, Way, current_for, drive, felt, most_power, relaxed, way_of
from rangebook.pipeline.demo.road import ROUTES
from rangebook.pipeline.demo.season import Outing, season
from rangebook.pipeline.demo.state import GRAVITY, fixed

SEED = 20260401
MILE = 1609.344


@pytest.fixture(scope="module")
def outings() -> list[Outing]:
    return season(SEED)


@pytest.fixture(scope="module")
def driven(outings: list[Outing]) -> Driven:
    return drive(outings, SEED)


# --- energy ---


def test_the_pack_pays_for_everything_and_nothing_else(driven: Driven) -> None:
    """Energy from the pack is what losses took and what motion and height kept: conservation of energy."""
    book = driven.ledger
    losses = book.auxiliary + book.driveline + book.winding + book.regen_loss + book.friction + book.rolling + book.drag
    assert np.allclose(book.out_energy - book.in_energy, losses + book.lift + book.kinetic, rtol=1e-9)


def test_lift_is_weight_times_height(driven: Driven, outings: list[Outing]) -> None:
    """m g h between the two ends of the drive, within a metre of height: the road is known to the metre only."""
    for row, outing in enumerate(outings):
        height = ROUTES[outing.route].height
        metre = driven.end.way[row] % ROUTES[outing.route].length
        gained = np.interp(metre, np.arange(len(height)), height) - height[0]
        lifted = driven.ledger.lift[row] / (driven.facts.mass[row] * GRAVITY)
        assert lifted == pytest.approx(gained, abs=0.03 * driven.ledger.climb[row] + 1)


def test_what_loggers_see_adds_up_to_the_ledger(driven: Driven, outings: list[Outing]) -> None:
    """Once a second is enough to find the ledger's charge and energy again, within 1 %."""
    for row, track in enumerate(driven.tracks):
        volt, ampere = track.volt.astype(float), track.ampere.astype(float)
        book = driven.ledger
        assert -np.trapezoid(ampere) == pytest.approx(book.out_charge[row] - book.in_charge[row], rel=0.01)
        assert -np.trapezoid(ampere * volt) == pytest.approx(book.out_energy[row] - book.in_energy[row], rel=0.01)
        assert np.trapezoid(track.speed.astype(float)) == pytest.approx(driven.end.way[row], rel=0.002)
        assert not np.any(ampere[: track.rest]) and not np.any(ampere[track.ended + 1 :]), outings[row].name


def steady(outing: Outing, mass: float, rolling: float, area: float, mph: float, rise: float) -> Driven:
    """A drive at constant speed on a constant slope: efficiency 0.75, air of 1.2 kg/m³, nothing else drawn."""
    none = np.zeros(1)
    facts = replace(
        fixed([outing]), mass=np.array([mass]), rolling=np.array([rolling]), drag=np.array([0.5 * 1.2 * area]),
        efficiency=np.array([0.75]), auxiliary=none, winding=none, far=np.array([4000.0]),
        current_limit=np.array([300.0]),
    )  # fmt: skip
    sine = rise / np.hypot(1, rise)
    flat = np.full(5000, 1.0)
    way = Way(
        np.array([5000.0]), flat * mph * 0.44704, np.array([0]), flat * sine, flat, np.array([0]),
        np.full((1, 2), np.inf), np.zeros((1, 2)), np.ones((1, 2)), np.ones(8191), np.array([0]), np.array([0]),
    )  # fmt: skip
    return drive([outing], SEED, way, facts)


@pytest.mark.parametrize(
    ("mass", "rolling", "area", "mph", "rise", "force", "watt", "wh_per_km"),
    [
        (550, 0.015, 1.0, 12, 0, 98.17, 702.2, 36.4),
        (550, 0.020, 1.2, 15, 0, 140.25, 1253.9, 51.9),
        (550, 0.020, 1.2, 20, 0, 165.43, 1972.1, 61.3),
        (550, 0.050, 1.2, 12, 0, 290.40, 2077.2, 107.6),
        (550, 0.020, 1.2, 12, 0.05, 397.80, 2845.4, 147.3),
        (700, 0.020, 1.2, 12, 0, 158.01, 1130.2, 58.5),
    ],
)
def test_steady_speed_costs_what_the_road_load_equation_says(
    outings: list[Outing], mass: float, rolling: float, area: float, mph: float, rise: float, force: float, watt: float,
    wh_per_km: float,
) -> None:  # fmt: skip
    """F = m g (Crr cos + sin) + 1/2 rho CdA v², P = F v / 0.75: from the definition, worked by hand, 1.2 kg/m³."""
    track = steady(outings[4], mass, rolling, area, mph, rise).tracks[0]
    second = track.rest + 200
    power = -float(track.volt[second]) * float(track.ampere[second])
    speed = float(track.speed[second])
    assert speed == pytest.approx(mph * MILE / 3600, rel=1e-4)
    assert power == pytest.approx(watt, rel=3e-4)
    assert power * 0.75 / speed == pytest.approx(force, rel=3e-4)
    assert power / speed / 3.6 == pytest.approx(wh_per_km, abs=0.06)


def test_carts_obey_their_limits(driven: Driven, outings: list[Outing]) -> None:
    """Speed and current limits are the settings'; a driver's mood may add a few per cent of speed."""
    for row, (outing, track) in enumerate(zip(outings, driven.tracks, strict=True)):
        assert driven.ledger.peak[row] <= outing.settings.current + 0.01
        assert track.ampere.max() <= outing.settings.regen_ampere + 0.01
        assert track.speed.max() <= outing.settings.speed * 1.10
        assert track.ampere.min() == pytest.approx(-driven.ledger.peak[row], rel=0.1)


def test_drives_end_at_the_cut_off_for_ten_seconds(driven: Driven, outings: list[Outing]) -> None:
    """A peak under the limit ends nothing; ten seconds under it do (common practice, no source)."""
    emptied = np.flatnonzero(driven.end.emptied)
    assert len(emptied) > 100
    for row in emptied:
        track, limit = driven.tracks[row], fleet.cut_off(outings[row].pack)
        under = np.concatenate(([0], track.volt[: track.ended].astype(float) < limit, [0])).astype(np.int8)
        edges = np.flatnonzero(np.diff(under))
        runs = edges[1::2] - edges[::2]
        assert runs[-1] == 11 and np.all(runs[:-1] <= 10), outings[row].name


# --- the pack ---


def test_current_gives_the_power_asked_for() -> None:
    volt, ohm, power = np.array([52.0, 52.0, 38.0]), np.array([0.02, 0.03, 0.05]), np.array([3000.0, -900.0, 0.0])
    current = current_for(power, volt, ohm)
    assert current * (volt - current * ohm) == pytest.approx(power, abs=1e-9)
    assert most_power(volt, ohm, np.full(3, 80.0))[0] == pytest.approx(80 * (52 - 80 * 0.02))


def test_use_takes_capacity_by_the_published_law() -> None:
    """Wang et al. 2011, J. Power Sources 196:3942, C/2: worked from the paper's constants; z = 0.55."""
    assert cells.throughput_loss(1000) == pytest.approx(4.25235, abs=1e-5)
    assert cells.throughput_loss(5000) == pytest.approx(10.30535, abs=1e-5)
    assert cells.throughput_loss(1000, 45.0) == pytest.approx(9.45644, abs=1e-5)
    assert cells.throughput_loss(2000) / cells.throughput_loss(1000) == pytest.approx(2**0.55)


def test_time_takes_capacity_with_its_root() -> None:
    """Calendar ageing goes with the square root of time: four times as long, twice the loss."""
    assert cells.calendar_loss(4 * 365) == pytest.approx(2 * cells.calendar_loss(365))


def test_flooded_rest_volts_are_the_makers_table() -> None:
    """A battery maker's table for a 12 V block at 26.7 °C: 12.65, 12.45, 12.24, 12.06, 11.89 V."""
    block = 6 * cells.rest_volts("flooded", np.array([1.0, 0.75, 0.5, 0.25, 0.0]))
    assert block == pytest.approx([12.65, 12.45, 12.24, 12.06, 11.89])


@pytest.mark.parametrize("chemistry", cells.CHEMISTRIES)
def test_rest_volts_rise_with_charge(chemistry: str) -> None:
    table = cells.volt_tables()[cells.CHEMISTRIES.index(chemistry)]
    full = int((1 - cells.BELOW) * cells.GRID)
    assert np.all(np.diff(table[: full + 1]) > 0)


@pytest.mark.parametrize(("ampere", "ah"), [(20, 200.54), (25, 191.79), (56, 163.22), (75, 153.96), (100, 145.35)])
def test_lead_gives_less_at_more(outings: list[Outing], ampere: float, ah: float) -> None:
    """Peukert's law for 225 Ah at 20 h and an exponent of 1.2: t = H (C / (I H))^k, worked by hand."""
    facts = replace(fixed(outings[:1]), peukert=np.array([1.2]), reference=np.array([225 / 20]))
    current = np.array([float(ampere)])
    assert 225 / float(felt(current, current, facts)[0]) * ampere == pytest.approx(ah, abs=0.006)


@pytest.mark.parametrize(("seconds", "milliohm"), [(1, 2.049), (10, 2.393), (30, 2.777)])
def test_sag_grows_like_a_resistor_and_capacitor(seconds: int, milliohm: float) -> None:
    """2.0 mΩ and 1.0 mΩ beside 20 kF after a 50 A step: R0 + R1 (1 - exp(-t/20 s)), theory of the circuit."""
    slow, keep = np.zeros(1), np.exp(np.array([-0.5 / 20]))
    for _ in range(2 * seconds):
        slow = relaxed(slow, np.array([50 * 1e-3]), keep)
    assert 2.0 + float(slow[0]) / 50 * 1000 == pytest.approx(milliohm, abs=6e-4)


def test_cold_takes_capacity() -> None:
    """LFP at 0 °C gives 75 to 90 % of what it gives at 25 °C (three cells in a trade summary: 80.2 % and more)."""
    assert 0.75 < 1 - 25 * cells.COLD_LOSS["LFP"] < 0.90


def test_a_recharge_puts_back_what_is_missing() -> None:
    pack = fleet.PACKS[0]
    charge = cells.recharge(pack, 60.0, 0.1, 0.03, 5.0)
    assert np.sum(charge.ampere) * 5 / 3600 == pytest.approx(54.0, rel=0.01)
    assert np.all(charge.volt <= fleet.charge_volt(pack)) and np.all(np.diff(charge.ampere) <= 0)
    assert charge.volt[-1] == fleet.charge_volt(pack) and np.all(np.diff(charge.volt) >= -1e-9)


# --- the season's stories ---


def test_one_pack_fades_too_fast() -> None:
    facts = {(thing, what): value for thing, what, value, _ in truth.of_fleet(SEED)}
    fades = {pack.name: facts[pack.name, "season_fade_percent"] for pack in fleet.PACKS}
    assert 13 < fades.pop("P02") < 17
    assert all(1.4 < fade < 4 for fade in fades.values())


def test_one_brake_drags_from_week_fourteen(driven: Driven, outings: list[Outing]) -> None:
    ratio = {
        (outing.week, outing.cart.name): driven.facts.rolling[row]
        / (outing.cart.rolling * ROUTES[outing.route].ground * (1 + 0.006 * (20 - outing.ambient)))
        for row, outing in enumerate(outings)
    }
    for (week, cart), factor in ratio.items():
        assert factor == pytest.approx(1.3 if cart == "C06" and week >= 14 else 1.0)


def test_settings_differ_in_what_a_kilometre_costs(driven: Driven, outings: list[Outing]) -> None:
    """On the harbour loop, brisk costs more than standard, standard more than gentle, on average."""
    book = driven.ledger
    cost = (book.out_energy - book.in_energy) / 3.6 / driven.end.way
    flat = [(row, outing.settings.name) for row, outing in enumerate(outings) if outing.route == "harbour loop"]
    gentle, standard, brisk = (
        np.mean([cost[row] for row, name in flat if name == wanted]) for wanted in ("gentle", "standard", "brisk")
    )
    assert gentle * 1.03 < standard < brisk / 1.05


def test_the_season_is_as_planned(driven: Driven, outings: list[Outing]) -> None:
    tests = [outing for outing in outings if outing.kind == "range"]
    assert len(tests) == 130 and len({outing.name for outing in tests}) == 130
    assert {sum(outing.cart.name == cart.name for outing in tests) for cart in fleet.CARTS} == {13}
    reasons = [truth.end_reason(driven, row, outing) for row, outing in enumerate(outings) if outing.kind == "range"]
    assert {"cut-off", "bms-trip", "operator", "distance", "time"} == set(reasons)
    assert reasons.count("cut-off") + reasons.count("bms-trip") > 100
    assert sum(driven.ledger.over_continuous > 0) > 10
    hours = [(track.ended - track.rest) / 3600 for track in driven.tracks]
    assert min(hours) > 0.6 and max(hours) < 4.25


def test_way_is_drawn_from_the_outing_alone(outings: list[Outing]) -> None:
    alone, among = way_of(outings[3:4], SEED), way_of(outings[:6], SEED)
    assert np.array_equal(alone.halts[0], among.halts[3])
