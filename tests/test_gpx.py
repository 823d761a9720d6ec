"""The GPX reader against the schema, against an independent parser (gpxpy), and against files that mean harm."""

from __future__ import annotations

import datetime
import time
import tracemalloc
from collections.abc import Iterable
from pathlib import Path

import gpxpy
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Item, Options, Rows
from rangebook.pipeline.tables import schema_of
from rangebook.pipeline.testing import check_reader
from rangebook.plugins.gpx import Gpx, instants, numbers, readers

SAMPLES = Path(__file__).parent / "samples" / "gpx"
WAYPOINTS_ONLY = ("gpx1.1_with_extensions.gpx", "unicode_with_bom.gpx")
TRACKS = sorted(path for path in SAMPLES.rglob("*.gpx") if path.name not in WAYPOINTS_ONLY)
NAMESPACE = "http://www.topografix.com/GPX/1/1"
HEAD = f'<gpx version="1.1" creator="a test" xmlns="{NAMESPACE}">'

GPX = Gpx()


def read(path: Path) -> list[Item]:
    return list(GPX.read(Original.at(path), Options()))


def table(items: Iterable[Item], name: str = "fixes") -> pa.Table:
    batches = [item.batch for item in items if isinstance(item, Rows) and item.table == name]
    return pa.concat_tables([pa.Table.from_batches([batch]) for batch in batches], promote_options="default")


def findings(items: Iterable[Item]) -> dict[str, Finding]:
    return {item.code: item for item in items if isinstance(item, Finding)}


def written(
    tmp_path: Path, points: str, head: str = f'<gpx version="1.1" creator="a test" xmlns="{NAMESPACE}">'
) -> Path:
    path = tmp_path / "track.gpx"
    path.write_text(f"{head}\n<trk><trkseg>\n{points}\n</trkseg></trk>\n</gpx>\n", encoding="utf-8")
    return path


def point(inside: str = "", lat: str = "45.0", lon: str = "13.0") -> str:
    return f'<trkpt lat="{lat}" lon="{lon}">{inside}</trkpt>'


# --- real files ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", TRACKS, ids=lambda path: path.name)
def test_an_independent_parser_reads_the_same_points(path: Path) -> None:
    """gpxpy 1.6, which shares nothing with this reader but the file. It takes times without a zone as UTC too."""
    parsed = gpxpy.parse(path.read_text(encoding="utf-8-sig"))
    parts = [segment.points for track in parsed.tracks for segment in track.segments if segment.points]
    expected = [
        (number, one.latitude, one.longitude, one.elevation, _utc(one.time))
        for number, points in enumerate(parts)
        for one in points
    ]
    found = table(read(path)).to_pylist()
    columns = ("segment", "latitude_degree", "longitude_degree", "elevation_metre", "time")
    assert [tuple(row.get(column) for column in columns) for row in found] == expected


def _utc(when: datetime.datetime | None) -> datetime.datetime | None:
    return when and (when if when.tzinfo else when.replace(tzinfo=datetime.UTC))


@pytest.mark.parametrize(
    ("name", "points", "first", "last"),
    [
        ("walk-19km.gpx", 5120, "2020-10-29T07:45:38+00:00", "2020-10-29T10:36:26.999+00:00"),
        ("loop-21km.gpx", 7745, "2014-05-10T07:20:55+00:00", "2014-05-10T09:32:31+00:00"),
    ],
)
def test_real_recordings_come_out_whole(name: str, points: int, first: str, last: str) -> None:
    """Counts and times as looked up in the files; see samples/gpx/SOURCES.md."""
    fixes = table(read(SAMPLES / name))
    times = fixes.column("time").to_pylist()
    assert len(fixes) == points
    assert times[0] == datetime.datetime.fromisoformat(first)
    assert times[-1] == datetime.datetime.fromisoformat(last)


