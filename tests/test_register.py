"""The register: statements folded into the present state, the history kept, and what does not fit told."""

from __future__ import annotations

import json
import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rangebook.pipeline.register import Register, Statement, fold
from rangebook.pipeline.tables import INSTANT, REGISTER

APRIL, MAY, JUNE = (datetime(2026, month, 1, tzinfo=UTC) for month in (4, 5, 6))
HOUR = timedelta(hours=1)
A, B, C = "a" * 64, "b" * 64, "c" * 64


def say(table: str, said_at: datetime = APRIL, original: str = A, line: int = 2, **row: Any) -> Statement:
    return Statement(table, row, said_at, original, line)


def codes(register: Register) -> list[str]:
    return [finding.code for _, finding in register.findings]


def known(*names: str) -> list[Statement]:
    """Statements that describe carts C.., packs P.. and settings in any other name."""
    tables = {"C": ("carts", "cart"), "P": ("packs", "pack")}
    told = [tables.get(name[0], ("settings", "settings")) for name in names]
    return [say(table, **{key: name}) for (table, key), name in zip(told, names, strict=True)]


# ---- the present state


def test_a_later_statement_supersedes_field_by_field() -> None:
    register = fold(
        [
            say("packs", MAY, B, pack="P1", price=900.0, note="offer"),
            say("packs", APRIL, A, pack="P1", price=1000.0, currency="EUR", in_service=date(2024, 3, 1)),
            say("packs", JUNE, C, pack="P1", note=None, chemistry="LFP"),
        ]
    )
    [pack] = register.present["packs"]
    assert list(pack) == list(REGISTER["packs"])
    stated = {name: value for name, value in pack.items() if value is not None}
    assert stated == {
        "pack": "P1", "price": 900.0, "currency": "EUR", "in_service": date(2024, 3, 1), "note": "offer",
        "chemistry": "LFP",
    }  # fmt: skip


def test_history_keeps_each_statement_as_it_was_said() -> None:
    register = fold([say("carts", MAY, B, cart="C1", seats=6), say("carts", APRIL, A, cart="C1", seats=4)])
    assert [(row["seats"], row["said_at"], row["original"]) for row in register.history["carts"]] == [
        (4, APRIL, A),
        (6, MAY, B),
    ]
    assert register.history["packs"] == []


def test_at_one_instant_the_hash_decides_and_then_the_line() -> None:
    said = [
        say("carts", APRIL, B, 2, cart="C1", seats=2),
        say("carts", APRIL, A, 9, cart="C1", seats=9),
        say("carts", APRIL, B, 3, cart="C1", seats=3),
    ]
    assert fold(said).present["carts"][0]["seats"] == 3


def test_rows_are_sorted_by_key_and_found_by_it() -> None:
    register = fold(known("C2", "C10", "C1", "P1"))
    assert [row["cart"] for row in register.present["carts"]] == ["C1", "C10", "C2"]
    assert register.row("carts", "C2") == register.present["carts"][2]
    assert register.row("carts", "C3") is None
    assert register.row("carts", None) is None
    fitted = fold([say("fitments", cart="C1", pack="P1"), say("fitments", cart="C1", pack="P1", started=MAY)])
    assert [row["started"] for row in fitted.present["fitments"]] == [None, MAY]
    assert fitted.row("fitments", "C1", "P1", MAY) is not None


@given(st.integers(0, 2**32), st.integers(0, 12))
def test_the_order_of_reading_does_not_matter(seed: int, count: int) -> None:
    chance = random.Random(seed)
    said = [
        say("carts", chance.choice([APRIL, MAY]), chance.choice([A, B]), line, cart=chance.choice("CD"), seats=line)
        for line in range(count)
    ]
    shuffled = chance.sample(said, len(said))
    assert fold(said) == fold(shuffled)


def test_nothing_said_is_an_empty_register() -> None:
    register = fold([])
    assert set(register.present) == set(register.history) == set(REGISTER)
    assert register.findings == []
    assert all(len(table) == 0 for table in register.tables().values())
    assert register.pack_of("C1", APRIL) is None


