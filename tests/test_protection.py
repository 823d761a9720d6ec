"""Trips of the protection told from all else that ends a load, and the logger's counter against its current.

Real ends: two drives of a 16s pack and one of a cell, simulated to 2.5 V a cell (see electrical.py): each ends by the
limit, the cell's with the rest that follows in the log.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.measures import cells, warming
from rangebook.pipeline.measures.protection import MEASURE, stops_of
from rangebook.pipeline.stretch import Result, Samples, Stretch
from rangebook.pipeline.tables import TEST_KINDS, conform

from .electrical import (
    LFP_CELL,
    LFP_PACK,
    LFP_TRIP,
    batch,
    codes,
    known,
    measured,
    pack_trip,
    simulated,
    stint,
    stretch,
)

PACK = {"chemistry": "LFP", "cells_in_series": 16}  # 2.5 V a cell: 40 V


def drive(load: float = 100.0, sag_ohm: float = 0.1, empty: float = 50.0, after: float = 600.0, **late: Any) -> Any:
    """Ten minutes at 20 A, ten seconds at `load`, then nothing for `after` s. empty: V without load at the end.

    The 100 A pull 10 V: 50 V without load is 40 V, the limit. late: throttle, speed (values after the load stopped),
    volt and ampere to put in place of what follows.
    """
    second = np.arange(0.0, 610.0 + after)
    ampere = np.select([second < 600, second < 610], [-20.0, -load], 0.0)
    volt = np.where(second < 600, 52.0, empty) + ampere * sag_ohm
    follows = second >= 610
    if "ampere" in late:
        ampere[follows] = np.resize(late["ampere"], follows.sum())
    if "volt" in late:
        volt[follows] = late["volt"]
    other = {}
    if "throttle" in late:
        other["throttle_percent"] = np.where(follows, late["throttle"], 80.0)
    if "speed" in late:
        coasting = np.maximum(6.0 - 0.5 * (second - 610), 0.0) if late["speed"] == "slowing" else late["speed"]
        other["speed_metre_per_second"] = np.where(follows, coasting, 6.0)
    return batch(second, volt, ampere, **other)


def found(log: pa.RecordBatch, **facts: Any) -> Any:
    facts.setdefault("pack", PACK)
    return measured(MEASURE, stretch("range", log, **facts))


def trips(log: pa.RecordBatch, **facts: Any) -> float:
    return float(found(log, **facts)[0]["trips"].value)


@pytest.mark.parametrize(("cycle", "second", "ampere"), [("000", 12515.2514, 360.3), ("060", 11149.5470, 254.4)])
def test_real_drives_to_the_limit_end_by_a_trip(cycle: str, second: float, ampere: float) -> None:
    test = stretch("range", pack_trip(cycle), pack=LFP_PACK)
    results, findings = measured(MEASURE, test)
    assert results["trips"].value == 1
    assert results["trip_second"].value == pytest.approx(second)
    assert results["trip_second"].method == "limit"
    assert codes(findings) == ["tripped"] and findings[0].severity == "note", "a range test is meant to end so"
    _, elsewhere = measured(MEASURE, stretch("hill", pack_trip(cycle), pack=LFP_PACK))
    assert codes(elsewhere) == ["tripped"] and elsewhere[0].severity == "warning"
    assert f"the load of {ampere:.0f} A was cut off at 40.0 V" in findings[0].words
    assert stops_of(test)[-1].ampere == pytest.approx(ampere, abs=0.1)


def test_a_real_cells_drive_that_ends_within_its_log_is_a_trip() -> None:
    results, findings = measured(MEASURE, stretch("range", simulated(LFP_TRIP), pack=LFP_CELL))
    assert results["trips"].value == 1 and codes(findings) == ["tripped"]
    # rows 12124 to 24641 are the drive; it began a row before the first load
    started = simulated(LFP_TRIP).column("time").to_pylist()
    assert results["trip_second"].value == pytest.approx((started[24641] - started[12124]).total_seconds(), abs=1.01)


def test_a_real_drive_that_is_stopped_early_is_none() -> None:
    log = simulated(LFP_TRIP)
    results, findings = measured(MEASURE, stint("drive", log.slice(12124, 9000), pack=LFP_CELL))
    assert results["trips"].value == 0 and findings == []


def test_a_load_cut_off_at_the_limit_is_a_trip() -> None:
    results, findings = found(drive())
    assert results["trips"].value == 1 and results["trips"].u == 0.3
    assert results["trip_second"].value == pytest.approx(609.5)  # between the samples at 609 and 610 s
    assert results["trip_second"].u == pytest.approx(1 / np.sqrt(12))
    assert findings[0].words.startswith("the load of 100 A was cut off at 40.0 V after 10 min, the cut-off is 40 V")


@pytest.mark.parametrize(("cycle", "count"), [("000", 1), ("060", 0)])
def test_a_trip_between_two_samples_is_told_by_the_fall_of_the_volts(cycle: str, count: int) -> None:
    """Without the solver's own last instant: whole seconds only, as a logger has them. The second's volts rose in its
    last whole second, and the pull that ended it came after: it can't be seen, and the log says where it broke off."""
    whole = pack_trip(cycle)
    results, findings = measured(MEASURE, stretch("range", whole.slice(0, len(whole) - 1), pack=LFP_PACK))
    assert results["trips"].value == count
    assert codes(findings) == (["tripped"] if count else ["log-dropped-out"])


