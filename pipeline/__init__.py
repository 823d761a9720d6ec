"""What a plugin author imports, and nothing else. Each name is fetched when it is first used."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .errors import InputProblem, PluginProblem, Problem, UsageProblem
    from .hooks import hookimpl
    from .original import Original
    from .reading import Finding, Fit, Item, Options, Reader, Rows, Said, Used
    from .stretch import Fixes, Measure, Quantity, Result, Samples, Stint, Stretch
    from .tables import conform

_HOMES = {
    "errors": ("InputProblem", "PluginProblem", "Problem", "UsageProblem"),
    "hooks": ("hookimpl",),
    "original": ("Original",),
    "tables": ("conform",),
    "reading": ("Finding", "Fit", "Item", "Options", "Reader", "Rows", "Said", "Used"),
    "stretch": ("Fixes", "Measure", "Quantity", "Result", "Samples", "Stint", "Stretch"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Finding",
    "Fit",
    "Fixes",
    "InputProblem",
    "Item",
    "Measure",
    "Options",
    "Original",
    "PluginProblem",
    "Problem",
    "Quantity",
    "Reader",
    "Result",
    "Rows",
    "Said",
    "Samples",
    "Stint",
    "Stretch",
    "UsageProblem",
    "Used",
    "conform",
    "hookimpl",
]


def __getattr__(name: str) -> object:
    """Import the module that holds `name`: `import rangebook.pipeline` itself loads nothing."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
