"""Resistance by pulse and by regression, against closed forms and drives whose resistance is known."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.measures.energy import MEASURE as ENERGY
from rangebook.pipeline.measures.pack import MEASURE as PACK
from rangebook.pipeline.measures.pulses import pulses_of, resistance
from rangebook.pipeline.measures.reference import MEASURE as REFERENCE
from rangebook.pipeline.measures.resistance import MEASURE, drift_of, until_low
from rangebook.pipeline.measures.state import MEASURE as STATE
from rangebook.pipeline.measures.state import MOST_U
from rangebook.pipeline.measures.steps import Slope, fitted, large, range_of, steps_of
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stints import cut
from rangebook.pipeline.stretch import Result, Samples, Stretch
from rangebook.pipeline.tables import END_REASONS, TEST_KINDS

from .electrical import LFP_PACK, Floats, batch, biggest, codes, measured, pack_trip, samples, stint, stretch
from .test_measures import logs, marks, packs

# An equivalent circuit simulated with PyBaMM 26.10 (BSD-3-Clause): R0 2.0 mOhm, R1 1.0 mOhm, C1 20 kF, a pulse of 50 A.
R0, R1, TAU, PULSE = 2.0e-3, 1.0e-3, 20.0, 50.0
DRIFT = 1.63e-6
"""Slope of its open-circuit voltage, V per A.s: what the simulation's uncorrected figures are above its corrected
ones."""


def figures(stretch: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    """The figures of resistance, with those before it known as in the program."""
    found: dict[str, Result] = dict(stretch.known)
    for measure in (ENERGY, PACK, STATE):
        found.update(measured(measure, replace(stretch, known=found))[0])
    return measured(MEASURE, replace(stretch, known=found))


def slow_volts(second: Floats, ampere: Floats, ohm: float, tau: float) -> Floats:
    """Volts over a resistor and a capacitor side by side, exact where each current holds from the sample before it."""
    volt, keep = np.zeros(len(second)), np.exp(-np.diff(second) / tau)
    for n in range(1, len(second)):
        volt[n] = volt[n - 1] * keep[n - 1] + ampere[n] * ohm * (1 - keep[n - 1])
    return volt


def pulse_log(step: float = 1.0, length: float = 40.0, ampere: float = -PULSE) -> pa.RecordBatch:
    """A pulse between two rests of twelve minutes, the current stepping right after a sample."""
    second = np.arange(0.0, 1440.0 + length + step / 2, step)
    current = np.where((second > 720) & (second <= 720 + length), ampere, 0.0)
    charge = np.r_[0.0, np.cumsum(np.diff(second) * current[1:])]
    return batch(second, 3.3 + DRIFT * charge + R0 * current + slow_volts(second, current, R1, TAU), current)


@pytest.mark.parametrize(
    ("second", "corrected", "uncorrected"), [(1, 2.049, 2.050), (10, 2.393, 2.410), (30, 2.777, 2.826)]
)
@pytest.mark.parametrize("ampere", [-PULSE, PULSE])
def test_a_pulse_against_the_closed_form(second: int, corrected: float, uncorrected: float, ampere: float) -> None:
    # Theory: R0 + R1 (1 - exp(-t / (R1 C1))); the simulation gives the same, 2.049, 2.394, 2.777.
    theory = 1e3 * (R0 + R1 * (1 - np.exp(-second / TAU)))
    assert theory == pytest.approx(corrected, abs=6e-4)
    log = [Samples.of(pulse_log(ampere=ampere))]
    with_drift, without = (pulses_of(log, PULSE, float(second), slope) for slope in (DRIFT, 0.0))
    # the step onto the load, and the step off it where what follows holds as long
    assert 1e3 * with_drift.ohm[0] == pytest.approx(theory, abs=1e-6)
    assert 1e3 * without.ohm[0] == pytest.approx(uncorrected, abs=2e-3)
    assert len(with_drift.ohm) == 2
    assert with_drift.ampere.tolist() == [ampere, -ampere]


def test_the_formula_of_the_hybrid_pulse_test() -> None:
    # R = |dV / dI|, DOE/ID-11069, from memory: 52.8 V at 0 A to 50.4 V at -100 A; 52.5 V to 53.1 V at +75 A.
    none = np.zeros(1)
    assert resistance(np.array([50.4 - 52.8]), np.array([-100.0]), none)[0] == pytest.approx(0.024)
    assert resistance(np.array([53.1 - 52.5]), np.array([75.0]), none)[0] == pytest.approx(0.008)
    ampere = np.repeat([0.0, -100.0, 0.0, 75.0, 0.0], 40)
    volt = np.repeat([52.8, 50.4, 52.5, 53.1, 52.5], 40)
    log = [samples(np.arange(200), volt, ampere)]
    found = pulses_of(log, range_of(log), 10.0, 0.0)
    assert found.ohm[[0, 2]] == pytest.approx([0.024, 0.008])


def test_a_log_with_a_pulse_gives_its_ten_seconds() -> None:
    results, findings = figures(
        stretch("capacity", pulse_log(0.5, 200.0), pack={"chemistry": "LFP", "cells_in_series": 1})
    )
    pulse = results["resistance_pulse_ohm"]
    assert pulse.method == "pulse-10s"
    assert 1e3 * pulse.value == pytest.approx(2.393, rel=0.01)  # drift by the rest volts before and after
    assert "2.049 mΩ after 1 s" in pulse.note
    assert "less the drift of the open-circuit voltage" in pulse.note
    assert 0.05 < (pulse.u or 0) / pulse.value < 0.1  # two pulses do not tell how they scatter
    assert codes(findings) == ["no-resistance"]  # two steps are no regression


def test_the_drift_comes_from_the_rests() -> None:
    log = stretch("capacity", pulse_log(), pack={"chemistry": "LFP", "cells_in_series": 1})
    found: dict[str, Result] = {}
    for measure in (ENERGY, PACK):
        found.update(measured(measure, replace(log, known=found))[0])
    assert drift_of(replace(log, known=found))[0] == pytest.approx(DRIFT, rel=0.03)
    assert drift_of(log)[0] == 0.0


@pytest.mark.parametrize("spoil", ["wobbles before", "does not hold", "takes six seconds", "a gap"])
def test_what_is_no_pulse(spoil: str) -> None:
    second, ampere = np.arange(200.0), np.repeat([0.0, -100.0], 100)
    if spoil == "wobbles before":
        ampere[95:99:2] = -30.0
    elif spoil == "does not hold":
        ampere[105:] = -60.0
    elif spoil == "takes six seconds":
        ampere[100:106] = np.linspace(-15, -90, 6)
    else:
        second[104:] += 3.0
    assert len(pulses_of([samples(second, 52 + 0.02 * ampere, ampere)], 100.0, 10.0, 0.0).ohm) == 0


def test_a_line_without_noise_gives_its_slope() -> None:
    # V = 52 + 0.024 I
    ampere = np.random.default_rng(1).uniform(-150, 20, 2000)
    parts = [samples(np.arange(2000), 52 + 0.024 * ampere, ampere)]
    slope = fitted(large(steps_of(parts), range_of(parts)), 0.0)
    assert slope is not None
    assert slope.ohm == pytest.approx(0.024, rel=1e-9)
    assert not slope.lagged


def test_drift_is_no_resistance() -> None:
    # The same line, its open-circuit voltage falling with charge and rising with time.
    ampere = np.repeat(np.random.default_rng(1).uniform(-150, 20, 500), 4)
    second = np.arange(2000.0)
    charge = np.r_[0.0, np.cumsum((ampere[:-1] + ampere[1:]) / 2)]
    parts = [samples(second, 52 + 0.024 * ampere + 2e-4 * charge + 1e-3 * second, ampere)]
    slope = fitted(large(steps_of(parts), range_of(parts)), 0.0)
    assert slope is not None
    assert slope.ohm == pytest.approx(0.024, rel=1e-6)


# A drive whose current is a simulated one (PyBaMM, tests/electrical.py: a pack driven to 2.5 V a cell) and whose volts
# are made here, so that the resistance is known: an ohmic 24 mOhm, 12 mOhm more that take 40 s to come.
OHM, SLOW_OHM, SLOW_TAU = 0.024, 0.012, 40.0


def known_drive(
    step: int = 1,
    volt_noise: float = 0.0,
    ampere_noise: float = 0.0,
    lag: float = 0.0,
    read: float = 0.0,
    zero: float = 0.0,
) -> pa.RecordBatch:
    """Ten minutes of rest, the drive, ten minutes of rest; `lag`: s by which volts are read late; `read`: V and A
    they are read to; `zero`: A the shunt is off."""
    trip = Samples.of(pack_trip("000"))
    fine = np.arange(0.0, trip.second[-1], 0.25)
    current = np.r_[np.zeros(2400), np.interp(fine, trip.second, trip.ampere), np.zeros(2400)]
    second = 0.25 * np.arange(len(current))
    charge = np.cumsum(current) * 0.25
    volt = 53.0 + charge / charge.min() * -4 + OHM * current + slow_volts(second, current, SLOW_OHM, SLOW_TAU)
    rows = np.arange(0, len(second), 4 * step)
    late = np.clip(rows - round(4 * lag), 0, None)
    noise = np.random.default_rng(3)
    seen_volt = volt[late] + noise.normal(0, volt_noise, len(rows)) if volt_noise else volt[late]
    seen = current[rows] + zero + (noise.normal(0, ampere_noise, len(rows)) if ampere_noise else 0.0)
    if read:
        seen_volt, seen = np.round(seen_volt / read) * read, np.round(seen / read) * read
    return batch(second[rows], seen_volt, seen, temperature_t1_celsius=22.0)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"step": 2},
        {"volt_noise": 0.02, "ampere_noise": 0.1},
        {"volt_noise": 0.05, "ampere_noise": 5.0},
        {"read": 0.5},
        {"zero": 1.5},
        {"lag": 0.5},
        {"lag": -0.25, "volt_noise": 0.02},
    ],
    ids=str,
)
def test_a_known_drive_is_recovered_within_5_percent(how: dict[str, Any]) -> None:
    results, _ = figures(stretch("range", known_drive(**how), pack={**LFP_PACK, "cut_off_voltage_volt": 30.0}))
    found = results["resistance_ohm"]
    # what the slow part has come to in one step belongs to a resistance over that step
    step = how.get("step", 1)
    truth = OHM + SLOW_OHM * (1 - np.exp(-step / SLOW_TAU)) / 2
    assert found.value == pytest.approx(truth, rel=0.05)
    assert found.u is not None
    assert found.u < 0.05 * found.value
    assert f"steps of about {step}.0 s" in found.note
    assert ("not read at the same instant" in found.note) == ("lag" in how)


def test_noise_in_the_current_would_pull_it_down() -> None:
    # Attenuation: a slope on a variable with noise of variance s^2 in it comes out short by the share s^2 / mean(dI^2).
    noise = np.random.default_rng(5)
    ampere = noise.uniform(-100, 0, 20_000)
    seen = ampere + noise.normal(0, 10, len(ampere))
    steps = large(steps_of([samples(np.arange(20_000), 52 + 0.024 * ampere, seen)]), 130.0)
    raw, freed = fitted(steps, 0.0), fitted(steps, 10 * np.sqrt(2))
    assert raw is not None
    assert freed is not None
    assert raw.ohm < 0.96 * 0.024
    assert freed.ohm == pytest.approx(0.024, abs=2 * freed.u)
    assert freed.u > raw.u


def test_where_it_stands() -> None:
    results, _ = figures(stretch("range", known_drive(), pack={**LFP_PACK, "cut_off_voltage_volt": 30.0}))
    at = results["resistance_at_soc_percent"]
    assert 50 < at.value < 75  # from full to 30 % of charge
    assert "to 30 %" in at.note
    assert results["resistance_at_celsius"].value == pytest.approx(22.0)
    assert f"at {at.value:.0f} % of charge and 22 °C" in results["resistance_ohm"].note
    assert figures(stint("drive", known_drive())) == ({}, []), "of no known pack"
    alone, _ = figures(stint("drive", known_drive(), pack={"pack": "P1"}))
    assert "resistance_at_soc_percent" not in alone
    assert "at 22 °C" in alone["resistance_ohm"].note


def test_nearly_empty_does_not_count_where_it_is_known() -> None:
    # As a real cell, this one has thrice the resistance below 20 % of charge; above 30 % it has 24 mOhm.
    log = known_drive()
    seen = Samples.of(log)
    percent = 100 + np.r_[0.0, np.cumsum(seen.ampere[1:])] / 36 / LFP_PACK["rated_capacity_ah"]
    volt = seen.volt + np.where(percent < 20, 2 * OHM * seen.ampere, 0.0)
    worn = batch(seen.second, volt, seen.ampere)
    results, _ = figures(stretch("range", worn, pack={**LFP_PACK, "cut_off_voltage_volt": 20.0}))
    assert results["resistance_ohm"].value == pytest.approx(OHM, rel=0.02)


def test_pulses_of_a_nearly_empty_pack_do_not_count_where_that_is_known() -> None:
    # Twelve pulses of 40 s out of rest, the last four of them below 30 % of charge and with twice the resistance.
    ampere = np.concatenate([np.zeros(400), *([np.full(40, -100.0), np.zeros(260)] * 12)])
    spent = np.cumsum(-ampere) / 3600
    ohm = np.where(spent > 0.7 * spent[-1], 2 * OHM, OHM)
    parts = [samples(np.arange(len(ampere)), 53.4 + ohm * ampere, ampere)]
    full = {"state_of_charge_start_percent": Result("state_of_charge_start_percent", 100.0, "%", 2.0, "given")}
    known = Stretch("range", pack={"rated_capacity_ah": float(spent[-1])}, known=full)
    assert np.max(pulses_of(until_low(known, parts), 100.0, 10.0, 0.0).ohm) == pytest.approx(OHM)
    assert until_low(Stretch("range"), parts) == parts
    assert np.max(pulses_of(parts, 100.0, 10.0, 0.0).ohm) == pytest.approx(2 * OHM)
    empty = replace(known, known={name: replace(one, value=20.0) for name, one in full.items()})
    assert until_low(empty, parts) == parts


def test_a_slow_log_gives_none_and_says_so() -> None:
    results, findings = figures(stretch("range", known_drive(step=5), pack=LFP_PACK))
    assert results == {}
    assert codes(findings) == ["slow-for-resistance"]
    assert "one sample in 5 s" in findings[0].words


@pytest.mark.parametrize(
    ("volt", "ampere", "words"),
    [
        (52.0, -50.0, "fewer than 20 large steps"),
        ("noise", "varied", "scatter"),
        ("upside down", "varied", "do not rise"),
    ],
)
def test_no_figure_where_the_log_carries_none(volt: Any, ampere: Any, words: str) -> None:
    noise = np.random.default_rng(2)
    load = np.repeat(noise.uniform(-100, -10, 300), 3) if ampere == "varied" else np.full(900, ampere)
    volts = {"noise": 52 + 0.02 * load + noise.normal(0, 3, 900), "upside down": 52 - 0.02 * load}.get(
        volt, np.full(900, 52.0)
    )
    results, findings = figures(stretch("hill", batch(np.arange(900), volts, load), pack=LFP_PACK))
    assert "resistance_ohm" not in results
    assert "no-resistance" in codes(findings)
    assert words in next(one.words for one in findings if one.code == "no-resistance")


def test_rests_and_charges_give_none() -> None:
    for kind in ("rest", "charge"):
        assert figures(stint(kind, batch(np.arange(900), 52.0, np.tile([0.0, 30.0], 450)), pack=LFP_PACK)) == ({}, [])


def test_too_few_steps_are_none() -> None:
    parts = [samples(np.arange(6), 52.0 + np.arange(6), np.arange(6) * 10.0)]
    found: Slope | None = fitted(steps_of(parts), 0.0)
    assert found is None


@given(
    logs(), packs, st.lists(marks, max_size=3), st.sampled_from([*TEST_KINDS, "alone"]), st.sampled_from(END_REASONS)
)
@settings(max_examples=100, deadline=None)
def test_any_log_gives_figures_or_none(
    log: Any, facts: dict[str, Any], written: list[dict[str, Any]], kind: str, reason: str
) -> None:
    whole = Samples.of(log)
    cuts = list(cut([log], biggest(log)))
    row = {"test": "T-1", "end_reason": reason, "ambient_celsius": 20.0}
    stretches = [Stretch(one.kind, whole.part(one.first, one.last), pack=facts) for one in cuts if kind == "alone"]
    for one in stretches or [Stretch(kind, whole, stints=cuts, marks=written, pack=facts, test=row)]:
        found: dict[str, Result] = {}
        for measure in (ENERGY, PACK, STATE, MEASURE, REFERENCE):
            found.update(measured(measure, replace(one, known=found))[0])
        for name, result in found.items():
            if name.startswith(("resistance_pulse", "resistance_ohm", "capacity_")) and not result.lower_bound:
                assert result.value > 0 or not name.startswith("resistance")
            if name.startswith("state_of_charge"):
                assert 0 <= result.value <= 100
                assert result.u is not None
                assert result.u <= MOST_U


def test_two_million_rows_are_measured_in_seconds() -> None:
    second = np.arange(2_000_000) * 0.1
    ampere = -60 - 60 * np.sign(np.sin(second / 7))
    log = stint("drive", batch(second, 50 + 0.03 * ampere, ampere), pack=LFP_PACK)
    began = time.process_time()
    results, _ = measured(MEASURE, log)
    assert time.process_time() - began < 20
    assert results["resistance_ohm"].value == pytest.approx(0.03)
    assert results["resistance_pulse_ohm"].value == pytest.approx(0.03)
