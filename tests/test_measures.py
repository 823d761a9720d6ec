"""The electrical measures together: whatever a log holds, figures are finite, in their unit, with an uncertainty."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.measures import BUILTIN, energy, heat, limits, pack
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stints import cut
from rangebook.pipeline.stretch import Samples, Stretch
from rangebook.pipeline.tables import CHEMISTRIES, END_REASONS, TEST_KINDS

from .electrical import batch, biggest, known, measured, stint

ELECTRICAL = (energy.MEASURE, pack.MEASURE, limits.MEASURE, heat.MEASURE)

packs = st.fixed_dictionaries(
    {},
    optional={
        "chemistry": st.sampled_from([*CHEMISTRIES, "of another kind"]),
        "cells_in_series": st.sampled_from([None, 1, 16, 24]),
        "rated_capacity_ah": st.sampled_from([None, 100.0]),
        "rated_hours": st.sampled_from([None, 5.0]),
        "cut_off_voltage_volt": st.sampled_from([None, 42.0]),
        "continuous_discharge_ampere": st.sampled_from([None, 20.0]),
        "peak_discharge_ampere": st.sampled_from([None, 60.0]),
        "peak_time_second": st.sampled_from([None, 10.0]),
        "continuous_charge_ampere": st.sampled_from([None, 5.0]),
        "maximum_temperature_celsius": st.sampled_from([None, 20.0]),
    },
)
marks = st.fixed_dictionaries(
    {},
    optional={
        "elapsed_second": st.sampled_from([None, 0.0, 3600.0]),
        "distance_metre": st.sampled_from([None, 0.0, 5000.0]),
        "rest_voltage_volt": st.sampled_from([None, 52.0]),
        "loaded_voltage_volt": st.sampled_from([None, 47.0]),
        "temperature_t1_celsius": st.sampled_from([None, 25.0]),
    },
)


@st.composite
def logs(draw: st.DrawFn) -> Any:
    """A log of pieces: currents of every kind, steps of every kind, holes in any column."""
    pieces = draw(st.lists(st.tuples(st.integers(1, 500), st.sampled_from([-150.0, -45.0, -1.0, 0.0, 0.2, 20.0]))))
    ampere = np.concatenate([np.full(rows, level) for rows, level in pieces] + [np.array([-45.0])])
    steps = draw(st.lists(st.sampled_from([0.0, 0.1, 1.0, 1.0, 10.0, 400.0]), min_size=1, max_size=5))
    noise = np.random.default_rng(draw(st.integers(0, 99)))
    columns = {
        "volt": 50 + 0.03 * ampere,
        "ampere": ampere + noise.normal(0, draw(st.sampled_from([0.0, 0.1, 2.0])), len(ampere)),
        "temperature_t1_celsius": noise.normal(20, 5, len(ampere)),
    }
    for name in draw(st.sets(st.sampled_from(sorted(columns)))):
        columns[name][noise.random(len(ampere)) < draw(st.sampled_from([0.01, 0.5, 1.0]))] = np.nan
    return batch(np.cumsum(np.resize(steps, len(ampere))), **columns)


@given(
    logs(), packs, st.lists(marks, max_size=3), st.sampled_from([*TEST_KINDS, "alone"]), st.sampled_from(END_REASONS)
)
@settings(max_examples=150, deadline=None)
def test_any_log_gives_figures_or_none(
    log: Any, facts: dict[str, Any], marks: list[dict[str, Any]], kind: str, reason: str
) -> None:
    stints = list(cut([log], biggest(log)))
    whole = Samples.of(log)
    stretches = [
        Stretch(one.kind, whole.part(one.first, one.last), stints=[], pack=facts) for one in stints if kind == "alone"
    ] or [Stretch(kind, whole, stints=stints, marks=marks, pack=facts, test={"test": "T-1", "end_reason": reason})]
    for stretch in stretches:
        results = dict(known(distance_metre=5000.0))
        for measure in ELECTRICAL:
            results.update(measured(measure, Stretch(**{**vars(stretch), "known": results}))[0])
        if {"net_ah", "charging_ah", "discharging_ah"} <= set(results):
            net = results["charging_ah"].value - results["discharging_ah"].value
            assert results["net_ah"].value == pytest.approx(net, abs=1e-9)
            assert min(results["charging_ah"].value, results["discharging_ah"].value) >= 0


def test_a_test_without_a_log_says_so_once() -> None:
    found = [item for measure in ELECTRICAL for item in measure.compute(Stretch("range", test={"test": "T-1"}))]
    assert [item.code for item in found if isinstance(item, Finding)] == ["no-log"]
    assert len(found) == 1


def test_each_quantity_is_measured_once_and_in_order() -> None:
    assert [measure.name for measure in BUILTIN] == [
        "way", "energy", "pack", "state", "resistance", "reference", "limits", "heat", "performance", "road_load",
        "charging", "projection", "cells", "protection", "warming",
    ]  # fmt: skip
    names = [quantity.name for measure in BUILTIN for quantity in measure.quantities]
    assert len(names) == len(set(names))


def test_two_million_rows_are_measured_in_seconds() -> None:
    second = np.arange(2_000_000) * 0.1
    ampere = -60 - 60 * np.sin(second / 7)
    log = stint("drive", batch(second, 50 + 0.03 * ampere, ampere), pack={"continuous_discharge_ampere": 100.0})
    began = time.process_time()
    for measure in ELECTRICAL:
        measured(measure, log)
    assert time.process_time() - began < 20
