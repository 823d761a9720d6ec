"""The plugins as data: what each adds, from which distribution, and whether it keeps its contract."""

from __future__ import annotations

from pathlib import Path

from .errors import UsageProblem
from .registry import plugin_manager


def facts() -> list[dict[str, str]]:
    """One row for each reader, measure and recipe folder, and one for each plugin that broke."""
    plugins = plugin_manager()
    rows = [
        {"adds": "reader", "name": one.name, "version": one.version, "from": plugins.origin(one), "about": one.title}
        for one in plugins.readers()
    ]
    rows += [
        {"adds": "measure", "name": one.name, "version": one.version, "from": plugins.origin(one), "about": one.about}
        for one in plugins.measures()
    ]
    rows += [
        {"adds": "recipes", "name": one.name, "version": "", "from": plugins.origin(one), "about": str(one)}
        for one in plugins.recipe_folders()
    ]
    return rows + [
        {"adds": "nothing: it broke", "name": name, "version": "", "from": name, "about": why}
        for name, why in plugins.broken
    ]


def checked(reader: str, sample: Path) -> list[str]:
    """What is wrong with a reader's contract on a sample; nothing when it keeps it."""
    from .testing import check_reader

    found = {one.name: one for one in plugin_manager().readers()}
    if reader not in found:
        raise UsageProblem(f"there is no reader {reader!r}", f"readers are: {', '.join(found)}")
    return check_reader(found[reader], sample)
