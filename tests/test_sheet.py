"""Test sheets: what they say, whatever they were written with.

Figures in other units are held against pint, a general-purpose unit library.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from rangebook.pipeline.reading import Item, Rows, Said, Used
from rangebook.pipeline.tables import MARKS
from rangebook.plugins.sheet import Sheet

from .sheetmaking import (
    LISBON,
    LOOP,
    QUANTITY,
    T_0117,
    check_loop,
    codes,
    csv,
    items,
    loop_sample,
    ods,
    original,
    rows,
    said,
    xlsx,
)


def test_the_example_sheet(tmp_path: Path) -> None:
    found = items(tmp_path, loop_sample(), zone=LISBON)
    check_loop(found)
    assert [(one.table, one.line) for one in found if isinstance(one, Said)] == [("tests", 2)]
    marks = next(one for one in found if isinstance(one, Rows))
    assert marks.line is not None and marks.line.tolist() == [17, 18]
    assert marks.text is not None and marks.text(1) == "19:49,15.9,50.1,48.2,27,slower on the ramp"
    used = next(one for one in found if isinstance(one, Used))
    assert json.loads(json.dumps(used.facts)) == used.facts
    assert used.facts["zone"] == LISBON


@pytest.mark.parametrize("name", ["loop.xlsx", "loop.ods"])
def test_workbooks_say_the_same_as_csv(tmp_path: Path, name: str) -> None:
    content = xlsx(Loop=LOOP) if name.endswith("xlsx") else ods(Loop=LOOP)
    check_loop(items(tmp_path, content, name, zone=LISBON))
    assert Sheet().recognise(original(tmp_path, content, name)) is not None


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_any_delimiter_and_encoding(tmp_path: Path, delimiter: str, encoding: str, newline: str) -> None:
    cells = [[*row] for row in LOOP]
    cells[10][1] = "Küstenstraße"
    content = csv(cells, delimiter).replace("\n", newline).encode(encoding)
    found = items(tmp_path, content, zone=LISBON)
    assert said(found, "tests") == [{**T_0117, "route": "Küstenstraße"}]
    assert len(rows(found, "marks")) == 2
    fit = Sheet().recognise(original(tmp_path, content))
    assert fit is not None and fit.sure == 0.95


def test_decimal_commas_where_semicolons_separate(tmp_path: Path) -> None:
    text = "field;value\ntest;T1\nkind;range\npayload (kg);85,5\n\nelapsed (min);trip (km);rest (V)\n10;1,25;52,6\n"
    found = items(tmp_path, text)
    assert said(found, "tests")[0]["payload_kg"] == 85.5
    mark = rows(found, "marks")[0]
    assert (mark["elapsed_second"], mark["distance_metre"], mark["rest_voltage_volt"]) == (600.0, 1250.0, 52.6)


def test_units_agree_with_pint(tmp_path: Path) -> None:
    text = (
        "test,T1\nkind,capacity\npayload (lb),187.4\nambient (F),77\n\n"
        "elapsed,trip (mi),average speed (mph),top speed (km/h),pack (F),ambient (F),soc (%),rest (mV)\n"
        "1:02:03.5,0.7,12.5,31,104,-40,88,52600\n"
    )
    found = items(tmp_path, text)
    test, mark = said(found, "tests")[0], rows(found, "marks")[0]
    assert test["payload_kg"] == pytest.approx(QUANTITY(187.4, "pound").to("kg").magnitude, rel=1e-12)
    assert test["ambient_celsius"] == pytest.approx(25.0, abs=1e-12)  # NIST SP 811, appendix B: C = (F - 32)/1.8
    assert mark["elapsed_second"] == 3723.5
    assert mark["distance_metre"] == pytest.approx(QUANTITY(0.7, "mile").to("metre").magnitude, rel=1e-12)
    speed = QUANTITY(12.5, "mile/hour").to("metre/second").magnitude
    assert mark["average_speed_metre_per_second"] == pytest.approx(speed, rel=1e-12)
    assert mark["top_speed_metre_per_second"] == pytest.approx(31 / 3.6, rel=1e-12)
    assert mark["temperature_t1_celsius"] == pytest.approx(40.0, abs=1e-12)
    assert mark["ambient_temperature_celsius"] == pytest.approx(-40.0, abs=1e-12)
    assert mark["state_of_charge_percent"] == 88.0
    assert mark["rest_voltage_volt"] == pytest.approx(52.6, rel=1e-15)


def test_words_are_known_whatever_their_case(tmp_path: Path) -> None:
    found = items(tmp_path, "Field,VALUE\nTEST,T1\nKind,Range\nEnd Reason,BMS trip\n")
    assert said(found, "tests") == [{"test": "T1", "kind": "range", "end_reason": "bms-trip"}]
    assert rows(found, "marks") == []


def marks_of(folder: Path, start: str, times: Sequence[str], zone: str = "America/New_York") -> list[Item]:
    lines = "\n".join(f"{one}," for one in times)
    return items(folder, f"test,T1\nkind,range\n{start}\n\ntime,note\n{lines}\n", zone=zone)


def utc(found: Iterable[Item]) -> list[str | None]:
    return [row["time"] and row["time"].strftime("%dT%H:%M") for row in rows(found, "marks")]


def test_marks_pass_midnight(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "start,2026-06-14 23:30", ["23:50", "00:10", "0:40", "1:15 am"], "UTC")
    assert utc(found) == ["14T23:50", "15T00:10", "15T00:40", "15T01:15"]


def test_a_mark_out_of_order_stays_on_its_day(tmp_path: Path) -> None:
    assert utc(marks_of(tmp_path, "start,2026-06-14 10:00", ["10:30", "10:20", "9:58"], "UTC")) == [
        "14T10:30", "14T10:20", "14T09:58",
    ]  # fmt: skip


def test_marks_through_the_hour_that_autumn_repeats(tmp_path: Path) -> None:
    """2025-11-02, New York: 01:30 is 05:30Z first and 06:30Z then (zone database)."""
    found = marks_of(tmp_path, "start,2025-11-02 00:40", ["01:10", "01:50", "01:10", "01:50", "02:05"])
    assert utc(found) == ["02T05:10", "02T05:50", "02T06:10", "02T06:50", "02T07:05"]
    assert codes(found) == []


def test_an_hour_that_cannot_be_told_is_named_by_line(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "start,2025-11-01 22:00", ["22:30", "01:30"])
    assert utc(found) == ["02T02:30", "02T05:30"]
    assert codes(found) == [("zone-fold", 7, 7)]


def test_full_date_times_and_offsets(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "start,2026-06-14 10:00", ["2026-06-14 10:05", "2026-06-14T16:20:00Z", "12:30"])
    assert utc(found) == ["14T14:05", "14T16:20", "14T16:30"]


def test_the_day_of_a_time_with_an_offset_is_the_local_one(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "start,2026-06-14 20:00", ["2026-06-15T01:00:00Z", "21:10"])
    assert utc(found) == ["15T01:00", "15T01:10"]


def test_marks_are_found_without_a_blank_line(tmp_path: Path) -> None:
    found = items(tmp_path, "test,T1\nkind,range\nelapsed (min),trip (km),rest (V)\n5,1,52\n")
    assert [row["elapsed_second"] for row in rows(found, "marks")] == [300.0]
    assert codes(found) == []


def test_day_first_is_told_by_the_whole_sheet(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "start,04/05/2026 23:00", ["13/05/2026 10:00"], "UTC")
    assert said(found, "tests")[0]["started"] == datetime(2026, 5, 4, 23, tzinfo=UTC)


def test_the_end_may_be_a_time_of_day(tmp_path: Path) -> None:
    found = items(tmp_path, "test,T1\nkind,range\nstart,2026-06-14 23:30\nend,00:45\n", zone="UTC")
    assert said(found, "tests")[0]["ended"] == datetime(2026, 6, 15, 0, 45, tzinfo=UTC)


def test_without_a_start_times_of_day_have_no_day(tmp_path: Path) -> None:
    found = marks_of(tmp_path, "route,loop", ["10:05", "10:15"], "UTC")
    assert utc(found) == [None, None]
    assert codes(found) == [("time-without-day", 6, 7)]
    text = "test,T1\nkind,range\n\ntime,note\n10:05,\n"
    assert utc(items(tmp_path, text, date=date(2026, 6, 14))) == ["14T10:05"]


def test_real_times_and_lengths_of_a_workbook(tmp_path: Path) -> None:
    cells = [["test", "T1"], ["kind", "hill"], [], ["elapsed", "note"], [timedelta(hours=26), "a"], [time(0, 2), "b"]]
    found = items(tmp_path, xlsx(T=cells), "t.xlsx")
    assert [row["elapsed_second"] for row in rows(found, "marks")] == [93600.0, 120.0]


def test_a_text_cut_at_its_delimiters_is_whole_again(tmp_path: Path) -> None:
    found = items(tmp_path, "test,T1\nkind,range\nnote,windy, wet, cold\nlogs,a.csv,b.gpx; c.csv\n")
    assert said(found, "tests")[0]["note"] == "windy, wet, cold"
    assert said(found, "tests")[0]["logs"] == ["a.csv", "b.gpx", "c.csv"]


def test_fields_and_columns_nobody_knows_are_told(tmp_path: Path) -> None:
    text = "test,T1\nkind,range\nweather,fair\n\ntime,mood,note\n10:05,good,x,y\n"
    found = items(tmp_path, text, date=date(2026, 6, 14))
    assert codes(found) == [("column-unknown", 3, 3), ("column-unknown", 5, 5), ("cell-unheaded", 6, 6)]
    assert "weather" not in said(found, "tests")[0]


def test_marks_are_canonical(tmp_path: Path) -> None:
    found = items(tmp_path, loop_sample(), zone=LISBON)
    batch = next(one.batch for one in found if isinstance(one, Rows))
    assert len(batch.schema) == 7
    assert all(field.equals(MARKS.field(field.name)) for field in batch.schema)
