"""Register sheets: what they say of carts, packs, fitments, settings, loggers and instruments.

Figures in other units are held against pint, a general-purpose unit library.
"""

from __future__ import annotations

import io
import json
from datetime import UTC, date, datetime
from pathlib import Path

import openpyxl
import pytest

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.reading import Finding, Options, Said
from rangebook.pipeline.tables import REGISTER
from rangebook.plugins.sheet import Sheet

from .sheetmaking import (
    LISBON,
    QUANTITY,
    codes,
    items,
    original,
    rows,
    said,
    xlsx,
)

PACKS = (
    "Mass (lb),PACK,chemistry,cells in series,nominal voltage (V),rated capacity (Ah),rated hours (h),price,currency,"
    "in service,warranty (years),warranty capacity (%),cut-off voltage (mV),length (in),maximum temperature (F),note\n"
    "97.5,P11,lfp,16,51.2,105,5,1450,EUR,2024-03-01,5,70,40000,20,131,\n"
)


def test_packs(tmp_path: Path) -> None:
    found = items(tmp_path, PACKS)
    [pack] = said(found, "packs")
    expected = {
        "pack": "P11", "chemistry": "LFP", "cells_in_series": 16, "nominal_voltage_volt": 51.2,
        "rated_capacity_ah": 105.0, "rated_hours": 5.0, "price": 1450.0, "currency": "EUR",
        "in_service": date(2024, 3, 1), "warranty_years": 5.0, "warranty_capacity_percent": 70.0,
    }  # fmt: skip
    assert {name: pack[name] for name in expected} == expected
    assert pack["mass_kg"] == pytest.approx(QUANTITY(97.5, "pound").to("kg").magnitude, rel=1e-12)
    assert pack["length_mm"] == pytest.approx(508.0, rel=1e-15)  # 1 in = 25.4 mm, NIST SP 811, appendix B
    assert pack["maximum_temperature_celsius"] == pytest.approx(55.0, abs=1e-12)
    assert pack["cut_off_voltage_volt"] == pytest.approx(40.0)
    assert "note" not in pack
    assert codes(found) == []


@pytest.mark.parametrize("table", ["carts", "packs", "fitments", "settings", "loggers", "instruments"])
def test_canonical_names_are_headers_too(tmp_path: Path, table: str) -> None:
    """What an export writes comes in again."""
    names = [name for name in REGISTER[table] if name != "other"]
    original_ = original(tmp_path, ",".join(names) + "\n")
    fit = Sheet().recognise(original_)
    assert fit is not None and fit.sure == 0.95 and table in fit.why
    assert codes(Sheet().read(original_, Options())) == []


def test_carts(tmp_path: Path) -> None:
    found = items(
        tmp_path,
        "cart,customer,seats,system voltage (V),motor power (kW),mass (kg),tyre diameter (in),tray length (mm)\n"
        "C07,Resort,4,48,3.5,420,18,510\n",
    )
    [cart] = said(found, "carts")
    assert cart["motor_power_watt"] == 3500.0
    assert cart["tyre_diameter_metre"] == pytest.approx(0.4572)
    assert (cart["seats"], cart["tray_length_mm"]) == (4, 510.0)


def test_the_unit_of_a_price_is_its_currency(tmp_path: Path) -> None:
    assert said(items(tmp_path, "pack,price (EUR)\nP1,1450\n"), "packs") == [
        {"pack": "P1", "price": 1450.0, "currency": "EUR"}
    ]


def test_fitments_and_loggers_are_local_days_and_times(tmp_path: Path) -> None:
    found = items(tmp_path, "cart,pack,from,until\nC07,P11,2026-01-10,2026-06-14 19:05\nC08,P12,,\n", zone=LISBON)
    assert said(found, "fitments") == [
        {
            "cart": "C07",
            "pack": "P11",
            "started": datetime(2026, 1, 10, 0, 0, tzinfo=UTC),
            "ended": datetime(2026, 6, 14, 18, 5, tzinfo=UTC),
        },
        {"cart": "C08", "pack": "P12"},
    ]
    found = items(tmp_path, "logger,cart,from\nL1,C07,2026-06-01\n", zone=LISBON)
    assert said(found, "loggers")[0]["started"] == datetime(2026, 5, 31, 23, 0, tzinfo=UTC)


def test_settings_keep_their_further_columns(tmp_path: Path) -> None:
    text = 'settings,current limit (A),speed limit (mph),regen (%),Räder,hot (F)\ngentle,120,15,40,"wide, ""soft""",\n'
    found = items(tmp_path, text)
    [row] = said(found, "settings")
    assert row["current_limit_ampere"] == 120.0
    assert row["speed_limit_metre_per_second"] == pytest.approx(15 * 0.44704)
    assert row["regen"] == "40 %"
    assert json.loads(row["other"]) == {"Räder": 'wide, "soft"'}
    assert codes(found) == []


def test_instruments(tmp_path: Path) -> None:
    text = "instrument,kind,accuracy (%),offset (mA),resolution\nS1,Shunt,0.5,250,0.1\n"
    assert said(items(tmp_path, text), "instruments") == [
        {"instrument": "S1", "kind": "shunt", "accuracy_percent": 0.5, "offset": 0.25, "resolution": 0.1}
    ]
    text = "instrument,kind,offset (F)\nT1,thermometer,1.8\n"
    assert said(items(tmp_path, text), "instruments")[0]["offset"] == pytest.approx(1.0)  # a difference, no 32