def test_in_a_fast_log_the_cut_may_take_a_second() -> None:
    second = np.arange(0, 120, 0.1)
    ampere = np.interp(second, [0, 59.5, 60.0], [-100.0, -100.0, 0.0])
    slow = np.interp(second, [0, 56.5, 60.0], [-100.0, -100.0, 0.0])
    for course, count in ((ampere, 1), (slow, 0)):
        results, _ = measured(MEASURE, stint("drive", batch(second, 50 + 0.1 * course, course), pack=PACK))
        assert results["trips"].value == count


def test_regen_in_the_last_second_of_a_fast_log_is_a_driver() -> None:
    second = np.arange(0, 120, 0.1)
    ampere = np.select([second < 59.5, second < 59.95], [-100.0, 20.0], 0.0)
    results, _ = measured(MEASURE, stint("drive", batch(second, 50 + 0.1 * ampere, ampere), pack=PACK))
    assert results["trips"].value == 0


def test_above_the_limit_it_is_a_driver_who_parks() -> None:
    assert trips(drive(empty=51.0)) == 0
    assert trips(drive(empty=51.0), pack={**PACK, "cut_off_voltage_volt": 42.0}) == 1


def test_a_load_that_comes_back_at_once_or_regen_is_a_driver() -> None:
    back = np.where(np.arange(600) < 20, 0.0, -30.0)
    assert trips(drive(ampere=back)) == 0
    assert trips(drive(ampere=np.where(np.arange(600) < 20, 40.0, 0.0))) == 0
    # a controller that still draws is connected
    assert trips(drive(ampere=-1.5)) == 0


def test_the_throttle_tells_a_driver_at_the_limit_from_a_trip() -> None:
    assert trips(drive(throttle=0.0)) == 0
    results, _ = found(drive(throttle=70.0))
    assert results["trips"].value == 1 and results["trips"].u == 0.05


def test_a_cart_that_stands_was_not_tripped() -> None:
    log = drive(speed=0.0)
    speed = np.where(np.arange(len(log)) >= 605, 0.0, 6.0)
    names = log.schema.names
    at = names.index("speed_metre_per_second")
    stood = log.set_column(at, log.schema.field(at), pa.array(speed))
    assert trips(log) == 1 and trips(stood) == 0


def test_a_load_cut_off_above_the_limit_with_the_throttle_down_is_a_trip() -> None:
    results, findings = found(drive(empty=54.0, throttle=80.0, speed="slowing"))
    assert results["trips"].value == 1 and results["trip_second"].method == "throttle-down"
    assert "with the throttle down and the volts above the cut-off" in findings[0].words
    # a cart that keeps its speed rolls down a hill; a small load may be let go by the controller
    assert trips(drive(empty=54.0, throttle=80.0, speed=6.0)) == 0
    assert trips(drive(load=3.0, empty=54.0, throttle=80.0, speed="slowing")) == 0
    assert trips(drive(empty=54.0, throttle=0.0, speed="slowing")) == 0


def test_a_driver_who_gets_it_going_again_within_a_minute_had_tripped_all_the_same() -> None:
    back = np.where(np.arange(600) < 30, 0.0, -30.0)
    assert trips(drive(empty=54.0, throttle=80.0, speed="slowing", ampere=back)) == 1
    assert trips(drive(throttle=80.0, speed="slowing", ampere=back)) == 1
    assert trips(drive(throttle=80.0, speed=6.0, ampere=back)) == 0
    assert trips(drive(empty=54.0, throttle=80.0, speed="slowing", ampere=back[24:])) == 0  # six seconds


def test_volts_that_go_with_the_current_are_a_switch_off() -> None:
    results, findings = found(drive(empty=54.0, volt=0.2, throttle=80.0))
    assert results["trips"].value == 0 and codes(findings) == ["switched-off"]
    assert trips(drive(volt=0.2)) == 1  # at the limit


