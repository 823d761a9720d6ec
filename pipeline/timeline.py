"""Time as a file tells it: which instants are covered, what goes back, where nothing was logged.

All times are int64 microseconds since 1970 UTC, in the order of the file.
"""

from __future__ import annotations

import datetime
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .reading import Finding, Wholes

Mask = npt.NDArray[np.bool_]

SECOND = 1_000_000
LATE = 60 * SECOND  # a row back by less is out of order; by more, the file tells that time again
HOUR = 3600 * SECOND  # a pause this long or longer ends what counts as covered
YEAR = 366 * 24 * HOUR  # a jump this far is a clock set right, not a pause
NEVER_BEFORE = np.iinfo(np.int64).max
ENOUGH_STEPS = 100_000  # how many steps settle the median


def many(count: int, thing: str) -> str:
    """`1 row`, `12 rows`."""
    return f"{count:,} {thing}" if count == 1 else f"{count:,} {thing}s"


@dataclass
class Tally:
    """How often something was seen, and the first and last line it was seen on."""

    count: int = 0
    first: int | None = None
    last: int | None = None

    def add(self, lines: Wholes) -> None:
        """Count each of `lines`."""
        if len(lines):
            self.count += len(lines)
            low, high = int(lines.min()), int(lines.max())
            self.first = low if self.first is None else min(self.first, low)
            self.last = high if self.last is None else max(self.last, high)

    def finding(self, code: str, severity: str, words: str) -> Finding:
        """A finding with these lines."""
        return Finding(code, severity, words, self.first, self.last)


