"""Cleaning: nothing is lost, what cannot be is set aside, and everything is said."""

from __future__ import annotations

import csv
import datetime
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import gpxpy
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline import Finding, Rows, conform
from rangebook.pipeline.clean import Cleaner
from rangebook.pipeline.tables import TABLES
from rangebook.pipeline.timeline import Gaps

from .strategies import INSTANT, SECOND, START, fix_rows, part, pieces, sample_rows, times

REFERENCE = Path(__file__).parent / "reference"


@dataclass
class Cleaned:
    """All that came out of a Cleaner."""

    kept: list[dict[str, Any]]
    lines: list[int]
    rejects: list[dict[str, Any]]
    findings: list[Finding]
    cleaner: Cleaner

    def finding(self, code: str) -> Finding:
        (found,) = [one for one in self.findings if one.code == code]
        return found

    @property
    def codes(self) -> list[str]:
        return [finding.code for finding in self.findings]

    @property
    def micros(self) -> list[int | None]:
        return [None if row["time"] is None else micros_of(row["time"]) for row in self.kept]


def micros_of(instant: datetime.datetime) -> int:
    return (instant - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)) // datetime.timedelta(microseconds=1)


def clean(batches: Sequence[Rows]) -> Cleaned:
    cleaner = Cleaner(batches[0].table)
    kept: list[dict[str, Any]] = []
    lines: list[int] = []
    rejects: list[dict[str, Any]] = []
    for rows in batches:
        for out in cleaner.take(rows):
            assert out.line is not None and len(out.line) == len(out.batch) > 0
            if out.table == "rejects":
                rejects += out.batch.to_pylist()
            else:
                kept += out.batch.to_pylist()
                lines += out.line.tolist()
    return Cleaned(kept, lines, rejects, cleaner.findings(), cleaner)


def samples(seconds: Sequence[float | None], text: bool = False, **columns: Sequence[Any]) -> Rows:
    """Samples at `seconds` after START on lines 2, 3, ...; volts and amps differ from row to row unless given."""
    count = len(seconds)
    instants = [None if second is None else START + round(second * SECOND) for second in seconds]
    columns.setdefault("voltage_volt", [50 + i % 1000 / 100 for i in range(count)])
    columns.setdefault("current_ampere", [-20.0] * count)
    arrays = {name: pa.array(values, TABLES["samples"].field(name).type) for name, values in columns.items()}
    batch = conform("samples", {"time": pa.array(instants, pa.int64()).cast(INSTANT), **arrays})
    return Rows("samples", batch, np.arange(2, count + 2), (lambda i: f"line {i + 2}") if text else None)


def fixes(seconds: Sequence[float | None], segment: Sequence[int] | None = None) -> Rows:
    count = len(seconds)
    instants = [None if second is None else START + round(second * SECOND) for second in seconds]
    columns = {
        "time": pa.array(instants, pa.int64()).cast(INSTANT),
        "segment": pa.array(segment or [0] * count, pa.int32()),
        "latitude_degree": pa.array([45 + i / 1000 for i in range(count)]),
        "longitude_degree": pa.array([14.0] * count),
    }
    return Rows("fixes", conform("fixes", columns), np.arange(1, count + 1))


# What holds for any file.


def dropped(cleaned: Cleaned) -> int:
    found = [finding for finding in cleaned.findings if finding.code == "double-rows"]
    return int(found[0].words.split()[0]) if found else 0


def same(before: Any, after: Any) -> bool:
    """Whether nothing changed but values that became null."""
    if isinstance(after, dict):
        return all(same(before[name], after[name]) for name in after)
    if isinstance(after, list):
        return all(same(old, new) for old, new in zip(before, after, strict=True))
    return after is None or bool(after == before)


@given(st.data(), st.one_of(sample_rows(), fix_rows()))
def test_no_row_is_lost_and_none_is_changed(data: st.DataObject, rows: Rows) -> None:
    cleaned = clean(data.draw(pieces(rows)))
    assert len(rows.batch) == len(cleaned.kept) + len(cleaned.rejects) + dropped(cleaned)
    before = dict(zip(rows.line.tolist(), rows.batch.to_pylist(), strict=True))  # type: ignore[union-attr]
    assert all(same(before[line], row) for line, row in zip(cleaned.lines, cleaned.kept, strict=True))
    assert not {reject["line"] for reject in cleaned.rejects} & set(cleaned.lines)
    assert cleaned.lines == sorted(cleaned.lines)