def test_a_track_in_segments_of_which_one_is_empty_and_one_has_no_times() -> None:
    items = read(SAMPLES / "odd" / "korita-zbevnica.gpx")
    fixes = table(items)
    assert len(fixes) == 871
    assert fixes.column("segment").unique().to_pylist() == [0, 1, 2]
    assert len(fixes) - fixes.column("time").null_count == 513
    assert findings(items)["times-missing"].words == "358 of 871 points have no time"


def test_fields_of_version_1_0() -> None:
    (row,) = table(read(SAMPLES / "odd" / "gpx1.0_with_all_fields.gpx")).to_pylist()
    assert (row["hdop"], row["satellites"], row["fix"]) == (101.0, 100, "3d")


def test_waypoints_and_routes_are_counted_and_not_read() -> None:
    found = findings(read(SAMPLES / "odd" / "gpx1.0_with_all_fields.gpx"))
    assert found["waypoints"].words.startswith("2 waypoints")
    assert found["routes"].words.startswith("2 routes")


@pytest.mark.parametrize("name", WAYPOINTS_ONLY)
def test_waypoints_alone_are_no_track(name: str) -> None:
    with pytest.raises(InputProblem, match="waypoints or routes only") as caught:
        read(SAMPLES / "odd" / name)
    assert "track" in caught.value.hint


@pytest.mark.parametrize("path", TRACKS, ids=lambda path: path.name)
def test_the_reader_keeps_its_contract(path: Path) -> None:
    assert check_reader(GPX, path) == []


def test_the_plugin_hands_over_the_reader() -> None:
    assert [reader.name for reader in readers()] == ["gpx"]


# --- recognising -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"<gp",
        b"time,voltage\n1,2\n",
        b'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><trkpt/></kml>',
        b"\x00" * 100,
    ],
)
def test_other_kinds_are_not_recognised(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "a.gpx").write_bytes(content)
    assert GPX.recognise(Original.at(tmp_path / "a.gpx")) is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_that_xml_allows(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "any.name"
    text = f'<gpx version="1.1"><trk><name>Zürich</name><trkseg>{point()}</trkseg></trk></gpx>'
    path.write_bytes(text.encode(encoding))
    fit = GPX.recognise(Original.at(path))
    assert fit is not None and fit.sure > 0.9
    assert len(table(read(path))) == 1


def test_a_prefix_for_the_namespace_is_as_good_as_none(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    points = '<g:trkpt lat="1" lon="2"><g:ele>7</g:ele><o:ele xmlns:o="urn:other">9</o:ele></g:trkpt>'
    path.write_text(f'<g:gpx xmlns:g="{NAMESPACE}" version="1.1"><g:trk><g:trkseg>{points}</g:trkseg></g:trk></g:gpx>')
    assert table(read(path)).to_pylist()[0]["elevation_metre"] == 7.0


@pytest.mark.parametrize("attributes", ['lon="2" lat="1"', 'lon="2" id="7" lat="1"', "lat='1' lon='2' \n  id='7'"])
def test_attributes_come_in_any_order_and_number(attributes: str, tmp_path: Path) -> None:
    path = written(tmp_path, f"{point(lat='1', lon='2')}<trkpt {attributes}/>")
    first, second = table(read(path)).to_pylist()
    assert first == second


# --- values ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # RFC 3339, section 5.8, the first two examples, and W3C XML Schema 1.1 part 2, section 3.3.7
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000000"),
        ("2002-10-10T12:00:00-05:00", "2002-10-10T17:00:00.000000"),
        ("2002-10-10T12:00:00+05:30", "2002-10-10T06:30:00.000000"),
        ("2015-12-11T15:43:13.123456789Z", "2015-12-11T15:43:13.123456"),
        (" 2015-12-11T15:43:13Z\n", "2015-12-11T15:43:13.000000"),
        ("2015-12-11T15:43:13", "2015-12-11T15:43:13.000000"),
        ("2015-02-29T15:43:13Z", None),
        ("2015-12-11", None),
        ("yesterday", None),
        ("", None),
    ],
)
def test_times_of_xsd_datetime(text: str, utc: str | None) -> None:
    for around in ([text], [text, "2020-01-01T00:00:00"], [text, "2020-01-01T00:00:00.1234567Z"]):
        found, lone = instants(pa.array(around))
        assert found[0].as_py() == (utc and datetime.datetime.fromisoformat(utc + "+00:00"))
        assert lone[0] == (text == "2015-12-11T15:43:13")


