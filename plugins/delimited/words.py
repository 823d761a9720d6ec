"""The words of words.toml."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def words() -> dict[str, Any]:
    """noise, starts and units: lists of words; targets: target to its words."""
    return tomllib.loads(files(__package__).joinpath("words.toml").read_text(encoding="utf-8"))