@given(st.one_of(sample_rows(), fix_rows()))
def test_every_value_that_is_kept_can_be_real(rows: Rows) -> None:
    for row in clean([rows]).kept:
        for name, value in row.items():
            facts = TABLES[rows.table].field(name).metadata
            for number in value if isinstance(value, list) else [value]:
                if number is not None and b"low" in facts:
                    assert float(facts[b"low"]) <= number <= float(facts[b"high"])


@given(st.one_of(sample_rows(), fix_rows()))
def test_rows_are_in_order_unless_it_is_said_that_they_need_sorting(rows: Rows) -> None:
    cleaned = clean([rows])
    timed = [micros for micros in cleaned.micros if micros is not None]
    if None not in cleaned.micros:
        assert cleaned.cleaner.needs_sort == (timed != sorted(timed))
    assert cleaned.cleaner.started == min(timed, default=None)
    assert cleaned.cleaner.ended == max(timed, default=None)


def by_line(rejects: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(rejects, key=lambda reject: int(reject["line"]))


@given(st.data(), st.one_of(sample_rows(), fix_rows()))
def test_it_does_not_matter_how_the_rows_come_in_batches(data: st.DataObject, rows: Rows) -> None:
    one, many = clean([rows]), clean(data.draw(pieces(rows)))
    assert (one.kept, one.lines) == (many.kept, many.lines)
    assert by_line(one.rejects) == by_line(many.rejects)
    assert [f for f in one.findings if f.code != "gap"] == [f for f in many.findings if f.code != "gap"]
    assert one.cleaner.needs_sort == many.cleaner.needs_sort


@given(sample_rows())
def test_cleaning_clean_rows_changes_nothing(rows: Rows) -> None:
    once = clean([rows])
    if once.kept and not once.cleaner.needs_sort:
        batch = pa.RecordBatch.from_pylist(once.kept, schema=rows.batch.schema)
        again = clean([Rows("samples", batch, np.array(once.lines))])
        assert again.kept == once.kept
        assert not again.rejects
        assert set(again.codes) <= {"gap", "clock-jump"}


@given(times())
def test_no_instant_is_told_twice_from_two_passes(instants: list[int]) -> None:
    """Row by row, by the rule's words: a row back by a minute or more over a span told already is set aside."""
    cleaned = clean([samples([(t - START) / SECOND for t in instants])])
    assert [row["line"] for row in cleaned.rejects] == told_again(instants)


def told_again(instants: Sequence[int]) -> list[int]:
    """Lines of the rows over covered time, the slow way: every span is looked at for every row."""
    spans: list[list[int]] = []
    span: list[int] = []
    again, last = [], instants[0]
    for line, instant in enumerate(instants, 2):
        step, last = instant - last, instant
        if step <= -60 * SECOND or step >= 3600 * SECOND:
            spans, span = [*spans, span] if span else spans, []
        covered = any(first <= instant <= end for first, end in spans)
        inside = bool(span) and instant - span[0] >= 60 * SECOND and span[1] - instant >= 60 * SECOND
        if covered or inside:
            again.append(line)
        else:
            span = [min([instant, *span]), max([instant, *span])]
    return again


# Impossible values.


@pytest.mark.parametrize(
    ("column", "value", "why"),
    [
        ("voltage_volt", 1e9, "voltage 1e+09 V is outside -1 to 1500 V"),
        ("voltage_volt", math.nan, "voltage is not a number"),
        ("current_ampere", -math.inf, "current -inf A is outside -10000 to 10000 A"),
    ],
)
def test_a_row_with_impossible_volts_or_amps_is_set_aside(column: str, value: float, why: str) -> None:
    values = [50.0, value, 51.0]
    cleaned = clean([samples([0, 1, 2], text=True, **{column: values})])
    assert cleaned.lines == [2, 4]
    assert cleaned.rejects == [{"line": 3, "text": "line 3", "why": why}]
    finding = cleaned.finding("impossible-values")
    assert (finding.severity, finding.first_row, finding.last_row) == ("warning", 3, 3)


def test_a_row_set_aside_without_a_text_shows_its_values() -> None:
    cleaned = clean([samples([0, 1], voltage_volt=[50.0, 2000.0])])
    assert "voltage_volt 2000.0, current_ampere -20.0" in cleaned.rejects[0]["text"]


def test_an_impossible_value_elsewhere_is_left_out_and_its_row_stays() -> None:
    cells = [[3.3, 3.3], [3.3, 99.0], None]
    cleaned = clean([samples([0, 1, 2], temperature_t1_celsius=[25.0, 900.0, None], cell_voltage_volt=cells)])
    assert [row["temperature_t1_celsius"] for row in cleaned.kept] == [25.0, None, None]
    assert [row["cell_voltage_volt"] for row in cleaned.kept] == [[3.3, 3.3], [3.3, None], None]
    words = [finding.words for finding in cleaned.findings]
    assert words == [
        "1 value of cell voltage left out: not within -1 to 10 V",
        "1 value of temperature t1 left out: not within -60 to 250 °C",
    ]
    assert all((finding.first_row, finding.last_row) == (3, 3) for finding in cleaned.findings)


def test_a_row_without_time_or_with_nothing_else_is_set_aside() -> None:
    cleaned = clean([samples([0, None, 2, 3], voltage_volt=[50.0, 50.0, None, None], current_ampere=[1, 1, None, 2])])
    assert [(row["line"], row["why"]) for row in cleaned.rejects] == [(3, "no time"), (4, "nothing but a time")]
    assert cleaned.lines == [2, 5]


def test_a_fix_without_position_is_set_aside_and_one_without_time_stays() -> None:
    rows = fixes([0, None, 2])
    batch = rows.batch.set_column(2, rows.batch.schema.field(2), pa.array([45.0, 45.0, None]))
    cleaned = clean([Rows("fixes", batch, rows.line)])
    assert cleaned.lines == [1, 2]
    assert [row["why"] for row in cleaned.rejects] == ["no position"]


def test_rows_that_come_without_lines_are_counted_through_all_batches() -> None:
    rows = samples([0, 1, 2, 3], voltage_volt=[50.0, 50.0, 50.0, 2000.0])
    unnumbered = Rows("samples", rows.batch)
    cleaned = clean([part(unnumbered, 0, 2), part(unnumbered, 2, 4)])
    assert cleaned.lines == [1, 2, 3]
    assert cleaned.rejects[0]["line"] == 4


# Doubles.


def test_a_row_equal_to_the_one_before_is_dropped_also_across_batches() -> None:
    rows = samples([0, 1, 1, 1, 2], voltage_volt=[50.0, 51.0, 51.0, 51.0, 51.0], temperature_t1_celsius=[None] * 5)
    for cut in range(1, 5):
        cleaned = clean([part(rows, 0, cut), part(rows, cut, 5)])
        assert cleaned.lines == [2, 3, 6]
        finding = cleaned.finding("double-rows")
        assert finding.words == "2 rows dropped: the same as the row before"
        assert (finding.severity, finding.first_row, finding.last_row) == ("note", 4, 5)


def test_rows_that_differ_only_in_what_no_column_holds_are_both_kept_also_across_batches() -> None:
    rows = samples([0, 1, 1, 2], text=True, voltage_volt=[50.0] * 4)
    assert clean([part(rows, 0, 2), part(rows, 2, 4)]).lines == [2, 3, 4, 5]
    first = Rows("samples", rows.batch.slice(0, 2), np.array([2, 3]), ["one", "the same"].__getitem__)
    second = Rows("samples", rows.batch.slice(2, 2), np.array([4, 5]), ["the same", "another"].__getitem__)
    assert clean([first, second]).lines == [2, 3, 5]


def test_two_different_rows_at_one_instant_are_both_kept() -> None:
    assert clean([samples([0, 1, 1, 2], voltage_volt=[50.0, 51.0, 49.0, 49.0])]).lines == [2, 3, 4, 5]


def test_the_rows_before_and_after_a_step_are_both_kept() -> None:
    """Seven instants of a simulated cell stand twice and all rows are right (source in the file)."""
    with (REFERENCE / "step_instants.csv").open() as stream:
        table = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    columns = {
        "voltage_volt": [float(row["V_V"]) for row in table],
        "current_ampere": [-float(row["I_A"]) for row in table],
    }
    rows = samples([float(row["t_s"]) for row in table], **columns)
    told = Rows("samples", rows.batch, rows.line, lambda i: ",".join(table[i].values()))
    assert len(clean([told]).kept) == 28
    # Without the text nothing tells the two pairs apart in which only step and mode differ.
    assert len(clean([rows]).kept) == 26


# Order.


def test_a_file_that_runs_backwards_is_sorted_with_a_note() -> None:
    cleaned = clean([samples(range(100, 0, -1))])
    assert len(cleaned.kept) == 100
    assert cleaned.cleaner.needs_sort
    assert cleaned.codes == ["newest-first"]
    assert cleaned.findings[0].severity == "note"


def test_a_slow_file_that_runs_backwards_is_sorted_with_a_note() -> None:
    cleaned = clean([samples(range(300_000, 0, -300))])
    assert len(cleaned.kept) == 1000
    assert cleaned.codes == ["newest-first"]


def test_a_little_disorder_in_a_file_that_runs_backwards_is_sorted_too() -> None:
    assert len(clean([samples([*range(300, 100, -1), 103, *range(99, 0, -1)])]).kept) == 300


def test_a_little_disorder_is_sorted_with_a_note() -> None:
    cleaned = clean([samples([0, 1, 3, 2, 4, 64, 5, 65])])
    assert cleaned.lines == list(range(2, 10))
    assert cleaned.cleaner.needs_sort
    finding = cleaned.finding("out-of-order")
    assert finding.words == "2 rows up to 59 s out of order; sorted"
    assert (finding.severity, finding.first_row, finding.last_row) == ("note", 5, 8)


def test_time_told_again_is_set_aside_until_it_is_new() -> None:
    cleaned = clean([samples([*range(0, 300), *range(100, 400)], text=True)])
    assert len(cleaned.rejects) == 200
    assert {reject["why"] for reject in cleaned.rejects} == {"time goes back over time already covered"}
    assert not cleaned.cleaner.needs_sort
    finding = cleaned.finding("time-goes-back")
    assert finding.words == "200 rows set aside: time goes back over time already covered"
    assert (finding.severity, finding.first_row, finding.last_row) == ("warning", 302, 501)
    assert cleaned.micros == [START + SECOND * second for second in range(400)]


def test_a_clock_reset_is_kept_with_a_warning() -> None:
    year_2000 = -(START // SECOND) + 946_684_800  # 2000-01-01T00:00:00Z is 946,684,800 s after 1970 (RFC 3339, RFC 868)
    cleaned = clean([samples([*range(100), *range(year_2000, year_2000 + 50)])])
    assert len(cleaned.kept) == 150
    assert cleaned.cleaner.needs_sort
    finding = cleaned.finding("clock-reset")
    assert "first to 2000-01-01 00:00:00Z" in finding.words
    assert (finding.severity, finding.first_row) == ("warning", 102)


def test_a_clock_set_right_is_a_jump_and_no_gap() -> None:
    cleaned = clean([samples([*range(10), *range(800_000_000, 800_000_010)])])
    assert cleaned.codes == ["clock-jump"]


def test_blocks_in_the_wrong_order_are_sorted() -> None:
    hour = 3600
    cleaned = clean([samples([*range(100), *range(20 * hour, 20 * hour + 100), *range(10 * hour, 10 * hour + 100)])])
    assert len(cleaned.kept) == 300
    assert cleaned.cleaner.needs_sort
    assert cleaned.finding("out-of-order").words == "1 block of rows stood after later ones; sorted"


def test_a_step_back_of_less_than_a_minute_is_disorder_and_of_a_minute_another_pass() -> None:
    assert clean([samples([*range(200), 140.1, 200])]).codes == ["out-of-order"]
    assert clean([samples([*range(200), 139, 200])]).codes == ["time-goes-back"]


def test_slipping_back_step_by_step_is_disorder_for_a_minute_only() -> None:
    cleaned = clean([samples([*range(300), 270, 241, 239.5, 239, 300])])  # 29, 58, 59.5 and 60 s behind
    assert [reject["line"] for reject in cleaned.rejects] == [305]


def test_time_between_two_pauses_of_an_hour_is_not_covered() -> None:
    half_hour = 1800
    cleaned = clean([samples([*range(100), *range(3 * half_hour, 5500), *range(half_hour, 1900)])])
    assert cleaned.rejects == [] and cleaned.codes == ["gap", "out-of-order"]


def test_a_pause_after_a_clock_reset_is_no_second_reset() -> None:
    long_ago = -700_000_000
    cleaned = clean([samples([*range(100), *range(long_ago, long_ago + 50), *range(long_ago + 7200, long_ago + 7250)])])
    assert "went back 1 time to" in cleaned.finding("clock-reset").words


def test_fixes_without_time_keep_the_order_of_the_track() -> None:
    cleaned = clean([fixes([3, 2, None, 1])])
    assert cleaned.lines == [1, 2, 3, 4]
    assert not cleaned.cleaner.needs_sort
    assert clean([fixes([None, None])]).cleaner.started is None


# Gaps.


def test_gaps_are_counted_with_the_longest_and_the_sum() -> None:
    cleaned = clean([samples([*range(10), *range(16, 20), *range(319, 330)])])
    finding = cleaned.finding("gap")
    assert finding.words == "2 gaps longer than 5 s, 307 s in all; the longest, 300 s, ends at line 16"
    assert (finding.severity, finding.first_row, finding.last_row) == ("warning", 12, 16)


def test_what_counts_as_a_gap_grows_with_the_step_of_the_log() -> None:
    assert clean([samples(range(0, 1000, 10))]).codes == []
    assert clean([samples([*range(0, 1000, 10), 1020])]).codes == []  # 30 s is three steps, not more
    assert clean([samples([*range(0, 1000, 10), 1021])]).codes == ["gap"]


def test_a_gap_late_in_a_long_file_is_found() -> None:
    rows = samples([*range(150_000), *range(150_009, 160_000)])
    cleaned = clean([part(rows, first, min(first + 4096, 159_991)) for first in range(0, 159_991, 4096)])
    assert cleaned.finding("gap").words.startswith("1 gap longer than 5 s, 10 s in all")


def test_several_rows_at_each_instant_do_not_make_the_step_shorter() -> None:
    seconds = [second for second in range(0, 1000, 10) for _ in range(3)]
    assert clean([samples(seconds)]).codes == []


def test_gaps_are_found_in_a_file_that_runs_backwards() -> None:
    finding = clean([samples([*range(100, 50, -1), *range(40, 0, -1)])]).finding("gap")
    assert finding.words.startswith("1 gap longer than 5 s, 11 s in all")


def test_the_first_steps_settle_what_a_gap_is_so_that_memory_does_not_grow() -> None:
    gaps = Gaps("note")
    for _ in range(20):
        assert gaps.limit is None
        gaps.see(np.full(5000, 2 * SECOND), np.arange(5000))
    assert gaps.limit == 6 * SECOND


def test_the_way_between_two_segments_of_a_track_is_no_gap() -> None:
    assert clean([fixes([0, 1, 2, 500, 501], [0, 0, 0, 1, 1])]).codes == []
    assert clean([fixes([0, 1, 2, 500, 501])]).finding("gap").severity == "note"


def test_a_recorded_track_keeps_every_point_and_its_longest_gap_is_found() -> None:
    """A real recording (npm gpx-parse 0.10.4, MIT): 7,745 points at about 1 Hz with gaps to 115 s, read by gpxpy."""
    with (Path(__file__).parent / "samples" / "gpx" / "loop-21km.gpx").open() as stream:
        points = [point for point, *_ in gpxpy.parse(stream).walk()]
    columns = {
        "time": pa.array([point.time for point in points]).cast(INSTANT),
        "segment": pa.array([0] * len(points), pa.int32()),
        "latitude_degree": pa.array([point.latitude for point in points]),
        "longitude_degree": pa.array([point.longitude for point in points]),
    }
    cleaned = clean([Rows("fixes", conform("fixes", columns))])
    assert (len(cleaned.kept), cleaned.rejects, cleaned.codes) == (7745, [], ["gap"])
    assert "the longest, 115 s" in cleaned.finding("gap").words
    assert cleaned.cleaner.started == micros_of(datetime.datetime(2014, 5, 10, 7, 20, 55, tzinfo=datetime.UTC))
    assert cleaned.cleaner.ended == micros_of(datetime.datetime(2014, 5, 10, 9, 32, 31, tzinfo=datetime.UTC))


# Cost.


def test_clean_rows_go_on_as_they_came_and_cost_next_to_nothing() -> None:
    count = 1_000_000
    rows = samples(range(count), temperature_t1_celsius=[25.0] * count)
    batches = [part(rows, first, min(first + 65_536, count)) for first in range(0, count, 65_536)]
    cleaner = Cleaner("samples")
    began = time.process_time()
    out = [clean_rows for batch in batches for clean_rows in cleaner.take(batch)]
    spent = time.process_time() - began
    assert all(after.batch is before.batch for before, after in zip(batches, out, strict=True))
    assert spent < 0.5  # 0.02 s on the machine this was written on
