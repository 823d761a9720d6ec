"""Which files are sheets, and the samples."""

from __future__ import annotations

import json
from datetime import UTC, datetime, time
from pathlib import Path

import pytest

from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Options
from rangebook.pipeline.testing import check_reader
from rangebook.plugins.sheet import Sheet

from .sheetmaking import (
    LISBON,
    QUANTITY,
    SAMPLES,
    check_loop,
    original,
    said,
    xlsx,
)

LOGS = [
    "time,voltage (V),current (A)\n2026-06-14 19:05:00,52.6,-12.1\n",
    "Time;Pack voltage;Pack current;SOC\n19:05:00;52,6;-12,1;88\n",
    "t_s,I_A,V_V\n0,1.5,52.6\n1,1.6,52.5\n",
    "date,time,cart,pack,volts,amps\n2026-06-14,19:05,C07,P11,52.6,-12\n",
    "timestamp,cart,note\n2026-06-14,C07,x\n",
    "<?xml version='1.0'?><gpx></gpx>\n",
    "name,phone\nA,1\n",
    "a,b,settings\n1,2,3\n",
    "cart,a,b,c\nC1,1,2,3\n",
    "\x00\x01\x02\x03",
    "cart,customer\nC1,Re\x00sort\n",
    "",
    "\n\n",
]


@pytest.mark.parametrize("text", LOGS)
def test_logs_and_other_files_are_not_claimed(tmp_path: Path, text: str) -> None:
    assert Sheet().recognise(original(tmp_path, text, "log.csv")) is None


@pytest.mark.parametrize("text", ["settings\n", "cart\nC1\n", "pack\n"])
def test_a_key_alone_is_a_weak_sign(tmp_path: Path, text: str) -> None:
    fit = Sheet().recognise(original(tmp_path, text))
    assert fit is not None and fit.sure == 0.6


def test_tracks_are_not_claimed() -> None:
    tracks = sorted((Path(__file__).parent / "samples" / "gpx").rglob("*.gpx"))
    assert tracks
    assert [track.name for track in tracks if Sheet().recognise(Original.at(track))] == []


def test_a_workbook_of_something_else_is_not_claimed(tmp_path: Path) -> None:
    content = xlsx(Log=[["time", "volts", "amps"], [time(10, 0), 52.6, 1]], Sums=[["month", "sum"], ["May", 3]])
    assert Sheet().recognise(original(tmp_path, content, "log.xlsx")) is None


@pytest.mark.parametrize(
    ("headers", "table"),
    [
        ("cart,customer,seats", "carts"),
        ("note,mass (kg),cart", "carts"),
        ("Pack,Chemistry,PRICE", "packs"),
        ("from,until,pack,cart", "fitments"),
        ("settings,current limit (A),regen", "settings"),
        ("settings,speed limit (mph),whatever else", "settings"),
        ("logger,cart,from,until", "loggers"),
        ("instrument,kind,accuracy (%)", "instruments"),
    ],
)
def test_register_sheets_are_claimed(tmp_path: Path, headers: str, table: str) -> None:
    for delimiter in ",;\t":
        fit = Sheet().recognise(original(tmp_path, headers.replace(",", delimiter) + "\n"))
        assert fit is not None and fit.sure == 0.95
        assert f"a sheet of {table}" in fit.why


def test_unknown_headers_make_it_less_sure(tmp_path: Path) -> None:
    fit = Sheet().recognise(original(tmp_path, "cart,customer,colour\nC1,Resort,red\n"))
    assert fit is not None and 0.7 < fit.sure < 0.95


def test_a_head_cut_inside_a_character_is_still_recognised(tmp_path: Path) -> None:
    text = "cart,customer\n" + "C1,\u00e9\u20ac\n" * 20_000
    for shift in range(4):
        fit = Sheet().recognise(original(tmp_path, " " * shift + text))
        assert fit is not None and fit.sure == 0.95


@pytest.mark.parametrize("sample", sorted(SAMPLES.iterdir()), ids=lambda path: path.name)
def test_the_contract_of_readers_is_kept(sample: Path) -> None:
    assert check_reader(Sheet(), sample, Options(zone=LISBON)) == []


def test_logs_of_other_readers_are_not_claimed() -> None:
    logs = sorted((SAMPLES.parent / "delimited").glob("*.csv"))
    assert logs
    assert [log.name for log in logs if Sheet().recognise(Original.at(log))] == []


def test_what_the_samples_say() -> None:
    found = list(Sheet().read(Original.at(SAMPLES / "packs_semicolon.csv"), Options()))
    figures = [(row["nominal_voltage_volt"], row["mass_kg"], row["price"]) for row in said(found, "packs")]
    assert figures == [(51.2, 44.2, 1450.0), (48.0, 190.5, 980.5)]
    found = list(Sheet().read(Original.at(SAMPLES / "register.xlsx"), Options(zone=LISBON)))
    pounds = [row["mass_kg"] for row in said(found, "carts")]
    assert pounds == pytest.approx([QUANTITY(value, "pound").to("kg").magnitude for value in (926, 850.5)], rel=1e-12)
    assert said(found, "fitments")[1]["ended"] == datetime(2026, 4, 30, 23, 0, tzinfo=UTC)
    assert json.loads(said(found, "settings")[0]["other"]) == {"ramp": "soft"}
    assert said(found, "instruments")[0]["offset"] == 0.15
    check_loop(list(Sheet().read(Original.at(SAMPLES / "test_harbour_loop.ods"), Options(zone=LISBON))))
