"""Sheets that a person has to mend first: each refusal names file, line and what to write."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.reading import Options, Used
from rangebook.plugins.sheet import Sheet, readers

from .sheetmaking import (
    LOOP,
    SAMPLES,
    items,
    loop_sample,
    original,
    said,
    xlsx,
)

BAD_TESTS = [
    ("kind,range\ntest,\ncart,C1\n", 1, "does not state `test`", "T-0117"),
    ("field,value\ntest,T1\n", 1, "does not state `kind`", "range, capacity"),
    (
        "test,T1\nkind,race\ncart,C1\n",
        2,
        "`race` is not known",
        "range, capacity, acceleration, hill, charge, standing",
    ),
    ("test,T1\nkind,range\nend reason,tired\n", 3, "`tired` is not known", "cut-off, bms-trip"),
    ("test,T1\nkind,range\nstart,04/05/2026 10:00\n", 3, "day first or month first", "2026-06-14"),
    ("test,T1\nkind,range\nstart,2026-06-14\n", 3, "time of day", "2026-06-14 19:05"),
    ("test,T1\nkind,range\nstart,19:05\n", 3, "does not say the day", "2026-06-14 19:05"),
    ("test,T1\nkind,range\nstart,tomorrow\n", 3, "`tomorrow` is no time of day", "19:05"),
    ("test,T1\nkind,range\nstart,2026-06-14 23:59:60\n", 3, "leap second", "second 59"),
    ("test,T1\nkind,range\nstart,2026-06-14 10:00\nend,2026-06-13 11:00\n", 4, "before the start", "days"),
    ("test,T1\nkind,range\npayload,85\n", 3, "does not say its unit", "kg or lb"),
    ("test,T1\nkind,range\npayload (stone-ish),85\n", 3, "no unit of mass", "kg"),
    ("test,T1\nkind,range\npayload (V),85\n", 3, "no unit of mass", "kg"),
    ("test,T1\nkind,range\npayload (kg),85 kg\n", 3, "`85 kg` is no number", "plain number"),
    ("test,T1\nkind,range\npayload (kg),85,5\n", 3, "2 cells", "one value"),
    ('test,T1\nkind,range\npayload (kg),"1,200"\n', 3, "`1,200` is no number", "plain number"),
    ("test,T1\nkind,range\npayload (kg),nan\n", 3, "`nan` is no number", "plain number"),
    ("test,T1\nkind,range\npayload (kg),1e999\n", 3, "`1e999` is no number", "plain number"),
    ("test,T1\nkind,range\nkind,hill\n", 3, "stated on line 2", "one of the two"),
    ("test,T1\nkind,range\n\ntime,rest (V)\n10:00,high\n", 5, "`high` is no number", "52.6"),
    ("test,T1\nkind,range\n\ntime,rest (V)\n10:00,52600\n", 5, "`52600` cannot be", "unit"),
    ("test,T1\nkind,range\n\ntime,trip\n10:00,1\n", 4, "does not say its unit", "m, km or mi"),
    ("test,T1\nkind,range\n\ntime,trip (Ah)\n10:00,1\n", 4, "no unit of length", "mi"),
    ("test,T1\nkind,range\n\ntime,pack\n10:00,1\n", 4, "does not say its unit", "C or F"),
    ("test,T1\nkind,range\n\ntime,top speed\n10:00,1\n", 4, "does not say its unit", "mph or km/h"),
    ("test,T1\nkind,range\n\nelapsed,note\n12,x\n", 5, "does not say its unit", "elapsed (min)"),
    ("test,T1\nkind,range\n\n25:00,1\n", 4, "no header that is known", "blank line"),
    ("test,T1\nkind,range\n\ntime,rest (V),rest voltage (V)\n10:00,1,2\n", 4, "state the same", "one of them"),
    ('test,T1\nkind,range\nnote,"never closed\n', 3, "cannot be split", "quote"),
    ("test,T1\nkind,range\nnote,a\0b\n", 3, "NUL", "UTF-8"),
]
BAD_REGISTERS = [
    ("cart,mass\nC1,1\n", 1, "does not say its unit", "kg or lb"),
    ("cart,mass (V)\nC1,1\n", 1, "no unit of mass", "kg"),
    ("cart,mass (kg)\nC1,1\nC2,heavy\n", 3, "`heavy` is no number", "52.6"),
    ("cart,mass (kg)\nC1,12 kg\n", 2, "`12 kg` is no number", "52.6"),
    ("cart,seats\nC1,2.5\n", 2, "no whole number", "16"),
    ("cart,seats\nC1,99999999999\n", 2, "no whole number", "16"),
    ("cart,seats,Seats\nC1,2,2\n", 1, "state the same", "one of them"),
    ("pack,chemistry\nP1,lithium\n", 2, "`lithium` is not known", "LFP, NMC, LTO, flooded, AGM, gel"),
    ("pack,in service\nP1,04/05/2026\n", 2, "day first or month first", "2026-06-14"),
    ("pack,in service\nP1,2024\n", 2, "no date", "2026-06-14"),
    ("cart,pack,from\nC1,P1,19:05\n", 2, "does not say the day", "2026-06-14"),
    ("instrument,kind\nI1,yardstick\n", 2, "`yardstick` is not known", "shunt, voltmeter, gps, odometer, thermometer"),
    ("instrument,kind,offset (kg)\nI1,shunt,1\n", 2, "unit is not known", "A, V, m or C"),
    ("pack,nominal voltage (MV)\nP1,51\n", 1, "milli or mega", "mV"),
]


@pytest.mark.parametrize(("text", "line", "words", "hint"), BAD_TESTS + BAD_REGISTERS)
def test_bad_input_names_file_line_and_what_to_do(tmp_path: Path, text: str, line: int, words: str, hint: str) -> None:
    with pytest.raises(InputProblem) as caught:
        items(tmp_path, text, "bad sheet.csv", zone="UTC", date=date(2026, 6, 14))
    assert str(caught.value).startswith(f"bad sheet.csv:{line}: ")
    assert words in str(caught.value)
    assert hint in caught.value.hint


def test_a_problem_in_a_workbook_names_the_worksheet(tmp_path: Path) -> None:
    content = xlsx(Carts=[["cart", "mass (kg)"], ["C1", 1]], Packs=[["pack", "price"], ["P1", 1], ["P2", "dear"]])
    with pytest.raises(InputProblem, match=r"^register\.xlsx:3: worksheet Packs: `price`: `dear` is no number"):
        items(tmp_path, content, "register.xlsx")


def test_a_cell_shown_as_percent_is_not_taken_for_a_hundredth(tmp_path: Path) -> None:
    """Spreadsheets keep 80 % as 0.8 (ECMA-376 part 1, 18.8.30: a percent format shows the number times 100)."""
    with pytest.raises(InputProblem, match="less than 1 %"):
        items(tmp_path, xlsx(P=[["pack", "warranty capacity (%)"], ["P1", 0.8]]), "p.xlsx")
    with pytest.raises(InputProblem, match="less than 1 %"):
        items(tmp_path, xlsx(T=[["test", "T1"], ["kind", "hill"], [], ["elapsed (min)", "soc (%)"], [1, 1]]), "p.xlsx")
    found = items(tmp_path, xlsx(P=[["pack", "warranty capacity (%)"], ["P1", 80]]), "p.xlsx")
    assert said(found, "packs")[0]["warranty_capacity_percent"] == 80.0


def test_an_unknown_zone_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="no time zone"):
        items(tmp_path, loop_sample(), zone="Nowhere/Land")


def test_two_tests_in_one_workbook_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="holds 2 tests"):
        items(tmp_path, xlsx(A=LOOP, B=LOOP), "two.xlsx")


@pytest.mark.parametrize("content", ["", "\n\n", "a,b\n1,2\n", ",,,\n"])
def test_what_is_no_sheet_is_refused(tmp_path: Path, content: str) -> None:
    with pytest.raises(InputProblem, match="no sheet"):
        items(tmp_path, content)


PIECES = st.sampled_from(
    ["test", "kind", "range", "field", "value", "start", "cart", "pack", "mass (kg)", "time", "trip (mi)", "rest (V)",
     "2026-06-14 19:05", "04/05/2026", "19:05", "52.6", "52,6", "-", "°", '"', "nan", "1e400", "\n", "\n\n", ",", ";",
     "settings", "0001-01-01 00:00", "9999-12-31 23:59", "elapsed (h)", "(((", "[x]", "\r", "\u2028", "٣"]
)  # fmt: skip


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.one_of(PIECES, PIECES, st.just(","), st.just("\n"), st.text(max_size=5)), max_size=40))
def test_any_text_is_read_or_refused_with_words(tmp_path: Path, pieces: list[str]) -> None:
    taken = original(tmp_path, "".join(pieces).encode("utf-8", "surrogatepass"))
    Sheet().recognise(taken)
    try:
        found = list(Sheet().read(taken, Options(zone="America/New_York")))
    except InputProblem as problem:
        assert problem.hint
        assert str(problem).startswith("sheet.csv")
    else:
        assert any(isinstance(one, Used) for one in found)


WORKBOOKS = ("register.xlsx", "test_harbour_loop.ods")


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.data())
def test_a_damaged_workbook_is_read_or_refused_with_words(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray((SAMPLES / data.draw(st.sampled_from(WORKBOOKS))).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    taken = original(tmp_path, bytes(content), "flipped.ods")
    Sheet().recognise(taken)
    try:
        list(Sheet().read(taken, Options()))
    except InputProblem as problem:
        assert problem.hint


def test_the_reader_is_handed_over() -> None:
    [reader] = readers()
    assert (reader.name, bool(reader.version), bool(reader.title), bool(reader.about)) == ("sheet", True, True, True)