class Timeline:
    """Decides row by row whether a file moves on, is out of order, or tells again what it told already.

    Covered time is a list of closed spans. The span being told grows at either end; a step back by a minute
    or more, or on by an hour or more, ends it and begins another.
    """

    def __init__(self) -> None:
        self.earliest: int | None = None
        self.latest: int | None = None
        self.disordered = False
        """Whether rows that were kept must be sorted."""
        self._firsts: list[int] = []  # of the spans that ended, in order of time; none touches another
        self._lasts: list[int] = []
        self._span: tuple[int, int] | None = None
        self._last: int | None = None
        self._ups = self._downs = 0
        self._farthest = 0
        self._late, self._again, self._moved, self._jumps = Tally(), Tally(), Tally(), Tally()
        self._resets, self._reset_to = Tally(), 0

    def place(self, time: Wholes, line: Wholes) -> Mask | None:
        """Which of these rows (at least one) go over time already covered; None when none does."""
        steps = np.diff(time, prepend=time[0] if self._last is None else self._last)
        self._last = int(time[-1])
        if steps.min() >= 0 and steps.max() < HOUR and self._is_new(int(time[0]), int(time[-1])):
            self._ups += int(np.count_nonzero(steps))
            self._span = (int(time[0]) if self._span is None else self._span[0], int(time[-1]))
            self._reach(time[[0, -1]])
            return None
        self._ups += int(np.count_nonzero(steps > 0))
        self._downs += int(np.count_nonzero(steps < 0))
        over = self._walk(time, line, steps)
        self._again.add(line[over])
        self._reach(time[~over])
        return over if over.any() else None

    def _is_new(self, first: int, last: int) -> bool:
        if self._span is not None and first < self._span[1]:
            return False
        low, high = self._touching(first, last)
        return low == high

    def _touching(self, first: int, last: int) -> tuple[int, int]:
        """Places of the ended spans that hold an instant from first to last: from the one, to before the other."""
        return bisect_left(self._lasts, first), bisect_right(self._firsts, last)

    def _reach(self, kept: Wholes) -> None:
        if not len(kept):
            return
        if (self.latest is not None and kept[0] < self.latest) or (np.diff(kept) < 0).any():
            self.disordered = True
        low, high = int(kept.min()), int(kept.max())
        self.earliest = low if self.earliest is None else min(self.earliest, low)
        self.latest = high if self.latest is None else max(self.latest, high)

    def _walk(self, time: Wholes, line: Wholes, steps: Wholes) -> Mask:
        """Span by span: which rows go over covered time."""
        self._jumps.add(line[steps >= YEAR])
        cuts = np.flatnonzero((steps <= -LATE) | (steps >= HOUR))
        edges = np.unique(np.concatenate([[0], cuts, [len(time)]]))
        sinking = self._sinking(time, steps, edges)
        over = np.zeros(len(time), dtype=np.bool_)
        place = 0
        while place < len(edges) - 1:
            first, end = int(edges[place]), int(edges[place + 1])
            if sinking[place]:
                run = int(np.argmin(sinking[place:]))
                self._sink(time, line, edges[place : place + run + 1])
                place += run
                continue
            if steps[first] <= -LATE or steps[first] >= HOUR:
                self._begin(int(time[first]), line[first : first + 1], back=bool(steps[first] < 0))
            over[first:end] = self._tell(time[first:end], line[first:end])
            place += 1
        return over

    def _sinking(self, time: Wholes, steps: Wholes, edges: Wholes) -> Mask:
        """Which spans (between edges) run on without a step back and lie before everything told until then.

        A slow log that runs backwards is nothing but such spans, one a row. The last answer, false, ends every run.
        """
        starts = edges[:-1]
        lows, highs = np.minimum.reduceat(time, starts), np.maximum.reduceat(time, starts)
        inner = (steps < 0).astype(np.int64)
        inner[starts] = 0
        known = [*self._firsts[:1], *(self._span or ())[:1]]
        floor = np.minimum.accumulate(np.concatenate([[min(known, default=NEVER_BEFORE)], lows[:-1]]))
        sinks = (steps[starts] <= -LATE) & (highs < floor) & (np.add.reduceat(inner, starts) == 0)
        return np.append(sinks, False)

    def _sink(self, time: Wholes, line: Wholes, edges: Wholes) -> None:
        """Take a run of sinking spans at once."""
        starts, lasts = edges[:-1], time[edges[1:] - 1]
        if not self._resets.count:
            self._reset_to = int(time[starts[0]])
        self._resets.add(line[starts])
        if self._span is not None:
            self._cover(*self._span)
        self._firsts[:0] = time[starts[:-1]][::-1].tolist()
        self._lasts[:0] = lasts[:-1][::-1].tolist()
        self._span = (int(time[starts[-1]]), int(lasts[-1]))

    def _begin(self, instant: int, line: Wholes, back: bool) -> None:
        """End the span being told; a step back to time not told yet is worth words."""
        if self._span is not None:
            self._cover(*self._span)
            self._span = None
        if back and self._firsts and instant < self._firsts[0]:
            self._reset_to = self._reset_to if self._resets.count else instant
            self._resets.add(line)
        elif back and self._is_new(instant, instant):
            self._moved.add(line)

    def _cover(self, first: int, last: int) -> None:
        low, high = self._touching(first, last)
        self._firsts[low:high] = [min([first, *self._firsts[low:high]])]
        self._lasts[low:high] = [max([last, *self._lasts[low:high]])]

    def _tell(self, time: Wholes, line: Wholes) -> Mask:
        """Go on with the span being told; which rows are over time already covered?"""
        over = self._is_covered(time)
        fresh, lines = time[~over], line[~over]
        if len(fresh):
            low, high = self._span or (int(fresh[0]), int(fresh[0]))
            highs = np.maximum.accumulate(np.concatenate([[high], fresh]))
            lows = np.minimum.accumulate(np.concatenate([[low], fresh]))
            behind = highs[:-1] - fresh
            again = (behind >= LATE) & (fresh - lows[:-1] >= LATE)
            late = (behind > 0) & (fresh >= lows[:-1]) & ~again
            self._late.add(lines[late])
            self._farthest = max(self._farthest, int(behind[late].max(initial=0)))
            self._span = (int(lows[-1]), int(highs[-1]))
            over[np.flatnonzero(~over)] = again
        return over

    def _is_covered(self, time: Wholes) -> Mask:
        low, high = self._touching(int(time.min()), int(time.max()))
        if low == high:
            return np.zeros(len(time), dtype=np.bool_)
        firsts, lasts = np.array(self._firsts[low:high]), np.array(self._lasts[low:high])
        which = np.searchsorted(firsts, time, side="right") - 1
        covered: Mask = (which >= 0) & (time <= lasts[which])
        return covered

    def findings(self) -> Iterator[Finding]:
        """What was noticed about the order of the rows."""
        if self._again.count:
            words = f"{many(self._again.count, 'row')} set aside: time goes back over time already covered"
            yield self._again.finding("time-goes-back", "warning", words)
        if self._downs > 2 * self._ups:
            yield Finding("newest-first", "note", "the file runs from its newest row to its oldest; sorted")
        else:
            yield from self._out_of_order()

    def _out_of_order(self) -> Iterator[Finding]:
        if self._late.count:
            words = f"{many(self._late.count, 'row')} up to {self._farthest / SECOND:.3g} s out of order; sorted"
            yield self._late.finding("out-of-order", "note", words)
        if self._moved.count:
            words = f"{many(self._moved.count, 'block')} of rows stood after later ones; sorted"
            yield self._moved.finding("out-of-order", "note", words)
        if self._resets.count:
            words = (
                f"the clock went back {many(self._resets.count, 'time')} to before all rows so far, first to "
                f"{_written(self._reset_to)}; kept with the times they state"
            )
            yield self._resets.finding("clock-reset", "warning", words)
        if self._jumps.count:
            words = f"the clock went on by over a year {many(self._jumps.count, 'time')}; check the dates before it"
            yield self._jumps.finding("clock-jump", "warning", words)


