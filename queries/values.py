"""From text to the value of a parameter."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping

Value = str | float | int | bool | datetime.date | None

_YES, _NO = ("yes", "true", "on", "1"), ("no", "false", "off", "0")


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def _whole(text: str) -> int:
    value = int(text)
    if abs(value) >= 2**63:
        raise ValueError
    return value


def _flag(text: str) -> bool:
    if text.lower() not in (*_YES, *_NO):
        raise ValueError
    return text.lower() in _YES


# type: (how to read it, what to say when that fails)
TYPES: Mapping[str, tuple[Callable[[str], Value], str]] = {
    "text": (str, "text"),
    "number": (_number, "a number such as 12.5"),
    "whole": (_whole, "a whole number such as 12"),
    "date": (datetime.date.fromisoformat, "a date such as 2026-06-14"),
    "flag": (_flag, "yes or no"),
}


def converted(text: str, kind: str, null: bool = False) -> Value:
    """`text` as a value of `kind` (a key of TYPES). With `null`, the word `null` is no value.

    Raises ValueError that says what was expected.
    """
    if null and text == "null":
        return None
    read, expected = TYPES[kind]
    try:
        return read(text)
    except ValueError:
        raise ValueError(f"`{text}` is not {expected}") from None
