"""How fast, and against what: `python tests/bench/run.py [PART ...] [--rows N] [--big N] [--repeats N]`.

    csv     `rangebook ingest` of a shunt log into a new book, beside DuckDB's typed COPY to zstd Parquet
    big     the same log ten times as long: how time and memory grow
    gpx     our reader on a long track, beside gpxpy.parse
    start   `rangebook --help`, and beside it an empty Python
    ask     a recipe on the demo book

Each figure is the median of whole processes (wall clock; most memory held, from getrusage of the child), but for
gpx, which is timed inside one process. Prints one line a figure; the ratio is ours to the other's.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

RANGEBOOK = str(Path(sys.executable).with_name("rangebook"))

DUCKDB_COPY = """
import duckdb, sys
source, target = sys.argv[1:]
types = "{'time': 'TIMESTAMPTZ', 'volts': 'DOUBLE', 'amps': 'DOUBLE', 'temperature': 'DOUBLE', 'soc': 'DOUBLE'}"
duckdb.sql(f"copy (select * from read_csv('{source}', header=true, delim=',', columns={types})) "
           f"to '{target}' (format parquet, compression zstd)")
"""

SHUNT_LOG = """
import duckdb, sys
target, rows = sys.argv[1], int(sys.argv[2])
duckdb.sql(f'''copy (
    select strftime(timestamp '2026-05-01 08:00:00' + interval 1 second * i, '%Y-%m-%dT%H:%M:%SZ') as time,
           round(53 - 6 * i / {rows} - 0.4 * sin(i / 97.0), 3) as "voltage (V)",
           round(-60 - 55 * sin(i / 97.0) + 3 * sin(i * 1.7), 3) as "current (A)",
           round(24 + 14 * i / {rows}, 2) as "temperature (C)",
           round(100 - 90 * i / {rows}, 2) as "state of charge (%)"
    from range({rows}) as t(i)) to '{target}' (header, delimiter ',')''')
