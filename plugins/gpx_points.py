"""GPX as XML: from bytes to columns of text, a point a row. `gpx.py` makes fixes of them.

Expat reads the file and decides what stands where. Most of a file, though, is points of one plain shape, which
`gpx_runs.py` finds many times as fast as handlers are called for them. Expat gets everything else and, for a run that
it does not see, as many line ends as that has. A run is taken only where the next byte is one between points
(`Track.between_points`): anywhere else, in a comment or an extension for instance, expat gets the run itself. So what
comes out is the same either way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.parsers import expat

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Wholes

from .gpx_runs import CHILDREN, Run, plain_runs

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
            {
                name: texts_of(map(texts.get, range(1, count + 1)))
                for name, texts in self.values.items()
                if next(iter(texts), count + 1) <= count
            },
        )
        self.segment += int(np.searchsorted(parts, count))
        self.parts = (parts[parts >= count] - count).tolist()
        del self.line[:count], self.places[: 4 * count]
        for texts in self.values.values():
            left = {number - count: text for number, text in texts.items() if number > count}
            texts.clear()
            texts.update(left)
        return points

    def next_segment(self) -> int:
        """The segment of the point that comes next, for one who keeps it elsewhere. The batch must be empty."""
        self.segment += bool(self.parts)
        self.parts.clear()
        return self.segment


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


def joined(parts: Sequence[Points]) -> Points:
    """All of `parts` as one; there must be one at least."""
    if len(parts) == 1:
        return parts[0]

    def column(name: str) -> pa.StringArray:
        nothing = (pa.nulls(len(one.line), pa.string()) for one in parts)
        return pa.concat_arrays([one.values.get(name, empty) for one, empty in zip(parts, nothing, strict=True)])

    return Points(
        np.concatenate([one.line for one in parts]),
        np.concatenate([one.segment for one in parts]),
        pa.concat_arrays([one.latitude for one in parts]),
        pa.concat_arrays([one.longitude for one in parts]),
        {name: column(name) for name in CHILDREN if any(name in one.values for one in parts)},
    )


def columns_of(run: Run, line: int, segment: int) -> Points:
    """The points of a run that begins at `line` of the file."""
    columns = {name: texts_of(texts) for name, texts in run.texts.items()}
    return Points(
        line + run.below,
        np.full(len(run.below), segment, np.int32),
        columns.pop("lat"),
        columns.pop("lon"),
        {name: columns[name] for name in CHILDREN if name in columns and columns[name].null_count < len(run.below)},
    )


def texts_of(column: Iterable[str | bytes | None]) -> pa.StringArray:
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
        self.in_point = self.in_cdata = self.wide = False
        self.number = self.depth = self.foreign = self.given = self.waiting = 0
        self.ready: list[Points] = []
        self.pieces: list[str] = []
        self.take = self.pieces.append
        self.parser = expat.ParserCreate()
        self.parser.ordered_attributes = True
        self.parser.StartElementHandler = self.outermost
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.EntityDeclHandler = self.entity
        self.parser.StartCdataSectionHandler = self.parser.EndCdataSectionHandler = self.cdata
        if hasattr(self.parser, "SetReparseDeferralEnabled"):
            self.parser.SetReparseDeferralEnabled(False)  # it would put off what stands before a run

    @property
    def complete(self) -> int:
        """How many points are closed."""
        return self.waiting + self.number - self.in_point

    def points(self) -> Points:
        """The closed points, which leave."""
        self.settle()
        points = joined(self.ready)
        self.ready.clear()
        self.waiting = 0
        return points

    def settle(self) -> None:
        """Put the closed points of the batch behind those that are ready."""
        if count := self.number - self.in_point:
            self.keep(self.batch.take(count))
            self.number = int(self.in_point)

    def keep(self, points: Points) -> None:
        self.ready.append(points)
        self.waiting += len(points.line)

    def refusal(self, what: str, hint: str = MEND) -> InputProblem:
        return InputProblem(what, hint, path=self.path, line=self.parser.CurrentLineNumber)

    def feed(self, chunk: bytes) -> None:
        """Take one more chunk (empty: the end); refuse what would fill the memory."""
        at = 0
        self.wide = self.wide or b"\0" in chunk
        for run in () if self.wide else plain_runs(chunk):
            self.give(chunk[at : run.start])
            at = run.start
            if self.between_points():
                self.settle()
                self.keep(columns_of(run, self.parser.CurrentLineNumber, self.batch.next_segment()))
                self.give(b"\n" * run.lines)
                at = run.end
        self.give(chunk[at:])
        if not chunk:
            self.parser.Parse(b"", True)
        if len(self.pieces) > MOST_PIECES or self.given - self.parser.CurrentByteIndex > LONGEST_TAG:
            raise self.refusal("has a value or tag longer than any track has")

    def give(self, content: bytes) -> None:
        self.given += len(content)
        self.parser.Parse(content, False)

    def between_points(self) -> bool:
        """Whether a plain point, if it came next, would be one of the track's: expat is not in the middle of
        anything (a tag, a comment), the outermost element is open, and so is no point, nor anything passed over."""
        inside = self.in_point or self.in_cdata or self.foreign or self.depth < 0
        return self.point == "trkpt" and not inside and self.parser.CurrentByteIndex == self.given

    def cdata(self) -> None:
        """Such a section begins or ends."""
        self.in_cdata = not self.in_cdata

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
