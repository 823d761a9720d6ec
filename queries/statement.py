"""What may be asked: exactly one SELECT that changes nothing."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

# Kinds of query node that only read. Since version 2.0 DuckDB lets WITH hold INSERT, DELETE and COPY inside a
# statement that calls itself SELECT, so the kind of the statement alone proves nothing.
_READING = {"SELECT_NODE", "SET_OPERATION_NODE", "RECURSIVE_CTE_NODE", "CTE_NODE"}


class RecipeProblem(Exception):
    """A recipe or a SELECT is wrong. `str()` says what, with file and line where known; `hint` what to do."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint


@cache
def _parser() -> duckdb.DuckDBPyConnection:
    import duckdb

    return duckdb.connect()


def parameters_of(text: str) -> set[str]:
    """Names of the parameters (`$name`, in lower case) of the one SELECT in `text`.

    Nothing is run. Raises RecipeProblem when `text` is not exactly one statement, or one that could change anything.
    """
    import duckdb

    try:
        statements = _parser().extract_statements(text)
    except duckdb.Error as error:
        raise RecipeProblem(said(error), "mend the SELECT") from error
    kinds = [statement.type.name for statement in statements]
    if kinds != ["SELECT"]:
        found = "nothing" if not kinds else " and ".join(kinds).replace("_", " ")
        raise RecipeProblem(f"exactly one SELECT is allowed, found {found}", "write it as one SELECT; WITH is allowed")
    _refuse_changes(text)
    return set(statements[0].named_parameters)


def _refuse_changes(text: str) -> None:
    tree = _parser().execute("select json_serialize_sql($text)", {"text": text}).fetchall()[0][0]
    changing = set(re.findall(r'"type":"(\w+_NODE)"', tree)) - _READING
    if changing or tree.startswith('{"error":true'):
        kind = ", ".join(sorted(name.split("_")[0] for name in changing)) or "what it does cannot be told"
        raise RecipeProblem(f"only reading is allowed, not: {kind}", "ask with SELECT only")


def said(error: Exception) -> str:
    """DuckDB's complaint on one line, without its own picture of the statement."""
    return " ".join(re.split(r"\n\s*\n|\nLINE ", str(error))[0].split())


def line_of(error: BaseException | None) -> int | None:
    """Line of the statement the complaint points at, from 1, where DuckDB says one."""
    found = re.search(r"^LINE (\d+):", str(error), re.MULTILINE)
    return int(found[1]) if found else None
