"""How far a full pack would have gone: closed forms, worked examples, and a simulated pack whose drive is cut short."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.measures.energy import MEASURE as ENERGY
from rangebook.pipeline.measures.pack import MEASURE as PACK
from rangebook.pipeline.measures.projection import (
    MEASURE,
    consumption,
    range_of,
    road_inputs,
    saved,
    share_used,
)
from rangebook.pipeline.measures.propagation import Figure, at_least, propagated
from rangebook.pipeline.measures.reference import MEASURE as REFERENCE
from rangebook.pipeline.measures.state import MEASURE as STATE
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stints import cut
from rangebook.pipeline.stretch import Result, Samples, Stretch

from .electrical import LFP_PACK, batch, biggest, codes, measured, pack_trip, stretch

PROJECTED, AT_REFERENCE = "projected_range_metre", "reference_range_metre"
LFP = {"chemistry": "LFP", "cells_in_series": 16, "rated_capacity_ah": 100.0, "rated_hours": 2.0}
OWN = {**LFP, "capacity_reference_ah": 100.0, "capacity_reference_ah_u": 2.0}
PLAIN = {
    "drawn": 50.0, "capacity": 100.0, "warmth": 1.0, "full": 1.0, "left": 1.0, "peukert": 1.0, "took": 1.0,
    "distance": 2e4, "rest": 1.0,
}  # fmt: skip
MPH = 0.44704
"""m/s, exact."""


def result(name: str, value: float, unit: str, u: float, method: str = "given", lower: bool = False) -> Result:
    return Result(name, value, unit, u, method, lower)


def known(**given: tuple[float, float]) -> dict[str, Result]:
    """Results of measures before by name: value and standard uncertainty."""
    return {name: result(name, value, "1", u) for name, (value, u) in given.items()}


def figures(of: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    """The figures of projection, with those before it known as in the program."""
    found: dict[str, Result] = dict(of.known)
    for one in (ENERGY, PACK, STATE, REFERENCE):
        found.update(measured(one, replace(of, known=found))[0])
    return measured(MEASURE, replace(of, known={**found, **of.known}))


def drive(ampere: float, hours: float, pack: dict[str, Any], kind: str = "range", **facts: Any) -> Stretch:
    """A steady drive of `hours`, 1 s a sample, at 25 °C, far from the cut-off, after and before twenty minutes of
    rest."""
    rows = [1200, round(3600 * hours) + 1, 1200]
    volt = (
        np.repeat([53.6, 52.0, 53.0], rows)
        * pack.get("cells_in_series", 16)
        / (24 if pack.get("chemistry") == "flooded" else 16)
    )
    log = batch(np.arange(sum(rows)), volt, np.repeat([0.0, -ampere, 0.0], rows), temperature_t1_celsius=25.0)
    facts.setdefault("known", known(distance_metre=(2e4, 200.0)))
    return stretch(kind, log, pack=pack, **facts)


def test_half_of_the_charge_makes_half_of_the_range() -> None:
    assert share_used(PLAIN, 2.0) == 0.5
    assert range_of(PLAIN, 2.0) == 4e4
    assert range_of({**PLAIN, "drawn": 100.0}, 2.0) == 2e4
    assert range_of({**PLAIN, "warmth": 0.8}, 2.0) == pytest.approx(3.2e4)


def test_a_drive_to_the_half_and_its_uncertainty_by_hand() -> None:
    for kind in ("range", "capacity"):
        found, findings = figures(drive(50.0, 1.0, OWN, kind))
        assert found[PROJECTED].value == pytest.approx(4e4, rel=1e-3)
        assert found[PROJECTED].method == "own-capacity"
        assert not found[PROJECTED].lower_bound
        assert findings == []
    # JCGM 100:2008, eq. 12, for R = D C / Q and what else goes in: way 1 %, capacity 2 %, the shunt's 1 % limit, a pack
    # taken as full to 5 %, a rest of the drive (a half) that makes 10 % more or less way, and Peukert's 0.02 of ln C/IH
    # = 0; the limits over the root of 3. At 25 Cel the warmth has no doubt but the thermometer's 1 K, 0.5 %.
    shares = [0.01, 0.02, 0.01 / 3**0.5, 0.05 / 3**0.5, 0.5 * 0.1 / 3**0.5]
    assert found[PROJECTED].u == pytest.approx(4e4 * math.hypot(*shares), rel=0.02)
    assert "20000 m on 50% of the charge" in found[PROJECTED].note


def test_what_a_gap_of_the_log_held_counts_for_the_way_that_was_driven_in_it() -> None:
    second = batch(np.r_[0:3000, 3600:6001], 52.0, np.r_[np.zeros(1200), np.full(3001, -50.0), np.zeros(1200)])
    way = known(distance_metre=(2e4, 200.0), duration_second=(3600.0, 1.0))
    found, _ = figures(stretch("range", second, pack=OWN, known=way, test={"test": "T-1", "kind": "range",
                       "ambient_celsius": 25.0}))  # fmt: skip
    unbroken, _ = figures(drive(50.0, 1.0, OWN))
    assert found[PROJECTED].value == pytest.approx(unbroken[PROJECTED].value, rel=2e-3)
    assert (found[PROJECTED].u or 0) > 1.5 * (unbroken[PROJECTED].u or 0)


def test_rated_capacity_stands_for_what_packs_in_use_hold() -> None:
    found, _ = figures(drive(50.0, 1.0, LFP))
    assert found[PROJECTED].value == pytest.approx(2e4 * 92.5 / 50, rel=1e-3)
    assert found[PROJECTED].method == "rated-capacity"
    own, _ = figures(drive(50.0, 1.0, OWN))
    assert (found[PROJECTED].u or 0) / found[PROJECTED].value > 1.5 * (own[PROJECTED].u or 0) / own[PROJECTED].value
    assert "of which packs in use hold 80 to 105 Ah" in found[PROJECTED].note


def test_states_of_charge_by_rest_tell_the_share_without_a_rating() -> None:
    pack = {name: value for name, value in LFP.items() if name != "rated_capacity_ah"}
    charge = {
        "state_of_charge_start_percent": result("state_of_charge_start_percent", 100.0, "%", 2.0, "charged-full"),
        "state_of_charge_end_percent": result("state_of_charge_end_percent", 60.0, "%", 3.0, "rest-volts"),
    }
    of = drive(50.0, 1.0, pack, known={**known(distance_metre=(2e4, 200.0)), **charge})
    found, _ = figures(of)
    assert found[PROJECTED].value == pytest.approx(5e4, rel=1e-3)
    assert found[PROJECTED].method == "rest-volts"
    counted = replace(charge["state_of_charge_end_percent"], method="counted")
    _, findings = figures(replace(of, known={**of.known, "state_of_charge_end_percent": counted}))
    assert codes(findings) == ["range-unclear"]


def test_lead_goes_by_peukert() -> None:
    # A published worked example: 100 Ah on the 1-A basis (100 h), k = 1.2, 5 A: 14.4956 h. Five of them were driven.
    pack = {"chemistry": "flooded", "cells_in_series": 24, "rated_hours": 100.0, "peukert": 1.2, "peukert_u": 0.01}
    pack |= {"capacity_reference_ah": 100.0, "capacity_reference_ah_u": 1.0}
    found, _ = figures(drive(5.0, 5.0, pack))
    assert found[PROJECTED].value == pytest.approx(2e4 * 14.4956 / 5, rel=1e-3)
    # At the rated hours, 1 A: 100 h.
    assert found[AT_REFERENCE].value == pytest.approx(2e4 * 100 / 25, rel=1e-3)


@pytest.mark.parametrize("cycle", ["000", "060"])
@pytest.mark.parametrize("share", [0.4, 0.6, 0.8])
def test_a_simulated_drive_cut_short_holds_the_whole(cycle: str, share: float) -> None:
    # Simulated with PyBaMM (tests/reference/): new and after 60 cycles, to 2.5 V a cell, at 5 m/s throughout.
    log = pack_trip(cycle)
    rows = round(share * len(log))
    short = log.slice(0, rows)
    whole, way = 5.0 * (len(log) - 1), {"distance_metre": (5.0 * rows, 0.05 * rows)}
    of = Stretch("range", Samples.of(short), stints=list(cut([short], biggest(log))), pack=LFP_PACK,
                 test={"test": "T-1", "kind": "range", "ambient_celsius": 25.0}, known=known(**way))  # fmt: skip
    found, _ = figures(of)
    assert abs(found[PROJECTED].value - whole) <= 2 * (found[PROJECTED].u or 0)
    assert (found[PROJECTED].u or 0) < 0.12 * whole


def test_not_below_the_way_that_was_driven() -> None:
    for hours in (1.8, 1.95, 2.1):
        found, _ = figures(drive(50.0, hours, OWN))
        assert found[PROJECTED].value > 2e4
    found, findings = figures(drive(50.0, 2.5, OWN))
    assert PROJECTED not in found
    assert codes(findings) == ["range-unclear"]
    assert "125% of what the pack is expected to give was drawn" in findings[0].words


@pytest.mark.parametrize(
    ("hours", "pack", "words"),
    [
        (0.35, OWN, "18% of the charge was used, 20% are needed"),
        (1.0, {"chemistry": "LFP", "cells_in_series": 16}, "no rated capacity is stated"),
        (1.0, {"rated_capacity_ah": 100.0, "cut_off_voltage_volt": 40.0}, "chemistry of the pack is not stated"),
    ],
)
def test_no_figure_where_the_drive_carries_none(hours: float, pack: dict[str, Any], words: str) -> None:
    found, findings = figures(drive(50.0, hours, pack))
    assert found == {}
    assert codes(findings) == ["range-unclear"]
    assert words in findings[0].words


def test_no_figure_in_a_cold_of_which_too_little_is_known() -> None:
    of = drive(50.0, 0.5, OWN)
    assert of.samples is not None
    cold = replace(of.samples, other={"temperature_t1_celsius": np.full(len(of.samples), -20.0)})
    found, findings = figures(replace(of, samples=cold))
    assert PROJECTED not in found
    assert codes(findings) == ["range-unclear"]
    assert "says little" in findings[0].words


def test_a_capacity_or_a_charge_that_says_nothing_is_not_used() -> None:
    vague, _ = figures(drive(50.0, 1.0, {**OWN, "capacity_reference_ah_u": 40.0}))
    assert vague[PROJECTED].method == "rated-capacity"
    charge = {
        "state_of_charge_start_percent": result("state_of_charge_start_percent", 55.0, "%", 15.0, "rest-volts"),
        "state_of_charge_end_percent": result("state_of_charge_end_percent", 45.0, "%", 15.0, "rest-volts"),
    }
    pack = {**LFP, "peukert": 1.1, "peukert_u": 0.01}
    found, _ = figures(drive(50.0, 1.0, pack, known={**known(distance_metre=(2e4, 200.0)), **charge}))
    assert found[PROJECTED].method == "rated-capacity"


def test_no_projection_of_other_tests_nor_without_a_way() -> None:
    assert figures(drive(50.0, 1.0, OWN, "hill")) == ({}, [])
    found, findings = figures(drive(50.0, 1.0, OWN, known={}))
    assert (found, codes(findings)) == ({}, ["range-unclear"])
    assert figures(drive(50.0, 1.0, OWN, "capacity", known={})) == ({}, [])
    reached = drive(50.0, 1.9, OWN, test={"test": "T-1", "kind": "range", "end_reason": "cut-off"})
    found, findings = figures(reached)
    assert PROJECTED not in found
    assert findings == []
    # Nor of one that began half full, if it went on to the cut-off: 52.2 V of 16 cells at rest.
    assert reached.samples is not None
    low = replace(reached, samples=replace(reached.samples, volt=reached.samples.volt - 1.4))
    assert figures(low) == ({}, [])


# Cut off below what was driven.


def test_a_normal_distribution_cut_off() -> None:
    # The half-normal distribution: mean sqrt(2/pi), variance 1 - 2/pi.
    assert at_least(Figure(0.0, 1.0), 0.0) == pytest.approx(((2 / math.pi) ** 0.5, (1 - 2 / math.pi) ** 0.5))
    assert at_least(Figure(4e4, 1e3), 2e4) == (4e4, 1e3)
    for least in (-2.0, 0.5, 3.0, 8.0, 24.9, 25.1, 40.0):
        x = np.linspace(least, least + 12 / max(1.0, least / 3), 400_001)
        density = np.exp(-(x**2 - least**2) / 2)
        mean = float(np.average(x, weights=density))
        deviation = float(np.sqrt(np.average((x - mean) ** 2, weights=density)))
        value, u = at_least(Figure(0.0, 1.0), least)
        assert value - least == pytest.approx(mean - least, rel=5e-3)
        assert u == pytest.approx(deviation, rel=5e-3)


def test_propagation_is_the_sum_of_squared_shares_for_products() -> None:
    # JCGM 100:2008, 5.1.6, eq. 12: for Y = X1^p1 X2^p2 the shares add as squares, each times its power.
    inputs = {"a": (3.0, 0.003), "b": (7.0, 0.014), "c": (2.0, 0.0)}
    value, u = propagated(lambda x: x["a"] / x["b"] ** 2 * x["c"], inputs)
    assert value == 6 / 49
    assert u / value == pytest.approx(math.hypot(0.001, 2 * 0.002), rel=1e-4)


# What a metre takes.


@pytest.mark.parametrize(("mph", "watt_hours"), [(15, 83.6), (20, 98.6)])
def test_consumption_of_a_cart_on_level_ground(mph: float, watt_hours: float) -> None:
    # By hand: 550 x 9.80665 x 0.020 = 107.87 N; 0.6 x 1.2 m2 x v^2 = 32.38 and 57.56 N; over 0.75, times 1609.344 m.
    mile = 1609.344 * consumption(550.0, 0.020, 1.2, 0.75, 0.0, mph * MPH)
    assert mile == pytest.approx(watt_hours, abs=0.05)


def test_accessories_take_more_of_a_slow_metre() -> None:
    slow, fast = (consumption(550.0, 0.02, 0.0, 0.75, 72.0, speed) for speed in (2.0, 8.0))
    assert slow - fast == pytest.approx(72.0 / 3600 * (1 / 2 - 1 / 8))


# At reference conditions.

ROAD = known(
    distance_metre=(4e4, 400.0), range_metre=(4e4, 400.0), capacity_ah=(90.0, 0.9), capacity_reference_ah=(90.0, 1.2),
    rolling_coefficient=(0.02, 0.002), drag_area_m2=(1.2, 0.3), driveline_efficiency=(0.75, 0.04),
    auxiliary_watt=(50.0, 5.0), mean_moving_speed=(5.0, 0.05), climb_metre=(0.0, 0.0), descent_metre=(0.0, 0.0),
)  # fmt: skip


def of_road(payload: float = 80.0, without: tuple[str, ...] = (), **other: tuple[float, float]) -> Stretch:
    """A test whose measured figures are ROAD's, but for `other` and `without`."""
    found = {name: one for name, one in {**ROAD, **known(**other)}.items() if name not in without}
    return Stretch("range", cart={"mass_kg": 500.0}, test={"test": "T-1", "payload_kg": payload}, known=found)