@given(
    st.datetimes(datetime.datetime(1970, 1, 2), datetime.datetime(2200, 1, 1)),
    st.integers(-14 * 60, 14 * 60).filter(bool),
)
def test_any_time_survives_both_ways_of_reading(wall: datetime.datetime, minutes: int) -> None:
    stamp = wall.replace(tzinfo=datetime.timezone(datetime.timedelta(minutes=minutes)))
    quick, _ = instants(pa.array([stamp.isoformat()]))
    slow, _ = instants(pa.array([stamp.isoformat(), "?"]))
    assert quick[0].as_py() == slow[0].as_py() == stamp


@pytest.mark.parametrize(
    ("text", "value"),
    [
        *[("1", 1.0), (" +2.50 ", 2.5), ("-.5", -0.5), ("1e2", 100.0), ("nan", None), ("INF", None), ("1e999", None)],
        *[("12,5", None), ("0x10", None), ("12 m", None), ("", None)],
    ],
)
def test_numbers(text: str, value: float | None) -> None:
    assert numbers(pa.array([text]))[0].as_py() == value
    assert numbers(pa.array([text, "?"]))[0].as_py() == value


@pytest.mark.parametrize(
    ("inside", "column", "value"),
    [
        ("<speed>3.5</speed>", "speed_metre_per_second", 3.5),
        ("<extensions><speed>3.5</speed></extensions>", "speed_metre_per_second", 3.5),
        ('<extensions><a xmlns="urn:a"><b:speed>3.5</b:speed></a></extensions>', "speed_metre_per_second", 3.5),
        ("<ele>1<!-- no -->2</ele>", "elevation_metre", 12.0),
        ("<ele>1&#50;</ele>", "elevation_metre", 12.0),
        ("<ele>\n 12 \n</ele>", "elevation_metre", 12.0),
        ("<ele>12</ele><extensions><ele>99</ele></extensions>", "elevation_metre", 12.0),
        ("<ele>1<ele>2</ele></ele><sat>7</sat>", "satellites", 7),
        ("<ele>1<ele>2</ele></ele><sat>7</sat>", "elevation_metre", 12.0),
        ("<sat>7</sat>", "satellites", 7),
        ("<fix>DGPS</fix>", "fix", "dgps"),
        ("<hdop>0.9</hdop>", "hdop", 0.9),
    ],
)
def test_children_of_a_point(inside: str, column: str, value: object, tmp_path: Path) -> None:
    path = written(tmp_path, point(inside))
    assert table(read(path)).to_pylist()[0][column] == value


@pytest.mark.parametrize("child", ["ele", "speed", "hdop", "sat", "time"])
def test_a_value_that_cannot_be_read_is_left_out_and_said(child: str, tmp_path: Path) -> None:
    path = written(tmp_path, f"{point(f'<{child}>much</{child}>')}\n{point(f'<{child}/>')}")
    items = read(path)
    assert len(table(items)) == 2
    found = findings(items)[f"{child}-unreadable"]
    assert (found.severity, found.first_row, found.last_row) == ("warning", 3, 3)
    assert found.words.endswith(": 1")


