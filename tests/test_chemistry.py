"""What is known of cells."""

from __future__ import annotations

import pytest

from rangebook.pipeline.chemistry import cell_of, cells, charge_at_rest, cut_off_volt, is_lead, rated_hours
from rangebook.pipeline.tables import CHEMISTRIES


def test_every_chemistry_of_the_register_is_known_and_has_a_source() -> None:
    assert tuple(cells()) == CHEMISTRIES
    for cell in cells().values():
        assert cell.cut_off < cell.nominal < cell.full
        assert cell.source
        percents, volts = (
            [list(column) for column in zip(*cell.rest, strict=True)] or [[], []] if cell.rest else ([], [])
        )
        assert percents == sorted(percents, reverse=True)
        assert volts == sorted(volts, reverse=True)


@pytest.mark.parametrize(
    ("chemistry", "series", "volt"),
    # Common practice, no source: 1.75 V a cell of lead, 2.5 V of LFP, 3.0 V of NMC.
    [
        ("flooded", 18, 31.5),
        ("flooded", 24, 42.0),
        ("AGM", 36, 63.0),
        ("LFP", 16, 40.0),
        ("LFP", 24, 60.0),
        ("NMC", 14, 42.0),
    ],
)
def test_cut_off_by_chemistry_and_cells(chemistry: str, series: int, volt: float) -> None:
    found = cut_off_volt({"chemistry": chemistry, "cells_in_series": series})
    assert found is not None
    assert found[0] == pytest.approx(volt)


def test_what_the_register_states_comes_first() -> None:
    pack = {"chemistry": "LFP", "cells_in_series": 16, "cut_off_voltage_volt": 44.8, "rated_hours": 5.0}
    assert cut_off_volt(pack) == (44.8, "as stated")
    assert rated_hours(pack) == 5.0
    assert rated_hours({"chemistry": "flooded"}) == 20.0


def test_nothing_is_guessed() -> None:
    assert cut_off_volt({"chemistry": "LFP", "nominal_voltage_volt": 48.0}) is None  # 15 or 16 cells?
    assert cut_off_volt({}) is None
    assert cell_of({"chemistry": "unheard of"}) is None
    assert rated_hours({}) is None
    assert charge_at_rest({"chemistry": "LTO", "cells_in_series": 20}, 46.0) is None
    assert not is_lead({})


@pytest.mark.parametrize(
    ("volt", "percent"),
    # A maker's published table for a 12 V flooded deep-cycle battery at 26.7 C, four in series.
    [(50.60, 100), (49.80, 75), (48.96, 50), (48.24, 25), (47.56, 0), (52.0, 100), (40.0, 0)],
)
def test_flooded_rest_voltage(volt: float, percent: float) -> None:
    assert charge_at_rest({"chemistry": "flooded", "cells_in_series": 24}, volt) == pytest.approx(percent, abs=0.2)
