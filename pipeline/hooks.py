"""The hooks a plugin may implement, in the order data meets them.

Each returns a list of objects; the program then talks to the objects. A plugin is a module (or a
distribution's entry point in the group `rangebook`) with functions of these names marked `hookimpl`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from .reading import Reader
    from .stretch import Measure

PROJECT = "rangebook"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def readers() -> list[Reader]:  # type: ignore[empty-body]
    """Readers this plugin adds: objects with name, version, title, about, recognise() and read()."""


@hookspec
def measures() -> list[Measure]:  # type: ignore[empty-body]
    """Measures this plugin adds; they run after the built-in ones and see their results."""


@hookspec
def recipe_folders() -> list[Path]:  # type: ignore[empty-body]
    """Folders of .sql recipes this plugin adds."""
