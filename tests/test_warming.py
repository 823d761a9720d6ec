"""What warms the pack."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.measures.warming import MEASURE
from rangebook.pipeline.stretch import Result

from .electrical import Floats, batch, codes, measured, stint, stretch

SECOND = np.arange(3600.0)
PACK = {"chemistry": "LFP", "cells_in_series": 16, "mass_kg": 40.0, "maximum_temperature_celsius": 60.0}


def ohm(value: float = 0.02, u: float = 0.001, **more: float) -> Mapping[str, Result]:
    others = {name: Result(name, number, "Cel", 0.5, "given") for name, number in more.items()}
    return {"resistance_ohm": Result("resistance_ohm", value, "Ohm", u, "given"), **others}


def warmed(watt: float, loss: float = 0.0, start: float = 20.0, second: Floats = SECOND) -> Floats:
    """Temperature (Cel) of 40 kg of 1000 J/(kg K) that take `watt`, and lose `loss` W/K to air at `start`: the
    textbook solution of m c dT/dt = P - k (T - T0)."""
    heat = 40.0 * 1000.0
    if not loss:
        return np.asarray(start + watt * second / heat)
    return np.asarray(start + watt / loss * (1 - np.exp(-loss * second / heat)))


def log(celsius: Any, ampere: Any = -100.0, second: Floats = SECOND, **other: Any) -> Any:
    return batch(second, 50.0, ampere, temperature_t1_celsius=celsius, **other)


def test_joules_law_and_heat_stored() -> None:
    results, findings = measured(MEASURE, stint("drive", log(warmed(200.0)), pack=PACK, known=ohm()))
    # 100 A through 20 mohm: 200 W (Joule); 5 % of R, 2 % of I^2 by a shunt of 1 % (/ sqrt 3)
    assert results["heating_watt"].value == pytest.approx(200.0)
    assert results["heating_watt"].u == pytest.approx(200 * np.hypot(0.05, 0.02 / np.sqrt(3)), rel=0.01)
    # 18 K in an hour, less what the first and last minute's means take off
    assert results["warming_watt_seen"].value == pytest.approx(200.0, rel=0.02)
    assert results["warming_watt_seen"].u == pytest.approx(0.2 * 200, rel=0.05)
    # from 38 C at 18 K/h: 22 K more
    assert results["seconds_to_maximum"].value == pytest.approx(22 / 18 * 3600, rel=0.02)
    assert findings == []


def test_current_that_comes_and_goes_heats_by_its_square() -> None:
    ampere = np.where(np.arange(3600) % 10 < 5, -200.0, 0.0)  # 100 A on average, 200^2 / 2 on the square
    results, _ = measured(MEASURE, stint("drive", log(warmed(400.0), ampere), pack=PACK, known=ohm()))
    assert results["heating_watt"].value == pytest.approx(400.0, rel=0.005)
    slow, _ = measured(MEASURE, stint("drive", batch(SECOND[::7], 50.0, ampere[::7]), pack=PACK, known=ohm()))
    assert abs(slow["heating_watt"].value - 400.0) < 2 * (slow["heating_watt"].u or 0)
    assert (slow["heating_watt"].u or 0) > (results["heating_watt"].u or 0)


def test_warming_beyond_the_resistance_is_said() -> None:
    _, findings = measured(MEASURE, stint("drive", log(warmed(800.0)), pack=PACK, known=ohm()))
    assert codes(findings) == ["warms-more-than-its-resistance"]
    assert findings[0].severity == "warning" and "its resistance accounts for 200 W" in findings[0].words
    # 330 W more: three times 20 % of the heat capacity are 318 W, and the slow part of the losses is unknown as well
    _, findings = measured(MEASURE, stint("drive", log(warmed(530.0)), pack=PACK, known=ohm()))
    assert findings == []


def test_warm_air_warms_a_cold_pack_and_is_no_fault() -> None:
    known = ohm(temperature_start=5.0)
    warm = log(warmed(800.0, start=5.0), ambient_temperature_celsius=30.0)
    _, findings = measured(MEASURE, stint("drive", warm, pack=PACK, known=known))
    assert findings == []
    cool = log(warmed(800.0, start=5.0), ambient_temperature_celsius=5.0)
    _, findings = measured(MEASURE, stint("drive", cool, pack=PACK, known=known))
    assert codes(findings) == ["warms-more-than-its-resistance"]


def test_no_resistance_no_heating_no_mass_no_warmth() -> None:
    results, findings = measured(MEASURE, stint("drive", log(warmed(800.0)), pack=PACK))
    assert "heating_watt" not in results and findings == []
    light = {"maximum_temperature_celsius": 60.0}
    results, findings = measured(MEASURE, stint("drive", log(warmed(400.0)), pack=light, known=ohm()))
    assert set(results) == {"heating_watt", "seconds_to_maximum"} and findings == []
    assert measured(MEASURE, stint("charge", log(warmed(800.0)), pack=PACK, known=ohm())) == ({}, [])


def test_a_rise_the_thermometer_cannot_tell_is_no_figure() -> None:
    results, findings = measured(MEASURE, stretch("range", log(warmed(10.0)), pack=PACK, known=ohm()))  # 0.9 K
    assert "warming_watt_seen" not in results and codes(findings) == ["warming-unclear"]


@pytest.mark.parametrize("seed", range(5))
def test_a_temperature_that_only_scatters_reaches_no_maximum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    celsius = np.round(55 + rng.normal(0, 0.7, 3600))  # read to 1 K
    pack = {**PACK, "maximum_temperature_celsius": 55.6}
    results, _ = measured(MEASURE, stint("drive", log(celsius), pack=pack, known=ohm()))
    assert "seconds_to_maximum" not in results


@pytest.mark.parametrize("digits", [0, 1])
def test_the_time_to_the_maximum_holds_what_rounding_hides(digits: int) -> None:
    celsius = np.round(warmed(200.0), digits)
    results, _ = measured(MEASURE, stint("drive", log(celsius), pack=PACK, known=ohm()))
    found = results["seconds_to_maximum"]
    assert found.u is not None and abs(found.value - 4400) < 2 * found.u < 4400
    # both ends of the half hour are rounded: step / sqrt(12) each (JCGM 100:2008, F.2.2.1), over 9 K
    assert found.u > 4400 * 10.0**-digits / np.sqrt(6) / 9


def test_levelling_off_comes_later_than_told_and_over_ten_hours_is_no_figure() -> None:
    # 800 W against 16 W/K: levels off at 70 C, time constant 2500 s
    celsius = warmed(800.0, 16.0)
    pack = {**PACK, "maximum_temperature_celsius": 68.0}
    results, _ = measured(MEASURE, stint("drive", log(celsius), pack=pack))
    truth = -2500 * np.log(1 - 48 / 50) - 3599
    assert 0 < results["seconds_to_maximum"].value < truth
    cold = stint("drive", log(warmed(60.0)), pack={**PACK, "maximum_temperature_celsius": 90.0})  # 5.4 K/h, 64 K left
    assert "seconds_to_maximum" not in measured(MEASURE, cold)[0]
    hot = stint("drive", log(warmed(200.0, start=55.0)), pack=PACK)  # there already
    assert "seconds_to_maximum" not in measured(MEASURE, hot)[0]
