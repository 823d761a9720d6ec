"""Tracks in GPX, the GPS exchange format: versions 1.1 and 1.0, with or without a namespace.

    <gpx version="1.1" creator="..." xmlns="http://www.topografix.com/GPX/1/1">
      <trk><trkseg>
        <trkpt lat="51.376730" lon="0.731330">
          <ele>8</ele>
          <time>2014-05-10T07:20:55.000Z</time>
        </trkpt>

What counts is the schema, http://www.topografix.com/GPX/1/1/gpx.xsd: `lat` and `lon` are required,
lon is below 180; `ele` (m) and `time` (xsd:dateTime, UTC) are optional; a new `trkseg` starts where
reception was lost. Version 1.0 has a `speed` element (m/s), 1.1 puts it into extensions. Waypoints and
routes were not driven: they are counted, not read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from xml.parsers import expat

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.hooks import hookimpl
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Fit, Item, Options, Reader, Rows, Used, Wholes
from rangebook.pipeline.tables import INSTANT, conform

from .gpx_points import MEND, Points, Track, texts_of

CHUNK = 1 << 16
BATCH = 20_000
VERSIONS = ("1.1", "1.0", "")
COLUMNS = {
    "time": "time",
    "ele": "elevation_metre",
    "speed": "speed_metre_per_second",
    "hdop": "hdop",
    "sat": "satellites",
    "fix": "fix",
}
SEEN = {
    "time-without-zone": "times that name no zone, taken as UTC",
    "place-unusable": "points without a usable place, set aside as rejects",
}
NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
DATETIME = r"^(?P<wall>\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?P<part>\.\d+)?(?P<zone>Z|[+-]\d\d:\d\d)?$"

Mask = npt.NDArray[np.bool_]


def numbers(texts: pa.StringArray) -> pa.DoubleArray:
    """Texts as float64; null where one is no finite number."""
    try:
        values = texts.cast(pa.float64())
    except pa.ArrowInvalid:
        texts = pc.utf8_trim_whitespace(texts)
        values = pc.if_else(pc.match_substring_regex(texts, NUMBER), texts, None).cast(pa.float64())
    return pc.if_else(pc.is_finite(values), values, None)


def instants(texts: pa.StringArray) -> tuple[pa.TimestampArray, Mask]:
    """Texts of xsd:dateTime as instants, null where unreadable; and which of them name no zone, taken as UTC."""
    try:
        return texts.cast(INSTANT), np.zeros(len(texts), bool)
    except pa.ArrowInvalid:
        parts = pc.extract_regex(pc.utf8_trim_whitespace(texts), DATETIME)
    wall, part, zone = (parts.field(name) for name in ("wall", "part", "zone"))
    second = pc.strptime(wall, format="%Y-%m-%dT%H:%M:%S", unit="s", error_is_null=True)
    real = pc.equal(pc.strftime(second, format="%Y-%m-%dT%H:%M:%S"), wall)  # strptime rolls 30 February over
    micro = pc.utf8_slice_codeunits(pc.utf8_rpad(pc.utf8_slice_codeunits(part, 1), 6, "0"), 0, 6).cast(pa.int64())
    micros = pc.add(pc.multiply(second.cast(pa.int64()), 1_000_000), pc.subtract(micro, _offset(zone)))
    utc = pc.if_else(real, micros, None).cast(pa.timestamp("us")).cast(INSTANT)
    lone = pc.and_(pc.equal(zone, ""), utc.is_valid())
    return utc, np.asarray(lone.fill_null(False))


def _offset(zone: pa.StringArray) -> pa.Int64Array:
    """Microseconds to take off for `+01:00`, `-03:30`; none for `Z` and ``."""
    digits = pc.replace_substring_regex(zone, pattern=r"^Z?$", replacement="+00:00")
    hours = pc.utf8_slice_codeunits(digits, 1, 3).cast(pa.int64())
    minutes = pc.utf8_slice_codeunits(digits, 4, 6).cast(pa.int64())
    total = pc.add(pc.multiply(hours, 60), minutes)
    return pc.multiply(pc.if_else(pc.starts_with(digits, "-"), pc.negate(total), total), 60_000_000)


class Tally:
    """Makes fixes and rejects of points, and keeps count of what is worth a finding."""

    def __init__(self) -> None:
        self.fixes = self.timed = self.rejects = 0
        self.seen: dict[str, tuple[int, int, int]] = {}

    def see(self, what: str, lines: Wholes) -> None:
        """`lines` more of `what`: how many, and the first and last line."""
        if len(lines):
            count, first, _ = self.seen.get(what, (0, int(lines[0]), 0))
            self.seen[what] = (count + len(lines), first, int(lines[-1]))

    def rows(self, points: Points) -> Iterator[Rows]:
        """One batch of fixes and, where points lack a place, one of rejects."""
        latitude, longitude = numbers(points.latitude), numbers(points.longitude)
        why = _why(latitude, longitude)
        kept = np.asarray(why.is_null())
        if not kept.all():
            yield self._rejected(points, why, np.flatnonzero(~kept))
        if kept.any():
            columns = {"latitude_degree": latitude, "longitude_degree": longitude, "segment": pa.array(points.segment)}
            batch = conform("fixes", columns | self._optional(points)).filter(pa.array(kept))
            rows = np.flatnonzero(kept)
            self.fixes += len(rows)
            self.timed += len(rows) - batch.column("time").null_count
            yield Rows("fixes", batch, points.line[rows], lambda row: points.text(int(rows[row])))

    def _rejected(self, points: Points, why: pa.StringArray, rows: Wholes) -> Rows:
        lines = points.line[rows]
        self.rejects += len(rows)
        self.see("place-unusable", lines)
        columns = {"line": pa.array(lines), "text": texts_of(points.text(int(row)) for row in rows)}
        return Rows("rejects", conform("rejects", columns | {"why": why.take(pa.array(rows))}), lines)

    def _optional(self, points: Points) -> dict[str, pa.Array]:
        """Columns of the children that are there; a value that cannot be read is null and counted."""
        columns: dict[str, pa.Array] = {}
        for child, texts in points.values.items():
            column = self._column(child, texts, points.line)
            stated = pc.greater(pc.utf8_length(pc.utf8_trim_whitespace(texts)), 0).fill_null(False)
            self.see(f"{child}-unreadable", points.line[np.asarray(pc.and_(stated, column.is_null()))])
            columns[COLUMNS[child]] = column
        return columns

    def _column(self, child: str, texts: pa.StringArray, line: Wholes) -> pa.Array:
        if child == "time":
            times, lone = instants(texts)
            self.see("time-without-zone", line[lone])
            return times
        if child == "fix":
            word = pc.utf8_lower(pc.utf8_trim_whitespace(texts))
            return pc.if_else(pc.equal(word, ""), None, word)
        values = numbers(texts)
        return pc.if_else(pc.less(pc.abs(values), 1e6), pc.round(values), None) if child == "sat" else values

    def findings(self) -> Iterator[Finding]:
        for what, (count, first, last) in self.seen.items():
            words = SEEN.get(what, f"values of <{what.removesuffix('-unreadable')}> that cannot be read, left out")
            yield Finding(what, "warning", f"{words}: {count}", first, last)
        if not self.timed:
            yield Finding("times-missing", "note", "no point has a time: way and climb can be told, speeds can not")
        elif self.timed < self.fixes:
            words = f"{self.fixes - self.timed} of {self.fixes} points have no time"
            yield Finding("times-missing", "note", words)


def _why(latitude: pa.DoubleArray, longitude: pa.DoubleArray) -> pa.StringArray:
    """Why a point has no usable place; null where it has. The schema's bounds: lon 180 is written -180."""
    faults = {
        "its latitude is missing or no number": latitude.is_null(),
        "its longitude is missing or no number": longitude.is_null(),
        "its latitude is not from -90 to 90 degrees": pc.greater(pc.abs(latitude), 90.0),
        "its longitude is below -180 degrees": pc.less(longitude, -180.0),
        "its longitude is not below 180 degrees": pc.greater_equal(longitude, 180.0),
    }
    return pc.case_when(pc.make_struct(*faults.values()), *map(pa.scalar, faults))


