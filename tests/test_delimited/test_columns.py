"""What headers mean, what is proposed, and what a map says."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.tables import FIXES, SAMPLES
from rangebook.plugins.delimited.maps import read_map
from rangebook.plugins.delimited.names import meaning, targets

Reading = Callable[..., Any]
ROWS = "2026-06-14T19:05:00Z,{},{}\n2026-06-14T19:05:01Z,{},{}\n"

# Preferred labels of the open Battery Data Format, ontology 1.3.0, and the columns it defines them as.
BATTERY_DATA_FORMAT = {
    "Test Time / s": ("elapsed", "s"),
    "Unix Time / s": ("unix", "s"),
    "Voltage / V": ("samples.voltage_volt", "V"),
    "Current / A": ("samples.current_ampere", "A"),
    "Net Capacity / Ah": ("samples.net_capacity_ah", "Ah"),
    "Ambient Temperature / degC": ("samples.ambient_temperature_celsius", "degC"),
    "Temperature T1 / degC": ("samples.temperature_t1_celsius", "degC"),
    "Temperature T5 / degC": ("samples.temperature_t5_celsius", "degC"),
}
WITHOUT_A_COLUMN = [
    "Cycle Count / 1",
    "Step Count / 1",
    "Power / W",
    "Charging Capacity / Ah",
    "Discharging Capacity / Ah",
    "Cumulative Capacity / Ah",
    "Charging Energy / Wh",
    "Net Energy / Wh",
    "DC Internal Resistance / ohm",
    "Record Index / 1",
]


@pytest.mark.parametrize("label", BATTERY_DATA_FORMAT)
def test_labels_of_the_battery_data_format(label: str) -> None:
    found = meaning(label)
    assert found is not None
    assert (found.to, found.unit) == BATTERY_DATA_FORMAT[label]


@pytest.mark.parametrize("label", WITHOUT_A_COLUMN)
def test_labels_without_a_canonical_column(label: str) -> None:
    assert meaning(label) is None


@pytest.mark.parametrize(
    ("header", "to", "unit"),
    [
        ("Voltage [mV]", "samples.voltage_volt", "mV"),
        ("V_V", "samples.voltage_volt", "V"),
        ("I_mA", "samples.current_ampere", "mA"),
        ("t_s", "elapsed", "s"),
        ("t (ms)", "elapsed", "ms"),
        ("T (°C)", "samples.temperature_t1_celsius", "°C"),
        ("v (km/h)", "samples.speed_metre_per_second", "km/h"),
        ("v (V)", "samples.voltage_volt", "V"),
        ("Speed km/h", "samples.speed_metre_per_second", "km/h"),
        ("speed_km_h", "samples.speed_metre_per_second", "km/h"),
        ("mph", "samples.speed_metre_per_second", "mph"),
        ("mV", "samples.voltage_volt", "mV"),
        ("BatteryVoltage", "samples.voltage_volt", "V"),
        ("Spannung / V", "samples.voltage_volt", "V"),
        ("Strom in A", "samples.current_ampere", "A"),
        ("Courant (A)", "samples.current_ampere", "A"),
        ("intensité [A]", "samples.current_ampere", "A"),
        ("Tensión (V)", "samples.voltage_volt", "V"),
        ("corrente [mA]", "samples.current_ampere", "mA"),
        ("Température ambiante (°C)", "samples.ambient_temperature_celsius", "°C"),
        ("Geschwindigkeit (km/h)", "samples.speed_metre_per_second", "km/h"),
        ("Höhe [m]", "fixes.elevation_metre", "m"),
        ("Altitude (ft)", "fixes.elevation_metre", "ft"),
        ("gps_speed_mps", "fixes.speed_metre_per_second", "mps"),
        ("SOC (%)", "samples.state_of_charge_percent", "%"),
        ("Motor temp (F)", "samples.motor_temperature_celsius", "F"),
        ("Cell 12 (mV)", "samples.cell_voltage_volt", "mV"),
        ("voltage_volt", "samples.voltage_volt", "V"),
        ("temperature_t3_celsius", "samples.temperature_t3_celsius", "Cel"),
        ("Zeit [s]", "time", "s"),
        ("Time (hh:mm:ss)", "time", ""),
    ],
)
def test_headers(header: str, to: str, unit: str) -> None:
    found = meaning(header)
    assert found is not None
    assert (found.to, found.unit) == (to, unit)


@pytest.mark.parametrize(
    "header",
    [
        "Speed",
        "speed limit",
        "Voltage (A)",
        "Voltage min",
        "Voltage (max)",
        "C",
        "step",
        "distance (km)",
        "max cell voltage",
        "Current (discharge)",
        "odometer",
        "Ah",
        "Power (W)",
        "",
    ],
)
def test_headers_that_mean_nothing_sure(header: str) -> None:
    assert meaning(header) is None


def test_every_canonical_name_means_itself() -> None:
    for schema in (FIXES, SAMPLES):
        for field in schema:
            if field.name not in ("time", "segment"):
                found = meaning(field.name)
                assert found is not None and found.to.endswith(f".{field.name}")
                assert found.said


def test_units_become_canonical(written: Reading) -> None:
    """Exact by definition: a mile is 1609.344 m, a foot 0.3048 m (NIST SP 811, appendix B); 77 F is 25 C."""
    header = "time,voltage (mV),current (mA),temperature (F),speed (mph),lat,lon,altitude (ft)\n"
    got = written(header + "2026-06-14T19:05:00Z,53100,-38400,77,10,38.7,-9.1,1000\n" * 2)
    samples, fixes = got.tables["samples"].to_pylist()[0], got.tables["fixes"].to_pylist()[0]
    assert samples["voltage_volt"] == pytest.approx(53.1, rel=1e-12)
    assert samples["current_ampere"] == pytest.approx(-38.4, rel=1e-12)
    assert samples["temperature_t1_celsius"] == pytest.approx(25.0, abs=1e-9)
    assert samples["speed_metre_per_second"] == pytest.approx(4.4704, rel=1e-12)
    assert fixes["elevation_metre"] == pytest.approx(304.8, rel=1e-12)
    assert fixes["segment"] == 0


def test_cells_become_one_list_in_order(written: Reading) -> None:
    text = "time,cell 1 (mV),cell 2 (mV),cell 3 (mV),voltage (V)\n2026-06-14T19:05:00Z,3301,,3303,53\n"
    got = written(text)
    assert got.tables["samples"].column("cell_voltage_volt").to_pylist() == [[3.301, None, pytest.approx(3.303)]]


def test_further_temperatures_take_the_next_place(written: Reading) -> None:
    text = "time,temperature (C),temp 2 (C),battery temp (C),voltage (V)\n2026-06-14T19:05:00Z,20,21,22,53\n"
    row = written(text).tables["samples"].to_pylist()[0]
    assert [row[f"temperature_t{n}_celsius"] for n in (1, 2, 3)] == [20, 21, 22]


def test_two_columns_of_one_meaning_are_said(written: Reading) -> None:
    got = written("time,voltage (V),pack voltage (V)\n" + ROWS.format(53, 54, 53, 54))
    assert got.column("samples", "voltage_volt").tolist() == [53, 53]
    assert "column-doubled" in got.codes


def test_positions_go_to_fixes_and_the_rest_to_samples(written: Reading) -> None:
    text = "time,lat,lon,gps speed (km/h),satellites,hdop,voltage (V)\n"
    text += "2026-06-14T19:05:00Z,38.7,-9.1,36,7,0.9,53\n2026-06-14T19:05:01Z,,,,,,52\n"
    text += "2026-06-14T19:05:02Z,38.8,-9.2,36,8,0.9,\n"
    got = written(text)
    assert got.tables["fixes"].column("satellites").to_pylist() == [7, 8]
    assert got.tables["fixes"].column("speed_metre_per_second").to_pylist() == [10, 10]
    assert got.tables["samples"].column("voltage_volt").to_pylist() == [53, 52]
    lines = {rows.table: rows.line.tolist() for rows in got.rows}
    assert lines == {"samples": [2, 3], "fixes": [2, 4]}
    fixes = next(rows for rows in got.rows if rows.table == "fixes")
    assert fixes.text(1).startswith("2026-06-14T19:05:02Z")


def test_gps_speed_without_position_is_a_speed_of_samples(written: Reading) -> None:
    got = written("time,gps speed (km/h),voltage (V)\n" + ROWS.format(36, 53, 36, 53))
    assert got.column("samples", "speed_metre_per_second").tolist() == [10, 10]


@pytest.mark.parametrize("spelling", ["", "-", "---", "NaN", "n/a", "null"])
def test_spellings_of_nothing(written: Reading, spelling: str) -> None:
    got = written("time,voltage (V),current (A)\n" + ROWS.format(53, spelling, 53, -1))
    assert got.tables["samples"].column("current_ampere").to_pylist() == [None, -1]


# ---- maps -----------------------------------------------------------------------------------------------------

LOG = "when,u,i,trip\n2026-06-14T19:05:00Z,53,38,1\n2026-06-14T19:05:01Z,52,39,2\n"
MAP = """
[columns]
"when" = { to = "time" }
"u" = { to = "voltage_volt", unit = "V" }
"i" = { to = "current_ampere", unit = "A", sign = "discharge-positive" }
"""


def test_map_says_columns_units_and_sign(written: Reading) -> None:
    got = written(LOG, map=MAP)
    assert got.column("samples", "current_ampere").tolist() == [-38, -39]
    assert got.used["sign"] == "discharge-positive"
    assert got.used["map"] == MAP
    left = next(finding for finding in got.findings if finding.code == "columns-left-out")
    assert "`trip`" in left.words


def test_ignored_columns_need_no_word(written: Reading) -> None:
    assert written(LOG, map=MAP + '"trip" = { to = "ignore" }\n').codes == []


def test_a_map_is_found_again_by_the_header(written: Reading) -> None:
    first = written(LOG, map=MAP)
    later = LOG.replace("53", "51").replace("when", "When")
    again = written(later, known_maps={first.used["header"]: MAP})
    assert again.column("samples", "voltage_volt").tolist() == [51, 52]
    assert again.column("samples", "current_ampere").tolist() == [-38, -39]
    other = written("time,u,i\n2026-06-14T19:05:00Z,1,2\n", known_maps={first.used["header"]: MAP})
    assert "map" not in other.used


def test_a_map_with_a_dialect_is_found_again_too(written: Reading) -> None:
    """By the header that shows without the map: here its second line, which only explains the first."""
    text = "when,u,i\nmoment,volts there,amps there\n2026-06-14T19:05:00Z,53,1\n2026-06-14T19:05:01Z,52,2\n"
    said = MAP + "[file]\nheader_row = 1\nencoding = 'latin-1'\n"
    first = written(text, map=said)
    again = written(text, known_maps={first.used["header"]: said})
    assert again.tables["samples"].equals(first.tables["samples"])
    assert again.column("samples", "current_ampere").tolist() == [-1, -2]
    assert again.tables["rejects"].column("line").to_pylist() == [2]


def test_columns_without_a_header_go_by_number(written: Reading) -> None:
    said = '[columns]\n"column 1" = { to = "unix" }\n"column 2" = { to = "voltage_volt", unit = "mV" }\n'
    got = written("1781463907,53100\n1781463908,53200\n", map=said)
    assert got.column("samples", "voltage_volt").tolist() == pytest.approx([53.1, 53.2])
    assert got.rows[0].line.tolist() == [1, 2]


def test_net_capacity_turns_with_its_own_sign(written: Reading) -> None:
    said = """
