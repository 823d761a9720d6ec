"""Cells of the pack, where the log holds the volts of each: the weakest under load, and how far they are apart.

A cell's low is the lowest level it stood at or under for two samples in a row, so that one bad reading makes none.
Cells are compared at the same instants, where they carry the same current; what parts them under load and not at rest
is resistance, what parts them at rest is charge (common practice, no source).

The scatter of a channel is told by the log itself: a cell less the mean of all cells hardly moves from one sample to
the next, so the scatter of that difference is the channel's own, sqrt(2) times (JCGM 100:2008, 5.1.2).

A channel that never reads more than half a volt has no cell on it. Where the volts of a channel are those of several
cells of the chemistry (the blocks of a lead pack), it counts as that many. Both: common practice, no source.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from ..chemistry import cell_of
from ..reading import Finding, Floats, Wholes
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .parts import gap_limit, load_level, main_kind, main_parts, rests, usual_step, weights
from .rest import LEAST_REST_SECOND, MEAN_SECOND
from .windows import Heaviest, heaviest

SLOWEST_SECOND = 5.0
"""s. Samples further apart than this do not show what a cell stands at under the pull of a cart, which comes and goes
within seconds. Common practice, no source."""
SPREAD_SECOND = 10.0
EMPTY_CHANNEL_VOLT = 0.5
SCATTER = 1.4826
"""Standard deviation over median deviation of a normal distribution."""


class _Channels(NamedTuple):
    """Numbers (from 1) of the channels that have a cell on them, what one reads to (V), and its scatter (V)."""

    numbers: Wholes
    step: float
    noise: float

    @property
    def u(self) -> float:
        """Standard uncertainty (V) of one reading, what all channels share left out."""
        return un.combine(un.of_step(self.step), self.noise)

    def of(self, part: Samples) -> Floats:
        """Volts (n, channels) of `part`."""
        assert part.cells is not None
        return part.cells[:, self.numbers - 1]


class _Low(NamedTuple):
    """Of each channel: volts it stood at or under for two samples in a row under load (NaN: never), and seconds it
    spent under a limit."""

    volts: Floats
    under: Floats


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for `stretch`; nothing where the log holds no volts of cells."""
    samples = stretch.samples
    channels = None if samples is None or samples.cells is None else _channels(stretch, samples.cells)
    if samples is None or channels is None:
        return
    yield from _missing(stretch, channels)
    if main_kind(stretch) == "drive":
        yield from _loaded(stretch, channels, main_parts(stretch))
    yield from _rested(stretch, channels)


def _channels(stretch: Stretch, cells: Floats) -> _Channels | None:
    most = np.max(np.nan_to_num(cells, nan=-np.inf), axis=0)
    numbers = np.flatnonzero(most > EMPTY_CHANNEL_VOLT) + 1
    if not len(numbers):
        return None
    used = cells[:, numbers - 1]
    step = un.resolution(stretch.instruments, "cells", used)
    return _Channels(numbers, step, _noise(used))


def _noise(cells: Floats) -> float:
    """Scatter (V) of one channel from sample to sample, 0 where there is only one."""
    rows = cells[np.isfinite(cells).all(axis=1)]
    if len(rows) < 3 or cells.shape[1] < 2:
        return 0.0
    apart = np.diff(rows - rows.mean(axis=1, keepdims=True), axis=0)
    own = np.sqrt(2 * (1 - 1 / cells.shape[1]))
    return float(SCATTER * np.median(np.abs(apart)) / own)


def _cells_a_channel(stretch: Stretch, channels: _Channels) -> int:
    cell, samples = cell_of(stretch.pack), stretch.samples
    if cell is None or samples is None:
        return 1
    return max(1, round(float(np.nanmedian(channels.of(samples))) / cell.nominal))


def _missing(stretch: Stretch, channels: _Channels) -> Iterator[Finding]:
    stated = stretch.pack.get("cells_in_series")
    each = _cells_a_channel(stretch, channels)
    logged = each * len(channels.numbers)
    if stated and int(stated) != logged:
        what = f"{logged} cells" if each == 1 else f"{len(channels.numbers)} blocks of {each} cells"
        words = f"the log holds the volts of {what}, the register states {int(stated)} in series"
        yield Finding("cells-missing", "warning", f"{words}: the weakest may not be among them")


def _loaded(stretch: Stretch, channels: _Channels, parts: Sequence[Samples]) -> Iterator[Result | Finding]:
    step = max((usual_step(part.second) for part in parts), default=0.0)
    if step > SLOWEST_SECOND:
        words = f"one sample in {step:.3g} s does not show cells under load: no lowest cell, no spread under load"
        yield Finding("cells-unclear", "note", words)
        return
    yield from _lowest(stretch, channels, parts)
    yield from _spread_loaded(channels, parts)


def _lowest(stretch: Stretch, channels: _Channels, parts: Sequence[Samples]) -> Iterator[Result | Finding]:
    load, cell = load_level(stretch.samples), cell_of(stretch.pack)
    limit = cell.cut_off * _cells_a_channel(stretch, channels) if cell else -np.inf
    lows = [_low(part, channels, load, limit) for part in parts]
    volts = _least(np.array([low.volts for low in lows]))
    if not np.isfinite(volts).any():
        return
    at = int(np.nanargmin(volts))
    volt, number = float(volts[at]), int(channels.numbers[at])
    u = un.combine(un.gain(stretch.instruments, "voltmeter") * volt, channels.u)
    note = f"cell {number} of {len(channels.numbers)} logged; between samples it may have been less"
    yield Result("lowest_cell_volt", volt, "V", u, "held-two-samples", note=note)
    yield from _number(channels, volts, at)
    if volt < limit and cell:
        spent = sum(float(low.under[at]) for low in lows)
        words = f"cell {number} stood at {volt:.3f} V under load, below {limit:g} V ({cell.cut_off:g} V a cell of "
        words += f"{cell.chemistry}) for {spent:.0f} s"
        doubt = "" if volt < limit - u else f"; that is within the uncertainty of {u:.3f} V"
        yield Finding("cell-low", "note" if doubt else "warning", words + doubt)