class Gpx:
    """The reader."""

    name = "gpx"
    version = "1"
    title = "GPS tracks in GPX 1.1 or 1.0"
    about = (
        "Track points with their segments, times (UTC), elevation, speed (m/s) and quality of the fix. Waypoints and "
        "routes are counted in a finding. A file that breaks off is read up to the break."
    )

    def recognise(self, original: Original) -> Fit | None:
        """By the outermost element, whatever the file is called."""
        head = original.head()
        track = Track(original)
        try:
            track.parser.Parse(head, False)
        except (expat.ExpatError, InputProblem):
            marked = track.point or b"<gpx" in head[:4096]
            return Fit(0.6, "has a <gpx> element, though its XML is out of order") if marked else None
        if not track.point:
            return None
        return Fit(0.95, f"its outermost element is <gpx>, version {track.version or 'not stated'}")

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        """Fixes in batches, rejects, then findings. InputProblem when no track point of the file is usable."""
        track, tally = Track(original), Tally()
        broken: Finding | None = None
        with original.open() as stream:
            chunk = b"."
            while chunk and not broken:
                chunk = stream.read(CHUNK)
                broken = _step(track, chunk)
                if track.complete >= BATCH:
                    yield from tally.rows(track.points())
        if track.complete:
            yield from tally.rows(track.points())
        if not tally.fixes:
            raise _nothing(track, tally, broken)
        yield Used({"format": "GPX", "version": track.version})
        yield from tally.findings()
        yield from _remarks(track, broken, tally.fixes)


def _step(track: Track, chunk: bytes) -> Finding | None:
    """Feed one chunk; where the XML breaks there, the finding that says so."""
    try:
        track.feed(chunk)
    except expat.ExpatError as problem:
        words = expat.ErrorString(problem.code)
        if chunk:
            return Finding(
                "malformed", "problem", f"its XML is broken at line {problem.lineno} ({words})", problem.lineno
            )
        return Finding("truncated", "warning", f"it breaks off at line {problem.lineno} ({words})", problem.lineno)
    return None


def _nothing(track: Track, tally: Tally, broken: Finding | None) -> InputProblem:
    if broken:
        return InputProblem(broken.words, MEND, path=track.path, line=broken.first_row)
    if tally.rejects:
        what, hint = (
            f"none of its {tally.rejects} track points has a usable place",
            "lat and lon must be decimal degrees",
        )
    elif track.counts["wpt"] or track.counts["rte"]:
        what, hint = "holds waypoints or routes only, no track", "save the track itself, the way that was driven"
    else:
        what, hint = "holds no track point", "save the track again, or leave this file out"
    return InputProblem(what, hint, path=track.path)


def _remarks(track: Track, broken: Finding | None, fixes: int) -> Iterator[Finding]:
    """What is to be said of the file as a whole."""
    if broken:
        yield replace(broken, words=f"{broken.words}: the {fixes} points before that are kept")
    if track.version not in VERSIONS:
        yield Finding("gpx-version", "warning", f"states version `{track.version}`; read as 1.1")
    for kind, name in (("wpt", "waypoints"), ("rte", "routes")):
        if count := track.counts[kind]:
            yield Finding(name, "note", f"{count} {name if count > 1 else name[:-1]} not read: not driven")


@hookimpl
def readers() -> list[Reader]:
    return [Gpx()]