def test_a_log_that_ends_under_load_dropped_out_unless_at_the_limit() -> None:
    results, findings = found(drive(empty=54.0, after=0.0))
    assert results["trips"].value == 0 and codes(findings) == ["log-dropped-out"]
    results, findings = found(drive(after=0.0))
    assert results["trips"].value == 1 and codes(findings) == ["tripped"]


def test_a_gap_under_load_is_a_drop_out() -> None:
    log = drive(empty=54.0, ampere=-20.0)
    holed = pa.concat_batches([log.slice(0, 300), log.slice(400)])
    results, findings = found(holed)
    assert results["trips"].value == 0
    assert codes(findings) == ["log-dropped-out"]
    assert findings[0].words.endswith("; 2 times in all")  # the end of the log as well


@pytest.mark.parametrize("empty", [54.0, 50.0])
def test_a_short_gap_with_the_throttle_down_is_no_trip(empty: float) -> None:
    log = drive(empty=empty, throttle=80.0, speed="slowing", ampere=-20.0)
    assert trips(pa.concat_batches([log.slice(0, 610), log.slice(640)])) == 0


def test_the_zero_of_the_shunt_is_taken_off_first() -> None:
    log = drive(ampere=-0.8)
    assert trips(log) == 0 and trips(log, known=known(zero_offset_ampere=-0.8)) == 1


def test_volts_that_do_not_come_up_show_no_cut() -> None:
    assert trips(drive(empty=54.0, throttle=80.0, speed="slowing", volt=43.5)) == 0


def test_two_trips_are_counted_and_the_first_is_told() -> None:
    one, two = drive(), drive()
    micros = two.column("time").cast(pa.int64()).to_numpy() + len(one) * 1_000_000
    both = pa.concat_batches([one, two.set_column(0, one.schema.field(0), pa.array(micros).cast(one.schema[0].type))])
    results, findings = found(both)
    assert results["trips"].value == 2 and results["trip_second"].value == pytest.approx(609.5)
    assert findings[0].words.endswith("; 2 times in all")


def test_a_sheets_trip_that_the_log_does_not_show_is_said() -> None:
    _, findings = found(drive(empty=54.0), test={"test": "T-1", "kind": "range", "end_reason": "bms-trip"})
    assert codes(findings) == ["trip-not-seen"]


def test_no_count_where_trips_cannot_be_told() -> None:
    log = drive()
    for slow, pack in ((log.take(pa.array(np.arange(0, len(log), 10))), PACK), (log, {})):
        results, findings = found(slow, pack=pack)
        assert results == {} and codes(findings) == ["trips-unclear"]
    assert trips(drive(throttle=80.0), pack={}) == 1  # with the throttle down no limit is needed


def test_ordinary_drives_invent_none() -> None:
    """450 drives of stops and pulls, half with a throttle, down to hard-pressed packs just above the limit."""
    rng = np.random.default_rng(7)
    for number in range(450):
        pulls = rng.integers(5, 60, 30)
        level = np.where(rng.random(30) < 0.35, 0.0, rng.uniform(-20, 150, 30))
        level[-1] = 0.0
        wanted = np.repeat(level, pulls)
        ampere = -np.convolve(wanted, [0.5, 0.3, 0.2])[: len(wanted)] + rng.normal(0, 0.05, len(wanted))
        ampere[wanted == 0] *= rng.random() < 0.5  # half of the controllers draw nothing while the cart stands
        volt = np.linspace(54, 48.5, len(wanted)) + 0.045 * ampere + rng.normal(0, 0.03, len(wanted))
        throttle = {"throttle_percent": np.clip(wanted / 1.5, 0, 100)} if number % 2 else {}
        results, findings = measured(
            MEASURE, stint("drive", batch(np.arange(len(volt)), volt, ampere, **throttle), pack=PACK)
        )
        assert results["trips"].value == 0, number
        assert findings == []


# The logger's own counter.


def counted(counter: Any, ampere: float = -36.0, second: Any = None) -> list[str]:
    """Findings of an hour at 36 A by one sample a second: 0.01 Ah each."""
    second = np.arange(3600.0) if second is None else second
    log = batch(second, 52.0, ampere, net_capacity_ah=counter)
    return codes(measured(MEASURE, stint("drive", log, pack=PACK))[1])


TRUE = -0.01 * np.arange(3600.0)


def test_a_counter_that_counts_the_same_is_silent() -> None:
    assert counted(TRUE) == []
    assert counted(np.round(TRUE, 1)) == []  # read to 0.1 Ah
    assert counted(1000 + TRUE * 1.01) == []  # 1 %: within the shunt's accuracy


