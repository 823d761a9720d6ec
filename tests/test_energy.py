"""Charge and energy."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from rangebook.pipeline.measures.energy import HIDDEN_SHARE, MEASURE
from rangebook.pipeline.measures.flow import Flow, flow
from rangebook.pipeline.stretch import Samples

from .electrical import (
    HERE,
    LFP_TRIP,
    batch,
    biggest,
    codes,
    known,
    measured,
    pack_trip,
    simulated,
    stint,
    stretch,
)  # fmt: skip


def drive(second: object, volt: object, ampere: object, **facts: object) -> dict[str, float]:
    results, _ = measured(MEASURE, stint("drive", batch(second, volt, ampere), **facts))
    return {name: result.value for name, result in results.items()}


@pytest.mark.parametrize("step", [1.0, 60.0, 900.0])
def test_a_ramp_of_current_and_voltage_is_exact_at_any_step(step: float) -> None:
    # Closed form: V = 52 - 2u, I = -100u over u = 0..1 h gives 50 A.h and 2600 - 200/3 W.h. A trapezoid of
    # V x I is 33.33 h^2 W.h low at step h hours.
    u = np.arange(0, 3600 + step, step) / 3600
    values = drive(u * 3600, 52 - 2 * u, -100 * u)
    assert values["discharging_ah"] == pytest.approx(50.0, abs=1e-9)
    assert values["discharging_wh"] == pytest.approx(2600 - 200 / 3, abs=1e-9)


def test_constant_discharge_then_charge() -> None:
    # By hand: -50 A at 51.2 V for 3600 s, +20 A at 54 V for 900 s, the change at one instant.
    second = np.r_[np.arange(3601), 3600 + np.arange(901)]
    volt = np.repeat([51.2, 54.0], [3601, 901])
    ampere = np.repeat([-50.0, 20.0], [3601, 901])
    values = drive(second, volt, ampere)
    expected = {
        "discharging_ah": 50.0, "charging_ah": 5.0, "net_ah": -45.0,
        "discharging_wh": 2560.0, "charging_wh": 270.0, "net_wh": -2290.0,
    }  # fmt: skip
    assert {name: values[name] for name in expected} == pytest.approx(expected, abs=1e-9)
    assert values["discharging_ah"] + values["charging_ah"] == pytest.approx(55.0)  # throughput
    assert values["regen_share"] == pytest.approx(270 / 2560)


def test_current_that_crosses_zero_is_split_at_the_samples_and_the_net_is_that_of_the_line() -> None:
    # By hand: from -30 A to +10 A in 4 s. max(I, 0) runs from 0 to 10 A: 20 A.s in; max(-I, 0) from 30 to 0 A: 60 A.s
    # out. (Split where the line crosses zero it would be 5 and 45 A.s.) The net is -40 A.s whichever way.
    found = flow(np.array([0.0, 4.0]), np.array([50.0, 50.0]), np.array([-30.0, 10.0]))
    assert found.discharging_ah * 3600 == pytest.approx(60.0)
    assert found.charging_ah * 3600 == pytest.approx(20.0)
    assert found.charging_wh * 3600 == pytest.approx(1000.0)
    assert found.net_ah * 3600 == pytest.approx(-40.0)


@pytest.mark.parametrize("step", [2, 5, 10])
@pytest.mark.parametrize("cycle", ["000", "060"])
def test_a_slower_log_finds_as_much_regen_on_average(cycle: str, step: int) -> None:
    # The sum of max(I, 0) over every step-th sample, over all beginnings, is the sum over all samples: what is thinned
    # is right on average. Splitting straight lines where they cross zero loses a third of the regen at 10 s.
    part = Samples.of(pack_trip(cycle))
    found = [flow(part.second[k::step], part.volt[k::step], part.ampere[k::step]) for k in range(step)]
    whole = flow(part.second, part.volt, part.ampere)
    assert np.mean([one.charging_ah for one in found]) == pytest.approx(whole.charging_ah, rel=0.01)
    assert np.mean([one.charging_wh for one in found]) == pytest.approx(whole.charging_wh, rel=0.01)


def test_a_minute_missing_is_left_out_and_said() -> None:
    # By hand: 1 s at -50 A; 60 s hold 50 * 60 / 3600 = 0.833 A.h.
    second = np.r_[np.arange(600), 659 + np.arange(600)]
    results, findings = measured(MEASURE, stint("drive", batch(second, 50.0, -50.0)))
    assert results["gap_second"].value == 60.0
    assert results["discharging_ah"].value == pytest.approx(50 * (599 + 599) / 3600)
    assert results["discharging_ah"].u is not None
    assert results["discharging_ah"].u > 0.8333 / np.sqrt(3)
    assert codes(findings) == ["gap"]
    assert "60 s are missing in one gap" in findings[0].words
    assert "0.833 Ah" in findings[0].words


def test_an_instant_with_two_values_is_no_gap_and_adds_nothing() -> None:
    values = drive([0, 1, 2, 2, 3, 4], [50.0] * 6, [-10, -10, -10, -40, -40, -40])
    assert values["discharging_ah"] * 3600 == pytest.approx(10 * 2 + 40 * 2)
    assert values["gap_second"] == 0.0


def test_the_simulated_trip_gives_the_solvers_own_integrals() -> None:
    # 2.077440 A.h and 6.39976 W.h: the solver's integrals over the drive (tests/electrical.py).
    results, findings = measured(MEASURE, stretch("range", simulated(LFP_TRIP), known=known(distance_metre=9e3)))
    assert results["net_ah"].value == pytest.approx(-2.077440, abs=1e-5)
    assert results["net_wh"].value == pytest.approx(-6.39976, rel=5e-4)
    assert results["zero_offset_ampere"].value == 0.0
    assert codes(findings) == []


@pytest.mark.parametrize("cycle", ["000", "060"])
def test_pack_trips_give_the_solvers_own_integrals(cycle: str) -> None:
    with (HERE / "reference" / "pack_trips_truth.csv").open() as lines:
        truth = {row["cycle"]: row for row in csv.DictReader(line for line in lines if line[0] != "#")}[str(int(cycle))]
    results, _ = measured(MEASURE, stint("drive", pack_trip(cycle)))
    assert results["net_ah"].value == pytest.approx(-float(truth["Ah"]), rel=1e-5)
    assert results["net_wh"].value == pytest.approx(-float(truth["Wh"]), rel=1.5e-3)


def test_scipy_integrates_the_same() -> None:
    # scipy.integrate.simpson is exact for the cubic that a product of two straight lines is, given its midpoints.
    part = Samples.of(pack_trip("000"))
    middle = (part.second[:-1] + part.second[1:]) / 2
    at = np.sort(np.r_[part.second, middle])
    power = np.interp(at, part.second, part.volt) * np.interp(at, part.second, part.ampere)
    found = flow(part.second, part.volt, part.ampere)
    whole = sum(integrate.simpson(power[k : k + 3], x=at[k : k + 3]) for k in range(0, len(at) - 2, 2))
    assert found.net_wh == pytest.approx(whole / 3600, rel=1e-9)
    assert found.net_ah == pytest.approx(integrate.trapezoid(part.ampere, part.second) / 3600, rel=1e-12)


currents = st.lists(st.floats(-400, 400).map(lambda x: round(x, 2)), min_size=2, max_size=60)


@given(currents, st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_the_battery_data_formats_invariants_hold(ampere: list[float], seed: int) -> None:
    # BDF ontology 1.3.0: net = charging - discharging, cumulative = charging + discharging; only net may fall.
    draw = np.random.default_rng(seed)
    second = np.cumsum(draw.uniform(0.2, 2.0, len(ampere)))
    volt = draw.uniform(40, 58, len(ampere))
    current = np.array(ampere)
    flows = [flow(second[:n], volt[:n], current[:n]) for n in range(2, len(ampere) + 1)]
    for name in ("charging_ah", "discharging_ah", "charging_wh", "discharging_wh"):
        grown = np.diff([0.0] + [getattr(one, name) for one in flows])
        assert (grown >= -1e-12).all()
    last = flows[-1]
    assert last.net_ah == pytest.approx(np.trapezoid(current, second) / 3600, abs=1e-9)
    turned = flow(second, volt, -current)
    assert (turned.charging_ah, turned.charging_wh) == pytest.approx((last.discharging_ah, last.discharging_wh))


@given(currents, st.integers(1, 58))
@settings(deadline=None)
def test_two_halves_make_the_whole(ampere: list[float], at: int) -> None:
    at = min(at, len(ampere) - 1)
    second, volt, current = np.arange(len(ampere)), np.full(len(ampere), 50.0), np.array(ampere)
    halves = [flow(second[cut], volt[cut], current[cut]) for cut in (slice(0, at + 1), slice(at, None))]
    whole = flow(second, volt, current)
    for name in ("charging_ah", "discharging_wh"):
        assert sum(getattr(half, name) for half in halves) == pytest.approx(getattr(whole, name), abs=1e-9)


@pytest.mark.parametrize("step", [2, 5, 10, 20, 60])
@pytest.mark.parametrize("cycle", ["000", "060"])
def test_what_a_slower_log_loses_is_within_what_it_claims(cycle: str, step: int) -> None:
    # The same simulated drive at 1 s is the truth for itself thinned; k = 2 covers about 95 % (JCGM 100:2008, G.1.3).
    part = Samples.of(pack_trip(cycle))
    inside = []
    for offset in range(0, step, max(1, step // 10)):
        rows = np.arange(offset, len(part), step)
        whole = slice(int(rows[0]), int(rows[-1]) + 1)
        thinned = flow(part.second[rows], part.volt[rows], part.ampere[rows])
        truth = flow(part.second[whole], part.volt[whole], part.ampere[whole])
        for name, hidden in (
            ("net", "sampling"),
            ("charging", "charging_sampling"),
            ("discharging", "discharging_sampling"),
        ):
            off = getattr(thinned, f"{name}_ah") - getattr(truth, f"{name}_ah")
            inside.append(abs(off) < 2 * HIDDEN_SHARE * getattr(thinned, f"{hidden}_ah"))
    assert np.mean(inside) >= 0.95


def test_a_slow_log_says_so_and_is_less_sure() -> None:
    log = pack_trip("000")
    slow = log.take(np.arange(0, len(log), 30))
    quick, _ = measured(MEASURE, stint("drive", log))
    results, findings = measured(MEASURE, stint("drive", slow))
    assert "slow-log" in codes(findings)
    assert (results["net_ah"].u or 0) > 2 * (quick["net_ah"].u or 0)


def offset_log(offset: float, draw: float = 0.0) -> object:
    ampere = np.concatenate([np.full(900, draw), np.full(3600, -50.0), np.full(900, draw)]) + offset
    return batch(np.arange(5400), 50.0, ampere)


def test_a_small_current_at_rest_is_the_shunts_zero_and_removed() -> None:
    results, findings = measured(MEASURE, stretch("hill", offset_log(0.2)))
    assert results["zero_offset_ampere"].value == pytest.approx(0.2)
    assert results["discharging_ah"].value == pytest.approx(50.0, rel=1e-3)
    assert codes(findings) == ["zero-offset"]
    assert "removed" in findings[0].words
    negative, _ = measured(MEASURE, stretch("hill", offset_log(-0.2)))
    assert (negative["zero_offset_ampere"].u or 0) > 0.2 / np.sqrt(3)  # it might be a real draw
    assert (results["zero_offset_ampere"].u or 1) < 0.05


def test_an_idle_draw_is_not_an_offset() -> None:
    # The draw of a cart that stands with its controller on: 1.4 A.
    results, findings = measured(MEASURE, stretch("hill", offset_log(0.0, draw=-1.4)))
    assert results["zero_offset_ampere"].value == 0.0
    assert results["discharging_ah"].value == pytest.approx(50.0, rel=1e-3)
    assert codes(findings) == ["zero-offset"]
    assert "real draw" in findings[0].words


def test_rests_that_disagree_are_left_alone() -> None:
    ampere = np.concatenate([np.zeros(900), np.full(3600, -50.0), np.linspace(-0.8, 0.8, 900)])
    results, findings = measured(MEASURE, stretch("hill", batch(np.arange(5400), 50.0, ampere)))
    assert results["zero_offset_ampere"].value == 0.0
    assert "unsteady" in findings[0].words


def test_the_current_of_a_standing_test_is_not_taken_for_an_offset() -> None:
    results, findings = measured(MEASURE, stretch("standing", batch(np.arange(0, 86_400, 60), 51.0, -0.1)))
    assert results["discharging_ah"].value == pytest.approx(0.1 * 86_340 / 3600)
    assert findings == []


def test_a_charge_test_counts_its_charging_only() -> None:
    ampere = np.concatenate([np.full(900, -50.0), np.zeros(900), np.full(3600, 20.0), np.zeros(900)])
    results, _ = measured(MEASURE, stretch("charge", batch(np.arange(6300), 54.0, ampere)))
    assert results["charging_ah"].value == pytest.approx(20.0, rel=1e-3)
    assert results["discharging_ah"].value == 0.0
    assert "regen_share" not in results


def test_consumption_and_its_uncertainty() -> None:
    # u(I) 0.5 %, u(V) 0.2 %, u(distance) 1 % combine to 1.136 % (JCGM 100:2008, 5.1.2, by hand).
    instruments = {
        "shunt": {"accuracy_percent": 0.5 * np.sqrt(3), "offset": 1e-6},
        "voltmeter": {"accuracy_percent": 0.2 * np.sqrt(3)},
    }
    log = batch(np.arange(3601), 50.0, -90.0)
    results, _ = measured(MEASURE, stint("drive", log, instruments=instruments, known=known(distance_metre=50_000.0)))
    assert results["consumption_wh_per_km"].value == pytest.approx(90.0)
    assert (results["consumption_wh_per_km"].u or 0) / 90 == pytest.approx(0.011358, rel=1e-4)
    assert results["discharge_ah_per_km"].value == pytest.approx(1.8)


def test_the_share_of_regen_does_not_feel_the_gain_of_the_instruments() -> None:
    # The same shunt read both: JCGM 100:2008, 5.2 and the example of H.2, where leaving that out triples the figure.
    log = batch(np.arange(7200), 50.0, np.repeat([-50.0, 10.0], 3600))
    rough = {"shunt": {"accuracy_percent": 10.0, "offset": 0.01}, "voltmeter": {"accuracy_percent": 10.0}}
    results, _ = measured(MEASURE, stint("drive", log, instruments=rough))
    assert results["regen_share"].value == pytest.approx(0.2, rel=1e-3)
    assert (results["regen_share"].u or 1) < 0.001
    assert (results["discharging_wh"].u or 0) > 0.08 * results["discharging_wh"].value


def test_no_consumption_without_a_distance_and_a_range_test_says_so() -> None:
    results, findings = measured(MEASURE, stretch("range", batch(np.arange(3601), 50.0, -90.0)))
    assert "consumption_wh_per_km" not in results
    assert codes(findings) == ["no-distance"]


def test_a_log_without_volts_has_charge_only() -> None:
    results, findings = measured(MEASURE, stint("drive", batch(np.arange(3601), None, -90.0)))
    assert results["discharging_ah"].value == pytest.approx(90.0)
    assert "discharging_wh" not in results
    assert codes(findings) == ["no-volts"]


def test_a_test_whose_current_has_the_wrong_sign_says_what_to_look_at() -> None:
    results, findings = measured(MEASURE, stretch("range", batch(np.arange(3601), 50.0, 90.0)))
    assert results == {}
    assert "sign" in findings[0].words


def test_rows_without_current_are_a_gap() -> None:
    ampere = np.full(1000, -50.0)
    ampere[400:500] = np.nan
    results, _ = measured(MEASURE, stint("drive", batch(np.arange(1000), 50.0, ampere)))
    assert results["gap_second"].value == 101.0


def test_nothing_flowed_is_known_only_so_well() -> None:
    results, _ = measured(MEASURE, stint("rest", batch(np.arange(1000), 50.0, 0.0)))
    assert results["net_ah"].value == 0.0
    assert biggest(batch(np.arange(10), 50.0, 0.0)) == 0.0
    assert Flow().mean_ampere == 0.0