def _written(instant: int) -> str:
    when = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC) + datetime.timedelta(microseconds=instant)
    return when.isoformat(sep=" ", timespec="seconds").replace("+00:00", "Z")


def forward_steps(time: Wholes) -> Wholes:
    """Steps to each row but the first in the direction most rows go; a row that catches up steps from where it left."""
    steps = np.diff(time)
    onward = -time if np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0) else time
    before, highest = onward[:-1], np.maximum.accumulate(onward[:-1])
    forward: Wholes = onward[1:] - np.where(highest - before < LATE, highest, before)
    return forward


class Gaps:
    """Counts the steps longer than max(5 s, 3 x the median step), without keeping more than the first steps."""

    def __init__(self, severity: str) -> None:
        self.limit: int | None = None
        """Microseconds; None until enough steps are seen."""
        self._severity = severity
        self._early: list[tuple[Wholes, Wholes]] = []
        self._tally = Tally()
        self._total = self._longest = self._longest_line = 0

    def see(self, steps: Wholes, line: Wholes) -> None:
        """Steps between rows in the direction of the file, with the line each step ends on."""
        if self.limit is not None:
            self._count(steps, line)
            return
        self._early.append((steps, line))
        if sum(len(early) for early, _ in self._early) >= ENOUGH_STEPS:
            self._settle()

    def _settle(self) -> None:
        early, self._early = self._early, []
        steps = np.concatenate([np.empty(0, dtype=np.int64), *(steps for steps, _ in early)])
        forward = steps[(steps > 0) & (steps < YEAR)]
        self.limit = max(5 * SECOND, 3 * int(np.median(forward))) if len(forward) else 5 * SECOND
        for piece, line in early:
            self._count(piece, line)

    def _count(self, steps: Wholes, line: Wholes) -> None:
        if self.limit is None or not len(steps) or steps.max() <= self.limit:
            return
        wide = np.flatnonzero((steps > self.limit) & (steps < YEAR))
        if not len(wide):
            return
        self._tally.add(line[wide])
        self._total += int(steps[wide].sum())
        widest = wide[np.argmax(steps[wide])]
        if steps[widest] > self._longest:
            self._longest, self._longest_line = int(steps[widest]), int(line[widest])

    def findings(self) -> Iterator[Finding]:
        """One finding for all gaps, or none."""
        if self.limit is None:
            self._settle()
        if self._tally.count and self.limit is not None:
            words = (
                f"{many(self._tally.count, 'gap')} longer than {self.limit / SECOND:.6g} s, "
                f"{self._total / SECOND:,.6g} s in all; the longest, {self._longest / SECOND:,.6g} s, "
                f"ends at line {self._longest_line}"
            )
            yield self._tally.finding("gap", self._severity, words)
