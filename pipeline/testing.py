"""What every reader must pass. For authors of readers, ours and others':

    from rangebook.pipeline.testing import check_reader

    def test_contract():
        assert check_reader(MyReader(), Path("samples/mine.log")) == []

Complaints come back as sentences, all of them at once; none means that the reader keeps its contract on
that sample. It is read twice and six spoilt copies of it once, so take a small one.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import random
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from .errors import InputProblem
from .original import Original
from .reading import Finding, Fit, Item, Options, Reader, Rows, Said, Used
from .tables import KEYS, REGISTER, TABLES, schema_of

SEVERITIES = ("note", "warning", "problem")
CODE = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
NAME = re.compile(r"[a-z][a-z0-9_-]*")
PLAIN: Mapping[pa.DataType, tuple[type, ...]] = {
    pa.string(): (str,),
    pa.float64(): (int, float),
    pa.int32(): (int,),
    pa.date32(): (datetime.date,),
    pa.list_(pa.string()): (list,),
}

Complaints = Iterator[str]


def check_reader(reader: Reader, sample: Path, options: Options | None = None) -> list[str]:
    """Everything in which `reader` breaks its contract on `sample`, in words; empty when nothing.

    Raises InputProblem when there is no such sample.
    """
    options = options or Options()
    original, before = Original.at(sample), _state(sample)
    complaints = [*_names(reader), *_own_sample(reader, original), *_readings(reader, original, options)]
    complaints += _touched(sample, before)
    with tempfile.TemporaryDirectory() as folder:
        for title, path in list(spoilt(sample, Path(folder))):
            complaints += [f"{title}: {complaint}" for complaint in _survives(reader, path, options)]
    return complaints


def mistaken(readers: Iterable[Reader], samples: Mapping[str, Sequence[Path]]) -> list[str]:
    """Samples that a reader of another kind is at least as sure of as their own.

    `samples`: by name of the reader they belong to. A reader may be unsure about another's sample, and the
    program takes the surest; what it must not do is claim it.
    """
    known = list(readers)
    wrong: list[str] = []
    for owner, paths in samples.items():
        for original in map(Original.at, paths):
            sure = {reader.name: _sure(reader.recognise(original)) for reader in known}
            rivals = [name for name, other in sure.items() if name != owner and other >= sure[owner]]
            wrong += [f"{name} takes {original.name} of {owner} for its own: {sure[name]:g}" for name in rivals]
    return wrong


def spoilt(sample: Path, folder: Path) -> Iterator[tuple[str, Path]]:
    """Files that a reader must meet without breaking, written to `folder`: name of the trouble, and where."""
    content = sample.read_bytes()[: 1 << 20]
    middle = len(content) // 2
    first_line = content.split(b"\n", 1)[0]
    troubles = {
        "an empty file": b"",
        "random bytes": random.Random(1).randbytes(20_000),
        "a file of NULs": bytes(20_000),
        "a copy cut in the middle": content[:middle],
        "a copy cut in its first line": first_line[: len(first_line) // 2],
        "a copy with NULs in the middle": content[: len(content) // 2]
        + bytes(512)
        + content[len(content) // 2 + 512 :],
    }
    for number, (title, spoilt_content) in enumerate(troubles.items()):
        path = folder / f"{number}{sample.suffix}"
        path.write_bytes(spoilt_content)
        yield title, path


def _state(path: Path) -> tuple[str, list[Path]]:
    return hashlib.sha256(path.read_bytes()).hexdigest(), sorted(path.parent.iterdir())


def _touched(path: Path, before: tuple[str, list[Path]]) -> Complaints:
    content, beside = _state(path)
    if content != before[0]:
        yield "changes the file it reads"
    if beside != before[1]:
        yield "adds or removes files beside the one it reads"


def _raised(what: str, problem: Exception) -> str:
    return f"{what} raises {type(problem).__name__}: {problem}"


def _sure(fit: Fit | None) -> float:
    return fit.sure if fit else 0.0


def _names(reader: Reader) -> Complaints:
    for attribute in ("name", "version", "title", "about"):
        value = getattr(reader, attribute, None)
        if not isinstance(value, str) or not value.strip():
            yield f"`{attribute}` is no text: {value!r}"
    if not NAME.fullmatch(str(getattr(reader, "name", ""))):
        yield "`name` is not one short word of a-z, 0-9, - and _"
    if "\n" in str(getattr(reader, "title", "")):
        yield "`title` is more than one line"


def _own_sample(reader: Reader, original: Original) -> Complaints:
    try:
        fit = reader.recognise(original)
    except Exception as problem:
        yield _raised("recognise()", problem)
        return
    if fit is None:
        yield "does not recognise its own sample"
    yield from _fit(fit)


def _fit(fit: object) -> Complaints:
    if fit is None:
        return
    if not isinstance(fit, Fit):
        yield f"recognise() returns neither Fit nor None: {fit!r}"
    elif not 0.0 <= fit.sure <= 1.0:
        yield f"recognise() is sure to {fit.sure!r}, which is not from 0 to 1"
    elif not fit.why.strip():
        yield "recognise() does not say why"


def _readings(reader: Reader, original: Original, options: Options) -> Complaints:
    """Read twice: every piece must keep its shape, and both readings must hold the same."""
    try:
        first, second = (list(reader.read(original, options)) for _ in range(2))
    except Exception as problem:
        yield _raised("read()", problem)
        return
    for item in first:
        yield from complaints_of(item)
    if not any(isinstance(item, Rows | Said) for item in first):
        yield "reads nothing from its own sample: neither Rows nor Said"
    if [*map(_content, first)] != [*map(_content, second)]:
        yield "gives something else when it reads the same file again"


def _survives(reader: Reader, path: Path, options: Options) -> Complaints:
    """A spoilt file may be refused with InputProblem; nothing else may be raised, and all that is given must fit."""
    original, before = Original.at(path), _state(path)
    try:
        yield from _fit(reader.recognise(original))
    except Exception as problem:
        yield _raised("recognise()", problem)
    try:
        for item in reader.read(original, options):
            yield from complaints_of(item)
    except InputProblem as problem:
        if not problem.what.strip() or problem.path is None:
            yield "read() raises an InputProblem that does not name the file"
    except Exception as problem:
        yield f"{_raised('read()', problem)}; only InputProblem may be raised"
    yield from _touched(path, before)


def complaints_of(item: object) -> list[str]:
    """What is wrong with one piece that a reader yields."""
    checks: Mapping[type, Callable[[Any], Complaints]] = {Rows: _rows, Said: _said, Finding: _finding, Used: _used}
    for kind, check in checks.items():
        if isinstance(item, kind):
            return list(check(item))
    return [f"read() yields a {type(item).__name__}, which is none of Rows, Said, Finding, Used"]


def _rows(rows: Rows) -> Complaints:
    if rows.table not in TABLES:
        yield f"Rows of a table there is not: {rows.table}"
        return
    names = rows.batch.schema.names
    unknown = set(names) - set(TABLES[rows.table].names)
    if unknown:
        yield f"{rows.table} has no column {', '.join(sorted(unknown))}"
    elif not rows.batch.schema.equals(schema_of(rows.table, names), check_metadata=True):
        yield f"a batch of {rows.table} has not the schema of tables.schema_of: make it with tables.conform"
    if rows.line is not None:
        yield from _lines(rows)
    if rows.text is not None and rows.batch.num_rows and not isinstance(rows.text(rows.batch.num_rows - 1), str):
        yield f"text() of {rows.table} gives no text"


def _lines(rows: Rows) -> Complaints:
    assert rows.line is not None
    if len(rows.line) != rows.batch.num_rows:
        yield f"a batch of {rows.table} has {rows.batch.num_rows} rows but {len(rows.line)} line numbers"
    elif str(rows.line.dtype) != "int64":
        yield f"line numbers of {rows.table} are {rows.line.dtype}, not int64"
    elif len(rows.line) and rows.line.min() < 1:
        yield f"a line number of {rows.table} is below 1"


def _said(said: Said) -> Complaints:
    if said.table not in REGISTER:
        yield f"Said of a table there is not: {said.table}"
        return
    columns = REGISTER[said.table]
    for column, value in said.row.items():
        if column not in columns:
            yield f"Said of {said.table} names a column it has not: {column}"
        elif not _plain(value, columns[column]):
            yield f"Said of {said.table}: {column} is {value!r}, not plain {columns[column]}"
    if KEYS[said.table][0] not in said.row:
        yield f"Said of {said.table} does not say which: {KEYS[said.table][0]} is missing"


def _plain(value: Any, kind: pa.DataType) -> bool:
    if pa.types.is_timestamp(kind):
        return isinstance(value, datetime.datetime) and value.utcoffset() == datetime.timedelta(0)
    if isinstance(value, bool) or (isinstance(value, datetime.datetime) and pa.types.is_date(kind)):
        return False
    return isinstance(value, PLAIN[kind]) and (
        not isinstance(value, list) or all(isinstance(one, str) for one in value)
    )


def _finding(finding: Finding) -> Complaints:
    if finding.severity not in SEVERITIES:
        yield f"finding {finding.code!r} has severity {finding.severity!r}, none of {', '.join(SEVERITIES)}"
    if not CODE.fullmatch(finding.code):
        yield f"finding {finding.code!r}: a code is lower case words with hyphens"
    if not finding.words.strip():
        yield f"finding {finding.code!r} has no words"


def _used(used: Used) -> Complaints:
    try:
        json.dumps(dict(used.facts), allow_nan=False)
    except (TypeError, ValueError) as problem:
        yield f"Used holds what JSON cannot: {problem}"


def _content(item: Item) -> object:
    """What must be the same when the file is read again."""
    if isinstance(item, Rows):
        lines = None if item.line is None else item.line.tolist()
        return item.table, item.batch.schema, repr(item.batch.to_pydict()), lines
    return item
