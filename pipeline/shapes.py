"""What the things that plugins hand over must look like. Each check says what is wrong, or "" when nothing is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from .stretch import Measure, Quantity

_READER_TEXTS = ("name", "version", "title", "about")
_READER_CALLS = ("recognise", "read")
# A reader's name and version become part of a folder's name in the book: `<reader>-<version>`.
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_VERSION = re.compile(r"[0-9A-Za-z][0-9A-Za-z.+_]*")
_QUANTITY = re.compile(r"[a-z][a-z0-9_]*")


def reader_fault(reader: Any, before: Sequence[Any]) -> str:
    """What is wrong with `reader`, given the readers before it."""
    if isinstance(reader, type):
        return f"readers() returns the class {reader.__name__}: return an object of it"
    missing = [name for name in (*_READER_TEXTS, *_READER_CALLS) if not hasattr(reader, name)]
    if missing:
        return f"a reader ({type(reader).__name__}) has no {' and no '.join(f'`{name}`' for name in missing)}"
    texts = [name for name in _READER_TEXTS if not isinstance(getattr(reader, name), str) or not getattr(reader, name)]
    if texts:
        return f"a reader ({type(reader).__name__}) needs text in {' and '.join(f'`{name}`' for name in texts)}"
    uncallable = [name for name in _READER_CALLS if not callable(getattr(reader, name))]
    if uncallable:
        return f"reader `{reader.name}`: {' and '.join(f'`{name}`' for name in uncallable)} cannot be called"
    return _name_fault("reader", reader, before)


def measure_fault(measure: Any, before: Sequence[Any]) -> str:
    """What is wrong with `measure`, given the measures before it."""
    if not isinstance(measure, Measure):
        return f"measures() returns {type(measure).__name__}, not Measure"
    if not callable(measure.compute):
        return f"measure `{measure.name}`: `compute` cannot be called"
    return _name_fault("measure", measure, before) or _quantities_fault(measure, before)


def folder_fault(folder: Any, before: Sequence[Any]) -> str:
    """What is wrong with the recipe folder `folder`, given the folders before it."""
    if not isinstance(folder, Path):
        return f"recipe_folders() returns {type(folder).__name__}, not Path"
    if not folder.is_dir():
        return f"the recipe folder {folder} is not there"
    return f"the recipe folder {folder} is handed over twice" if folder in before else ""


def _name_fault(kind: str, thing: Any, before: Sequence[Any]) -> str:
    if not _NAME.fullmatch(str(thing.name)):
        return f"{kind} `{thing.name}`: a name is a lower-case letter, then lower-case letters, digits and _"
    if not isinstance(thing.version, str) or not _VERSION.fullmatch(thing.version):
        return f"{kind} `{thing.name}`: the version {thing.version!r} is not text of letters, digits, `.`, `+` and `_`"
    if any(thing.name == other.name for other in before):
        return f"there is a {kind} `{thing.name}` already; this one is not used"
    return ""


def _quantities_fault(measure: Measure, before: Sequence[Measure]) -> str:
    taken = {quantity.name: other.name for other in before for quantity in other.quantities}
    for quantity in measure.quantities:
        if not isinstance(quantity, Quantity) or not _QUANTITY.fullmatch(quantity.name):
            return f"measure `{measure.name}`: {quantity!r} is no Quantity with a name of lower-case letters, digits, _"
        if quantity.name in taken:
            return f"measure `{measure.name}`: `{quantity.name}` is already measured by `{taken[quantity.name]}`"
    return ""
