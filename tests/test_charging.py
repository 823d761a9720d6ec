"""Charges and rests against closed forms, a simulated cell, and what is usual of lithium."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.measures import energy, pack
from rangebook.pipeline.measures.charging import MEASURE, taper_of
from rangebook.pipeline.measures.standing import slope_of
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.stretch import Result, Stretch

from .electrical import LFP_CELL, LFP_TRIP, batch, codes, measured, samples, simulated, stint, stretch

DAY = 86400.0


def after(found: Stretch) -> tuple[dict[str, Result], list[Finding]]:
    """The figures of `found`, with those that come before them known."""
    known: dict[str, Result] = {}
    for one in (energy.MEASURE, pack.MEASURE):
        results, _ = measured(one, replace(found, known=known))
        known |= results
    return measured(MEASURE, replace(found, known=known))


def held_then_falling(step: float = 1.0, hours: float = 1.0, tau: float = 900.0) -> tuple[np.ndarray, ...]:
    """20 A for an hour while volts rise from 50 to 56, then 56 V and a current that falls by e every `tau` s."""
    second = np.arange(0, 3600 * (1 + hours) + step / 2, step)
    fall = np.maximum(second - 3600, 0.0)
    return second, np.minimum(50 + 6 * second / 3600, 56.0), 20 * np.exp(-fall / tau)


@pytest.mark.parametrize("step", [1.0, 10.0])
def test_a_charge_in_closed_form(step: float) -> None:
    # 20 A.h and 20 * 53 W.h, then 20 tau (1 - exp(-T/tau)) / 3600 A.h at 56 V.
    results, findings = measured(MEASURE, stint("charge", batch(*held_then_falling(step))))
    tail = 20 * 900 * (1 - np.exp(-4)) / 3600
    assert results["charge_ah"].value == pytest.approx(20 + tail, rel=1e-4)
    assert results["charge_wh"].value == pytest.approx(20 * 53 + 56 * tail, rel=1e-4)
    assert results["charge_second"].value == 7200.0
    assert results["taper_reached"].value == 1.0
    assert not findings


@pytest.mark.parametrize(
    ("hours", "reached"),
    # 900 s ln 10 = 2072 s until a tenth; a minute more is needed.
    [(2000 / 3600, False), (2100 / 3600, False), (2150 / 3600, True)],
)
def test_the_taper_is_a_minute_below_a_tenth(hours: float, reached: bool) -> None:
    part = samples(*held_then_falling(1.0, hours))
    assert taper_of(part, None) is reached


def test_a_charger_that_stops_at_a_twentieth_of_the_capacity_has_tapered() -> None:
    # 20 A falls to 5 A, a twentieth of 100 A.h, in 900 s ln 4 = 1248 s: far above a tenth of the main current.
    part = samples(*held_then_falling(1.0, 1250 / 3600))
    assert taper_of(part, 100.0) is True
    assert taper_of(part, 60.0) is False


def test_current_that_ends_before_the_volts_are_held_has_not_tapered() -> None:
    second = np.arange(0, 3600.0)
    ampere = np.where(second < 3000, 20.0, 1.0)
    volt = np.where(second < 3000, 56.0, 53.0)  # the charger went to a trickle early
    assert taper_of(samples(second, volt, ampere), None) is False


def test_a_charge_of_half_a_minute_does_not_say() -> None:
    assert taper_of(samples(np.arange(30.0), 50.0, 20.0), None) is None


# --- out and in again ----------------------------------------------------------------------------------


def test_the_recharge_of_a_simulated_cell_gives_back_the_drive() -> None:
    # PyBaMM 26.10, Prada2013, no side reactions: 2.077440 A.h out by the solver's own integral, and the charge after
    # it, to the same 3.6 V and C/20, puts the same back. Energy is less than all of it by what the resistance takes.
    results, findings = after(stretch("range", simulated(LFP_TRIP), pack=LFP_CELL))
    assert results["charge_ah"].value == pytest.approx(2.077440, rel=1e-4)
    assert results["charge_wh"].value == pytest.approx(6.845647, rel=1e-4)
    assert results["taper_reached"].value == 1.0
    assert results["coulombic_efficiency_percent"].value == pytest.approx(100.0, abs=0.01)
    out, back, recharge = 9.772754, 3.371049, 6.845647  # W.h, by trapezoid over the file's columns
    assert results["energy_efficiency_percent"].value == pytest.approx(100 * out / (back + recharge), abs=0.1)
    assert not findings


def loop(share: float = 1.0, rest: float = 52.8, hours: float = 1.0, **facts: Any) -> Stretch:
    """Rest, 21 A for an hour, rest, `share` of that put back with a taper, rest at `rest` (V)."""
    second, volt, ampere = held_then_falling(1.0, hours)
    put_back = 20 + 20 * 900 * (1 - np.exp(-hours * 4)) / 3600
    pieces = [
        (400, 52.8, 0.0), (3600, 50.0, -21.0), (400, 51.0, 0.0),
        (len(second), volt, ampere * 21 * share / put_back), (700, rest, 0.0),
    ]  # fmt: skip
    columns = [np.concatenate([np.broadcast_to(piece[n], piece[0]) for piece in pieces]) for n in (1, 2)]
    facts.setdefault("pack", {"chemistry": "LFP", "cells_in_series": 16, "rated_capacity_ah": 22.0})
    return stretch("range", batch(np.arange(len(columns[0])), *columns), **facts)


def test_coulombic_efficiency_by_hand() -> None:
    lead = {"chemistry": "flooded", "cells_in_series": 24, "rated_capacity_ah": 22.0}
    results, findings = after(loop(1.10, pack=lead))
    assert not findings  # lead takes more than it gives
    found = results["coulombic_efficiency_percent"]
    assert found.value == pytest.approx(100 / 1.10, abs=0.1)
    assert 0.2 < (found.u or 0.0) < 2.0
    # By hand: 21 A at 50 V out; in at 53 V while the volts rise, then at 56 V.
    volt = (20 * 53 + 56 * 20 * 900 * (1 - np.exp(-4)) / 3600) / (20 + 20 * 900 * (1 - np.exp(-4)) / 3600)
    assert results["energy_efficiency_percent"].value == pytest.approx(100 * 50 / (1.10 * volt), abs=0.2)


@pytest.mark.parametrize(("share", "said"), [(1.0, False), (1.03, False), (1.10, True), (0.90, True)])
def test_lithium_takes_what_it_gave(share: float, said: bool) -> None:
    # 1.00 to 1.03 A.h in for each A.h out: common practice, no source.
    _, findings = after(loop(share))
    assert codes(findings) == (["charge-balance"] if said else [])


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"hours": 0.1}, "did not go on to its taper"),
        ({"rest": 51.9}, "52.80 V at rest before and 51.90 V after"),
    ],
)
def test_no_efficiency_of_an_open_loop(facts: dict[str, Any], words: str) -> None:
    results, findings = after(loop(**facts))
    assert "coulombic_efficiency_percent" not in results
    assert "charge_ah" in results
    assert codes(findings) == ["loop-open"]
    assert words in findings[0].words


def test_a_drive_alone_has_no_charge() -> None:
    assert after(stretch("range", batch(np.arange(3600.0), 50.0, np.full(3600, -20.0)))) == ({}, [])


# --- rests -----------------------------------------------------------------------------------------------


def rest(days: float, fall: float, ampere: float = 0.0, noise: float = 0.0, **facts: Any) -> Stretch:
    """A rest of `days` at a sample a minute, settling for two hours and then losing `fall` V a day."""
    second = np.arange(0, days * DAY, 60.0)
    rng = np.random.default_rng(5)
    volt = 52.0 - fall * second / DAY + 0.5 * np.exp(-second / 3600) + rng.normal(0, noise, len(second))
    return stint("rest", batch(second, volt, ampere + rng.normal(0, noise, len(second))), **facts)


def test_volts_lost_a_day() -> None:
    results, _ = measured(MEASURE, rest(5, 0.05, noise=0.01))
    found = results["self_discharge_volt_per_day"]
    assert found.value == pytest.approx(0.05, abs=2 * (found.u or 0.0))
    assert 0 < (found.u or 0.0) < 0.005


def test_a_standing_test_is_about_its_rest() -> None:
    second = np.arange(0, 2 * DAY, 60.0)
    log = batch(second, 52.0 - 0.05 * second / DAY, np.full(len(second), -0.9))
    results, _ = measured(MEASURE, stretch("standing", log, instruments={"shunt": {"offset": 0.05}}))
    assert {name: one.value for name, one in results.items()} == pytest.approx(
        {"self_discharge_volt_per_day": 0.05, "standing_current_ampere": 0.9}
    )


def test_the_first_hours_are_left_out() -> None:
    # Half a volt of settling over two days would be read as a quarter a day or more.
    assert measured(MEASURE, rest(2, 0.0))[0]["self_discharge_volt_per_day"].value == pytest.approx(0.0, abs=1e-3)


def test_a_rest_of_less_than_a_day_says_nothing() -> None:
    assert measured(MEASURE, rest(0.9, 0.05)) == ({}, [])


def test_standing_current() -> None:
    results, _ = measured(MEASURE, rest(2, 0.05, -0.9, 0.01, instruments={"shunt": {"offset": 0.05}}))
    found = results["standing_current_ampere"]
    assert found.value == pytest.approx(0.9, abs=0.001)
    assert found.u == pytest.approx(0.05 / np.sqrt(3), rel=0.05)


def test_a_standing_current_within_the_zero_of_the_shunt_is_none() -> None:
    results, findings = measured(MEASURE, rest(2, 0.05, -0.05, 0.01))
    assert "standing_current_ampere" not in results
    assert codes(findings) == ["standing-unclear"]
    assert "0.050 A" in findings[0].words


def test_the_slope_of_what_scatters_together_is_less_sure() -> None:
    # A slope's true scatter over 400 repeats of autoregressive noise (r = 0.7), against what is stated.
    rng = np.random.default_rng(6)
    second = np.arange(120.0)
    found = []
    for _ in range(400):
        noise = np.zeros(120)
        for row, push in enumerate(rng.normal(0, 1, 120)):
            noise[row] = push + (0.7 * noise[row - 1] if row else 0.0)
        found.append(slope_of(second, noise))
    slopes, stated = np.array(found).T
    assert np.sqrt(np.mean(stated**2)) == pytest.approx(np.std(slopes), rel=0.25)