"""

GPX_OURS = """
import resource, sys, time
from pathlib import Path
from rangebook.pipeline import Options, Original, Rows
from rangebook.pipeline.registry import plugin_manager
(reader,) = [one for one in plugin_manager().readers() if one.name == "gpx"]
began = time.perf_counter()
items = reader.read(Original.at(Path(sys.argv[1])), Options())
points = sum(len(item.batch) for item in items if isinstance(item, Rows) and item.table == "fixes")
print(points, time.perf_counter() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""

GPX_GPXPY = """
import resource, sys, time
import gpxpy
began = time.perf_counter()
with open(sys.argv[1]) as stream:
    points = gpxpy.parse(stream).get_points_no()
print(points, time.perf_counter() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


@dataclass(frozen=True)
class Cost:
    """Median seconds, and the most memory any run held, MB."""

    seconds: float
    megabytes: float


def spend(command: Sequence[str], before: Callable[[int], Sequence[str]] | None = None, repeats: int = 3) -> Cost:
    """What a command costs. `before(run)` gives each run its own last arguments."""
    times, peak = [], 0.0
    for number in range(repeats):
        last = list(before(number)) if before else []
        began = time.perf_counter()
        child = subprocess.Popen([*command, *last], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        words = child.stderr.read() if child.stderr else ""
        _, status, usage = os.wait4(child.pid, 0)
        times.append(time.perf_counter() - began)
        peak = max(peak, usage.ru_maxrss / 1024)
        if os.waitstatus_to_exitcode(status) not in (0, 1):
            raise SystemExit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}:\n{words}")
    return Cost(statistics.median(times), peak)


def shunt_log(path: Path, rows: int) -> None:
    """A log as a shunt writes it, one row a second. Made in another process, so that this one stays small:
    the memory of a child counts from that of its parent."""
    subprocess.run([sys.executable, "-c", SHUNT_LOG, str(path), str(rows)], check=True, stdout=subprocess.DEVNULL)


def track(path: Path, points: int) -> None:
    """A GPX track of one point a second with elevation."""
    lines = (
        f'<trkpt lat="{45 + number * 3e-5:.6f}" lon="{14 + number % 1000 * 2e-5:.6f}"><ele>{number % 300 / 10}</ele>'
        f"<time>{time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime(1_780_000_000 + number))}</time></trkpt>"
        for number in range(points)
    )
    with path.open("w") as stream:
        stream.write('<?xml version="1.0"?>\n<gpx version="1.1" creator="bench" ')
        stream.write('xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>\n')
        stream.writelines(line + "\n" for line in lines)
        stream.write("</trkseg></trk></gpx>\n")


def ingest(source: Path, folder: Path, repeats: int) -> Cost:
    """Into a new book each time; making the book is not counted."""

    def new_book(number: int) -> list[str]:
        book = folder / f"book-{source.stem}-{number}"
        subprocess.run([RANGEBOOK, "new", str(book), "--zone", "UTC"], check=True, capture_output=True)
        return ["--book", str(book)]

    return spend([RANGEBOOK, "ingest", str(source)], new_book, repeats)


def copy(source: Path, folder: Path, repeats: int) -> Cost:
    """The bare typed COPY."""
    command = [sys.executable, "-c", DUCKDB_COPY, str(source)]
    return spend(command, lambda number: [str(folder / f"{source.stem}-{number}.parquet")], repeats)


def told(what: str, ours: Cost, other: Cost | None = None, beside: str = "") -> None:
    """One line."""
    line = f"{what:34} {ours.seconds:8.2f} s {ours.megabytes:7.0f} MB"
    if other:
        line += f"   {beside} {other.seconds:.2f} s {other.megabytes:.0f} MB   ratio {ours.seconds / other.seconds:.2f}"
    print(line, flush=True)


def csv_part(folder: Path, options: argparse.Namespace) -> None:
    source = folder / "shunt.csv"
    shunt_log(source, options.rows)
    what = f"ingest {options.rows:,} rows, {source.stat().st_size / 1e6:.0f} MB"
    told(what, ingest(source, folder, options.repeats), copy(source, folder, options.repeats), "duckdb COPY")


def big_part(folder: Path, options: argparse.Namespace) -> None:
    source = folder / "shunt-long.csv"
    shunt_log(source, options.big)
    what = f"ingest {options.big:,} rows, {source.stat().st_size / 1e6:.0f} MB"
    told(what, ingest(source, folder, 1), copy(source, folder, 1), "duckdb COPY")


def gpx_part(folder: Path, options: argparse.Namespace) -> None:
    source = folder / "track.gpx"
    track(source, options.points)
    ours, theirs = (inside(script, source, options.repeats) for script in (GPX_OURS, GPX_GPXPY))
    told(f"read {options.points:,} GPX points", ours, theirs, "gpxpy.parse")


def inside(script: str, source: Path, repeats: int) -> Cost:
    """Seconds a script measures itself, so that imports do not count."""
    command = [sys.executable, "-c", script, str(source)]
    runs = [subprocess.run(command, capture_output=True, text=True) for _ in range(repeats)]
    broken = [run.stderr for run in runs if run.returncode]
    if broken:
        raise SystemExit(broken[0])
    figures = [[float(word) for word in run.stdout.split()] for run in runs]
    return Cost(statistics.median(one[1] for one in figures), max(one[2] for one in figures))


def start_part(folder: Path, options: argparse.Namespace) -> None:
    ours, bare = spend([RANGEBOOK, "--help"], repeats=9), spend([sys.executable, "-c", ""], repeats=9)
    told("rangebook --help", ours, bare, "python -c ''")


def ask_part(folder: Path, options: argparse.Namespace) -> None:
    book = folder / "demo" / "book"
    told("rangebook demo", spend([RANGEBOOK, "demo", str(folder / "demo")], repeats=1))
    for recipe in ("fleet_efficiency", "fleet_snapshot", "capacity_fade"):
        told(f"ask {recipe}", spend([RANGEBOOK, "ask", recipe, "--book", str(book)], repeats=options.repeats))


PARTS = {"csv": csv_part, "big": big_part, "gpx": gpx_part, "start": start_part, "ask": ask_part}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=[[], *PARTS], help="all when none is named")
    parser.add_argument("--rows", type=int, default=2_000_000)
    parser.add_argument("--big", type=int, default=20_000_000)
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rangebook-bench-") as folder:
        for name in options.parts or PARTS:
            PARTS[name](Path(folder), options)


if __name__ == "__main__":
    main()