def test_further_columns_of_settings_are_superseded_one_by_one() -> None:
    said = [
        say("settings", APRIL, A, settings="S", other='{"ramp": "soft", "horn": "on"}'),
        say("settings", MAY, B, settings="S", other='{"ramp": "härter"}'),
    ]
    assert json.loads(fold(said).present["settings"][0]["other"]) == {"ramp": "härter", "horn": "on"}
    said.append(say("settings", JUNE, C, settings="S", other="no JSON"))
    assert fold(said).present["settings"][0]["other"] == "no JSON"


# ---- who was where when

MOVES = [
    *known("C1", "C2", "P1", "P2"),
    say("fitments", cart="C1", pack="P1", started=APRIL, ended=MAY),
    say("fitments", cart="C2", pack="P1", started=MAY),
    say("fitments", cart="C1", pack="P2", started=MAY),
]


@pytest.mark.parametrize(
    ("at", "in_c1", "holds_p1"),
    [
        (APRIL - HOUR, None, None),
        (APRIL, "P1", "C1"),
        (MAY - HOUR, "P1", "C1"),
        (MAY, "P2", "C2"),  # from the start on, until before the end
        (JUNE, "P2", "C2"),
    ],
)
def test_fitments_at_an_instant(at: datetime, in_c1: str | None, holds_p1: str | None) -> None:
    register = fold(MOVES)
    assert register.pack_of("C1", at) == in_c1
    assert register.cart_of_pack("P1", at) == holds_p1
    assert register.findings == []


def test_a_fitment_that_ends_is_told_by_a_later_sheet() -> None:
    said = [say("fitments", cart="C1", pack="P1", started=APRIL)]
    assert fold(said).pack_of("C1", JUNE) == "P1"
    said.append(say("fitments", MAY, B, cart="C1", pack="P1", started=APRIL, ended=MAY))
    assert fold(said).pack_of("C1", MAY - HOUR) == "P1"
    assert fold(said).pack_of("C1", MAY) is None  # until before the end


def test_without_an_instant_only_what_was_always_so_is_known() -> None:
    register = fold(MOVES)
    assert register.pack_of("C1", None) is None
    assert register.pack_of("C2", None) == "P1"
    assert register.pack_of(None, None) is None


def test_loggers_stay_in_carts() -> None:
    register = fold(
        [*known("C1", "C2"), say("loggers", logger="L1", cart="C1", ended=MAY),
         say("loggers", logger="L1", cart="C2", started=MAY)]
    )  # fmt: skip
    assert register.cart_of_logger("L1", APRIL) == "C1"
    assert register.cart_of_logger("L1", JUNE) == "C2"
    assert register.cart_of_logger("L2", JUNE) is None
    assert register.findings == []


# ---- what does not fit


def test_two_packs_in_one_cart_at_once() -> None:
    register = fold(
        [*known("C1", "P1", "P2"), say("fitments", cart="C1", pack="P1", started=APRIL),
         say("fitments", cart="C1", pack="P2", started=MAY)]
    )  # fmt: skip
    assert codes(register) == ["fitment-overlap"]
    assert all(word in register.findings[0][1].words for word in ("C1", "P1", "P2", "2026-05-01"))
    assert register.pack_of("C1", JUNE) == "P2"


def test_one_pack_in_two_carts_at_once() -> None:
    register = fold(
        [*known("C1", "C2", "P1"), say("fitments", cart="C1", pack="P1", started=APRIL, ended=JUNE),
         say("fitments", cart="C2", pack="P1", started=MAY, ended=JUNE)]
    )  # fmt: skip
    assert codes(register) == ["fitment-overlap"]
    assert register.cart_of_pack("P1", MAY + HOUR) == "C2"


def test_a_long_stay_overlaps_each_that_begins_within_it() -> None:
    stays = [("P1", APRIL, JUNE), ("P2", APRIL + HOUR, MAY), ("P3", MAY + HOUR, None)]
    said = [say("fitments", cart="C1", pack=pack, started=start, ended=end) for pack, start, end in stays]
    assert codes(fold([*known("C1", "P1", "P2", "P3"), *said])) == ["fitment-overlap"] * 2


