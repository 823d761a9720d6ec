"""How written times become instants."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.instants import instant
from rangebook.plugins.delimited import chunks
from rangebook.plugins.delimited.written import read_times

Reading = Callable[..., Any]


def log(times: Sequence[str], header: str = "time") -> str:
    return f"{header};voltage (V)\n" + "".join(f"{time};53.{n:02}\n" for n, time in enumerate(times))


def utc(text: str) -> float:
    return datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.UTC).timestamp()


@pytest.mark.parametrize("crowd", [1, 30])
def test_rfc_3339_examples(written: Reading, crowd: int) -> None:
    """RFC 3339 section 5.8, with the epoch seconds those instants have.

    The leap second 23:59:60Z is the next second, as POSIX time has it.
    """
    examples = {
        "1985-04-12T23:20:50.52Z": 482196050.52,
        "1996-12-19T16:39:57-08:00": 851042397.0,
        "1996-12-20T00:39:57Z": 851042397.0,
        "1990-12-31T23:59:60Z": 662688000.0,
        "1990-12-31T15:59:60-08:00": 662688000.0,
        "1937-01-01T12:00:27.87+00:20": -1041337172.13,
    }
    times = [*examples, *["1996-12-20T00:39:57Z"] * crowd]
    got = written(log(times))
    assert got.seconds()[:6].tolist() == pytest.approx(list(examples.values()), abs=1e-6)


@pytest.mark.parametrize(
    "time",
    [
        "2026-06-14 19:05:07",
        "2026-06-14T19:05:07",
        "2026/06/14 19:05:07",
        "2026.06.14 19:05:07",
        "14-Jun-2026 19:05:07",
        "14 June 2026 19:05:07",
        "2026-06-14 7:05:07 PM",
        "2026-06-14 07:05:07pm",
        "2026-06-14 19:05:07.000",
        "2026-06-14 19:05:07,000",
        "2026-06-14 19:05:07.0000000",
        "2026-06-14T19:05:07Z",
        "2026-06-14 21:05:07 +0200",
        "2026-06-14 21:05:07+02",
        "14/06/2026 19:05:07",
        "06/14/2026 19:05:07",
        "14.6.2026 19:05:07",
        "6-14-2026 7:05:07 PM",
    ],
)
def test_one_instant_in_many_ways(written: Reading, time: str) -> None:
    got = written(log([time, time]))
    assert got.seconds().tolist() == [utc("2026-06-14T19:05:07")] * 2


@given(
    st.lists(st.datetimes(datetime.datetime(2, 1, 1), datetime.datetime(9998, 12, 31)), min_size=1),
    st.sampled_from(["%Y-%m-%dT%H:%M:%S.%f", "%d/%m/%Y %H:%M:%S.%f", "%m/%d/%Y %I:%M:%S.%f %p"]),
)
def test_columns_read_as_python_reads_each(moments: list[datetime.datetime], form: str) -> None:
    """Against Python's datetime, which wrote them."""
    texts = [moment.strftime(form).replace("%Y", f"{moment.year:04}") for moment in moments]
    texts = [_padded(text, moment, form) for text, moment in zip(texts, moments, strict=True)]
    times = read_times(pa.array(texts), "day-first" if form.startswith("%d") else "month-first", None)
    assert times.good.all()
    epoch = datetime.datetime(1970, 1, 1)
    assert times.wall.tolist() == [(moment - epoch) // datetime.timedelta(microseconds=1) for moment in moments]


def _padded(text: str, moment: datetime.datetime, form: str) -> str:
    """strftime leaves years before 1000 short on this system."""
    return moment.strftime(form.replace("%Y", f"{moment.year:04}"))


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-30 10:00:00",
        "2026-13-01 10:00",
        "2026-06-14 24:10:00",
        "2026-06-14 10:61:00",
        "noon",
        "0000-01-01 00:00",
    ],
)
def test_what_is_no_time(text: str) -> None:
    times = read_times(pa.array([text, "2026-06-14 10:00"]), None, None)
    good = times.good & (times.clock < 86_400_000_000)
    assert good.tolist() == [False, True]
    with pytest.raises(ValueError, match=r"no (real )?date|hours|no time|year"):
        instant(text, "UTC")


def test_the_edges_of_the_calendar_are_no_times(written: Reading) -> None:
    """A zone can move them beyond the years 1 to 9999, which no calendar of a computer has."""
    got = written(log(["9999-12-31 23:59:59", "0001-01-01 00:00:00", "2026-06-14 10:00:00"]), zone="Asia/Tokyo")
    assert len(got.tables["samples"]) == 1
    with pytest.raises(InputProblem, match="years 1 to 9999") as caught:
        written(log(["23:59:59", "00:00:01"]), map="[time]\ndate = 9999-12-31", zone="America/Phoenix")
    assert caught.value.line == 2