[columns]
"time" = { to = "time" }
"Ah" = { to = "net_capacity_ah", sign = "discharge-positive" }
"u" = { to = "voltage_volt" }
"""
    got = written("time,Ah,u\n" + ROWS.format(1, 53, 2, 52), map=said)
    assert got.column("samples", "net_capacity_ah").tolist() == [-1, -2]


def test_fixes_can_be_named_outright(written: Reading) -> None:
    said = """
[columns]
"time" = { to = "time" }
"a" = { to = "latitude_degree" }
"b" = { to = "longitude_degree" }
"c" = { to = "fixes.speed_metre_per_second", unit = "km/h" }
"""
    got = written("time,a,b,c\n2026-06-14T19:05:00Z,38,9,36\n", map=said)
    assert list(got.tables) == ["fixes"]
    assert got.tables["fixes"].column("speed_metre_per_second").to_pylist() == [10]


@pytest.mark.parametrize(
    ("said", "what", "hint"),
    [
        ("[columns", "is no TOML", "map"),
        ("[colums]\n", "unknown key `colums`", "did you mean `columns`"),
        ("[file]\ndelimeter = ';'\n", "unknown key `delimeter` in \\[file\\]", "did you mean `delimiter`"),
        ("[time]\nzone = 'Mars/Olympus'\n", "Mars/Olympus", "\\[time\\]"),
        ("[time]\ndate_order = 'dmy'\n", "unknown date_order `dmy`", "day-first or month-first"),
        ("[time]\nstart = 'noon'\n", "noon", "\\[time\\]"),
        ("[time]\nstart = '04/05/2026 10:00'\n", "day first or month first", "\\[time\\]"),
        ("[file]\nencoding = 'klingon'\n", "unknown encoding `klingon`", "utf-8"),
        ("[file]\ndelimiter = 'ab'\n", "one character", "delimiter"),
        ("[file]\nheader_row = 'two'\n", "`header_row`", "header_row = 1"),
        (MAP.replace("voltage_volt", "voltage_vlot"), "unknown target `voltage_vlot`", "did you mean `voltage_volt`"),
        (MAP.replace('unit = "V"', 'unit = "furlong"'), "furlong", "V"),
        (MAP.replace('unit = "V"', 'unit = "km"'), "km", "V"),
        (MAP.replace("discharge-positive", "backwards"), "unknown sign `backwards`", "charge-positive"),
        (MAP.replace('unit = "V"', 'sign = "charge-positive"'), "can have no sign", "current_ampere"),
        (MAP.replace('"u"', '"volts"'), "no column `volts`", "`u`"),
        (MAP.replace('"when" = { to = "time" }', ""), "no column holds the time", "map"),
        ('[columns]\n"when" = { to = "time" }\n', "no column holds a voltage", "map"),
        (MAP + '"trip" = { to = "latitude_degree" }\n', "latitude needs a longitude", "map"),
        (MAP + '"trip" = { to = "voltage_volt" }\n', "`u`, `trip` all go to", "ignore"),
        (MAP + '"trip" = "speed"\n', "does not say what it is", "to ="),
        (MAP + '"trip" = { to = "ignore", units = "m" }\n', "unknown key `units`", "did you mean `unit`"),
    ],
)
def test_a_wrong_map_is_said(written: Reading, said: str, what: str, hint: str) -> None:
    with pytest.raises(InputProblem, match=what) as caught:
        written(LOG, map=said)
    assert re.search(hint, caught.value.hint)


def test_every_target_can_be_mapped() -> None:
    for to in targets():
        told = read_map(f'[columns]\n"x" = {{ to = "{to}" }}\n')
        assert told.columns is not None and told.columns["x"].to == to


# ---- sign -----------------------------------------------------------------------------------------------------


def drive(sign: float, resistance: float = 0.02, rows: int = 400, seed: int = 7) -> str:
    """A pack of constant inner voltage and resistance: U = 52 V + R I with I positive on charge (Ohm's law)."""
    noise = np.random.default_rng(seed)
    ampere = -60 * noise.random(rows) + 10 * noise.random(rows)
    volt = 52 + resistance * ampere + noise.normal(0, 0.01, rows)
    lines = [
        f"2026-06-14T19:{n // 60:02}:{n % 60:02}Z,{v:.3f},{sign * i:.3f}"
        for n, (v, i) in enumerate(zip(volt, ampere, strict=True))
    ]
    return "\n".join(["time,voltage (V),current (A)", *lines]) + "\n"


@pytest.mark.parametrize(("sign", "said"), [(1, "charge-positive"), (-1, "discharge-positive")])
def test_physics_decides(written: Reading, sign: float, said: str) -> None:
    got = written(drive(sign))
    assert got.used["sign"] == said
    assert got.column("samples", "current_ampere").mean() < -20
    found = next(finding for finding in got.findings if finding.code == "sign-decided")
    assert said in found.words


def test_wild_values_do_not_decide(written: Reading) -> None:
    """Volts and amps that both drop to 0 for a moment look like the wrong sign, once; steps are counted, not summed."""
    lines = drive(1).splitlines()
    lines[200:200] = ["2026-06-14T19:03:19Z,0,0", "2026-06-14T19:03:19Z,1000000000,5000"]
    assert written("\n".join(lines)).used["sign"] == "charge-positive"


def test_nothing_shows_the_sign(written: Reading) -> None:
    got = written("time,voltage (V),current (A)\n" + ROWS.format(53, 10, 53.1, 10))
    assert got.used["sign"] == "charge-positive"
    assert [f.severity for f in got.findings if f.code == "sign-unknown"] == ["warning"]


def test_the_whole_file_contradicts_its_start(written: Reading, monkeypatch: pytest.MonkeyPatch) -> None:
    from rangebook.plugins.delimited import chunks

    monkeypatch.setattr(chunks, "PIECE", 4000)
    text = drive(1, rows=150) + drive(-1, rows=3000).split("\n", 1)[1]
    with pytest.raises(InputProblem, match="charge-positive at first, and discharge-positive") as caught:
        written(text)
    assert "map" in caught.value.hint


def test_a_map_against_physics_is_gone_by_and_doubted(written: Reading) -> None:
    said = """
[columns]
"time" = { to = "time" }
"voltage (V)" = { to = "voltage_volt" }
"current (A)" = { to = "current_ampere", sign = "discharge-positive" }
"""
    got = written(drive(1), map=said)
    assert got.column("samples", "current_ampere").mean() > 20
    assert "sign-contradicted" in got.codes
