"""The GPX reader takes plain points in runs: a short cut that may make no difference but of time.

So every file here is read twice, with the short cut and without it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Options, Rows
from rangebook.plugins import gpx, gpx_points, gpx_runs

SAMPLES = Path(__file__).parent / "samples" / "gpx"
NAMESPACE = "http://www.topografix.com/GPX/1/1"
GPX = gpx.Gpx()


def outcome(path: Path) -> object:
    """All that is read, in a form that compares: every cell, line, text and finding, or the refusal."""
    try:
        return [
            (item.table, item.batch.to_pydict(), item.batch.schema, item.line.tolist(), _texts(item))
            if isinstance(item, Rows) and item.line is not None
            else item
            for item in GPX.read(Original.at(path), Options())
        ]
    except InputProblem as problem:
        return str(problem), problem.hint, problem.line


def points_in(path: Path) -> int:
    return sum(item.batch.num_rows for item in GPX.read(Original.at(path), Options()) if isinstance(item, Rows))


def track(tmp_path: Path, points: str) -> Path:
    path = tmp_path / "track.gpx"
    path.write_bytes(f"<gpx>\n<trk><trkseg>\n{points}\n</trkseg></trk>\n</gpx>\n".encode())
    return path


def _texts(rows: Rows) -> list[str]:
    return [rows.text(row) for row in range(rows.batch.num_rows)] if rows.text else []


def both_ways(path: Path, chunk: int = gpx.CHUNK) -> tuple[object, object, int]:
    """The outcome with every run taken, however short, and with none; and how many runs were taken.

    Small chunks are made small batches of, so that batches end in the middle of things too.
    """
    taken = 0

    def counted(run: gpx_runs.Run, line: int, segment: int) -> gpx_points.Points:
        nonlocal taken
        taken += 1
        return columns(run, line, segment)

    columns = gpx_points.columns_of
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gpx, "CHUNK", chunk)
        patch.setattr(gpx, "BATCH", min(gpx.BATCH, chunk // 50 + 1))
        patch.setattr(gpx_points, "columns_of", counted)
        patch.setattr(gpx_runs, "SHORTEST", 0)
        short = outcome(path)
        patch.setattr(gpx_runs, "SHORTEST", 1 << 40)
        before, long = taken, outcome(path)
        assert taken == before
    return short, long, taken


@pytest.mark.parametrize("path", sorted(SAMPLES.rglob("*.gpx")), ids=lambda path: path.name)
@pytest.mark.parametrize("chunk", [gpx.CHUNK, 1000])
def test_real_files_come_out_the_same_with_and_without_the_short_cut(path: Path, chunk: int) -> None:
    short, long, _ = both_ways(path, chunk)
    assert short == long


def test_most_points_of_the_real_recordings_are_taken_in_runs() -> None:
    assert both_ways(SAMPLES / "loop-21km.gpx")[2] > 0
    assert both_ways(SAMPLES / "walk-19km.gpx")[2] > 0


PLAIN = '<trkpt lat="45" lon="13"><ele>1</ele><time>2026-04-01T10:00:00Z</time></trkpt>\n'
PIECES = [
    *[PLAIN] * 3,
    PLAIN * 3,
    PLAIN.replace("\n", "\r\n") * 2,
    PLAIN.replace("\n", "\r") * 2,
    PLAIN.replace("><", ">\n  <") * 2,
    PLAIN.replace("<ele>1</ele>", ""),
    PLAIN.replace("<ele>1</ele>", "<ele>1</ele><ele>2</ele>"),
    PLAIN.replace("1</ele>", "&#49;</ele>"),
    PLAIN.replace("1</ele>", "much</ele>"),
    PLAIN.replace("</trkpt>", "<sat>7</sat></trkpt>") * 2,
    PLAIN.replace("</trkpt>", "<hdop> 0.9 </hdop><speed>3</speed><fix>3d</fix></trkpt>") * 2,
    PLAIN.replace("</trkpt>", f"<extensions>{PLAIN}<speed>2</speed></extensions></trkpt>"),
    PLAIN.replace('"45"', '"95"') * 2,
    PLAIN.replace('"', "'") * 2,
    '<trkpt lon="13" lat="45"></trkpt>' * 2,
    '<trkpt lat="13" lat="45"></trkpt>',
    *["<trkpt lat='45' lon='13'/>", "<trkpt/>", "<ele>5</ele>", "some words ]", "]]>", "\r", "<trk>", "</trkseg>"],
    *["<trkseg>", "</trkseg><trkseg>\n", "</trkseg><trkseg/><trkseg>", "<!--", "-->", "<![CDATA[", "]]>", "<?x ", "?>"],
    *["<extensions>", "</extensions>", "<speed>", "</speed>", "<ele><![CDATA[", "]]></ele>", "<trkpt lat='1' lon='2'>"],
    *["</trkpt>", "<x a='", "'/>", "\0", "é", "</gpx>", "</trk></gpx>\n"],
    *[f"<!-- {PLAIN * 2} -->", f"<![CDATA[{PLAIN}]]>", f"<?x {PLAIN}?>", f"<desc><![CDATA[{PLAIN}]]></desc>"],
    *[f"<extensions>{PLAIN * 2}</extensions>", f"<ele><![CDATA[{PLAIN * 2}]]></ele>", f'<x a="{PLAIN}"/>'],
    f"</trkseg></trk><rte>{PLAIN * 2}</rte><wpt/><trk><trkseg>",
]
HEADS = [
    *["<gpx><trk><trkseg>", "<gpx>", "", f'<gpx version="1.1" xmlns="{NAMESPACE}">\n<trk>\n<trkseg>\n'],
    *[f'<g:gpx xmlns:g="{NAMESPACE}"><g:trk><g:trkseg>', '<?xml version="1.0" encoding="latin-1"?><gpx><trk><trkseg>'],
]


@settings(max_examples=300, deadline=None)
@given(
    head=st.sampled_from(HEADS),
    pieces=st.lists(st.sampled_from(PIECES), min_size=1, max_size=14),
    end=st.sampled_from(["</trkseg></trk></gpx>", ""]),
    encoding=st.sampled_from(["utf-8", "utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    chunk=st.sampled_from([1, 7, 100, 333, 1000, gpx.CHUNK]),
)
def test_any_mixture_comes_out_the_same_with_and_without_the_short_cut(
    head: str, pieces: list[str], end: str, encoding: str, chunk: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "mixture.gpx"
    path.write_bytes((head + "".join(pieces) + end).encode(encoding))
    short, long, _ = both_ways(path, chunk)
    assert short == long


@pytest.mark.parametrize(
    "content",
    [
        f'<trkpt lat="1" lon="2">{PLAIN * 3}</trkpt>',
        f'<trkpt lat="1" lon="2"><ele>{PLAIN * 3}</ele></trkpt>',
        f"{PLAIN}<extensions>{PLAIN * 2}</extensions>{PLAIN}",
        f"</trkseg></trk></gpx>{PLAIN * 3}",
        f"{PLAIN.replace('<ele>1', '<ele>0</ele><ele>1')}{PLAIN * 2}",
        f"{PLAIN.replace('lon', 'lat')}{PLAIN * 2}",
        f"{PLAIN * 2}\r{PLAIN * 2}",
    ],
    ids=["point", "value", "extensions", "after the end", "twice", "no longitude", "carriage return"],
)
def test_runs_where_none_may_be_taken(content: str, tmp_path: Path) -> None:
    short, long, _ = both_ways(track(tmp_path, content))
    assert short == long


def test_points_of_no_namespace_are_none_of_a_file_that_has_a_prefix_for_it(tmp_path: Path) -> None:
    path = tmp_path / "prefix.gpx"
    path.write_text(f'<g:gpx xmlns:g="{NAMESPACE}"><g:trk><g:trkseg>{PLAIN * 3}<g:trkpt lat="1" lon="2"/>')
    short, long, _ = both_ways(path)
    assert short == long and points_in(path) == 1


def test_a_value_of_a_point_still_open_is_no_column_of_the_batch_before_it(tmp_path: Path) -> None:
    path = track(tmp_path, PLAIN + PLAIN.replace("<ele>", "<sat>7</sat><ele>"))
    chunk = path.read_bytes().index(b"</sat>") + 8
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gpx, "CHUNK", chunk)
        patch.setattr(gpx, "BATCH", 1)
        first, second = [item for item in GPX.read(Original.at(path), Options()) if isinstance(item, Rows)]
    assert "satellites" not in first.batch.schema.names and "satellites" in second.batch.schema.names


@pytest.mark.parametrize("hidden", ["{}", "<!-- {} -->", "<![CDATA[{}]]>", "<?x {}?>", "<extensions>{}</extensions>"])
def test_chunks_may_end_anywhere(hidden: str, tmp_path: Path) -> None:
    """Every size of chunk up to the whole file, so that every place is once the end of a chunk."""
    content = PLAIN + hidden.format(PLAIN * 2) + PLAIN * 2 + "</trkseg><trkseg>\n" + PLAIN
    path = track(tmp_path, content)
    assert points_in(path) == (6 if hidden == "{}" else 4)
    for chunk in range(1, path.stat().st_size + 1):
        short, long, taken = both_ways(path, chunk)
        assert short == long
    assert taken == (2 if hidden == "{}" else 3)


def test_bytes_of_utf_16_that_look_like_points_are_the_text_they_are(tmp_path: Path) -> None:
    look = PLAIN.replace("\n", " " * (1 + len(PLAIN) % 2)).encode() * 2
    path = tmp_path / "wide.gpx"
    path.write_bytes(f"<gpx><trk><trkseg>{PLAIN}".encode("utf-16") + look + "</trkseg></trk></gpx>".encode("utf-16-le"))
    assert points_in(path) == 1
    short, long, _ = both_ways(path)
    assert short == long


def test_the_line_of_a_fault_after_a_run_is_right(tmp_path: Path) -> None:
    path = track(tmp_path, f"{PLAIN * 100}</trk>\n{PLAIN}")
    found = [item for item in GPX.read(Original.at(path), Options()) if isinstance(item, Finding)]
    assert [(item.code, item.first_row) for item in found] == [("malformed", 103)]
