"""Temperature of the pack."""

from __future__ import annotations

import numpy as np
import pytest

from rangebook.pipeline.measures.heat import MEASURE
from rangebook.pipeline.stretch import Stretch

from .electrical import batch, codes, measured, stint, stretch

LOG = batch(
    np.arange(3600), 50.0, -60.0, temperature_t1_celsius=np.linspace(20, 44, 3600), ambient_temperature_celsius=18.0
)


def test_start_highest_rise_and_above_the_air() -> None:
    results, findings = measured(MEASURE, stint("drive", LOG))
    assert results["temperature_start"].value == pytest.approx(20 + 24 * 30 / 3599)  # the first minute's mean
    assert results["temperature_max"].value == 44.0
    assert results["temperature_rise"].value == pytest.approx(44 - results["temperature_start"].value)
    assert results["temperature_over_ambient"].value == pytest.approx(26.0)
    assert results["temperature_max"].u == pytest.approx(1 / np.sqrt(3))  # +-1 K, JCGM 100:2008, 4.3.7
    assert findings == []


def test_above_the_stated_maximum_is_said_with_how_long() -> None:
    _, findings = measured(MEASURE, stint("drive", LOG, pack={"maximum_temperature_celsius": 40.0}))
    assert codes(findings) == ["above-rating"]
    assert findings[0].words == "above its stated maximum of 40 °C for 600 s: 44.0 °C"


def test_a_test_goes_by_its_drives_and_the_sheets_air() -> None:
    ampere = np.concatenate([np.zeros(900), np.full(900, -60.0), np.zeros(900)])
    celsius = np.concatenate([np.full(900, 50.0), np.full(900, 30.0), np.full(900, 60.0)])
    log = batch(np.arange(2700), 50.0, ampere, temperature_t1_celsius=celsius)
    results, _ = measured(MEASURE, stretch("hill", log, test={"test": "T-1", "ambient_celsius": 21.0}))
    # the drive takes one row of the rest on either side
    assert results["temperature_max"].value == 60.0
    assert results["temperature_over_ambient"].method == "air-sheet"


def test_marks_where_no_log_has_a_temperature() -> None:
    marks = [{"temperature_t1_celsius": 24.0, "ambient_temperature_celsius": 20.0}, {"note": "ramp"},
             {"temperature_t1_celsius": 27.0}]  # fmt: skip
    results, _ = measured(MEASURE, Stretch("range", marks=marks, test={"test": "T-1"}))
    assert results["temperature_rise"].value == 3.0
    assert results["temperature_over_ambient"].value == 7.0
    assert results["temperature_max"].method == "marks"


def test_nothing_known_gives_nothing() -> None:
    assert measured(MEASURE, stint("drive", batch(np.arange(10), 50.0, -60.0))) == ({}, [])


def test_charging_lithium_in_frost_is_said() -> None:
    # Makers of lithium cells rule out charging below 0 C: common practice, no source.
    log = batch(np.arange(900), 54.0, 20.0, temperature_t1_celsius=-3.0)
    _, findings = measured(MEASURE, stint("charge", log, pack={"chemistry": "LFP"}))
    assert codes(findings) == ["cold-charge"]
    assert "maker" in findings[0].words
    assert measured(MEASURE, stint("charge", log, pack={"chemistry": "AGM"}))[1] == []
