"""How a discharge began and how it ended: from full or not, to the cut-off or not.

The cut-off is reached when the loaded voltage stands at or under the limit for 10 s, or when the load ends there for
good (a trip: the controller or the battery's own protection switched off), or when the sheet says so. A momentary peak
of current ends nothing, and neither does the dip of a lead-acid battery in the first minutes of a discharge (the coup
de fouet, described for discharge tests in the literature on IEEE 450).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..chemistry import cell_of, charge_at_rest, cut_off_volt, is_lead
from ..reading import Floats
from ..stretch import Samples, Stint, Stretch
from .parts import Flags, gap_limit, load_level, main_parts

DWELL_SECOND = 10.0
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
    """How a discharge ended. reached: at the cut-off. second: when (in the samples' seconds), None when only the sheet
    says so. how: dwell, trip, sheet, or stopped. limit: V, None when not known. ampere: drawn when a trip ended it."""

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


def ending_of(stretch: Stretch) -> Ending:
    """How the discharge of `stretch` ended."""
    known = cut_off_volt(stretch.pack)
    limit, words = known if known else (None, "")
    parts = [part for part in main_parts(stretch) if np.isfinite(part.volt).any()]
    if limit is not None and parts:
        low = _Low.of(parts, limit, load_level(stretch.samples), DIP_SECOND if is_lead(stretch.pack) else 0.0)
        dwelt = low.dwelt()
        if dwelt is not None:
            return Ending(True, "dwell", dwelt, limit, words)
        tripped = low.tripped()
        if tripped is not None:
            return Ending(True, "trip", tripped[0], limit, words, tripped[1])
    if stretch.test.get("end_reason") in SHEET_REASONS:
        return Ending(True, "sheet", None, limit, words)
    return Ending(False, "stopped", None, limit, words)


class _Low(NamedTuple):
    """Samples of a discharge in one row: second (s), ampere, loaded, low (loaded, and at or under the limit), close
    (the same, or just above it), whole (no gap before the sample)."""

    second: Floats
    ampere: Floats
    loaded: Flags
    low: Flags
    close: Flags
    whole: Flags

    @classmethod
    def of(cls, parts: Sequence[Samples], limit: float, load: float, blind: float) -> _Low:
        second, volt, ampere = (
            np.concatenate(c) for c in zip(*((p.second, p.volt, p.ampere) for p in parts), strict=True)
        )
        known = np.isfinite(volt) & np.isfinite(ampere)
        second, volt, ampere = second[known], volt[known], ampere[known]
        loaded = ampere < -load
        counts = loaded & (second >= parts[0].second[0] + blind)
        low, close = counts & (volt <= limit), counts & (volt <= limit * (1 + CLOSE))
        whole = np.r_[False, np.diff(second) <= gap_limit(second)][: len(second)]
        return cls(second, ampere, loaded, low, close, whole)

    def dwelt(self) -> float | None:
        """The second from which the voltage stood low for the dwell, the first time it did."""
        rows = np.flatnonzero(self.low)
        if not len(rows):
            return None
        ends = (np.diff(rows) > 1) | ~self.whole[rows[1:]]
        first, last = rows[np.r_[True, ends]], rows[np.r_[ends, True]]
        long = np.flatnonzero(self.second[last] - self.second[first] >= DWELL_SECOND)
        return float(self.second[first[long[0]]]) if len(long) else None

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
