"""Volts of single cells."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from rangebook.pipeline.measures.cells import MEASURE
from rangebook.pipeline.stretch import Samples
from rangebook.pipeline.tables import conform

from .electrical import Floats, batch, codes, measured, stint, stretch

PACK = {"chemistry": "LFP", "cells_in_series": 16}


def log(second: Any, ampere: Any, cells: Any) -> pa.RecordBatch:
    """A log with cells: lists of V (or None), one a row; the pack's volts are their sum."""
    lists = [None if row is None else [float(v) for v in row] for row in cells]
    plain = batch(second, [sum(row) if row else np.nan for row in lists], ampere)
    columns = {name: plain.column(name) for name in plain.schema.names}
    return conform("samples", {**columns, "cell_voltage_volt": pa.array(lists, pa.list_(pa.float64()))})


def drive(weak_ohm: float = 0.004, noise: float = 0.0, step: float = 1.0) -> tuple[Floats, Floats, Floats]:
    """15 min rest, 10 min of drive at 50 A with 20 s of 100 A, 15 min rest; 16 cells of 1 mohm, cell 7 weaker and
    10 mV lower at rest. Volts are rounded to 1 mV."""
    second = np.arange(0.0, 2400.0, step)
    ampere = np.where((second >= 900) & (second < 1500), -50.0, 0.0)
    ampere[(second >= 1200) & (second < 1220)] = -100.0
    ohm, rest = np.full(16, 0.001), np.full(16, 3.3)
    ohm[6], rest[6] = weak_ohm, 3.29
    cells = rest + ampere[:, None] * ohm + np.random.default_rng(1).normal(0, noise, (len(second), 16))
    return second, ampere, np.round(cells, 3)


def test_the_lists_become_a_table_with_holes_and_parts_keep_it() -> None:
    held = Samples.of(log([0, 1, 2], -50.0, [[3.1, 3.2], None, [3.3]]))
    assert held.cells is not None and held.cells.shape == (3, 2)
    np.testing.assert_equal(held.cells, [[3.1, 3.2], [np.nan, np.nan], [3.3, np.nan]])
    assert held.part(2, 2).cells is not None
    np.testing.assert_equal(held.part(2, 2).cells, [[3.3, np.nan]])
    assert "cell_voltage_volt" not in held.other
    # a table in two chunks, the first sliced, as concatenated logs of a test are
    table = pa.Table.from_batches([log([0, 1], -50.0, [[3.1, 3.2]] * 2).slice(1), log([2], -50.0, [[3.3]])])
    np.testing.assert_equal(Samples.of(table).cells, [[3.1, 3.2], [3.3, np.nan]])
    assert Samples.of(batch([0, 1], 50.0, -50.0)).cells is None


def test_the_weakest_cell_and_the_spreads_of_a_drive() -> None:
    results, findings = measured(MEASURE, stretch("range", log(*drive()), pack=PACK))
    # by Ohm's law: 3.29 V - 100 A * 4 mohm; the others 3.3 V - 100 A * 1 mohm
    assert results["lowest_cell_volt"].value == pytest.approx(2.89)
    assert results["lowest_cell_volt"].u == pytest.approx(2.89 * 0.0025 / np.sqrt(3), rel=0.05)
    assert results["lowest_cell_number"].value == 7
    assert results["cell_spread_loaded_volt"].value == pytest.approx(0.31)
    assert results["cell_spread_rest_volt"].value == pytest.approx(0.01)
    assert findings == []


def test_one_bad_reading_is_no_low_cell() -> None:
    second, ampere, cells = drive()
    cells[1000, 3] = 1.0
    results, findings = measured(MEASURE, stint("drive", log(second, ampere, cells), pack=PACK))
    assert results["lowest_cell_number"].value == 7
    assert findings == []


@pytest.mark.parametrize("seed", range(3))
def test_the_spread_of_scattering_cells_is_within_its_uncertainty(seed: int) -> None:
    second, ampere, cells = drive()
    cells = np.round(cells + np.random.default_rng(seed).normal(0, 0.005, cells.shape), 3)
    results, _ = measured(MEASURE, stretch("range", log(second, ampere, cells), pack=PACK))
    for name, truth in (("cell_spread_loaded_volt", 0.31), ("cell_spread_rest_volt", 0.01)):
        found = results[name]
        assert found.u is not None and found.u < 0.008
        assert abs(found.value - truth) < 3 * found.u, name


