"""Damaged files: never anything but rows, lines set aside, or a problem that says what to do; and nothing lost."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Options, Rows
from rangebook.plugins.delimited import Delimited, chunks
from rangebook.plugins.delimited.plan import planned

SAMPLES = Path(__file__).parent.parent / "samples" / "delimited"
CASES = ["bdf", "midnight", "restart", "semicolon", "trouble", "units_line"]
JUNK = st.sampled_from([b"\n", b"\0", b",", b";", b"x", b"\xff", b"\n\n", b" ", b"1e9", b"9" * 25, b"31/12/9999", b"-"])
QUOTES = st.sampled_from([b'"', b'""', b',"', b'"\n', b"\r", b"\r\n"])
WHERE = st.floats(0.3, 1)


def edits(junk: st.SearchStrategy[bytes]) -> st.SearchStrategy[list[tuple[float, bytes, int]]]:
    """Where, what to put in, and how many bytes to take out."""
    return st.lists(st.tuples(WHERE, junk, st.sampled_from([0, 0, 1, 5, 50])), min_size=1, max_size=6)


def damaged(case: str, changes: list[tuple[float, bytes, int]]) -> tuple[bytes, Options]:
    content = bytearray((SAMPLES / f"{case}.csv").read_bytes().replace(b"\r\n", b"\n"))
    for where, junk, taken in changes:
        place = int(where * len(content))
        content[place : place + taken] = junk
    told = json.loads((SAMPLES / f"{case}.json").read_text(encoding="utf-8"))
    return bytes(content), Options(**told.get("options", {}))


def lines_of(path: Path, options: Options, piece: int) -> tuple[set[int], dict[int, str]]:
    """Lines that became rows, and the texts of lines set aside, reading in pieces of `piece` bytes.

    A run of NUL bytes counts as one: how far it shrinks depends on the pieces.
    """
    before, chunks.PIECE = chunks.PIECE, piece
    kept: set[int] = set()
    aside: dict[int, str] = {}
    try:
        for item in Delimited().read(Original.at(path), options):
            if isinstance(item, Rows) and item.table == "rejects":
                texts = [re.sub("\0+", "\0", text) for text in item.batch["text"].to_pylist()]
                aside.update(zip(item.batch["line"].to_pylist(), texts, strict=True))
            elif isinstance(item, Rows):
                assert item.line is not None and item.text is not None
                item.batch.validate(full=True)
                kept.update(item.line.tolist())
    finally:
        chunks.PIECE = before
    return kept, aside


@settings(max_examples=60, deadline=None)
@given(case=st.sampled_from(CASES), changes=edits(JUNK))
def test_every_line_is_kept_or_set_aside(tmp_path_factory: Any, case: str, changes: list[Any]) -> None:
    """Each line under the header that is not blank is a row or a reject, whatever the size of the pieces."""
    content, options = damaged(case, changes)
    path = tmp_path_factory.mktemp("damage") / "log.csv"
    path.write_bytes(content)
    try:
        first = planned(Original.at(path), options).layout.dialect.table.first_line
        found = [lines_of(path, options, piece) for piece in (64, 500, 8 << 20)]
    except InputProblem as problem:
        assert problem.hint
        return
    kept, aside = found[0]
    stood = {number for number, line in enumerate(content.split(b"\n"), 1) if line and number >= first}
    assert kept | set(aside) == stood
    assert not kept & set(aside)
    assert found[1] == found[2] == found[0]


@settings(max_examples=60, deadline=None)
@given(case=st.sampled_from(CASES), changes=edits(QUOTES), piece=st.sampled_from([64, 8 << 20]))
def test_stray_quotes_and_line_ends_break_nothing(
    tmp_path_factory: Any, case: str, changes: list[Any], piece: int
) -> None:
    content, options = damaged(case, changes)
    path = tmp_path_factory.mktemp("damage") / "log.csv"
    path.write_bytes(content)
    try:
        Delimited().recognise(Original.at(path))
        kept, _ = lines_of(path, options, piece)
        assert kept
    except InputProblem as problem:
        assert problem.hint


@pytest.mark.parametrize("time", ["1e300", "-1e300", "inf", "NaN", ""])
def test_numbers_beyond_any_calendar_are_no_times(written: Callable[..., Any], time: str) -> None:
    rows = "".join(f"178146390{n},53.{n},1\n" for n in range(5))
    got = written(f"unix time (s),voltage (V),current (A)\n{rows}{time},53,1\n")
    assert len(got.tables["samples"]) == 5
    assert got.tables["rejects"].column("line").to_pylist() == [7]
