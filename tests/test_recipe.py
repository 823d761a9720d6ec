"""The head of a recipe, and what counts as one SELECT."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from rangebook.queries import RecipeProblem, find, load, recipes
from rangebook.queries.statement import parameters_of
from rangebook.queries.values import converted

GOOD = """-- title: Tests of a cart
-- asks: Which tests did this cart do,
--       and how far did it go?
-- param cart (text): the cart
-- param since (date, default 2000-01-01): first day that counts
-- param route (text, default null): this route only
-- column test: test
-- column range_metre [m]: range; from full to cut-off
-- plot: {"mark": "point",
--        "encoding": {"x": {"field": "test"}, "y": {"field": "range_metre"}}}

-- a word about the statement: not part of the head
select test, range_metre from test_results
where cart = $cart and started >= $since and ($route is null or route = $route)
"""


def written(folder: Path, text: str, name: str = "mine.sql") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_head_is_read_whole(tmp_path: Path) -> None:
    recipe = load(written(tmp_path, GOOD))
    assert (recipe.name, recipe.title) == ("mine", "Tests of a cart")
    assert recipe.asks == "Which tests did this cart do, and how far did it go?"
    assert [(param.name, param.type, param.default) for param in recipe.params] == [
        ("cart", "text", None),
        ("since", "date", "2000-01-01"),
        ("route", "text", "null"),
    ]
    assert [(column.name, column.unit, column.label) for column in recipe.columns] == [
        ("test", "", "test"),
        ("range_metre", "m", "range"),
    ]
    assert recipe.plot is not None and recipe.plot["encoding"]["y"] == {"field": "range_metre"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("-- title: Tests of a cart\n", "", "mine.sql:1: exactly one `-- title: words` is needed, found 0"),
        ("-- param cart", "-- title: again\n-- param cart", "mine.sql:4: exactly one `-- title: words`"),
        ("-- asks: Which", "-- says: Which", "mine.sql:2: unknown line in the head: `-- says: Which"),
        ("-- column test: test", "-- just words", "mine.sql:7: unknown line in the head"),
        ("(text): the cart", "(word): the cart", "mine.sql:4: cannot make out the parameter `cart (word)`"),
        ("default 2000-01-01", "default last week", "mine.sql:5: default of `since`: `last week` is not a date"),
        ("-- column test: test", "-- column: test", "mine.sql:7: cannot make out the column"),
        ("-- column test: test", "-- column test: test\n-- column test: it", "`test` is declared twice"),
        ('{"mark": "point",', '{"mark" "point",', "mine.sql:9: the plot is not JSON"),
        ('"field": "test"', '"field": "tset"', "mine.sql:9: the plot may use the declared columns only, not tset"),
        ('"mark": "point"', '"mark": "point", "data": {"url": "a.csv"}', "mine.sql:9: the plot must be an object"),
        ("$cart", "$kart", "mine.sql: parameter used but not declared: kart"),
        ("and started >= $since", "", "mine.sql: parameter declared but not used: since"),
        ("select test,", "copy (select 1) to 'x'; select test,", "found COPY and SELECT"),
        ("select test,", "selec test,", "mine.sql:13: Parser Error: syntax error"),
    ],
)  # fmt: skip
def test_a_wrong_head_is_named_with_its_line(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in GOOD
    with pytest.raises(RecipeProblem) as caught:
        load(written(tmp_path, GOOD.replace(old, new)))
    assert words in str(caught.value)
    assert caught.value.hint


def test_files_that_cannot_be_recipes(tmp_path: Path) -> None:
    with pytest.raises(RecipeProblem, match="small letters"):
        load(written(tmp_path, GOOD, "My Question.sql"))
    (tmp_path / "latin.sql").write_bytes("-- title: Gr\xf6\xdfe".encode("latin-1"))
    with pytest.raises(RecipeProblem, match=r"latin\.sql: the file is not UTF-8"):
        load(tmp_path / "latin.sql")
    with pytest.raises(RecipeProblem, match="cannot be read"):
        load(tmp_path / "missing.sql")


def test_a_byte_order_mark_and_line_ends_of_windows_do_no_harm(tmp_path: Path) -> None:
    (tmp_path / "mine.sql").write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load(tmp_path / "mine.sql").asks == "Which tests did this cart do, and how far did it go?"


def test_names_are_found_and_doubles_refused(tmp_path: Path) -> None:
    written(tmp_path, GOOD)
    assert set(recipes([tmp_path])) == set(recipes()) | {"mine"}
    assert find("mine", [tmp_path]).title == "Tests of a cart"
    with pytest.raises(RecipeProblem) as caught:
        find("capacity_fad", [tmp_path])
    assert caught.value.hint == "did you mean `capacity_fade`?"
    written(tmp_path, GOOD, "capacity_fade.sql")
    with pytest.raises(RecipeProblem, match="two recipes are called `capacity_fade`") as caught:
        recipes([tmp_path])
    assert str(tmp_path / "capacity_fade.sql") in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "", "-- nothing", "select 1; select 2", "copy (select 1) to 'x.csv'", "attach 'x.duckdb'", "pragma version",
        "set threads = 1", "call pragma_version()", "drop table tests", "insert into tests values ('T')",
        "install spatial", "create table t as select 1", "explain analyze delete from tests",
        "update tests set cart = 'C'",
        # what calls itself a SELECT and is none
        "with gone as (delete from tests returning *) select * from gone",
        "with put as (insert into tests values ('T') returning *) select * from put",
        "with out as (copy (select 1) to 'x.csv') select * from out",
        "with a as (select 1), b as materialized (copy (select 2) to 'x.csv') from a union all from b",
    ],
)  # fmt: skip
def test_only_reading_is_allowed(text: str) -> None:
    with pytest.raises(RecipeProblem):
        parameters_of(text)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("select $a, $b from tests -- $c", {"a", "b"}),
        ("with recursive n(i) as (select 1 union all select i + 1 from n where i < $top) from n;", {"top"}),
        ("from tests where test in (select test from results where value > $v)", {"v"}),
        ("""select '$no', '"type":"INSERT_QUERY_NODE"', 'delete from tests; drop table x'""", set()),
        ("describe tests", set()),
    ],
)
def test_selects_and_their_parameters(text: str, names: set[str]) -> None:
    assert parameters_of(text) == names


def test_values_become_what_their_type_says() -> None:
    assert converted("12.5", "number") == 12.5
    assert converted("12", "whole") == 12
    assert converted("2026-06-14", "date") == datetime.date(2026, 6, 14)
    assert [converted(word, "flag") for word in ("yes", "True", "1", "no", "off", "0")] == [True] * 3 + [False] * 3
    assert converted("null", "date", null=True) is None
    assert converted("null", "text") == "null"
    assert converted("'; drop table tests; --", "text") == "'; drop table tests; --"


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("twelve", "number"), ("nan", "number"), ("inf", "number"), ("1.5", "whole"), ("9" * 30, "whole"),
        ("14/06/2026", "date"), ("2026-02-30", "date"), ("maybe", "flag"), ("null", "date"),
    ],
)  # fmt: skip
def test_text_that_is_no_value_is_refused(text: str, kind: str) -> None:
    with pytest.raises(ValueError, match="is not"):
        converted(text, kind)