@pytest.mark.parametrize("seed", range(5))
def test_equal_cells_that_scatter_have_no_spread_beyond_the_doubt(seed: int) -> None:
    second, ampere, _ = drive()
    cells = 3.3 + 0.001 * ampere[:, None] + np.random.default_rng(seed).normal(0, 0.005, (len(second), 16))
    results, _ = measured(MEASURE, stretch("range", log(second, ampere, cells), pack=PACK))
    for name in ("cell_spread_loaded_volt", "cell_spread_rest_volt"):
        assert results[name].value < 2.5 * (results[name].u or 0), name


def test_a_cell_below_the_cut_off_of_its_chemistry_is_said() -> None:
    _, findings = measured(MEASURE, stint("drive", log(*drive(0.009)), pack=PACK))
    assert codes(findings) == ["cell-low"]
    # 3.29 V - 100 A * 9 mohm, for the 20 s of 100 A
    words = "cell 7 stood at 2.390 V under load, below 2.5 V (2.5 V a cell of LFP) for 20 s"
    assert (findings[0].severity, findings[0].words) == ("warning", words)


def test_what_a_cell_stands_at_without_load_does_not_count() -> None:
    second, ampere, cells = drive(0.009)
    cells[100:200, 6] = 2.0
    results, findings = measured(MEASURE, stint("drive", log(second, ampere, cells), pack=PACK))
    assert results["lowest_cell_volt"].value == pytest.approx(2.39)
    assert findings[0].words.endswith("for 20 s")


def test_a_cell_hardly_below_is_a_note_that_says_so() -> None:
    _, findings = measured(MEASURE, stint("drive", log(*drive(0.00792)), pack=PACK))  # 2.498 V
    assert codes(findings) == ["cell-low"]
    assert findings[0].severity == "note" and "within the uncertainty" in findings[0].words


def test_cells_that_are_not_logged_are_said_and_empty_channels_do_not_count() -> None:
    second, ampere, cells = drive()
    _, findings = measured(MEASURE, stint("drive", log(second, ampere, cells[:, :12]), pack=PACK))
    assert codes(findings) == ["cells-missing"]
    assert "volts of 12 cells, the register states 16 in series" in findings[0].words
    spare = np.c_[cells, np.zeros((len(second), 8))]
    results, findings = measured(MEASURE, stint("drive", log(second, ampere, spare), pack=PACK))
    assert findings == [] and results["lowest_cell_number"].value == 7


def test_blocks_of_a_lead_pack_count_as_the_cells_they_hold() -> None:
    ampere = np.full(600, -50.0)
    blocks = np.full((600, 6), 8.2) - 0.001 * np.arange(6)
    pack = {"chemistry": "flooded", "cells_in_series": 24}
    results, findings = measured(MEASURE, stint("drive", log(np.arange(600), ampere, blocks), pack=pack))
    assert findings == [] or codes(findings) == ["cells-unclear"]
    blocks[300:320, 2] = 6.9  # four cells of 1.75 V are 7 V
    results, findings = measured(MEASURE, stint("drive", log(np.arange(600), ampere, blocks), pack=pack))
    assert codes(findings) == ["cell-low"] and results["lowest_cell_volt"].value == pytest.approx(6.9)


def test_two_cells_equally_low_have_no_number() -> None:
    second, ampere, cells = drive()
    cells[:, 2] = cells[:, 6]
    results, findings = measured(MEASURE, stint("drive", log(second, ampere, cells), pack=PACK))
    assert "lowest_cell_number" not in results and codes(findings) == ["cells-unclear"]


def test_a_slow_log_shows_no_cell_under_load_but_the_rest() -> None:
    results, findings = measured(MEASURE, stretch("range", log(*drive(step=10.0)), pack=PACK))
    assert set(results) == {"cell_spread_rest_volt"}
    assert codes(findings) == ["cells-unclear"]


def test_a_log_without_cells_gives_nothing() -> None:
    assert measured(MEASURE, stint("drive", batch(np.arange(900), 50.0, -60.0), pack=PACK)) == ({}, [])
    empty = log(np.arange(900), -60.0, [None] * 900)
    assert measured(MEASURE, stint("drive", empty, pack=PACK)) == ({}, [])