def test_a_counter_that_disagrees_is_said_with_both_figures() -> None:
    log = batch(np.arange(3600.0), 52.0, -36.0, net_capacity_ah=0.9 * TRUE)
    _, findings = measured(MEASURE, stint("drive", log, pack=PACK))
    assert codes(findings) == ["counter-disagrees"]
    assert "counter says -32.39 Ah, its current adds up to -35.99 Ah" in findings[0].words


def test_a_counter_the_other_way_round_is_told() -> None:
    log = batch(np.arange(3600.0), 52.0, -36.0, net_capacity_ah=-TRUE)
    _, findings = measured(MEASURE, stint("drive", log, pack=PACK))
    assert findings[0].words.endswith("; its sign is the other way round")


def test_a_counter_that_is_set_anew_or_wraps_is_no_disagreement() -> None:
    assert counted(np.where(np.arange(3600) < 1800, TRUE, TRUE - TRUE[1800])) == ["counter-reset"]
    assert counted(np.mod(TRUE, 10.0)) == ["counter-reset"]
    assert counted(np.mod(0.9 * TRUE, 10.0)) == ["counter-reset", "counter-disagrees"]


def test_what_is_counted_in_a_gap_is_left_out() -> None:
    second = np.r_[np.arange(1800.0), np.arange(1800.0) + 5400]
    assert counted(-0.01 * second, second=second) == []
    assert counted(TRUE, second=second) == []  # a logger that slept
    assert counted(0.9 * TRUE, second=second) == ["counter-disagrees"]  # what the gap held makes nothing unsure


def test_a_counter_that_is_not_kept_says_nothing() -> None:
    assert counted(np.zeros(3600)) == []


def test_a_small_difference_is_no_matter() -> None:
    assert counted(TRUE[:60] * 0.8, second=np.arange(60.0)) == []  # 0.12 Ah


# Whatever a log holds.


@st.composite
def logs(draw: st.DrawFn) -> pa.RecordBatch:
    """A log of pieces with steps of every kind, holes in any column, and volts of up to four cells."""
    pieces = draw(
        st.lists(st.tuples(st.integers(1, 300), st.sampled_from([-150.0, -45.0, -1.0, 0.0, 20.0])), min_size=1)
    )
    ampere = np.concatenate([np.full(rows, level) for rows, level in pieces])
    rng = np.random.default_rng(draw(st.integers(0, 99)))
    count = len(ampere)
    columns = {
        "volt": 44 + draw(st.sampled_from([0.03, 0.1])) * ampere,
        "ampere": ampere,
        "temperature_t1_celsius": 20 + np.arange(count) / 60 + rng.normal(0, 0.1, count),
        "throttle_percent": np.where(ampere < 0, 80.0, rng.choice([0.0, 80.0])),
        "speed_metre_per_second": rng.choice([0.0, 5.0], count),
        "net_capacity_ah": np.cumsum(ampere) / 3600,
    }
    for name in draw(st.sets(st.sampled_from(sorted(columns)))):
        columns[name][rng.random(count) < draw(st.sampled_from([0.01, 0.5, 1.0]))] = np.nan
    steps = draw(st.lists(st.sampled_from([0.0, 0.1, 1.0, 1.0, 10.0, 400.0]), min_size=1, max_size=5))
    plain = batch(np.cumsum(np.resize(steps, count)), **columns)
    lists = [list(3 + rng.normal(0, 0.3, rng.integers(0, 5))) if rng.random() < 0.9 else None for _ in range(count)]
    held = {name: plain.column(name) for name in plain.schema.names}
    return conform("samples", {**held, "cell_voltage_volt": pa.array(lists, pa.list_(pa.float64()))})


@given(logs(), st.sampled_from([PACK, {}, {**PACK, "mass_kg": 40.0, "maximum_temperature_celsius": 60.0}]),
       st.sampled_from([*TEST_KINDS, "alone"]))  # fmt: skip
@settings(max_examples=120, deadline=None)
def test_any_log_gives_figures_or_none(log: pa.RecordBatch, pack: dict[str, Any], kind: str) -> None:
    given_before = {"resistance_ohm": Result("resistance_ohm", 0.02, "Ohm", 0.001, "given")}
    whole = stretch(kind, log, pack=pack, known=given_before)
    samples = Samples.of(log)
    parts = [
        Stretch(one.kind, samples.part(one.first, one.last), pack=pack, known=given_before) for one in whole.stints
    ]
    for one in parts if kind == "alone" else [whole]:
        for measure in (cells.MEASURE, MEASURE, warming.MEASURE):
            measured(measure, one)
    nothing = Stretch("range", test={"test": "T-1"}, pack=pack)
    assert all(measured(measure, nothing) == ({}, []) for measure in (cells.MEASURE, MEASURE, warming.MEASURE))