def driven(payload: float = 80.0, without: tuple[str, ...] = (), **other: tuple[float, float]) -> Result:
    """The reference range of such a test."""
    results, findings = measured(MEASURE, of_road(payload, without, **other))
    assert findings == []
    return results[AT_REFERENCE]


def test_at_reference_conditions_nothing_changes() -> None:
    found = driven()
    assert found.value == pytest.approx(4e4, rel=1e-12)
    # Of the capacity's 1.33 % all but the 1 % that it has in common with the measured one stays; then the way's 1 % and
    # the 1 % of the speed, which moves drag and accessories only.
    charge = math.hypot(0.01, math.sqrt((1.2 / 90) ** 2 - 0.01**2))
    assert charge < (found.u or 0) / found.value < 1.1 * charge


def test_only_the_capacity_where_the_road_load_is_not_known() -> None:
    found = driven(220.0, ("rolling_coefficient",), capacity_reference_ah=(99.0, 1.4))
    assert found.value == pytest.approx(4e4 * 99 / 90)
    # What payload and the rest make of it by usual road loads is in the uncertainty: 140 kg more on 580 are a fifth.
    own = math.sqrt((1.4 / 99) ** 2 - 0.01**2)
    inputs, told = road_inputs(of_road(220.0, ("rolling_coefficient",)))
    ratio = propagated(saved, inputs)
    assert not told
    assert 1.15 < ratio.value < 1.24
    shares = [own, 0.01, ratio.u, (ratio.value - 1) / 3**0.5]
    assert found.u == pytest.approx(found.value * math.hypot(*shares))
    alike = driven(80.0, ("rolling_coefficient",), capacity_reference_ah=(99.0, 1.4))
    assert (alike.u or 0) < 0.5 * (found.u or 0)
    assert "the road load is not known: payload, speed and climb as driven" in found.note


