"""Every example in a docstring works. Modules are imported by their installed name, so none is loaded twice."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from collections.abc import Iterator

import pytest

PARTS = ("rangebook.pipeline", "rangebook.plugins", "rangebook.archive", "rangebook.queries")


def modules() -> Iterator[str]:
    for part in PARTS:
        yield part
        package = importlib.import_module(part)
        yield from (found.name for found in pkgutil.walk_packages(package.__path__, part + "."))


MODULES = sorted(modules())


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_work(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_modules_in_every_part() -> None:
    assert all(sum(name.startswith(part) for name in MODULES) > 1 for part in PARTS)
