"""Rewrites rows of the drive in lfp_udds_fulltrip_1hz.csv in the ways loggers write, with what they must become.

    python make_cases.py        writes <case>.csv and <case>.json beside itself

What must come out is computed here from the simulation's own rows, never from the reader.
"""

from __future__ import annotations

import csv
import datetime
import json
from pathlib import Path
from zoneinfo import ZoneInfo

HERE = Path(__file__).parent
START = datetime.datetime(2026, 6, 14, 21, 55, tzinfo=datetime.UTC)  # any day would do
FIRST, COUNT = 12150, 40  # rows early in the drive, counted from 0


def drive() -> list[tuple[datetime.datetime, float, float]]:
    """Instant, V and A (positive charges: the simulation counts discharge) of those rows."""
    with (HERE / "lfp_udds_fulltrip_1hz.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))[FIRST : FIRST + COUNT]
    zero = round(float(rows[0]["t_s"]))
    return [
        (START + datetime.timedelta(seconds=10 * round(float(r["t_s"]) - zero)), float(r["V_V"]), -float(r["I_A"]))
        for r in rows
    ]


def decimal_comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def truth(rows: list[tuple[datetime.datetime, float, float]], **more: object) -> dict[str, object]:
    def row(at: int) -> dict[str, object]:
        time, volt, ampere = rows[at]
        return {"time": time.isoformat(), "voltage_volt": volt, "current_ampere": ampere}

    return {"tables": {"samples": len(rows)}, "first": row(0), "last": row(-1), "findings": [], "rejects": [], **more}


def write(name: str, data: bytes, what: dict[str, object]) -> None:
    (HERE / f"{name}.csv").write_bytes(data)
    (HERE / f"{name}.json").write_text(json.dumps(what, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def bdf() -> None:
    rows = drive()
    lines = ["Test Time / s,Unix Time / s,Voltage / V,Current / A"]
    lines += [f"{(t - START).total_seconds():.1f},{t.timestamp():.3f},{v:.6f},{i:.6f}" for t, v, i in rows]
    write(
        "bdf", "\n".join(lines).encode(), truth(rows, about="labels of the open Battery Data Format; no final line end")
    )


def semicolon() -> None:
    rows, zone = drive(), ZoneInfo("Europe/Berlin")
    lines = ["Messgerät;0815", "Kalibriert am;03.02.2025", "", "Zeit;Spannung [mV];Strom [A];Temperatur [°C]"]
    lines += [
        f"{t.astimezone(zone):%d.%m.%Y %H:%M:%S};{decimal_comma(v * 1000, 3)};{decimal_comma(i, 6)};21,5"
        for t, v, i in rows
    ]
    about = "lines above the header, semicolons, decimal commas, Latin-1, local time in a zone, mV"
    what = truth(rows, about=about, options={"zone": "Europe/Berlin"}, findings=["sign-decided"])
    write("semicolon", ("\r\n".join(lines) + "\r\n").encode("cp1252"), what)


def utf16() -> None:
    rows, zone = drive(), datetime.timezone(datetime.timedelta(hours=-7))
    lines = ["timestamp\tvolts\tamps"] + [f"{t.astimezone(zone).isoformat()}\t{v:.6f}\t{-i:.6f}" for t, v, i in rows]
    what = truth(
        rows, about="UTF-16 with a byte order mark, tabs, an offset on each time, discharge counted as positive",
        findings=["sign-decided", "unit-assumed"], sign="discharge-positive",
    )  # fmt: skip
    write("utf16", ("\r\n".join(lines) + "\r\n").encode("utf-16"), what)


def units_line() -> None:
    rows = drive()
    lines = ["Time|U|I|Mode", "ms|V|mA|-"]
    lines += [f"{t.timestamp() * 1000:.0f}|{v:.6f}|{i * 1000:.3f}|drive" for t, v, i in rows]
    what = truth(
        rows,
        about="a second header line of units, milliseconds since 1970",
        findings=["columns-left-out", "sign-decided"],
    )
    write("units_line", ("\n".join(lines) + "\n").encode(), what)


def midnight() -> None:
    rows = drive()
    lines = ["# Date: 2026-06-14", "clock,voltage (V),current (A)"]
    shift = datetime.timedelta(hours=2)
    moved = [(t + shift, v, i) for t, v, i in rows]
    lines += [f"{t:%I:%M:%S %p},{v:.6f},{i:.6f}" for t, v, i in moved]
    what = truth(
        moved,
        about="a time of day alone, whose date stands above the header; it passes midnight",
        findings=["sign-decided"],
    )
    write("midnight", ("\n".join(lines) + "\n").encode(), what)


def restart() -> None:
    rows = drive()
    header = "elapsed (s),voltage (V),current (A)"
    seconds = [(t - START).total_seconds() for t, _, _ in rows]
    half = COUNT // 2
    again = [s - seconds[half] for s in seconds[half:]]
    pause = datetime.timedelta(seconds=seconds[half - 1] + 60)
    moved = rows[:half] + [
        (START + pause + datetime.timedelta(seconds=s), v, i) for s, (_, v, i) in zip(again, rows[half:], strict=True)
    ]
    told = [f"{s:.1f},{v:.6f},{i:.6f}" for s, (_, v, i) in zip(seconds[:half] + again, rows, strict=True)]
    lines = [header, *told[:half], header, *told[half:]]
    what = truth(
        moved, about="a logger switched off and on: the header again, and the counter from 0",
        options={"map": f'[time]\nstart = "{START.isoformat()}"\n'},
        findings=["clock-restart", "header-again", "sign-decided"], rejects=[[half + 2, "the header again"]],
    )  # fmt: skip
    write("restart", ("\n".join(lines) + "\n").encode(), what)


def trouble() -> None:
    rows = drive()
    lines = ["time,voltage (V),current (A)"] + [f"{t:%Y-%m-%dT%H:%M:%SZ},{v:.6f},{i:.6f}" for t, v, i in rows]
    lines[3] += ",7"
    lines[5] = lines[5].replace(",", "\0\0\0,", 1)
    lines[8] = lines[8].rsplit(",", 1)[0] + ",open"
    lines[10] = "," + lines[10].split(",", 1)[1]
    lines[12] = "2026-02-30T10:00:00Z," + lines[12].split(",", 1)[1]
    lines[-1] = lines[-1][:26]
    kept = [row for at, row in enumerate(rows, 1) if at not in (3, 5, 8, 10, 12, len(rows))]
    rejects = [
        [4, "4 cells where the header has 3"],
        [6, "holds NUL bytes"],
        [9, "`open` in `current (A)` is no number"],
        [11, "no time in `time`"],
        [13, "`2026-02-30T10:00:00Z` in `time` is no time"],
        [len(rows) + 1, "the file ends within this line"],
    ]
    codes = ["no-number", "no-time", "nul-bytes", "ragged-rows", "sign-decided", "truncated"]
    what = truth(kept, about="one line of each trouble, and cut off at the end", findings=codes, rejects=rejects)
    write("trouble", "\n".join(lines).encode(), what)


if __name__ == "__main__":
    for case in (bdf, semicolon, utf16, units_line, midnight, restart, trouble):
        case()
