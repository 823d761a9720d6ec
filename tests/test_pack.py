"""Volts at rest and loaded, capacity, depth, health, range."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.measures.ending import beginning_of, ending_of
from rangebook.pipeline.measures.energy import MEASURE as ENERGY
from rangebook.pipeline.measures.pack import MEASURE
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stretch import Result, Stretch

from .electrical import (
    LFP_CELL,
    LFP_PACK,
    LFP_TRIP,
    START,
    batch,
    codes,
    known,
    measured,
    pack_trip,
    simulated,
    stint,
    stretch,
)  # fmt: skip

LEAD = {"chemistry": "flooded", "cells_in_series": 24, "rated_capacity_ah": 225.0, "rated_hours": 20.0}
AT = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=START)


def figures(stretch: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    """The figures of the pack, with those of energy known as in the program."""
    energy, _ = measured(ENERGY, stretch)
    return measured(MEASURE, Stretch(**{**vars(stretch), "known": {**stretch.known, **energy}}))


def discharge(
    volt: Any, ampere: Any = -50.0, rest_volt: float = 53.5, pack: dict[str, Any] = LFP_PACK, **test: Any
) -> Stretch:
    """A range test that is one discharge with volts as given, 1 s apart, between two rests of eleven minutes."""
    volt = np.asarray(volt, dtype=float)
    load = np.broadcast_to(np.asarray(ampere, dtype=float), volt.shape)
    rest = np.zeros(660)
    volts = np.concatenate([rest + rest_volt, volt, rest + 50.0])
    log = batch(np.arange(len(volts)), volts, np.concatenate([rest, load, rest]))
    return stretch(
        "range", log, pack=pack, test={"test": "T-1", "kind": "range", **test}, known=known(distance_metre=4e4)
    )


def test_the_simulated_trip_is_a_capacity_from_full_to_cut_off() -> None:
    # 2.077440 A.h and 6.39976 W.h to 2.5 V: the solver's own (tests/electrical.py). Rest volts are the log's own.
    results, findings = figures(stretch("range", simulated(LFP_TRIP), pack=LFP_CELL, known=known(distance_metre=9e3)))
    assert results["capacity_ah"].value == pytest.approx(2.077440, abs=1e-5)
    assert results["capacity_wh"].value == pytest.approx(6.39976, rel=5e-4)
    assert not results["capacity_ah"].lower_bound
    assert results["state_of_health_percent"].value == pytest.approx(100 * 2.077440 / 2.3, abs=1e-3)
    assert results["depth_of_discharge_percent"].value == results["state_of_health_percent"].value
    assert results["rest_start_volt"].value == pytest.approx(3.578684)
    assert results["rest_end_volt"].value == pytest.approx(2.9712, abs=5e-4)
    assert "after 60 min of rest" in results["rest_end_volt"].note
    assert results["lowest_loaded_volt"].value == 2.5
    assert results["range_metre"].value == 9e3
    assert not results["range_metre"].lower_bound
    assert "charged just before" in results["capacity_ah"].note
    assert codes(findings) == []


@pytest.mark.parametrize(("cycle", "ah"), [("000", 95.4531486341096), ("060", 85.31256425)])
def test_pack_trips_end_at_2_5_volt_a_cell(cycle: str, ah: float) -> None:
    # The solver's own integral of the current to 2.5 V a cell (tests/reference/pack_trips_truth.csv).
    results, findings = figures(stretch("range", pack_trip(cycle), pack=LFP_PACK, known=known(distance_metre=5e4)))
    assert results["capacity_ah"].value == pytest.approx(ah, rel=1e-5)
    assert "begins full" in results["capacity_ah"].note
    assert not results["capacity_ah"].lower_bound
    assert codes(findings) == []


def test_stopped_before_the_cut_off_is_a_lower_bound() -> None:
    results, findings = figures(discharge(np.linspace(53, 49, 3600)))
    assert results["capacity_ah"].lower_bound
    assert results["range_metre"].lower_bound
    assert "state_of_health_percent" not in results
    assert codes(findings) == ["no-cut-off"]
    assert "the lowest loaded voltage is 49.0 V" in findings[0].words


def test_ten_seconds_at_the_limit_reach_it_and_nine_do_not() -> None:
    # The driver, warned, goes on with half the pull.
    ampere = np.r_[np.full(3011, -50.0), np.full(589, -25.0)]
    for second, how in ((9, "stopped"), (11, "dwell")):
        volt = np.linspace(53, 45, 3600)
        volt[3000 : 3000 + second] = 39.9
        assert ending_of(discharge(volt, ampere)).how == how, second
        assert ending_of(discharge(volt, ampere)).second in (None, 660 + 3010)


def test_low_volts_under_a_load_that_is_carried_again_afterwards_were_no_cut_off() -> None:
    volt = np.linspace(53, 45, 3600)
    volt[3000:3015] = 39.9
    assert not ending_of(discharge(volt)).reached  # 50 A above the limit for ten minutes more
    volt[3015:3590] = 39.5
    assert ending_of(discharge(volt)).second == 660 + 3010  # for ten seconds more after ten minutes: empty


def test_after_a_rest_a_pack_that_carries_the_load_again_proves_nothing() -> None:
    volt = np.r_[np.linspace(53, 41, 3000), np.full(15, 39.9), np.full(400, 47.0), np.full(60, 45.0)]
    ampere = np.r_[np.full(3015, -50.0), np.zeros(400), np.full(60, -50.0)]
    assert ending_of(discharge(volt, ampere)).second == 660 + 3010


@pytest.mark.parametrize(
    ("step", "rows", "how"), [(5, 3, "stopped"), (10, 2, "stopped"), (5, 6, "dwell"), (10, 6, "dwell")]
)
def test_a_slow_log_needs_more_than_two_or_three_low_samples(step: int, rows: int, how: str) -> None:
    volt, ampere = np.linspace(53, 45, 400), np.full(400, -40.0)
    volt[300 : 300 + rows], ampere[300 : 300 + rows] = 39.9, -120.0  # peaks that are never met again
    log = batch(step * np.arange(400), volt, ampere)
    assert ending_of(stretch("range", log, pack=LFP_PACK)).how == how


def test_where_the_sheet_says_cut_off_the_end_of_the_drive_tells_when() -> None:
    # 40 V is the limit: 39.9 V on the way is within what the logger's volts are in doubt (0.25 %, so 2 u = 0.12 V).
    volt = np.r_[np.linspace(53, 41, 3000), np.full(30, 39.9), np.linspace(46, 41, 570), np.full(12, 39.0)]
    ampere = np.r_[np.full(3030, -50.0), np.full(570, -25.0), np.full(12, -50.0)]
    said = discharge(volt, ampere, end_reason="cut-off")
    assert ending_of(said).second is None
    assert figures(said)[0]["capacity_ah"].value == pytest.approx((3030 * 50 + 570 * 25 + 12 * 50) / 3600, rel=2e-3)
    assert ending_of(discharge(volt, ampere)).second == 660 + 3010  # what the log alone would say
    volt[3000:3030] = 39.7  # beyond doubt, and minutes before the end
    assert ending_of(discharge(volt, ampere, end_reason="cut-off")).second == 660 + 3010


def test_a_soft_end_makes_the_capacity_less_sure() -> None:
    # By hand: 53 V to 38 V in 7200 s falls 2.083 mV/s; 0.25 % of 40 V / sqrt(3) is 57.7 mV, 27.7 s, 0.385 A.h at 50 A.
    soft, _ = figures(discharge(np.linspace(53, 38, 7200), np.r_[np.full(7100, -50.0), np.full(100, -25.0)]))
    hard, _ = figures(discharge(np.r_[np.linspace(53, 42, 6240), np.linspace(42, 38, 40), np.full(920, 38.0)]))
    others = (hard["capacity_ah"].u or 0) / hard["capacity_ah"].value
    expected = np.hypot(0.385, others * soft["capacity_ah"].value)
    assert soft["capacity_ah"].u == pytest.approx(expected, rel=0.03)


def test_low_samples_on_either_side_of_a_gap_are_no_dwell() -> None:
    volt = np.linspace(53, 45, 1000)
    volt[499:501] = 39.0
    second = np.r_[np.arange(500), 560 + np.arange(500)]
    assert not ending_of(stretch("range", batch(second, volt, -50.0), pack=LFP_PACK)).reached


def test_a_momentary_peak_ends_nothing() -> None:
    volt = np.linspace(53, 45, 3600)
    volt[1000:1003] = 38.0
    assert not ending_of(discharge(volt)).reached


def test_volts_at_the_limit_without_load_end_nothing() -> None:
    volt, ampere = np.linspace(53, 45, 3600), np.full(3600, -50.0)
    volt[3000:3100], ampere[3000:3100] = 39.0, 0.0
    assert not ending_of(discharge(volt, ampere)).reached


def test_the_load_ending_at_the_limit_is_a_trip() -> None:
    volt = np.linspace(53, 45, 3600)
    volt[-1] = 40.0
    ending = ending_of(discharge(volt))
    assert (ending.how, ending.second, ending.ampere) == ("trip", 660 + 3599, 50.0)


def test_the_first_dip_of_a_lead_acid_battery_ends_nothing() -> None:
    # 24 cells of 1.75 V are 42.0 V (common practice, no source).
    volt, ampere = np.linspace(48, 44, 3600), np.full(3600, -50.0)
    volt[20:60], ampere[20:60] = 41.5, -70.0
    assert not ending_of(discharge(volt, ampere, pack=LEAD)).reached
    assert ending_of(discharge(volt, ampere, pack={**LFP_PACK, "cut_off_voltage_volt": 42.0})).how == "dwell"
    volt[20:] = 41.5  # it never comes back: that is no dip
    # Five minutes from the first row of the drive, and the dwell.
    assert ending_of(discharge(volt, ampere, pack=LEAD)).second == 659 + 300 + 10


def test_the_sheet_tells_a_cut_off_the_log_does_not_show() -> None:
    results, findings = figures(discharge(np.linspace(53, 46, 3600), end_reason="bms-trip"))
    assert not results["capacity_ah"].lower_bound
    assert codes(findings) == ["cut-off-not-seen"]
    unknown, findings = figures(discharge(np.linspace(53, 46, 3600), pack={}, end_reason="cut-off"))
    assert not unknown["capacity_ah"].lower_bound
    assert codes(findings) == ["no-rating"]


def test_driving_on_after_the_cut_off_does_not_count() -> None:
    volt = np.r_[np.linspace(53, 40, 3600), np.full(100, 39.0), np.full(900, 46.0)]
    ampere = np.r_[np.full(3700, -50.0), np.full(900, -40.0)]
    ampere[3950:4000] = 50.0  # regen after it
    results, findings = figures(discharge(volt, ampere))
    assert results["capacity_ah"].value == pytest.approx(50.0 * 3610 / 3600, rel=1e-3)
    whole = 3700 * 50 + 850 * 40 - 50 * 50
    assert results["range_metre"].value == pytest.approx(4e4 * 3610 * 50 / whole, rel=1e-3)
    assert codes(findings) == ["drove-on"]


def test_regen_goes_back_in() -> None:
    volt, ampere = np.linspace(53, 40, 3600), np.full(3600, -50.0)
    ampere[1000:1030] = 60.0
    results, _ = figures(discharge(volt, ampere))
    drawn = figures(discharge(volt))[0]["capacity_ah"].value
    assert results["capacity_ah"].value == pytest.approx(drawn - 30 * 110 / 3600, abs=1e-6)


def test_a_pack_that_did_not_begin_full_gives_a_lower_bound() -> None:
    # 24 cells that rest at 49.5 V stand between 50 and 75 % by the table of chemistry.toml.
    results, findings = figures(discharge(np.linspace(48, 42, 3600), pack=LEAD, rest_volt=49.5))
    assert results["capacity_ah"].lower_bound
    assert "depth_of_discharge_percent" not in results
    assert codes(findings) == ["not-full"]


def test_a_charge_that_stopped_early_did_not_fill() -> None:
    second = np.arange(9000)
    ampere = np.repeat([20.0, 0.0, -50.0], 3000)
    volt = np.r_[np.linspace(52, 54, 3000), np.full(3000, 53.6), np.linspace(53, 40, 3000)]
    early = stretch("range", batch(second, volt, ampere), pack=LFP_PACK)
    assert not beginning_of(early, 53.6).full
    volt[2900:3000] = 58.2
    full = stretch("range", batch(second, volt, ampere), pack=LFP_PACK)
    assert beginning_of(full, 53.6).words == "full at the start: charged just before"


def test_charging_between_drives_leaves_no_capacity() -> None:
    ampere = np.concatenate([np.full(1800, -50.0), np.full(600, 20.0), np.full(1800, -50.0)])
    results, findings = figures(stretch("range", batch(np.arange(4200), 50.0, ampere), known=known(distance_metre=1e4)))
    assert "capacity_ah" not in results
    assert "range_metre" not in results
    assert codes(findings) == ["charged-between"]


def test_lead_at_another_rate_than_rated_is_said() -> None:
    results, findings = figures(discharge(np.linspace(50, 42, 7200), -75.0, pack=LEAD))
    assert results["state_of_health_percent"].value == pytest.approx(100 * 150 / 225, rel=1e-3)
    assert "rated over 20 h" in results["state_of_health_percent"].note
    assert codes(findings) == ["other-rate"]
    assert "faster" in findings[0].words


def test_sag_of_a_plain_resistance() -> None:
    # Ohm's law, 24 mohm: 52.8 V without load, 50.4 V at -100 A: 2.4 V.
    ampere = np.concatenate([np.full(600, -20.0), np.zeros(30), np.full(30, -100.0), np.full(600, -20.0)])
    volt = 52.8 + 0.024 * ampere
    volt[600:629] -= 0.5  # still coming back from the load before; the last sample without load counts
    results, _ = measured(MEASURE, stint("drive", batch(np.arange(1260), volt, ampere)))
    assert results["sag_volt"].value == pytest.approx(2.4, abs=1e-9)
    assert results["lowest_loaded_volt"].value == pytest.approx(50.4)


def test_what_a_slower_log_misses_of_volts_under_load_is_within_what_it_claims() -> None:
    # The simulated trips at 1 s are the truth for themselves thinned (k = 3). A pack that falls off within one step of
    # a slow log, at the very end, is missed by more now and then.
    inside = []
    for cycle, step in product(("000", "060"), (2, 5, 10)):
        log = pack_trip(cycle)
        whole, _ = measured(MEASURE, stint("drive", log))
        for begin in range(step):
            found, _ = measured(MEASURE, stint("drive", log.take(np.arange(begin, len(log), step))))
            for name in {"lowest_loaded_volt", "sag_volt"} & set(found):
                inside.append(abs(found[name].value - whole[name].value) <= 3 * (found[name].u or 0))
    assert np.mean(inside) >= 0.9


def test_a_sag_that_hangs_on_which_samples_there_are_is_no_figure() -> None:
    # Pulls of 2 s in a log at 2 s: whether a 10 s window holds one sample of 200 A or none decides all.
    second = 2.0 * np.arange(600)
    ampere = np.where(np.arange(600) % 25 == 24, -200.0, -1.0)
    results, findings = measured(MEASURE, stint("drive", batch(second, 52.0 + 0.02 * ampere, ampere)))
    assert "sag_volt" not in results
    assert codes(findings) == ["volts-unclear"]
    assert "one sample in 2 s" in findings[0].words


def test_no_sag_without_a_moment_of_no_load() -> None:
    results, _ = measured(MEASURE, stint("drive", batch(np.arange(600), 50.0, -60.0)))
    assert "sag_volt" not in results


def mark(minute: float, **facts: Any) -> dict[str, Any]:
    return {"time": AT + timedelta(minutes=minute), **facts}


def test_marks_tell_what_no_log_does() -> None:
    marks = [
        mark(0, rest_voltage_volt=53.4, distance_metre=0.0),
        mark(20, loaded_voltage_volt=49.2, distance_metre=6000.0),
        mark(60, loaded_voltage_volt=44.1, distance_metre=18000.0),
        mark(75, rest_voltage_volt=48.8, distance_metre=18000.0),
    ]
    row = {"test": "T-1", "kind": "range", "started": AT, "ended": AT + timedelta(minutes=60), "end_reason": "cut-off"}
    results, _ = measured(MEASURE, Stretch("range", marks=marks, test=row, known=known(distance_metre=18000.0)))
    assert results["rest_start_volt"].value == 53.4
    assert results["rest_end_volt"].value == 48.8
    assert "15 min after" in results["rest_end_volt"].note
    assert results["lowest_loaded_volt"].value == 44.1
    assert results["range_metre"].value == 18000.0
    assert not results["range_metre"].lower_bound
    assert "capacity_ah" not in results


def test_rest_volts_written_on_the_way_are_not_those_before_it() -> None:
    row = {"test": "T-1", "kind": "range", "started": AT, "ended": AT + timedelta(minutes=60)}
    results, _ = measured(
        MEASURE, Stretch("range", marks=[mark(16, rest_voltage_volt=52.6, distance_metre=1e4)], test=row)
    )
    assert "rest_start_volt" not in results


def test_rest_volts_written_before_the_end_are_not_those_after_it() -> None:
    row = {"test": "T-1", "kind": "range", "started": AT, "ended": AT + timedelta(minutes=60)}
    results, _ = measured(
        MEASURE, Stretch("range", marks=[mark(40, rest_voltage_volt=50.1, distance_metre=9e3)], test=row)
    )
    assert "rest_end_volt" not in results


def test_a_rest_alone_tells_its_end_and_no_more() -> None:
    results, _ = measured(MEASURE, stint("rest", batch(np.arange(3600), np.linspace(50, 51, 3600), 0.0)))
    assert list(results) == ["rest_end_volt"]
    assert results["rest_end_volt"].value == pytest.approx(51.0, abs=0.01)
    brief, _ = measured(MEASURE, stint("rest", batch(np.arange(500), 51.0, 0.0)))
    assert brief == {}