@pytest.mark.parametrize(
    ("lat", "lon", "why"),
    [
        # the schema: latitudeType -90 to 90, longitudeType from -180 to below 180
        ("45.0", "180.0", "not below 180"),
        ("90.001", "13.0", "from -90 to 90"),
        ("45.0", "-180.001", "below -180"),
        ("45,0", "13.0", "latitude is missing or no number"),
        ("45.0", "east", "longitude is missing or no number"),
        ("nan", "13.0", "latitude is missing or no number"),
    ],
)
def test_a_point_without_a_usable_place_is_set_aside(lat: str, lon: str, why: str, tmp_path: Path) -> None:
    path = written(tmp_path, "\n".join([point(), point("<ele>7</ele>", lat, lon), point(lon="-180.0"), "<trkpt/>"]))
    items = read(path)
    assert table(items).column("longitude_degree").to_pylist() == [13.0, -180.0]
    first, second = table(items, "rejects").to_pylist()
    assert (first["line"], second["line"]) == (4, 6)
    assert why in first["why"]
    assert f'lat="{lat}" lon="{lon}"' in first["text"] and "<ele>7</ele>" in first["text"]
    assert (findings(items)["place-unusable"].first_row, findings(items)["place-unusable"].last_row) == (4, 6)


def test_no_usable_place_at_all(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="none of its 2 track points"):
        read(written(tmp_path, point(lat="") * 2))


def test_lines_and_texts_of_the_rows(tmp_path: Path) -> None:
    path = written(tmp_path, "\n\n".join(point(f"<ele>{n}</ele>") for n in range(3)))
    rows = next(item for item in read(path) if isinstance(item, Rows))
    assert rows.line is not None and rows.text is not None
    assert rows.line.tolist() == [3, 5, 7]
    assert rows.text(2) == point("<ele>2</ele>")


