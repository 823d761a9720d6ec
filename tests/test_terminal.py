"""Tables and figures as a person reads them in a terminal."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pytest
from rich.console import Console

from rangebook.pipeline.report.terminal import as_shown, columns_of, figure, findings_lines, number, tables_of, title

ROWS = pa.table(
    {
        "cart": ["C01", "C02"],
        "distance_metre": [16093.44, None],
        "distance_metre_u": [160.9344, None],
        "started": pa.array([datetime(2026, 6, 14, 18, 5, tzinfo=UTC), None], pa.timestamp("us", "UTC")),
        "verdict": ["no change can be told from the spread of the tests so far", ""],
        "capacity_ah": [98.6234, 100.0],
    }
)
UNITS = {"distance_metre": "m", "distance_metre_u": "m", "capacity_ah": "A.h"}


def lines(width: int, system: str = "mi") -> list[str]:
    console = Console(width=width, no_color=True)
    with console.capture() as capture:
        for drawn in tables_of(columns_of(ROWS, UNITS, system, "Europe/Lisbon"), "Tests", width):
            console.print(drawn)
    return capture.get().splitlines()


@pytest.mark.parametrize(
    ("value", "u", "text"),
    # GUM (JCGM 100:2008) 7.2.6: it usually suffices to quote an uncertainty to at most two significant digits
    [(98.6234, 0.5671, "98.62 ± 0.57"), (12345.6, 234.0, "12350 ± 230"), (0.01234, 0.00056, "0.01234 ± 0.00056"),
     (5.0, None, "5.000"), (0.0, 0.0, "0"), (float("nan"), 1.0, "nan ± 1.0")],
)  # fmt: skip
def test_figures_have_the_digits_their_uncertainty_allows(value: float, u: float | None, text: str) -> None:
    assert figure(value, u) == text


def test_numbers_have_four_digits() -> None:
    assert [number(value) for value in (12345.6, 12.3456, 0.0123456, -1.0)] == ["12346", "12.35", "0.01235", "-1.000"]


def test_a_heading_says_its_unit_once() -> None:
    assert title("distance_metre", "mi") == "distance\nmi"
    assert title("capacity_ah", "A.h") == "capacity\nAh"


def test_a_wide_table_stands_on_its_lines() -> None:
    shown = "\n".join(lines(200))
    assert "10.00 ± 0.10" in shown, "NIST SP 811, app. B: 1 mi = 1609.344 m"
    assert "2026-06-14 19:05" in shown, "Lisbon keeps UTC+1 in June"
    assert "no change can be told from the spread of the tests so far" in shown


@pytest.mark.parametrize("width", [30, 45, 60, 80])
def test_a_table_short_of_room_goes_on_below_and_loses_nothing(width: int) -> None:
    shown = lines(width, "km")
    assert max(len(line) for line in shown) <= width
    assert sum("C01" in line for line in shown) > 1
    for text in ("16.09 ± 0.16", "98.62", "2026-06-14"):
        assert any(text in line for line in shown), text
    words = " ".join(word for line in shown for word in line.split())
    assert "verdict" in words and "spread" in words


def test_a_height_is_no_distance() -> None:
    # NIST SP 811, app. B: 1 ft = 0.3048 m, 1 mi = 1609.344 m
    value, unit = as_shown("climb_metre", 30.48, "m", "mi")
    assert (round(value, 9), unit) == (100.0, "ft")
    assert as_shown("descent_metre", 30.48, "m", "km") == (30.48, "m")
    assert as_shown("distance_metre", 1609.344, "m", "mi") == (1.0, "mi")


def test_many_findings_are_told_by_kind() -> None:
    def found(count: int, code: str, severity: str) -> list[dict[str, Any]]:
        return [{"code": code, "severity": severity, "words": f"{code} {n}", "name": "a.csv"} for n in range(count)]

    few = str(findings_lines(found(3, "gap", "warning")))
    assert few.splitlines() == [f"warning  a.csv: gap {n}" for n in range(3)]
    many = str(findings_lines(found(30, "gap", "warning") + found(1, "malformed", "problem"))).splitlines()
    assert many[0] == "warning  30 × gap, such as a.csv: gap 0" and len(many) == 3


def test_the_columns_that_tell_rows_apart_stand_in_every_part() -> None:
    parts = pa.table({"cart": ["C06", "C06"], "part": ["pack", "cart"], "low": [1.0, 2.0], "high": [3.0, 4.0]})
    columns = columns_of(parts, {}, "km", "UTC")
    shown = [[column.header.plain for column in drawn.columns] for drawn in tables_of(columns, "", 28)]
    assert shown == [["cart", "part", "low"], ["cart", "part", "high"]]
