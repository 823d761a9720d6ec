"""Local time to UTC, and written dates, against RFC 3339 and the zone database."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline.instants import clock, day, instant, utc_of_local, written
from rangebook.pipeline.reading import Wholes

SECOND = 1_000_000
HOUR = 3600 * SECOND
NEW_YORK = "America/New_York"


def micros(text: str) -> int:
    return (datetime.fromisoformat(text).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(
        microseconds=1
    )


def column(*texts: str) -> Wholes:
    return np.array([micros(text) for text in texts], dtype=np.int64)


def hours(utc: Wholes) -> list[str]:
    return [(datetime(1970, 1, 1) + timedelta(microseconds=int(value))).isoformat() for value in utc]


# ---- written instants


@pytest.mark.parametrize(
    ("text", "seconds"),  # RFC 3339 section 5.8
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_examples_of_rfc_3339(text: str, seconds: float) -> None:
    assert instant(text, NEW_YORK) == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    assert instant(text.lower(), NEW_YORK) == instant(text.replace("T", " "), NEW_YORK)


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])  # RFC 3339 section 5.8
def test_a_leap_second_is_refused_with_words(text: str) -> None:
    with pytest.raises(ValueError, match="leap second"):
        instant(text, "UTC")


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        ("2026-06-14 19:05", None, "2026-06-14T23:05:00"),
        ("2026/06/14 19:05:07.25", None, "2026-06-14T23:05:07.250000"),
        ("14/06/2026 7:05 pm", None, "2026-06-14T23:05:00"),
        ("06/14/2026 19:05", None, "2026-06-14T23:05:00"),
        ("14.06.2026, 19:05", None, "2026-06-14T23:05:00"),
        ("05/05/2026 00:00", None, "2026-05-05T04:00:00"),
        ("04/05/2026 00:00", "day-first", "2026-05-04T04:00:00"),
        ("04/05/2026 00:00", "month-first", "2026-04-05T04:00:00"),
        ("2026-06-14 12:00 AM", None, "2026-06-14T04:00:00"),
        ("2026-06-14 12:00 pm", None, "2026-06-14T16:00:00"),
        ("2026-06-14T19:05:00+0200", None, "2026-06-14T17:05:00"),
        ("2025-11-02 01:30", None, "2025-11-02T05:30:00"),
    ],
)
def test_written_date_times(text: str, order: str | None, expected: str) -> None:
    assert instant(text, NEW_YORK, order) == datetime.fromisoformat(expected).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "order", "words"),
    [
        ("04/05/2026 10:00", None, "day first or month first"),
        ("14/06/2026 10:00", "month-first", "no real date when read month-first"),
        ("14/06/26 10:00", None, "four digits"),
        ("2026-02-30 10:00", None, "no real date"),
        ("2026-06-14 24:00", None, "hours go to 23"),
        ("2026-06-14 10:61", None, "minutes and seconds to 59"),
        ("2026-06-14 13:00 pm", None, "1 to 12"),
        ("2026-06-14T10:00:00+25:00", None, "offset"),
        ("0001-01-01T00:00:00+14:00", None, "outside the years"),
        ("yesterday", None, "no date and time"),
        ("", None, "no date and time"),
        ("2026-06-14", None, "no date and time"),
    ],
)
def test_what_is_no_instant_is_refused_with_words(text: str, order: str | None, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        instant(text, NEW_YORK, order)


def test_an_unknown_zone_is_named() -> None:
    for zone in ("Nowhere/Land", "../../etc/passwd", ""):
        with pytest.raises(ValueError, match="no time zone"):
            instant("2026-06-14 19:05", zone)
        with pytest.raises(ValueError, match="no time zone"):
            utc_of_local(column("2026-06-14T19:05"), zone)


def test_days_and_clocks() -> None:
    assert day("2026-06-14") == day("14/06/2026") == day("6/14/2026") == date(2026, 6, 14)
    assert day("04/05/2026", "day-first") == date(2026, 5, 4)
    assert clock("7:05 pm") == clock("19:05") == clock("19:05:00") == clock_time(19, 5)
    for text in ("04/05/2026", "2026-13-01", "soon"):
        with pytest.raises(ValueError, match=r"date|first"):
            day(text)
    with pytest.raises(ValueError, match="no time of day"):
        clock("1905")


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2100, 1, 1)))
def test_iso_texts_come_back(moment: datetime) -> None:
    assert written(moment.isoformat()) == moment
    assert written(moment.isoformat(sep=" ") + "Z") == moment.replace(tzinfo=UTC)


# ---- whole columns


@given(
    st.lists(st.integers(min_value=0, max_value=2_500_000_000), min_size=1, max_size=30),
    st.sampled_from(["Europe/Lisbon", NEW_YORK, "Australia/Lord_Howe", "Asia/Kathmandu", "UTC", "Africa/Casablanca"]),
)
def test_wall_times_without_doubt_agree_with_zoneinfo(seconds: list[int], zone: str) -> None:
    """PEP 495: datetime with zoneinfo is the reference; times of a fold or gap have their own tests."""
    walls = [datetime(1972, 1, 8) + timedelta(seconds=value) for value in seconds]
    sure = [wall for wall in walls if _offset(wall, zone, 0) == _offset(wall, zone, 1)]
    utc, findings = utc_of_local(column(*(wall.isoformat() for wall in sure)), zone)
    expected = [wall.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None).isoformat() for wall in sure]
    assert hours(utc) == expected
    assert findings == []


def _offset(wall: datetime, zone: str, fold: int) -> timedelta | None:
    return wall.replace(tzinfo=ZoneInfo(zone), fold=fold).utcoffset()


def night(zone: str, start_utc: str, length_hours: int, step: int = SECOND) -> tuple[Wholes, Wholes]:
    """UTC instants and what a wall clock of `zone` showed then, by zoneinfo."""
    utc = np.arange(micros(start_utc), micros(start_utc) + length_hours * HOUR, step, dtype=np.int64)
    quarter = 900 * SECOND
    unique, where = np.unique(utc // quarter, return_inverse=True)
    offsets = [datetime.fromtimestamp(int(value) * 900, ZoneInfo(zone)).utcoffset() or timedelta() for value in unique]
    return utc, utc + np.array([offset // timedelta(microseconds=1) for offset in offsets])[where]


FOLDS = [
    (NEW_YORK, "2025-11-02T04:00"),  # 01:00-02:00 stands twice: 05:00Z and 06:00Z (zone database)
    ("Europe/Lisbon", "2026-10-24T23:00"),  # 01:00-02:00 twice
    ("Australia/Lord_Howe", "2026-04-04T13:00"),  # a fold of 30 minutes
    ("America/Havana", "2025-11-02T03:00"),  # 00:00-01:00 twice
    ("America/Sao_Paulo", "2018-02-18T00:00"),  # 23:00-24:00 twice
    ("America/St_Johns", "2010-11-07T01:00"),  # 23:01-00:01 twice, across midnight
]


@pytest.mark.parametrize(("zone", "start"), FOLDS[:-1])
@pytest.mark.parametrize("chunk", [1_000_000, 1000, 37])
def test_a_log_through_the_repeated_hour_rises_and_is_right(zone: str, start: str, chunk: int) -> None:
    truth, wall = night(zone, start, 6, 5 * SECOND)
    parts, after = [], None
    for first in range(0, len(wall), chunk):
        utc, findings = utc_of_local(wall[first : first + chunk], zone, after)
        assert findings == []
        after = int(utc[-1])
        parts.append(utc)
    whole = np.concatenate(parts)
    assert (np.diff(whole) > 0).all()
    assert (whole == truth).all()


def test_chunks_of_single_rows() -> None:
    truth, wall = night(NEW_YORK, "2025-11-02T04:00", 4, 60 * SECOND)
    after = None
    for expected, row in zip(truth, wall, strict=True):
        utc, _ = utc_of_local(np.array([row]), NEW_YORK, after)
        after = int(utc[0])
        assert after == expected


def test_a_log_that_starts_in_the_second_pass_is_known_by_what_follows() -> None:
    truth, wall = night(NEW_YORK, "2025-11-02T06:30", 2)
    utc, findings = utc_of_local(wall, NEW_YORK)
    assert (utc == truth).all()
    assert findings == []


def test_a_log_that_stops_in_the_first_pass_is_known_by_what_came_before() -> None:
    truth, wall = night(NEW_YORK, "2025-11-02T04:00", 2)
    utc, findings = utc_of_local(wall, NEW_YORK)
    assert (utc == truth).all()
    assert findings == []


def test_an_hour_that_order_cannot_decide_takes_the_first_pass_and_says_so() -> None:
    utc, findings = utc_of_local(column("2025-11-01T12:00", "2025-11-02T01:30", "2025-11-02T01:31"), NEW_YORK)
    assert hours(utc)[1:] == ["2025-11-02T05:30:00", "2025-11-02T05:31:00"]
    assert [(f.code, f.first_row, f.last_row) for f in findings] == [("zone-fold", 1, 2)]
    assert NEW_YORK in findings[0].words


def test_a_clock_that_never_went_back_is_told() -> None:
    """A log that runs straight through the hour once leaves an hour out somewhere."""
    wall = micros("2025-11-02T00:30") + np.arange(7200, dtype=np.int64) * SECOND
    utc, findings = utc_of_local(wall, NEW_YORK)
    assert [f.code for f in findings] == ["zone-fold"]
    assert (np.diff(utc) > 0).all()


def test_a_row_out_of_order_is_no_second_pass() -> None:
    truth, wall = night(NEW_YORK, "2025-11-02T04:30", 1)
    shuffled = wall.copy()
    shuffled[2000], shuffled[2001] = wall[2001], wall[2000]
    utc, findings = utc_of_local(shuffled, NEW_YORK)
    assert (np.sort(utc) == truth).all()
    assert findings == []


def test_two_autumns_in_one_log() -> None:
    first, wall_first = night(NEW_YORK, "2024-11-03T04:00", 4)
    second, wall_second = night(NEW_YORK, "2025-11-02T04:00", 4)
    utc, findings = utc_of_local(np.concatenate([wall_first, wall_second]), NEW_YORK)
    assert (utc == np.concatenate([first, second])).all()
    assert findings == []


@pytest.mark.parametrize(
    ("zone", "wall", "utc"),
    [  # zone database: clocks go forward over these times
        ("Europe/Lisbon", "2026-03-29T01:30", "2026-03-29T01:30:00"),
        ("Europe/Berlin", "2026-03-29T02:30", "2026-03-29T01:30:00"),
        (NEW_YORK, "2026-03-08T02:30", "2026-03-08T07:30:00"),
    ],
)
def test_times_that_spring_leaves_out_move_forward_and_are_told(zone: str, wall: str, utc: str) -> None:
    moved, findings = utc_of_local(column("2026-03-01T12:00", wall), zone)
    assert hours(moved)[1] == utc
    assert hours(moved)[1] == _utc_by_zoneinfo(wall, zone)
    assert [(f.code, f.first_row, f.last_row) for f in findings] == [("zone-gap", 1, 1)]


def _utc_by_zoneinfo(wall: str, zone: str) -> str:
    local = datetime.fromisoformat(wall).replace(tzinfo=ZoneInfo(zone))
    return local.astimezone(UTC).replace(tzinfo=None).isoformat()


def test_both_passes_by_zoneinfo() -> None:
    """2025-11-02 01:30 in New York is 05:30Z and 06:30Z."""
    utc, findings = utc_of_local(column("2025-11-02T01:30", "2025-11-02T01:00", "2025-11-02T01:30"), NEW_YORK)
    assert hours(utc) == ["2025-11-02T05:30:00", "2025-11-02T06:00:00", "2025-11-02T06:30:00"]
    assert findings == []


def test_nothing_in_nothing_out_and_utc_is_itself() -> None:
    empty, findings = utc_of_local(np.array([], dtype=np.int64), NEW_YORK)
    assert len(empty) == 0 and findings == []
    wall = column("2025-11-02T01:30")
    utc, findings = utc_of_local(wall, "UTC")
    assert (utc == wall).all() and findings == []
    assert utc is not wall


@pytest.mark.parametrize("value", [np.iinfo(np.int64).min, np.iinfo(np.int64).max])
def test_times_beyond_the_calendar_are_refused(value: int) -> None:
    with pytest.raises(ValueError, match="outside the years"):
        utc_of_local(np.array([value], dtype=np.int64), NEW_YORK)


def test_a_million_rows_are_quick() -> None:
    wall = micros("2025-10-28T00:00") + np.arange(1_000_000, dtype=np.int64) * SECOND
    utc_of_local(wall[:10], NEW_YORK)
    began = time.perf_counter()
    utc_of_local(wall, NEW_YORK)
    assert time.perf_counter() - began < 0.3
