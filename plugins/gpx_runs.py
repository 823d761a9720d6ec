"""Runs of plain track points, found in the bytes of a GPX file by one expression for many at once.

Plain is a point with `lat` and `lon`, with children that are known, each once, and with values of few signs: no
references, no comments, nothing nested. What a run means depends on where it stands, which only a parser of XML
knows: see `gpx_points.py`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from rangebook.pipeline.reading import Wholes

CHILDREN = ("time", "ele", "speed", "hdop", "sat", "fix")
SHORTEST = 32
"""Points of a run, on average over a chunk, below which handlers cost no more."""
VALUE = r"[-+.:\w ]*+"
"""Of signs that are themselves in every encoding that expat takes, UTF-16 apart, and that it hands over unchanged."""
GAP = r"[ \t\r\n]*+"
SHAPE = re.compile(
    rf"""<trkpt\ (?P<first>lat|lon)=(?P<quote>["']){VALUE}(?P=quote)
    \ (?!(?P=first))(?P<second>lat|lon)=(?P=quote){VALUE}(?P=quote)>{GAP}
    (?P<children>(?:<(?P<child>{"|".join(CHILDREN)})>{VALUE}</(?P=child)>{GAP})*+)
    </trkpt>""".encode(),
    re.VERBOSE,
)


@dataclass(frozen=True)
class Run:
    """Plain points with nothing but space between them and after them, one at least.

    `start` and `end` in the chunk; `lines`: line ends in all of it; `below`: how many lines below the start each
    point begins; `texts`: the columns, null where a point has no such child.
    """

    start: int
    end: int
    lines: int
    below: Wholes
    texts: Mapping[str, Sequence[bytes | None]]


def plain_runs(chunk: bytes) -> Iterator[Run]:
    """Runs of points like the first plain one of `chunk`, in order. None where they would be short, nor where a
    carriage return stands alone: that ends a line too, and lines are counted by their line feeds here."""
    shape = SHAPE.search(chunk)
    if not shape or (b"\r" in chunk and chunk.count(b"\r") != chunk.count(b"\r\n")):
        return
    names, plain = _plain(*shape.group("first", "second", "quote"), *re.findall(rb"<(\w+)>", shape["children"]))
    texts: list[bytes | None] = plain.split(chunk)
    width = len(names) + 1
    between = texts[::width]
    last = len(between) - 1
    edges = [number for number, text in enumerate(between) if text or number in (0, last)]
    if last < SHORTEST * (len(edges) - 1):
        return
    starts, ends = _starts_and_line_ends(chunk)
    at = 0
    for one, other in pairwise(edges):
        at += len(between[one] or b"")
        number = int(starts.searchsorted(at))
        places = starts[number : number + other - one]
        stop = _end(plain, chunk, int(places[-1]))
        below = ends.searchsorted(places)
        columns = {name: texts[one * width + 1 + nth : other * width : width] for nth, name in enumerate(names)}
        yield Run(at, stop, int(ends.searchsorted(stop) - below[0]), below - below[0], columns)
        at = stop


@lru_cache(maxsize=64)
def _plain(first: bytes, second: bytes, quote: bytes, *children: bytes) -> tuple[list[str], re.Pattern[bytes]]:
    """Names of the values, and the expression, of points with these attributes and children, in this order.

    Any child may be missing, and `ele` and `time` may be there: many recordings lack one of them here or there.
    """
    names = list(dict.fromkeys(child.decode() for child in children))
    for at, name in enumerate(("ele", "time")):
        if name not in names:
            names.insert(at, name)
    inside = "".join(f"(?:<{name}>({VALUE})</{name}>{GAP})?+" for name in names)
    stated = [name.decode() for name in (first, second)]
    places = " ".join(f"{name}={quote.decode()}({VALUE}){quote.decode()}" for name in stated)
    return stated + names, re.compile(f"<trkpt {places}>{GAP}{inside}</trkpt>{GAP}".encode())


def _starts_and_line_ends(chunk: bytes) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Where elements begin whose name has a k third, which inside a plain point is its `trkpt`; where lines end."""
    signs = np.frombuffer(chunk, np.uint8)
    return np.flatnonzero((signs[:-3] == ord("<")) & (signs[3:] == ord("k"))), np.flatnonzero(signs == ord("\n"))


def _end(plain: re.Pattern[bytes], chunk: bytes, at: int) -> int:
    match = plain.match(chunk, at)
    assert match, "a point was found there"
    return match.end()