def test_payload_speed_and_climb_are_taken_out() -> None:
    # By hand at 5 m/s: rolling 580 and 720 kg x 9.80665 x 0.02 = 113.757 and 141.216 N, drag 18 N, over 0.75, and
    # 50 W / 5 m/s = 10 N: 185.676 and 222.288 N.
    assert driven(220.0).value == pytest.approx(4e4 * 222.288 / 185.676, rel=1e-5)
    # Drag at 8 m/s is 46.08 N, and 50 W make 6.25 N: 219.366 N.
    assert driven(mean_moving_speed=(8.0, 0.08)).value == pytest.approx(4e4 * 219.366 / 185.676, rel=1e-5)
    # 400 m up on 40 km, nothing down: 580 x 9.80665 x 0.01 / 0.75 = 75.838 N more; as much down: a quarter of it.
    up = driven(climb_metre=(400.0, 5.0))
    assert up.value == pytest.approx(4e4 * (1 + 75.838 / 185.676), rel=1e-5)
    both = driven(climb_metre=(400.0, 5.0), descent_metre=(400.0, 5.0))
    assert both.value == pytest.approx(4e4 * (1 + 75.838 / 4 / 185.676), rel=1e-5)
    assert (both.u or 0) > 2 * (driven().u or 0)


def test_the_uncertainty_of_a_correction_by_hand() -> None:
    # 1.197 with a quarter of the correction as a limit, and what is uncertain of the inputs; then the charge's and the
    # way's 1.33 % together.
    inputs, told = road_inputs(of_road(220.0))
    assert told
    ratio = propagated(saved, inputs)
    shares = [0.25 * (ratio.value - 1) / 3**0.5 / ratio.value, ratio.u / ratio.value, 1.2 / 90]
    found = driven(220.0)
    assert found.u == pytest.approx(found.value * math.hypot(*shares), rel=1e-6)