def test_the_same_pack_stated_twice_is_no_overlap() -> None:
    said = [say("fitments", cart="C1", pack="P1"), say("fitments", cart="C1", pack="P1", started=MAY)]
    assert codes(fold([*known("C1", "P1"), *said])) == []


def test_a_stay_that_ends_before_it_begins() -> None:
    register = fold([*known("C1", "P1"), say("fitments", cart="C1", pack="P1", started=MAY, ended=APRIL)])
    assert codes(register) == ["ends-before-start"]
    assert register.pack_of("C1", MAY) is None


def test_names_the_register_lacks() -> None:
    register = fold(
        [
            *known("C1", "P1", "gentle"),
            say("tests", test="T1", kind="range", cart="C9", pack="P9", settings="wild"),
            say("tests", test="T2", kind="range", cart="C1", pack="P1", settings="gentle"),
            say("tests", test="T3", kind="range", cart="C9"),
            say("fitments", cart="C1", pack="P8"),
            say("loggers", logger="L1", cart="C8"),
        ]
    )
    told = {finding.code: finding.words for _, finding in register.findings if finding.code != "cart-unknown"}
    carts = [finding.words for _, finding in register.findings if finding.code == "cart-unknown"]
    assert sorted(codes(register)) == ["cart-unknown"] * 2 + ["pack-unknown"] * 2 + ["settings-unknown"]
    assert "logger L1" in carts[0] and "C8" in carts[0]
    assert "test T1 and 1 more" in carts[1] and "C9" in carts[1]
    assert "wild" in told["settings-unknown"]


def test_a_test_claimed_by_two_originals() -> None:
    register = fold(
        [
            *known("C1", "C2"),
            say("tests", APRIL, A, test="T1", kind="range", cart="C1", started=APRIL, route="loop"),
            say("tests", MAY, B, test="T1", kind="range", cart="C2", started=MAY, route="hill"),
        ]
    )
    assert codes(register) == ["test-claimed-twice"] * 2
    for _, finding in register.findings:
        assert finding.severity == "problem"
        assert "T1" in finding.words and A[:12] in finding.words and B[:12] in finding.words
    [test] = register.present["tests"]
    assert (test["cart"], test["started"]) == ("C1", APRIL)  # the first one said stays
    assert test["route"] == "hill"  # the rest is superseded as ever


def test_a_test_completed_by_another_original_is_no_rival() -> None:
    register = fold(
        [
            *known("C1"),
            say("tests", APRIL, A, test="T1", kind="range", cart="C1"),
            say("tests", MAY, B, test="T1", kind="range", cart="C1", started=MAY, logs=["a.csv"]),
        ]
    )
    assert codes(register) == []
    assert register.present["tests"][0]["started"] == MAY
    assert register.present["tests"][0]["logs"] == ["a.csv"]


def test_one_original_that_contradicts_itself_is_no_rival() -> None:
    """The reader of the sheet tells that."""
    said = [say("tests", line=line, test="T1", kind="range", cart=cart) for line, cart in ((2, "C1"), (9, "C2"))]
    assert codes(fold([*known("C1", "C2"), *said])) == []


# ---- as tables


def test_tables_have_the_types_of_the_register() -> None:
    register = fold(
        [say("tests", test="T1", kind="range", started=APRIL, logs=["a", "b"], payload_kg=85.0),
         say("packs", pack="P1", cells_in_series=16, in_service=date(2024, 3, 1))]
    )  # fmt: skip
    tables = register.tables()
    assert set(tables) == {*REGISTER, *(f"{table}_history" for table in REGISTER)}
    for table, columns in REGISTER.items():
        assert tables[table].schema.equals(pa.schema(list(columns.items())))
        expected = pa.schema([*columns.items(), ("said_at", INSTANT), ("original", pa.string())])
        assert tables[f"{table}_history"].schema.equals(expected)
    assert tables["tests"].to_pylist()[0]["logs"] == ["a", "b"]
    assert tables["packs_history"].to_pylist()[0]["said_at"] == APRIL
    assert json.dumps(tables["packs"].column("cells_in_series").to_pylist()) == "[16]"
