"""Samples cut into stints of drive, charge and rest; a track alone cut into drives.

Every row belongs to exactly one stint, and stints follow each other in time. The rules:

- A sample **drives** when it draws more than `drive`, 5 % of the largest current of the log, for a pack never under
  2 A nor over 5 A: what a standing cart's lights and radio take is less, what moves a cart is more. Where speed is
  logged, moving faster than 0.5 m/s is driving whatever the current does. A sample **charges** above `charge`, 1 % of
  the largest current, for a pack never under 0.5 A nor over 2 A.
- A **drive** is driving for more than 2 s in all, with pauses up to 300 s in it, and regen: charging up to 300 s in
  all between two samples that drive. A long descent puts charge back for a minute or two on end: 300 s at 15 km/h are
  1250 m of it. It begins and ends with the regen beside it (no more than 60 s without any, 300 s in all) and with the
  little that is drawn (over `quiet`, a quarter of `charge`, for a pack not under 0.3 A) next to that, up to 300 s of
  it. A longer steady draw, for days perhaps, is rest: what a standing cart takes.
- A **charge** is a charger at work: charging for more than 300 s in all, at least a tenth of the time, with no driving
  in it and pauses up to 300 s, and the tail of small current that hangs on to it, however long. Where a log or a gap
  cuts it short more than 60 s are enough, unless a drive is right beside it: that is regen.
- A **rest** is what remains and lasts longer than 300 s. A shorter bit goes to the stint before it, at the
  start of a log or after a gap to the one after it; alone it is a rest. A drive or charge takes one sample of the
  rest on either side, so that the ramp from no load is inside.
- A gap longer than 300 s ends any stint. In a log so slow that three steps are longer than 300 s (or 60 s), three
  steps take their place.
- A stint of more than 500,000 rows is cut there, which bounds the memory of whoever reads one.

A log with neither current nor speed is one rest: nothing in it says otherwise. These limits are common practice of
the workshop, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from .levels import Levels, is_pack, levels
from .reading import Floats, Wholes
from .stretch import Fixes, Stint

VERSION = "2"
"""Changes whenever a log would be cut differently."""

PAUSE_SECOND = 300.0
REGEN_SECOND = 300.0
CUT_CHARGE_SECOND = 60.0
COASTING_SECOND = 60.0
LEAST_DRIVE_SECOND = 2.0
CHARGING_SHARE = 0.1
SLOW_STEPS = 3
MOST_ROWS = 500_000
MOVING_METRE_PER_SECOND = 0.5

_BLOCK_ROWS = 1_000_000
_RAMP_SECOND = 5.0
_MICROS = 1_000_000
_DRIVING, _DRAWING_LITTLE, _CHARGING_LITTLE, _CHARGING = -2, -1, 1, 2

Flows = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]


def cut(
    batches: Iterable[pa.RecordBatch], biggest: float, most_rows: int = MOST_ROWS, block_rows: int = _BLOCK_ROWS
) -> Iterator[Stint]:
    """Stints of canonical samples that come in `batches`, sorted by time, as the module's rules say.

    `biggest` is the largest absolute current of all of them (A), NaN or 0 where there is none. Holds at most
    most_rows + block_rows rows (nine bytes each) and what it works out from them.
    """
    time, flow, base = np.empty(0, np.int64), np.empty(0, np.int8), 0
    for more_time, more_flow in _blocks(_flows(batches, biggest), block_rows):
        time, flow = np.concatenate([time, more_time]), np.concatenate([flow, more_flow])
        pieces = _pieces(time, flow, most_rows)
        open_ones = 2 if len(pieces) > 1 and len(time) - pieces[-2].first <= most_rows else 1
        yield from _stints(pieces[:-open_ones], time, base)
        keep = pieces[-open_ones].first  # what follows can still change the last ones
        time, flow, base = time[keep:], flow[keep:], base + keep
    if len(time):
        yield from _stints(_pieces(time, flow, most_rows), time, base)


def cut_track(fixes: Fixes) -> list[Stint]:
    """A track alone as drive stints: one, or several where its times leave gaps longer than 300 s.

    `started` and `ended` are null where no fix of the stint has a time.
    """
    if not len(fixes):
        return []
    timed = np.flatnonzero(np.isfinite(fixes.second))
    gaps = timed[1:][np.diff(fixes.second[timed]) > PAUSE_SECOND]
    return [_track_stint(fixes, a, b - 1) for a, b in pairwise([0, *gaps.tolist(), len(fixes)])]


def _track_stint(fixes: Fixes, first: int, last: int) -> Stint:
    seconds = fixes.second[first : last + 1]
    seconds = seconds[np.isfinite(seconds)]
    if not len(seconds):
        return Stint("drive", first, last, None, None)
    started, ended = (fixes.start + round(float(s) * _MICROS) for s in (seconds[0], seconds[-1]))
    return Stint("drive", first, last, started, ended)


def _flows(batches: Iterable[pa.RecordBatch], biggest: float) -> Iterator[tuple[Wholes, Flows]]:
    """Time (us) and flow (from _DRIVING to _CHARGING, 0 for nothing) of each batch."""
    level: Levels | None = None
    for batch in batches:
        if not len(batch):
            continue
        if level is None:
            level = levels(biggest, is_pack(_column(batch, "voltage_volt")))
        yield batch.column("time").cast(pa.int64()).to_numpy(zero_copy_only=False), _flow(batch, level)


def _flow(batch: pa.RecordBatch, level: Levels) -> Flows:
    ampere = np.nan_to_num(_column(batch, "current_ampere"), copy=False)
    flow = np.zeros(len(ampere), np.int8)
    flow -= ampere < -level.quiet
    flow -= ampere < -level.drive
    flow += ampere > level.quiet
    flow += ampere > level.charge
    if "speed_metre_per_second" in batch.schema.names:
        flow[np.abs(_column(batch, "speed_metre_per_second")) > MOVING_METRE_PER_SECOND] = _DRIVING
    return flow


def _column(batch: pa.RecordBatch, name: str) -> Floats:
    return np.array(batch.column(name).to_numpy(zero_copy_only=False), dtype=np.float64)


def _blocks(parts: Iterable[tuple[Wholes, Flows]], rows: int) -> Iterator[tuple[Wholes, Flows]]:
    waiting: list[tuple[Wholes, Flows]] = []
    for part in parts:
        waiting.append(part)
        if sum(len(time) for time, _ in waiting) >= rows:
            yield np.concatenate([t for t, _ in waiting]), np.concatenate([f for _, f in waiting])
            waiting = []
    if waiting:
        yield np.concatenate([t for t, _ in waiting]), np.concatenate([f for _, f in waiting])


class _Piece(NamedTuple):
    kind: str
    first: int
    last: int


def _stints(pieces: Iterable[_Piece], time: Wholes, base: int) -> Iterator[Stint]:
    for kind, first, last in pieces:
        yield Stint(kind, base + first, base + last, int(time[first]), int(time[last]))


@dataclass(frozen=True)
class _Log:
    """Rows held: time (us), flow, step (us before each row, 0 for the first), and the limits in us."""

    time: Wholes
    flow: Flows
    step: Wholes
    pause: float
    regen: float
    cut_charge: float
    coasting: float
    ramp: float

    @classmethod
    def of(cls, time: Wholes, flow: Flows) -> _Log:
        step = np.diff(time, prepend=time[:1])
        forward = step[step > 0]
        slow = SLOW_STEPS * float(np.median(forward)) if len(forward) else 0.0
        limits = (PAUSE_SECOND, REGEN_SECOND, CUT_CHARGE_SECOND, COASTING_SECOND, _RAMP_SECOND)
        return cls(time, flow, step, *(max(second * _MICROS, slow) for second in limits))

    def spent(self, flow: int) -> Floats:
        """Time spent in `flow` up to each row (us); a step counts for the row it leads to, a gap hardly."""
        return np.cumsum(np.where(self.flow == flow, np.minimum(self.step, self.ramp), 0.0))


def _pieces(time: Wholes, flow: Flows, most_rows: int) -> list[_Piece]:
    log = _Log.of(time, flow)
    charged = log.spent(_CHARGING)
    drives = _drives(log, charged)
    charges = _charges(log, charged, drives)
    busy = _spread(log, drives, charges)
    pieces = _with_ramps(log, _absorbed(log, _with_rests(log, busy)))
    return [part for piece in pieces for part in _short_enough(piece, most_rows)]


def _runs(rows: Wholes, ends: Flags) -> tuple[Wholes, Wholes]:
    """First and last of each run of `rows` when `ends` says between which neighbours a run ends."""
    return rows[np.r_[True, ends]], rows[np.r_[ends, True]]


_Spans = tuple[Wholes, Wholes]
_NONE: _Spans = (np.empty(0, np.int64), np.empty(0, np.int64))


def _drives(log: _Log, charged: Floats) -> _Spans:
    rows = np.flatnonzero(log.flow == _DRIVING)
    if not len(rows):
        return _NONE
    first, last = _runs(rows, (np.diff(log.time[rows]) > log.pause) | (np.diff(charged[rows]) > log.regen))
    driven = np.r_[0.0, log.spent(_DRIVING)]
    real = driven[last + 1] - driven[first] > LEAST_DRIVE_SECOND * _MICROS
    return first[real], last[real]


def _charges(log: _Log, charged: Floats, drives: _Spans) -> _Spans:
    rows = np.flatnonzero(log.flow == _CHARGING)
    before = np.searchsorted(drives[0], rows, "right")  # how many drives began before each row
    outside = rows > np.r_[-1, drives[1]][before]
    rows, before = rows[outside], before[outside]
    if not len(rows):
        return _NONE
    first, last = _runs(rows, (np.diff(log.time[rows]) > log.pause) | (np.diff(before) > 0))
    took = charged[last] - charged[first]
    least = np.where(_cut_short(log, first, last), log.cut_charge, log.regen)
    real = (took > least) & (took >= CHARGING_SHARE * (log.time[last] - log.time[first]))
    return first[real], last[real]


def _cut_short(log: _Log, first: Wholes, last: Wholes) -> Flags:
    """Whether the log or a gap ends (or begins) the charging from `first` to `last` on one side, and no load adjoins
    it on the other."""
    joins = np.r_[False, log.step[1:] <= log.pause, False]
    load = np.r_[False, log.flow <= _DRAWING_LITTLE, False]  # one place further on: of the row before
    open_end = ~joins[last + 1] & ~(joins[first] & load[first])
    open_start = ~joins[first] & ~(joins[last + 1] & load[last + 2])
    return np.asarray(open_end | open_start)


def _spread(log: _Log, drives: _Spans, charges: _Spans) -> list[_Piece]:
    """Drives and charges in order, spread over the little that flows beside them."""
    rolling = _over_regen(log, drives, charges)
    flows = (log.flow <= _DRAWING_LITTLE) | _covered(rolling, len(log.flow))
    wide_drives = _over_little(log, rolling, flows, log.pause)
    wide_charges = _over_little(log, charges, log.flow >= _CHARGING_LITTLE, np.inf)
    first, last = (np.r_[a, b] for a, b in zip(wide_drives, wide_charges, strict=True))
    kinds = ["drive"] * len(drives[0]) + ["charge"] * len(charges[0])
    return [_Piece(kinds[n], int(first[n]), int(last[n])) for n in np.argsort(first)]


def _covered(spans: _Spans, rows: int) -> Flags:
    """Which of `rows` rows lie in one of `spans`."""
    edges = np.zeros(rows + 1, np.int8)
    edges[spans[0]] += 1
    edges[spans[1] + 1] -= 1
    return np.asarray(np.cumsum(edges[:-1], dtype=np.int8) > 0)


def _over_regen(log: _Log, drives: _Spans, charges: _Spans) -> _Spans:
    """`drives` widened over the regen beside them: a cart that rolls to its stop, or off from the top of a hill."""
    rows = np.flatnonzero((log.flow == _CHARGING) | (log.flow == _DRIVING))
    if not len(rows):
        return drives
    charger = _covered(charges, len(log.flow))[rows]
    ends = (np.diff(log.time[rows]) > log.coasting) | charger[1:] | charger[:-1]
    return _widened(log, drives, _runs(rows, ends), log.pause)


def _over_little(log: _Log, spans: _Spans, flows: Flags, longest: float) -> _Spans:
    """`spans` widened to the ends of the unbroken stretch of `flows` they stand in, where that adds no more than
    `longest` us at an end."""
    joined = np.r_[False, flows[1:] & flows[:-1] & (log.step[1:] <= log.pause)]
    starts = np.flatnonzero(~joined)
    return _widened(log, spans, (starts, np.r_[starts[1:], len(flows)] - 1), longest)


def _widened(log: _Log, spans: _Spans, runs: _Spans, longest: float) -> _Spans:
    """`spans` widened to the ends of the `runs` that their first and last rows stand in, where that adds no more than
    `longest` us at an end."""
    first, last = spans
    begin = runs[0][np.searchsorted(runs[0], first, "right") - 1]
    end = runs[1][np.searchsorted(runs[0], last, "right") - 1]
    near = log.time[first] - log.time[begin] <= longest, log.time[end] - log.time[last] <= longest
    return np.where(near[0], begin, first), np.where(near[1], end, last)


def _with_rests(log: _Log, busy: list[_Piece]) -> list[_Piece]:
    """`busy` with the rests between its pieces, cut at gaps."""
    gaps = np.flatnonzero(log.step > log.pause)
    pieces: list[_Piece] = []
    at = 0
    for piece in [*busy, _Piece("", len(log.time), 0)]:
        inside = gaps[np.searchsorted(gaps, at, "right") : np.searchsorted(gaps, piece.first)]
        edges = pairwise([at, *inside.tolist(), piece.first])
        pieces.extend(_Piece("rest", a, b - 1) for a, b in edges if b > a)
        pieces.append(piece)
        at = piece.last + 1
    return pieces[:-1]


def _absorbed(log: _Log, pieces: list[_Piece]) -> list[_Piece]:
    """`pieces` with the rests no longer than a pause given to a neighbour, the one before first."""
    out: list[_Piece] = []
    for n, piece in enumerate(pieces):
        joins = bool(out) and log.step[piece.first] <= log.pause
        after = pieces[n + 1] if n + 1 < len(pieces) else None
        follows = after.kind if after and log.step[after.first] <= log.pause else ""
        if joins and out[-1].kind != follows and _brief(log, piece):
            out[-1] = _Piece(out[-1].kind, out[-1].first, piece.last)
        elif joins and _brief(log, out[-1]) and (len(out) < 2 or log.step[out[-1].first] > log.pause):
            out[-1] = _Piece(piece.kind, out[-1].first, piece.last)
        else:
            out.append(piece)
    return out


def _brief(log: _Log, piece: _Piece) -> bool:
    """Whether `piece` is a rest no longer than a pause, from the row before it to the row after it."""
    before, after = max(piece.first - 1, 0), min(piece.last + 1, len(log.time) - 1)
    start = piece.first if log.step[piece.first] > log.pause else before
    end = piece.last if log.step[after] > log.pause else after
    return piece.kind == "rest" and bool(log.time[end] - log.time[start] <= log.pause)


def _with_ramps(log: _Log, pieces: list[_Piece]) -> list[_Piece]:
    """`pieces` with one row of each rest given to the drive or charge beside it, where a step of ordinary length leads
    there. Not where two samples share an instant: they are the values before and after a step, not a ramp."""
    firsts = [piece.first for piece in pieces] + [len(log.time)]
    for n, (one, other) in enumerate(pairwise(pieces), start=1):
        if (one.kind == "rest") != (other.kind == "rest") and 0 < log.step[other.first] <= log.ramp:
            firsts[n] = max(firsts[n] + (1 if other.kind == "rest" else -1), firsts[n - 1])
    return [_Piece(p.kind, a, b - 1) for p, (a, b) in zip(pieces, pairwise(firsts), strict=True) if b > a]


def _short_enough(piece: _Piece, most_rows: int) -> Iterator[_Piece]:
    for first in range(piece.first, piece.last + 1, most_rows):
        yield _Piece(piece.kind, first, min(first + most_rows - 1, piece.last))
