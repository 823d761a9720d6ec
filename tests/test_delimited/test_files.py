"""Whole files: samples and what they must become, real logs, bad input."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.plugins.delimited import Delimited

SAMPLES = Path(__file__).parent.parent / "samples" / "delimited"
CASES = sorted(path.stem for path in SAMPLES.glob("*.json"))
Reading = Callable[..., Any]

# ---- samples --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES)
def test_sample_becomes_what_it_says(case: str, read_file: Reading) -> None:
    expected = json.loads((SAMPLES / f"{case}.json").read_text(encoding="utf-8"))
    got = read_file(f"{case}.csv", **expected.get("options", {}))
    tables = {name: len(table) for name, table in got.tables.items() if name != "rejects"}
    assert tables == expected["tables"]
    assert got.codes == expected["findings"]
    rejects = got.tables.get("rejects", pa.table({"line": [], "why": []}))
    assert [[row["line"], row["why"]] for row in rejects.to_pylist()] == expected["rejects"]
    for place, row in ((0, expected["first"]), (-1, expected["last"])):
        have = got.tables["samples"].slice(place % len(got.tables["samples"]), 1).to_pylist()[0]
        assert have["time"] == datetime.datetime.fromisoformat(row["time"])
        for name in ("voltage_volt", "current_ampere"):
            assert have[name] == pytest.approx(row[name], abs=1e-9)
    if "sign" in expected:
        assert got.used["sign"] == expected["sign"]


@pytest.mark.parametrize("case", CASES)
def test_sample_is_recognised(case: str) -> None:
    found = Delimited().recognise(Original.at(SAMPLES / f"{case}.csv"))
    assert found is not None
    assert found.sure >= 0.6
    assert "header names match" in found.why


@pytest.mark.parametrize("case", CASES)
def test_rows_know_their_lines(case: str, read_file: Reading) -> None:
    expected = json.loads((SAMPLES / f"{case}.json").read_text(encoding="utf-8"))
    got = read_file(f"{case}.csv", **expected.get("options", {}))
    for rows in got.rows:
        if rows.table == "samples":
            assert rows.line is not None and rows.text is not None
            assert len(rows.line) == len(rows.batch)
            assert (np.diff(rows.line) > 0).all()
            volt = f"{rows.batch.column('voltage_volt')[5].as_py():.6f}"
            told = rows.text(5).replace(",", ".").replace(".", "")
            assert volt.replace(".", "") in told
            lines = (SAMPLES / f"{case}.csv").read_bytes()
            if not lines.startswith(b"\xff\xfe"):
                assert rows.text(5) == lines.decode("cp1252").split("\n")[rows.line[5] - 1].rstrip("\r")


# ---- real files -----------------------------------------------------------------------------------------------


@pytest.fixture
def with_map(read_file: Reading) -> Reading:
    """Reads a sample with the map beside it."""

    def reading(name: str, map_name: str | None = None) -> Any:
        return read_file(f"{name}.csv", map=(SAMPLES / f"{map_name or name}.map.toml").read_text(encoding="utf-8"))

    return reading


def test_cell_drive_has_the_ampere_hours_of_its_solver(with_map: Reading) -> None:
    """Rows and Ah: SOURCES.md (PyBaMM's own integral of the drive step, 2.077440 Ah)."""
    got = with_map("lfp_udds_fulltrip_1hz")
    assert len(got.tables["samples"]) == 39855
    drive = slice(12124, 24642)
    seconds, ampere = got.seconds()[drive], got.column("samples", "current_ampere")[drive]
    assert np.trapezoid(ampere, seconds) / 3600 == pytest.approx(-2.077440, abs=1e-5)
    assert seconds[-1] - seconds[0] == pytest.approx(12516.3, abs=0.1)
    assert int((np.diff(got.seconds()) == 0).sum()) == 7
    assert got.codes == []


@pytest.mark.parametrize(
    ("name", "rows", "ampere_hours"),
    [("pack_trip_000", 12517, 95.4531486341096), ("pack_trip_060", 11151, 85.31256425042368)],
)
def test_pack_trips_have_their_true_ampere_hours(with_map: Reading, name: str, rows: int, ampere_hours: float) -> None:
    """Truth from the simulation's own integrals, see SOURCES.md."""
    got = with_map(name, "pack_trip")
    assert len(got.tables["samples"]) == rows
    taken = -np.trapezoid(got.column("samples", "current_ampere"), got.seconds()) / 3600
    assert taken == pytest.approx(ampere_hours, rel=1e-5)


@pytest.mark.parametrize("name", ["pack_trip_000", "pack_trip_060", "lfp_udds_fulltrip_1hz"])
def test_physics_finds_the_sign_of_the_simulations(read_file: Reading, name: str) -> None:
    """SOURCES.md: positive I_A discharges. Nobody says it here."""
    got = read_file(f"{name}.csv", map='[time]\nstart = "2026-05-01T08:00:00Z"')
    assert got.used["sign"] == "discharge-positive"
    assert "sign-decided" in got.codes


def test_quadricycle_month_first_from_the_whole_file(with_map: Reading) -> None:
    """Facts: SOURCES.md."""
    got = with_map("quadricycle-1hz")
    assert got.used["date_order"] == "month-first"
    assert len(got.tables["samples"]) == len(got.tables["fixes"]) == 961
    assert got.tables["samples"].column("time")[0].as_py() == datetime.datetime(
        2021, 5, 25, 9, 38, 33, tzinfo=datetime.UTC
    )
    charge = got.column("samples", "state_of_charge_percent")
    assert (charge[0], charge[-1]) == (56.2, 32.4)
    metres = np.trapezoid(got.column("samples", "speed_metre_per_second"), got.seconds())
    assert metres == pytest.approx(13831.3, abs=0.5)
    by_gps = np.trapezoid(got.column("fixes", "speed_metre_per_second"), got.seconds("fixes"))
    assert by_gps == pytest.approx(14232.4, abs=1)
    assert "columns-left-out" in got.codes


def test_ebike_speed_in_its_unit_agrees_with_its_odometer(with_map: Reading) -> None:
    """Its own distance column ends at 4,898.47 m; speed sums to within 1 % of it only as km/h."""
    got = with_map("ebike-1hz")
    steps = np.diff(got.seconds())
    metres = float(got.column("samples", "speed_metre_per_second")[:-1] @ steps)
    assert metres == pytest.approx(4898.47, rel=0.01)
    assert len(got.tables["fixes"]) == 970
    assert got.tables["fixes"].column("time")[0].as_py() == datetime.datetime(2023, 7, 6, 8, 4, 23, tzinfo=datetime.UTC)


def test_speed_without_a_unit_is_left_out_and_said(read_file: Reading) -> None:
    got = read_file("ebike-1hz.csv")
    assert "unit-missing" in got.codes
    assert "speed_metre_per_second" not in got.tables["samples"].schema.names


# ---- bad input ------------------------------------------------------------------------------------------------

HEADER = "time,voltage (V),current (A)\n"
ROW = "2026-06-14T19:05:00Z,53.1,-38.4\n"


def test_empty_file(written: Reading, fit: Reading) -> None:
    assert fit(b"") is None
    with pytest.raises(InputProblem, match="empty"):
        written("")


def test_header_alone(written: Reading) -> None:
    with pytest.raises(InputProblem, match="a header and no rows") as caught:
        written(HEADER)
    assert caught.value.hint


def test_one_long_line_in_little_memory(tmp_path: Path, read_file: Reading) -> None:
    """200 MB without a line end must neither be held nor take long."""
    path = tmp_path / "log.csv"
    with path.open("wb") as stream:
        stream.write((HEADER + ROW * 3).encode())
        stream.truncate(200 << 20)
        stream.seek(200)
        for _ in range(25):
            stream.write(b"x" * (8 << 20))
    before = pa.total_allocated_bytes()
    with pytest.raises(InputProblem, match="longer than 1 MiB") as caught:
        read_file(path)
    assert caught.value.line == 5
    assert pa.total_allocated_bytes() - before < 64 << 20


def test_a_file_that_a_logger_made_larger_than_it_filled(written: Reading) -> None:
    got = written((HEADER + ROW * 20).encode() + bytes(20 << 20))
    assert len(got.tables["samples"]) == 20
    assert got.tables["rejects"].column("why").to_pylist() == ["holds NUL bytes"]


@pytest.mark.parametrize(
    "content",
    [
        b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8,
        b'<?xml version="1.0"?>\n<gpx><trk a="1,2,3">\n</trk></gpx>\n',
        b"PK\x03\x04" + bytes(range(256)) * 4,
        b'{"a": [1, 2],\n "b": [3, 4]}\n',
        b"field,value\ntest,T-0117\nkind,range\n\ntime,trip (mi),rest (V)\n19:21,6.2,52.6\n19:49,15.9,50.1\n",
        b"field,value\ntest,T-0117\n\ntime,voltage (V)\n19:21,52.6\n19:49,50.1\n20:05,49.0\n20:06,48.7\n",
        b"cart,description,seats\nC07,long,4\n",
        b"pack,chemistry,nominal voltage (V)\nP11,LFP,51.2\n",
        b"settings,current limit (A)\ngentle,120\n",
        b"fitments,cart\n",
        b"Dear all,\nthis is a letter, not a log.\nBest wishes\n",
    ],
)
def test_other_files_are_not_claimed(fit: Reading, content: bytes) -> None:
    assert fit(content) is None


def test_unknown_columns_ask_for_a_map(written: Reading, fit: Reading) -> None:
    content = "q1,q2,q3\n1,2,3\n2,3,4\n"
    found = fit(content.encode())
    assert found is not None and found.sure == 0.2
    with pytest.raises(InputProblem, match="`q1`, `q2`, `q3`") as caught:
        written(content)
    assert '"q1" = { to = "time" }' in caught.value.hint


def test_no_usable_line(written: Reading) -> None:
    with pytest.raises(InputProblem, match="no line could be used") as caught:
        written(HEADER + "yesterday,1,2\n" * 3)
    assert caught.value.line == 2


def test_text_of_a_line_is_cut(written: Reading) -> None:
    got = written(HEADER + ROW * 3 + "x" * 2000 + "\n" + ROW)
    assert len(got.tables["rejects"].column("text")[0].as_py()) == 500


def test_long_lines_within_a_chunk_are_set_aside(written: Reading) -> None:
    got = written(HEADER + ROW * 3 + "x" * (3 << 20) + "\n" + ROW * 2)
    assert len(got.tables["samples"]) == 5


def test_one_wrong_byte_costs_one_line(written: Reading) -> None:
    """Also far beyond what shows the encoding: the file is UTF-8 and stays so."""
    bad = b"2026-06-14T19:05:00Z,53\xb0,1\n"
    got = written((HEADER + ROW * 3000).encode() + bad + ROW.encode())
    assert got.used["encoding"] == "utf-8"
    assert len(got.tables["samples"]) == 3001
    assert got.tables["rejects"].column("text").to_pylist() == ["2026-06-14T19:05:00Z,53°,1"]