# ---- order of day and month -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last", "expected"), [("14/06/2026 10:00:00", "2026-06-05"), ("06/14/2026 10:00:00", "2026-05-06")]
)
def test_one_date_decides_over_the_whole_file(
    written: Reading, monkeypatch: pytest.MonkeyPatch, last: str, expected: str
) -> None:
    """The deciding date may come long after any sample: here as the last of many chunks."""
    monkeypatch.setattr(chunks, "PIECE", 5000)
    got = written(log(["05/06/2026 10:00:00"] * 5000 + [last]))
    assert got.seconds()[0] == utc(f"{expected}T10:00:00")


def test_dates_that_fit_both_orders_are_refused(written: Reading) -> None:
    with pytest.raises(InputProblem, match="day first or month first") as caught:
        written(log(["04/05/2026 10:00:00", "05/05/2026 10:00:00"]))
    assert 'date_order = "day-first"' in caught.value.hint
    got = written(log(["04/05/2026 10:00:00"]), map='[time]\ndate_order = "month-first"')
    assert got.seconds().tolist() == [utc("2026-04-05T10:00:00")]


def test_mixed_orders_are_refused_with_their_lines(written: Reading) -> None:
    with pytest.raises(InputProblem, match="line 3 and month first on line 4"):
        written(log(["04/05/2026 10:00:00", "14/05/2026 10:00:00", "05/14/2026 10:00:00"]))


def test_two_digit_years_need_a_century(written: Reading) -> None:
    with pytest.raises(InputProblem, match="two digits") as caught:
        written(log(["14/06/26 10:00:00"]))
    assert "century" in caught.value.hint
    got = written(log(["14/06/26 10:00:00"]), map="[time]\ncentury = 2000")
    assert got.seconds().tolist() == [utc("2026-06-14T10:00:00")]


# ---- zones ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("piece", [1000, 1 << 20])
@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S"])
def test_clocks_go_back_in_the_order_of_the_file(
    written: Reading, monkeypatch: pytest.MonkeyPatch, piece: int, form: str
) -> None:
    """Instants of one night in every ten seconds, written on the wall clock of a zone, come back one for one."""
    from zoneinfo import ZoneInfo

    monkeypatch.setattr(chunks, "PIECE", piece)
    start = datetime.datetime(2026, 10, 24, 23, 0, tzinfo=datetime.UTC)
    instants = [start + datetime.timedelta(seconds=10 * n) for n in range(1500)]
    got = written(log([t.astimezone(ZoneInfo("Europe/Lisbon")).strftime(form) for t in instants]), zone="Europe/Lisbon")
    assert got.seconds().tolist() == [t.timestamp() for t in instants]


def test_times_that_spring_leaves_out_are_said_with_their_line(written: Reading) -> None:
    got = written(log(["2026-03-29 00:59:59", "2026-03-29 01:30:00"]), zone="Europe/Lisbon")
    found = next(finding for finding in got.findings if finding.code == "zone-gap")
    assert found.first_row == found.last_row == 3


def test_zone_of_the_map_goes_before_the_book(written: Reading) -> None:
    got = written(log(["2026-06-14 19:05:00"]), zone="Asia/Tokyo", map='[time]\nzone = "America/Phoenix"')
    assert got.seconds().tolist() == [utc("2026-06-15T02:05:00")]
    assert got.used["zone"] == "America/Phoenix"


# ---- time of day, elapsed, unix -----------------------------------------------------------------------------------


def test_time_of_day_needs_a_date(written: Reading) -> None:
    times = log(["23:59:50", "00:00:10"])
    with pytest.raises(InputProblem, match="nothing tells the date") as caught:
        written(times)
    assert "[time]" in caught.value.hint
    expected = [utc("2026-06-14T23:59:50"), utc("2026-06-15T00:00:10")]
    assert written(times, date=datetime.date(2026, 6, 14)).seconds().tolist() == expected
    assert written(times, map="[time]\ndate = 2026-06-14").seconds().tolist() == expected
    assert written(times, map='[time]\ndate = "14.06.2026"').seconds().tolist() == expected
    assert written("Date: 2026-06-14\n\n" + times).seconds().tolist() == expected


def test_a_row_out_of_order_at_midnight_is_no_new_day(written: Reading) -> None:
    got = written(log(["23:59:58", "00:00:00", "23:59:59", "00:00:01"]), date=datetime.date(2026, 6, 14))
    assert (got.seconds() - utc("2026-06-15T00:00:00")).tolist() == [-2, 0, -1, 1]