def test_what_both_metres_take_cancels_in_their_ratio() -> None:
    # Rolling alone: the ratio is that of the masses, whatever rolling and efficiency are.
    inputs, _ = road_inputs(of_road(220.0, drag_area_m2=(0.0, 0.0), auxiliary_watt=(0.0, 0.0)))
    ratio = propagated(saved, inputs)
    assert ratio.value == pytest.approx(720 / 580)
    masses = {name: inputs[name] if name in ("mass", "payload") else (inputs[name][0], 0.0) for name in inputs}
    assert ratio.u == pytest.approx(propagated(saved, masses).u, rel=1e-6)
    assert ratio.u < 0.005


def test_a_projected_range_comes_to_reference_conditions_without_the_temperatures_doubt() -> None:
    road = {name: one for name, one in ROAD.items() if not name.startswith(("range", "capacity", "distance"))}
    test = {"test": "T-1", "kind": "range", "payload_kg": 80.0}
    way = known(distance_metre=(2e4, 200.0))
    cold = drive(40.0, 1.0, OWN, cart={"mass_kg": 500.0}, test=test, known={**road, **way})
    assert cold.samples is not None
    other = {"temperature_t1_celsius": np.full(len(cold.samples), 0.0)}
    found, _ = figures(replace(cold, samples=replace(cold.samples, other=other)))
    # 80.2 % at 0 Cel (chemistry.toml: a trade summary of tests of one cell), so 80.2 Ah, of which 40 were drawn.
    assert found[PROJECTED].value == pytest.approx(2e4 * 80.2 / 40, rel=0.02)
    assert found[AT_REFERENCE].value == pytest.approx(2e4 * 100 / 40, rel=1e-3)
    shares = [(found[name].u or 0) / found[name].value for name in (PROJECTED, AT_REFERENCE)]
    assert shares[0] > 1.5 * shares[1]