def test_segments_run_on_across_tracks_and_empty_ones_do_not_count(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    one, two = f"<trkseg>{point()}</trkseg>", f"<trkseg>{point()}{point()}</trkseg>"
    path.write_text(f"<gpx><trk>{one}<trkseg/>{two}</trk><trk/><trk>{one}</trk></gpx>")
    assert table(read(path)).column("segment").to_pylist() == [0, 1, 1, 2]


def test_a_version_there_is_not_is_read_and_said(tmp_path: Path) -> None:
    assert "gpx-version" in findings(read(written(tmp_path, point(), '<gpx version="2.0">')))


# --- files that break off or mean harm ---------------------------------------------------------------


def test_a_file_that_breaks_off_keeps_what_was_complete(tmp_path: Path) -> None:
    whole = (SAMPLES / "walk-19km.gpx").read_bytes()
    path = tmp_path / "cut.gpx"
    path.write_bytes(whole[: whole.index(b"<ele>", len(whole) // 2)])
    items = read(path)
    fixes = table(items)
    assert fixes.equals(table(read(SAMPLES / "walk-19km.gpx")).slice(0, len(fixes)))
    found = findings(items)["truncated"]
    assert found.severity == "warning"
    last_line = len(path.read_bytes().splitlines())
    assert f"line {last_line} " in found.words and f"{len(fixes)} points" in found.words


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 983))
def test_cut_anywhere_no_point_is_read_that_was_not_complete(tmp_path_factory: pytest.TempPathFactory, at: int) -> None:
    whole = (SAMPLES / "odd" / "track-with-less-sec-time.gpx").read_bytes()
    path = tmp_path_factory.mktemp("cut") / "cut.gpx"
    path.write_bytes(whole[:at])
    complete = whole[:at].count(b"</trkpt>")
    if complete:
        assert len(table(read(path))) == complete
    else:
        with pytest.raises(InputProblem) as caught:
            read(path)
        assert caught.value.line is not None


def test_xml_broken_in_the_middle_is_a_problem_but_keeps_what_came_before(tmp_path: Path) -> None:
    items = read(written(tmp_path, f"{point()}\n{point()}</trk>\n{point()}"))
    assert len(table(items)) == 2
    assert (findings(items)["malformed"].severity, findings(items)["malformed"].first_row) == ("problem", 4)


def test_malformed_from_the_start_names_file_and_line(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=r"track\.gpx:3: ") as caught:
        read(written(tmp_path, "<trkpt lat=45>"))
    assert caught.value.hint


BILLION_LAUGHS = (
    '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>'
)


@pytest.mark.parametrize(
    "doctype",
    [
        BILLION_LAUGHS,
        '<!DOCTYPE gpx [<!ENTITY file SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE gpx [<!ENTITY % more SYSTEM "http://127.0.0.1:9/more.dtd"> %more;]>',
        '<!DOCTYPE gpx [<!ATTLIST trkpt lat CDATA "45">]>',
    ],
)
def test_declared_entities_are_refused(doctype: str, tmp_path: Path) -> None:
    path = written(tmp_path, point("<name>&c;&file;</name>"), f"{doctype}<gpx>")
    with pytest.raises(InputProblem, match="declares entities"):
        read(path)


def test_a_document_type_that_is_only_named_is_not_fetched(tmp_path: Path) -> None:
    path = written(tmp_path, point(), '<!DOCTYPE gpx SYSTEM "http://127.0.0.1:9/gpx.dtd"><gpx>')
    assert len(table(read(path))) == 1


@pytest.mark.parametrize("element", ["a", "trk", "trkseg", "extensions"])
def test_deep_nesting_is_refused_before_it_fills_the_memory(element: str, tmp_path: Path) -> None:
    for inside in (f"<{element}>" * 100_000, f'<trkpt lat="1" lon="2">{f"<{element}>" * 100_000}'):
        with pytest.raises(InputProblem, match="nested more than"):
            read(written(tmp_path, inside))


@pytest.mark.parametrize(
    "inside",
    [
        point("<ele>" + "1" * 8_000_000 + "</ele>"),
        point("<ele>" + "1\n" * 2_000_000 + "</ele>"),
        point(lat="1" * 8_000_000),
        f"<!--{'-x' * 4_000_000}-->{point()}",
    ],
    ids=["value", "lines", "attribute", "comment"],
)
def test_huge_text_is_refused_before_it_fills_the_memory(inside: str, tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="longer than any track has"):
        read(written(tmp_path, inside))


def test_text_nobody_asked_for_may_be_as_long_as_it_likes(tmp_path: Path) -> None:
    assert len(table(read(written(tmp_path, f"<desc>{'word ' * 1_000_000}</desc>{point()}")))) == 1


# --- size and speed ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def long_track(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The two real recordings over and over, 200,000 points and some."""
    path = tmp_path_factory.mktemp("long") / "long.gpx"
    part = (SAMPLES / "loop-21km.gpx").read_text().split("<trk>")[1].split("</gpx>")[0]
    path.write_text(f'<gpx version="1.1" xmlns="{NAMESPACE}">' + f"<trk>{part}" * 26 + "</gpx>")
    return path


def test_batches_are_bounded_and_carry_on_where_the_last_one_ended(long_track: Path) -> None:
    rows = [item for item in read(long_track) if isinstance(item, Rows)]
    assert max(item.batch.num_rows for item in rows) < 25_000
    fixes = table(rows)
    once = table(read(SAMPLES / "loop-21km.gpx"))
    assert len(fixes) == 26 * len(once)
    for number in (0, 7, 25):
        part = fixes.slice(number * len(once), len(once))
        assert part.column("segment").unique().to_pylist() == [number]
        assert part.drop_columns("segment").equals(once.drop_columns("segment"))
    for item in rows:
        assert item.batch.schema.equals(schema_of("fixes", item.batch.schema.names), check_metadata=True)


def test_memory_does_not_grow_with_the_file(long_track: Path) -> None:
    peaks = []
    for path in (long_track, SAMPLES / "loop-21km.gpx"):
        tracemalloc.start()
        for _ in GPX.read(Original.at(path), Options()):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[0] < 5 * peaks[1]


def test_200_000_points_are_read_many_times_as_fast_as_gpxpy_reads_them(long_track: Path) -> None:
    """Some twenty times on an idle machine; asked for is less, because neighbours on a busy one cost us more."""

    def seconds(job: object) -> float:
        start = time.process_time()
        job()  # type: ignore[operator]
        return time.process_time() - start

    text = long_track.read_text()
    ours = min(seconds(lambda: read(long_track)) for _ in range(3))
    assert seconds(lambda: gpxpy.parse(text)) > 8 * ours