def test_midnight_between_chunks(written: Reading, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "PIECE", 100)
    clock = [f"{s // 3600 % 24:02}:{s // 60 % 60:02}:{s % 60:02}" for s in range(80_000, 200_000, 600)]
    got = written(log(clock), date=datetime.date(2026, 6, 14))
    assert (got.seconds() - utc("2026-06-14T00:00:00")).tolist() == list(range(80_000, 200_000, 600))


def test_date_and_clock_in_two_columns(written: Reading) -> None:
    text = "Datum;Uhrzeit;Spannung (V)\n14.06.2026;19:05:00;53,1\n14.06.2026;19:05:01;53,2\n"
    assert written(text).seconds().tolist() == [utc("2026-06-14T19:05:00"), utc("2026-06-14T19:05:01")]


def test_elapsed_needs_a_start(written: Reading) -> None:
    text = log(["0", "1", "2.5"], "t (s)")
    with pytest.raises(InputProblem, match="nothing tells when that was") as caught:
        written(text)
    assert "start =" in caught.value.hint
    expected = [utc("2026-06-14T19:05:00") + s for s in (0, 1, 2.5)]
    for start in ('"2026-06-14T19:05:00Z"', "2026-06-14T19:05:00Z", '"14.06.2026 19:05"', "2026-06-14 19:05:00"):
        assert written(text, map=f"[time]\nstart = {start}").seconds().tolist() == expected
    assert written("Start time: 2026-06-14 19:05:00\n" + text).seconds().tolist() == expected
    assert written("Date;2026-06-14\nTime;19:05\n" + text).seconds().tolist() == expected


def test_a_date_of_calibration_is_no_start(written: Reading) -> None:
    with pytest.raises(InputProblem, match="nothing tells when"):
        written("Calibration date: 2025-01-01 10:00:00\n" + log(["0", "1"], "t (s)"))


@pytest.mark.parametrize(("unit", "factor"), [("ms", 1e-3), ("s", 1), ("min", 60), ("h", 3600)])
def test_units_of_elapsed_time(written: Reading, unit: str, factor: float) -> None:
    got = written(log(["0", "1", "2"], f"elapsed ({unit})"), map="[time]\nstart = 2026-06-14T00:00:00Z")
    assert (got.seconds() - utc("2026-06-14T00:00:00")).tolist() == pytest.approx([0, factor, 2 * factor], abs=1e-6)


def test_durations_beyond_a_day(written: Reading) -> None:
    got = written(log(["0:00:00", "23:59:59", "27:15:00.5"], "elapsed"), map="[time]\nstart = 2026-06-14T00:00:00Z")
    assert (got.seconds() - utc("2026-06-14T00:00:00")).tolist() == [0, 86399, 98100.5]


@pytest.mark.parametrize("piece", [60, 1 << 20])
def test_a_counter_that_starts_again(written: Reading, monkeypatch: pytest.MonkeyPatch, piece: int) -> None:
    monkeypatch.setattr(chunks, "PIECE", piece)
    told = [*range(0, 100, 5), *range(0, 50, 5), *range(0, 200, 5)]
    got = written(log([str(s) for s in told], "t (s)"), map="[time]\nstart = 2026-06-14T00:00:00Z")
    seconds = got.seconds() - utc("2026-06-14T00:00:00")
    assert (np.diff(seconds) == 60).nonzero()[0].tolist() == [19, 29]
    assert set(np.diff(seconds)) == {5, 60}
    found = next(finding for finding in got.findings if finding.code == "clock-restart")
    assert (found.first_row, found.last_row) == (22, 32)
    assert "2 times" in found.words


@pytest.mark.parametrize("told", [[0, 1, 2, 4, 3, 5, 6], [0, 2, 1, 3, 4, 5], [100, 101, 103, 102, 104]])
def test_a_row_out_of_order_is_no_restart(written: Reading, told: list[int]) -> None:
    got = written(log([str(s) for s in told], "t (s)"), map="[time]\nstart = 2026-06-14T00:00:00Z")
    assert (got.seconds() - utc("2026-06-14T00:00:00")).tolist() == told
    assert "clock-restart" not in got.codes


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("Unix Time / s", "1781463907.25"),
        ("unix time (ms)", "1781463907250"),
        ("timestamp", "1781463907250"),
        ("time", "1781463907.25"),
        ("epoch_us", "1781463907250000"),
    ],
)
def test_unix_times(written: Reading, header: str, told: str) -> None:
    """1781463907 is 2026-06-14T19:05:07Z (GNU date)."""
    got = written(log([told, told], header))
    assert got.seconds().tolist() == [1781463907.25] * 2
