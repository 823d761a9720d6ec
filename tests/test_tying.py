"""Which log belongs to which test: the rules of common practice, no outside source."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Any

from rangebook.pipeline.register import Register, Statement, fold
from rangebook.pipeline.tying import Log, Ties, micros, moment, tie

DAY = datetime(2026, 6, 14, 17, 0, tzinfo=UTC)


def log(name: str, start: float | None = 0, hours: float = 1, folder: str = "/logs", cart: str | None = None) -> Log:
    """A samples log that starts `start` hours after DAY."""
    begun = None if start is None else DAY + timedelta(hours=start)
    record: dict[str, Any] = {
        "original": f"{abs(hash((name, start))):064x}"[:64], "name": name, "folder": folder, "cart": cart,
        "taken_in": DAY.isoformat(), "tables": {"samples": {"rows": 10}},
        "started": None if begun is None else begun.isoformat(),
        "ended": None if begun is None else (begun + timedelta(hours=hours)).isoformat(),
    }  # fmt: skip
    return Log.of(record)


def register(*rows: tuple[str, dict[str, Any]]) -> Register:
    return fold(Statement(table, row, DAY, "0" * 64, None) for table, row in rows)


def trial(name: str = "T1", **more: Any) -> tuple[str, dict[str, Any]]:
    return "tests", {
        "test": name,
        "kind": "range",
        "cart": "C1",
        "started": DAY,
        "ended": DAY + timedelta(hours=1),
        **more,
    }


def tied(ties: Ties, name: str = "T1") -> list[str]:
    return [one.record["name"] for one in ties.logs_of.get(name, [])]


def test_a_name_on_the_sheet_wins_whatever_the_clock_says() -> None:
    ties = tie([log("P11.csv", start=5)], register(trial(logs=["p11.CSV"])), {})
    assert tied(ties) == ["P11.csv"]
    assert list(ties.cart_of.values()) == ["C1"]


def test_of_several_logs_of_one_name_the_one_of_that_time_is_meant() -> None:
    earlier, right = log("P11.csv", start=-24 * 14), log("P11.csv", start=0.1)
    ties = tie([earlier, right], register(trial(logs=["P11.csv"])), {})
    assert ties.logs_of["T1"] == [right]


def test_the_same_folder_ties_only_what_overlaps() -> None:
    logs = [log("a.csv", folder="/june"), log("b.csv", start=30, folder="/june"), log("c.csv", folder="/july")]
    assert tied(tie(logs, register(trial(cart=None)), {"T1": {"/june"}})) == ["a.csv"]


def test_a_log_without_times_ties_to_the_only_sheet_of_its_folder() -> None:
    logs = [log("track.gpx", start=None, folder="/t1")]
    one, two = trial(), trial("T2", cart="C2")
    assert tied(tie(logs, register(one, two), {"T1": {"/t1"}, "T2": {"/t2"}})) == ["track.gpx"]
    assert tied(tie(logs, register(one, two), {"T1": {"/t1"}, "T2": {"/t1"}})) == []


def test_a_logger_ties_by_cart_and_time_and_its_name_must_stand_alone() -> None:
    stays = ("loggers", {"logger": "L4", "cart": "C1", "started": DAY - timedelta(days=9)})
    logs = [log("L4-0614.csv"), log("L44-0614.csv"), log("L4-0620.csv", start=140)]
    ties = tie(logs, register(trial(), stays), {})
    assert tied(ties) == ["L4-0614.csv"]
    assert ties.cart_of == {logs[0].original: "C1", logs[2].original: "C1"}


def test_a_given_cart_ties_and_another_cart_does_not() -> None:
    logs = [log("x.csv", cart="C1"), log("y.csv", cart="C2", folder="/june")]
    assert tied(tie(logs, register(trial()), {"T1": {"/june"}})) == ["x.csv"]


def test_what_ties_to_nothing_has_no_cart_and_a_missing_log_is_named() -> None:
    ties = tie([log("z.csv", start=99)], register(trial(logs=["gone.csv"])), {})
    assert not ties.cart_of and not ties.tests_of
    assert [finding.code for _, finding in ties.findings] == ["log-missing"]


def test_a_long_log_that_began_days_before_is_found_and_ten_thousand_of_each_take_seconds() -> None:
    week = log("week.csv", start=-100, hours=168, cart="C1")
    logs = [week, *(log(f"{n}.csv", start=200 + 2 * n, cart="C1") for n in range(10_000))]
    tests = [trial(f"T{n}", started=DAY + timedelta(hours=200 + 2 * n), ended=None) for n in range(5_000)]
    began = time.process_time()
    ties = tie(logs, register(trial(), *tests), {})
    assert time.process_time() - began < 10
    assert tied(ties) == ["week.csv"] and tied(ties, "T4999")[0] == "4999.csv"


def test_microseconds_and_moments_are_each_others_inverse() -> None:
    instant = datetime(1985, 4, 12, 23, 20, 50, 520000, tzinfo=UTC)
    # RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z is 482196050.52 s after the epoch
    assert micros(instant) == 482_196_050_520_000
    assert moment(482_196_050_520_000) == instant
