"""GPX as XML: from bytes to columns of text, a point a row. `gpx.py` makes fixes of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from xml.parsers import expat

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Wholes

CHILDREN = ("time", "ele", "speed", "hdop", "sat", "fix")
DEEPEST = 100
LONGEST_TAG = 1 << 20
MOST_PIECES = 64
"""Of one value: expat hands text over line by line and chunk by chunk."""
MEND = "open it in a text editor at that line, or write it out again from where it came"


class Batch:
    """Points as they stand in the file, until they are made into fixes.

    `places`: attributes, four texts a point: name, value, name, value. `values`: for each child element, its text by
    number of the point (from 1). `parts`: numbers of points read when a track or segment began; `segment`: the
    segment before the first of them.
    """

    def __init__(self) -> None:
        self.line: list[int] = []
        self.places: list[str] = []
        self.values: dict[str, dict[int, str]] = {name: {} for name in CHILDREN}
        self.parts = [0]
        self.segment = -1

    def take(self, count: int) -> Points:
        """The first `count` points, which leave the batch."""
        parts = np.unique(self.parts)
        points = Points(
            np.array(self.line[:count], np.int64),
            (self.segment + np.searchsorted(parts, np.arange(count), side="right")).astype(np.int32),
            texts_of(_values("lat", self.places[: 4 * count])),
            texts_of(_values("lon", self.places[: 4 * count])),
            {name: texts_of(map(texts.get, range(1, count + 1))) for name, texts in self.values.items() if texts},
        )
        self.segment += int(np.searchsorted(parts, count))
        self.parts = (parts[parts >= count] - count).tolist()
        del self.line[:count], self.places[: 4 * count]
        for texts in self.values.values():
            left = {number - count: text for number, text in texts.items() if number > count}
            texts.clear()
            texts.update(left)
        return points


def _four(attributes: list[str]) -> list[str]:
    """Attributes of a point that has more or less than two, as if it had `lat` and `lon` and nothing else."""
    stated = dict(zip(attributes[::2], attributes[1::2], strict=True))
    return ["lat", stated.get("lat", ""), "lon", stated.get("lon", "")]


def _values(name: str, places: list[str]) -> Iterable[str | None]:
    """The value of `name` for each point; most files state the two in the same order for all of them."""
    for at in (0, 2):
        if places[at::4].count(name) == len(places) // 4:
            return places[at + 1 :: 4]
    fours = zip(places[::4], places[1::4], places[2::4], places[3::4], strict=True)
    return ({one: first, two: second}.get(name) for one, first, two, second in fours)


@dataclass(frozen=True)
class Points:
    """Columns of equal length; `values` holds only the children that some point has."""

    line: Wholes
    segment: npt.NDArray[np.int32]
    latitude: pa.StringArray
    longitude: pa.StringArray
    values: Mapping[str, pa.StringArray]

    def text(self, row: int) -> str:
        """The point as it stood, in the words of the file though not in its spacing."""
        children = "".join(
            f"<{name}>{texts[row]}</{name}>" for name, texts in self.values.items() if texts[row].is_valid
        )
        return f'<trkpt lat="{self.latitude[row]}" lon="{self.longitude[row]}">{children}</trkpt>'[:1000]


def texts_of(column: Iterable[str | None]) -> pa.StringArray:
    return pa.array(list(column), pa.string())


def local(name: str) -> str:
    return name[name.rfind(":") + 1 :]


class Track:
    """Expat handlers that gather points into `batch`: for the outermost element, for tracks and their
    points, and for anything else, of which only an element called `speed` inside a point matters."""

    def __init__(self, original: Original) -> None:
        self.path = original.path
        self.batch = Batch()
        self.counts: Counter[str] = Counter()
        self.version = self.point = self.prefix = ""
        self.columns: dict[str, dict[int, str]] = {}
        self.column: dict[int, str] | None = None
        self.in_point = False
        self.number = self.depth = self.foreign = 0
        self.pieces: list[str] = []
        self.take = self.pieces.append
        self.parser = expat.ParserCreate()
        self.parser.ordered_attributes = True
        self.parser.StartElementHandler = self.outermost
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.EntityDeclHandler = self.entity

    @property
    def complete(self) -> int:
        """How many points of the batch are closed."""
        return self.number - self.in_point

    def points(self) -> Points:
        """The closed points, which leave the batch."""
        points = self.batch.take(self.complete)
        self.number = int(self.in_point)
        return points

    def refusal(self, what: str, hint: str = MEND) -> InputProblem:
        return InputProblem(what, hint, path=self.path, line=self.parser.CurrentLineNumber)

    def feed(self, chunk: bytes, fed: int) -> None:
        """Parse one more chunk (empty: the end), `fed` bytes with it; refuse what would fill the memory."""
        self.parser.Parse(chunk, not chunk)
        if len(self.pieces) > MOST_PIECES or fed - self.parser.CurrentByteIndex > LONGEST_TAG:
            raise self.refusal("has a value or tag longer than any track has")

    def doctype(self, name: str, system: str | None, public: str | None, own: int) -> None:
        """A document type with declarations of its own can hold entities; one that is only named is not fetched."""
        if own:
            self.entity()

    def entity(self, *declaration: object) -> None:
        raise self.refusal("declares entities", "a track needs none: if you trust the file, take its <!DOCTYPE> out")

    def outermost(self, name: str, attributes: list[str]) -> None:
        if local(name) != "gpx":
            raise self.refusal(
                f"is no GPX: its outermost element is <{name[:80]}>", "give it to the reader of its kind"
            )
        self.prefix = name.removesuffix("gpx")
        self.point = self.prefix + "trkpt"
        self.columns = {self.prefix + child: texts for child, texts in self.batch.values.items()}
        self.version = dict(zip(attributes[::2], attributes[1::2], strict=True)).get("version", "")[:20]
        self.home()

    def home(self) -> None:
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end

    def start(self, name: str, attributes: list[str]) -> None:
        """Once for every point and value, so it does little."""
        if self.in_point:
            column = self.columns.get(name)
            if column is not None and self.column is None:
                self.column = column
                self.parser.CharacterDataHandler = self.take
            else:
                self.other(name)
        elif name == self.point:
            self.in_point = True
            self.number += 1
            self.batch.line.append(self.parser.CurrentLineNumber)
            self.batch.places.extend(attributes if len(attributes) == 4 else _four(attributes))
        else:
            self.other(name)

    def end(self, name: str) -> None:
        column = self.column
        if column is not None:
            self.parser.CharacterDataHandler = self.column = None
            column[self.number] = "".join(self.pieces)
            self.pieces.clear()
        elif self.in_point:
            self.in_point = False
        else:
            self.depth -= 1

    def other(self, name: str) -> None:
        """Into tracks and segments; past everything else."""
        kind = name.removeprefix(self.prefix)
        if kind in ("trk", "trkseg") and not self.in_point:
            self.depth += 1
            self.bound(self.depth)
            self.batch.parts.append(self.number)
        else:
            self.counts[kind if kind in ("wpt", "rte") else ""] += 1
            self.parser.StartElementHandler = self.foreign_start
            self.parser.EndElementHandler = self.foreign_end
            self.foreign_start(name, [])

    def foreign_start(self, name: str, attributes: list[str]) -> None:
        self.foreign += 1
        self.bound(self.foreign)
        if self.in_point and local(name) == "speed":
            self.parser.CharacterDataHandler = self.take

    def foreign_end(self, name: str) -> None:
        if self.in_point and local(name) == "speed":
            self.parser.CharacterDataHandler = None
            self.batch.values["speed"][self.number] = "".join(self.pieces)
            self.pieces.clear()
        self.foreign -= 1
        if not self.foreign:
            self.home()

    def bound(self, depth: int) -> None:
        if depth > DEEPEST:
            raise self.refusal(f"has elements nested more than {DEEPEST} deep")