def _least(rows: Floats) -> Floats:
    """The least of each column, NaN where none is known."""
    least = np.min(np.nan_to_num(rows, nan=np.inf), axis=0, initial=np.inf)
    return np.where(np.isfinite(least), least, np.nan)


def _low(part: Samples, channels: _Channels, load: float, limit: float) -> _Low:
    cells, loaded = channels.of(part), part.ampere < -load
    near = np.diff(part.second) <= gap_limit(part.second)
    rows = np.flatnonzero(loaded[1:] & loaded[:-1] & near)
    pairs = np.maximum(cells[rows], cells[rows + 1])  # NaN where either is unknown
    under = (cells < limit) & loaded[:, None]  # what is not known is not below
    return _Low(_least(pairs), weights(part.second) @ under)


def _number(channels: _Channels, volts: Floats, at: int) -> Iterator[Result | Finding]:
    """Which cell it is, where it stands out from the next by more than both readings' uncertainty (k = 2)."""
    others = np.delete(volts, at)
    others = others[np.isfinite(others)]
    if not len(others):
        return
    apart, doubt = float(others.min() - volts[at]), 2 * un.combine(channels.u, channels.u)
    if apart > doubt:
        note = f"{apart:.3f} V below the next"
        yield Result("lowest_cell_number", float(channels.numbers[at]), "1", None, "held-two-samples", note=note)
        return
    words = f"the two lowest cells are {apart:.3f} V apart, the readings {doubt:.3f} V unsure: no lowest_cell_number"
    yield Finding("cells-unclear", "note", words)


def _spread_loaded(channels: _Channels, parts: Sequence[Samples]) -> Iterator[Result]:
    """The spread over the heaviest 10 s of all drives."""
    if len(channels.numbers) < 2:
        return
    found = [(one, part) for part in parts if (one := heaviest(part.second, -part.ampere, SPREAD_SECOND))]
    if not found:
        return
    hard, part = max(found, key=lambda one: one[0].mean)
    spread = _spread(channels.of(part)[_inside(part, hard)])
    if spread is not None:
        note = f"at {hard.mean:.0f} A; {_SHARED}"
        yield Result("cell_spread_loaded_volt", spread[0], "V", _u(channels, spread[1]), "heaviest-10s", note=note)


_SHARED = "what the channels are off among themselves is in it"


def _inside(part: Samples, hard: Heaviest) -> Wholes:
    return np.flatnonzero((part.second >= hard.start) & (part.second <= hard.start + SPREAD_SECOND))


def _spread(cells: Floats) -> tuple[float, int] | None:
    """Largest less smallest (V) of the channels' medians over rows of `cells`, and how many rows there are. The median
    first, then the spread: the spread of single samples is the wider the more they scatter."""
    rows = cells[np.isfinite(cells).sum(axis=1) > 1]
    if not len(rows):
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a channel that is silent all the while is NaN, and left out
        middle = np.nanmedian(rows, axis=0)
    return float(np.nanmax(middle) - np.nanmin(middle)), len(rows)


def _u(channels: _Channels, rows: int) -> float:
    """Standard uncertainty (V) of the difference of two medians over `rows`.

    The scatter of a median is sqrt(pi/2) times that of a mean, for a normal distribution. The largest of n that scatter
    is on average at most sqrt(2 ln n) of their scatter too high, the smallest as much too low (a textbook bound), which
    is the limit of what the spread of equal cells comes out too wide. Rounding does not shrink with the rows.
    """
    scatter = channels.noise * np.sqrt(np.pi / 2 / rows)
    wide = un.of_limit(2 * scatter * np.sqrt(2 * np.log(len(channels.numbers))))
    return un.combine(un.combine(un.of_step(channels.step), scatter) * 2**0.5, wide)


def _rested(stretch: Stretch, channels: _Channels) -> Iterator[Result]:
    """The spread over the last minute of the longest rest of ten minutes or more."""
    if len(channels.numbers) < 2:
        return
    lengths = [(float(part.second[-1] - part.second[0]), part) for part in rests(stretch)]
    long = [one for one in lengths if one[0] >= LEAST_REST_SECOND]
    if not long:
        return
    length, part = max(long, key=lambda one: one[0])
    last = channels.of(part)[part.second >= part.second[-1] - MEAN_SECOND]
    spread = _spread(last)
    if spread is not None:
        note = f"after {length / 60:.0f} min of rest; {_SHARED}"
        yield Result("cell_spread_rest_volt", spread[0], "V", _u(channels, spread[1]), "end-of-rest", note=note)


MEASURE = Measure(
    "cells",
    "1",
    "The weakest cell under load, and how far the cells are apart.",
    (
        Quantity("lowest_cell_volt", "V", "lowest voltage of a cell under load, held over two samples"),
        Quantity("lowest_cell_number", "1", "number of that cell, from 1"),
        Quantity("cell_spread_loaded_volt", "V", "highest less lowest cell in the heaviest 10 s"),
        Quantity("cell_spread_rest_volt", "V", "highest less lowest cell at rest"),
    ),
    compute,
)
