"""How a discharge began and how it ended: from full or not, to the cut-off or not.

The cut-off is reached when the loaded voltage stands at or under the limit for 10 s, or when the load ends there for
good (a trip: the controller or the battery's own protection switched off), or when the sheet says so. A momentary peak
of current ends nothing, and neither does the dip of a lead-acid battery in the first minutes of a discharge (the coup
de fouet, described for discharge tests in the literature on IEEE 450).

Samples have to show that the voltage *stood* there. At 5 s a step three low samples span 10 s, and all three can be
peaks with the voltage well up between them: the pull of a cart comes and goes within seconds, so that samples five and
ten seconds apart say little of what lies between. So a dwell is at least six samples in a row, however slow the log.

And what follows shows whether it was the end. A pack only gets emptier on the way: one that later in the same drive
carries as much as it did then, with the voltage above the limit, for as long as it had stood low, had not been empty,
only hard pressed (cold, or fresh from a climb). After a rest that shows nothing, as a pack recovers at rest.

The capacity ends where the dwell is full, as what was drawn in those 10 s was given too. Where a sheet says that the
drive ended at the cut-off, it is the drive's end that tells when: the controller goes by its own volts. Only a dwell
under the limit beyond the doubt of the logger's volts (k = 2, about 95 %, JCGM 100:2008, G.1.3) that comes more than a
minute before the end tells better. Six samples, the minute: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..chemistry import cell_of, charge_at_rest, cut_off_volt, is_lead
from ..reading import Floats, Wholes
from ..stretch import Samples, Stint, Stretch
from . import uncertainty as un
from .parts import Flags, gap_limit, load_level, main_parts, weights

DWELL_SECOND = 10.0
DWELL_SAMPLES = 6
COVERAGE = 2.0
END_SECOND = 60.0
"""A drive that ends within this of the dwell was ended by it, when the sheet says that the cut-off ended it."""
DIP_SECOND = 300.0
CLOSE = 0.001
"""A load that ends not more than this share above the limit ended at it: the last sample is just before the trip."""
SHEET_REASONS = ("cut-off", "bms-trip")
FULL_PERCENT = 80.0
"""Rest volts that stand for less than this were not those of a full pack; tables differ by 10 to 15 %."""
FULL_SHARE = 0.97
"""Charging that reached this share of the full voltage was charging to the end."""


@dataclass(frozen=True)
class Ending:
    """How a discharge ended. reached: at the cut-off. second: when (in the samples' seconds), None when at the end of
    the last drive. how: dwell, trip, sheet, or stopped. limit: V, None when not known. ampere: drawn when a trip ended
    it."""

    reached: bool
    how: str
    second: float | None = None
    limit: float | None = None
    limit_words: str = ""
    ampere: float | None = None


@dataclass(frozen=True)
class Beginning:
    """Whether a discharge began full, and how that is known, in words."""

    full: bool
    words: str


def ending_of(stretch: Stretch, shift: float = 0.0) -> Ending:
    """How the discharge of `stretch` ended; with the limit moved by `shift` (V), to see what hangs on it."""
    known = cut_off_volt(stretch.pack)
    limit, words = known if known else (None, "")
    said = stretch.test.get("end_reason") in SHEET_REASONS
    parts = [part for part in main_parts(stretch) if np.isfinite(part.volt).any()]
    if limit is not None and parts:
        doubt = COVERAGE * un.gain(stretch.instruments, "voltmeter") * limit if said else 0.0
        blind = DIP_SECOND if is_lead(stretch.pack) else 0.0
        seen = _seen(_Low.of(parts, limit + shift, doubt, load_level(stretch.samples), blind))
        if seen is not None:
            end = float(parts[-1].second[-1])
            brief = said and seen.second is not None and end - seen.second <= END_SECOND
            return replace(seen, limit=limit, limit_words=words, second=None if brief else seen.second)
    if said:
        return Ending(True, "sheet", None, limit, words)
    return Ending(False, "stopped", None, limit, words)


def _seen(low: _Low) -> Ending | None:
    """The cut-off as the samples show it."""
    dwelt, tripped = low.dwelt(), low.tripped()
    if dwelt is not None:
        return Ending(True, "dwell", dwelt)
    return Ending(True, "trip", tripped[0], ampere=tripped[1]) if tripped is not None else None


class _Low(NamedTuple):
    """Samples of a discharge in one row: second (s), weight (s each stands for), ampere, part (which drive), loaded,
    low (loaded, and under the limit by `doubt`), close (loaded, and at, under or just above the limit), whole (no gap
    before the sample)."""

    second: Floats
    weight: Floats
    ampere: Floats
    part: Wholes
    loaded: Flags
    low: Flags
    close: Flags
    whole: Flags

    @classmethod
    def of(cls, parts: Sequence[Samples], limit: float, doubt: float, load: float, blind: float) -> _Low:
        second, volt, ampere = (
            np.concatenate(c) for c in zip(*((p.second, p.volt, p.ampere) for p in parts), strict=True)
        )
        known = np.isfinite(volt) & np.isfinite(ampere)
        part = np.repeat(np.arange(len(parts)), [len(p) for p in parts])[known]
        second, volt, ampere = second[known], volt[known], ampere[known]
        loaded = ampere < -load
        counts = loaded & (second >= parts[0].second[0] + blind)
        low, close = counts & (volt <= limit - doubt), counts & (volt <= limit * (1 + CLOSE))
        whole = np.r_[False, np.diff(second) <= gap_limit(second)][: len(second)]
        return cls(second, weights(second), ampere, part, loaded, low, close, whole)

    def dwelt(self) -> float | None:
        """The second at which the voltage had stood low for the dwell, the first time that what follows bears out."""
        rows = np.flatnonzero(self.low)
        if not len(rows):
            return None
        ends = (np.diff(rows) > 1) | ~self.whole[rows[1:]]
        first, last = rows[np.r_[True, ends]], rows[np.r_[ends, True]]
        enough = (self.second[last] - self.second[first] >= DWELL_SECOND) & (last - first + 1 >= DWELL_SAMPLES)
        for one, other in zip(first[enough].tolist(), last[enough].tolist(), strict=True):
            if not self._refuted(one, other):
                full = np.searchsorted(self.second, self.second[one] + DWELL_SECOND)
                return float(self.second[full])
        return None

    def _refuted(self, first: int, last: int) -> bool:
        """Whether the pack, later in the same drive, carries the mean load of rows `first` to `last` above the limit
        for as long as it was low there."""
        dwelt = slice(first, last + 1)
        carried = float(np.average(-self.ampere[dwelt], weights=self.weight[dwelt]))
        after = slice(last + 1, int(np.searchsorted(self.part, self.part[last], "right")))
        above = ~self.low[after] & (-self.ampere[after] >= carried)
        return bool(self.weight[after][above].sum() >= self.second[last] - self.second[first])

    def tripped(self) -> tuple[float, float] | None:
        """The second of the last load and what it drew (A), when it was at the limit: nothing is drawn after it."""
        rows = np.flatnonzero(self.loaded)
        if not len(rows) or not self.close[rows[-1]]:
            return None
        return float(self.second[rows[-1]]), -float(self.ampere[rows[-1]])


def beginning_of(stretch: Stretch, rest_volt: float | None) -> Beginning:
    """Whether the discharge of `stretch` began full; `rest_volt` (V) is what the pack stood at before it.

    A range or capacity test begins full by what it is, unless the rest volts say otherwise.
    """
    percent = _most_percent(stretch, rest_volt)
    if percent is not None and percent < FULL_PERCENT:
        return Beginning(False, f"{rest_volt:.1f} V at rest before it is at most {percent:.0f} % of charge")
    charge = _charge_before(stretch)
    if charge is None:
        return Beginning(True, f"full at the start because a {stretch.kind} test begins full")
    most = float(np.nanmax(charge.volt)) if np.isfinite(charge.volt).any() else None
    full = _full_volt(stretch)
    if most is not None and full is not None and most < FULL_SHARE * full:
        return Beginning(False, f"the charge before it ended at {most:.1f} V, full is {full:.1f} V")
    return Beginning(True, "full at the start: charged just before")


def _most_percent(stretch: Stretch, rest_volt: float | None) -> float | None:
    """The state of charge (%) that `rest_volt` can stand for at most, as tables of rest voltage differ."""
    cell, series = cell_of(stretch.pack), stretch.pack.get("cells_in_series")
    if rest_volt is None or cell is None or not series:
        return None
    return charge_at_rest(stretch.pack, rest_volt + cell.rest_volt_u * int(series))


def _full_volt(stretch: Stretch) -> float | None:
    stated = stretch.pack.get("charge_voltage_volt")
    if stated:
        return float(stated)
    cell, series = cell_of(stretch.pack), stretch.pack.get("cells_in_series")
    return cell.full * int(series) if cell and series else None


def charged_between(stretch: Stretch) -> bool:
    """Whether the pack was charged between two of the discharges of `stretch`."""
    kinds = [stint.kind for stint in stretch.stints if stint.kind != "rest"]
    drives = [n for n, kind in enumerate(kinds) if kind == "drive"]
    return bool(drives) and "charge" in kinds[drives[0] : drives[-1]]


def _charge_before(stretch: Stretch) -> Samples | None:
    """The charge before the first discharge, with nothing but rest between."""
    if stretch.samples is None:
        return None
    before: Stint | None = None
    for stint in stretch.stints:
        if stint.kind == "drive":
            break
        before = stint if stint.kind == "charge" else before
    return stretch.samples.part(before.first, before.last) if before else None