def test_several_worksheets_of_one_workbook(tmp_path: Path) -> None:
    content = xlsx(
        Carts=[["cart", "mass (kg)"], ["C07", 420], [8, 400.5]],
        Packs=[["pack", "in service"], ["P11", date(2024, 3, 1)], ["P12", datetime(2024, 3, 2, 8, 30)]],
        Fitted=[[], ["cart", "pack", "from"], [], ["C07", "P11", datetime(2026, 1, 10, 8, 30)]],
        Scribble=[["milk", "eggs"]],
        Empty=[],
    )
    found = items(tmp_path, content, "register.xlsx", zone="UTC")
    assert said(found, "carts") == [{"cart": "C07", "mass_kg": 420.0}, {"cart": "8", "mass_kg": 400.5}]
    assert [row["in_service"] for row in said(found, "packs")] == [date(2024, 3, 1), date(2024, 3, 2)]
    assert said(found, "fitments")[0]["started"] == datetime(2026, 1, 10, 8, 30, tzinfo=UTC)
    assert [one.line for one in found if isinstance(one, Said) and one.table == "fitments"] == [4]
    assert codes(found) == [("worksheet-unknown", None, None)]
    fit = Sheet().recognise(original(tmp_path, content, "register.xlsx"))
    assert fit is not None and fit.sure == 0.95


def test_a_row_without_its_key_is_set_aside_as_it_stood(tmp_path: Path) -> None:
    found = items(tmp_path, "cart,customer\nC07,Resort\n,Campus\n\nC08,Club\n")
    assert [row["cart"] for row in said(found, "carts")] == ["C07", "C08"]
    assert rows(found, "rejects") == [{"line": 3, "text": ",Campus", "why": "no cart in this row"}]
    assert codes(found) == [("key-missing", 3, 3)]


def test_two_rows_that_contradict_are_told(tmp_path: Path) -> None:
    found = items(tmp_path, "cart,seats,customer\nC07,4,Resort\nC07,,Campus\nC07,6,\nC08,2,\nC08,2,\n")
    assert codes(found) == [("said-twice", 2, 3), ("said-twice", 2, 4)]
    assert "seats 4 on line 2, now 6" in [one.words for one in found if isinstance(one, Finding)][1]
    assert len(said(found, "carts")) == 5


def test_a_truth_value_is_no_number(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="`True` is no number"):
        items(tmp_path, xlsx(C=[["cart", "seats"], ["C1", True]]), "c.xlsx")


def test_minus_signs_spaces_and_lines_in_cells(tmp_path: Path) -> None:
    text = 'instrument , kind,offset (A), note\n S1 ,shunt, −0.25 ,"two\nlines"\nS2,shunt,x,\n'
    with pytest.raises(InputProblem, match=r"^sheet.csv:4: `offset \(A\)`: `x` is no number"):
        items(tmp_path, text)
    found = items(tmp_path, text.replace(",x,", ",1,"))
    assert said(found, "instruments")[0] == {"instrument": "S1", "kind": "shunt", "offset": -0.25, "note": "two\nlines"}
    assert [one.line for one in found if isinstance(one, Said)] == [2, 4]


def test_a_separator_of_thousands_is_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=r"`1\.234,5` is no number"):
        items(tmp_path, "pack;price\nP1;1.234,5\n")


def test_a_delimiter_inside_quotes_is_text(tmp_path: Path) -> None:
    found = items(tmp_path, 'cart,customer,"colour; of; the; seats"\nC1,"Resort; hill",red\n')
    assert said(found, "carts") == [{"cart": "C1", "customer": "Resort; hill"}]


def test_of_two_tables_that_fit_alike_the_longer_key_is_meant(tmp_path: Path) -> None:
    found = items(tmp_path, "cart,pack,customer\nC1,P1,Resort\n")
    assert said(found, "fitments") == [{"cart": "C1", "pack": "P1"}]


def test_a_column_nobody_knows_is_told(tmp_path: Path) -> None:
    found = items(tmp_path, "cart,customer,colour\nC07,Resort,red\n")
    assert said(found, "carts") == [{"cart": "C07", "customer": "Resort"}]
    assert codes(found) == [("column-unknown", 1, 1)]


def test_a_unit_that_goes_without_saying_is_told(tmp_path: Path) -> None:
    found = items(tmp_path, "pack,rated capacity,nominal voltage\nP1,105,51.2\n")
    assert said(found, "packs") == [{"pack": "P1", "rated_capacity_ah": 105.0, "nominal_voltage_volt": 51.2}]
    assert codes(found) == [("unit-assumed", 1, 1)]


def test_formulas_and_hostile_text_are_text(tmp_path: Path) -> None:
    hostile = ["=cmd|' /C calc'!A0", "@SUM(1+1)", "<script>alert(1)</script>", "'; drop table carts; --", "\u202e\x07"]
    content = "cart,note\n" + "".join(f'C{n},"{text}"\n' for n, text in enumerate(hostile))
    assert [row["note"] for row in said(items(tmp_path, content), "carts")] == hostile
    book = openpyxl.Workbook()
    book.active.append(["cart", "note"])
    book.active.append(["C1", "=1+1"])
    stream = io.BytesIO()
    book.save(stream)
    assert said(items(tmp_path, stream.getvalue(), "f.xlsx"), "carts") == [{"cart": "C1"}]  # never calculated: empty
