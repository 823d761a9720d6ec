"""Pulses of current in a log: a step from a steady level to another that holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..reading import Floats, Wholes
from ..stretch import Samples
from .parts import Flags

LENGTHS = (1.0, 10.0, 30.0)
"""Seconds after a step at which volts are read."""
PULSE_SHARE = 0.2
"""A pulse changes the current by this share of its range at least."""
EDGE_SECOND = 2.0
BEFORE_SECOND = 5.0
HOLDS = 0.1
"""How far the current may stray before the step and after it, as a share of the step."""
THIN_SECOND = 0.5
"""Samples closer than this are thinned to it: a step must stand out from one to the next."""
TINY = 1e-6


class Pulses(NamedTuple):
    """Pulses of one length: ohm (resistance), ampere (change of the current), drift (Ohm that was taken off)."""

    ohm: Floats
    ampere: Floats
    drift: Floats


def resistance(volt: Floats, ampere: Floats, charge: Floats, slope: float = 0.0) -> Floats:
    """Resistance (Ohm) of changes `volt` (V) by changes `ampere` (A) in which `charge` (A.s, positive charges) flowed:
    (dV - slope Q) / dI, DOE/ID-11069 from memory, with the drift of the open-circuit voltage, `slope` (V per A.s),
    off."""
    return np.asarray((volt - slope * charge) / ampere)


def pulses_of(parts: Sequence[Samples], extent: float, length: float, slope: float) -> Pulses:
    """Pulses of `length` s in `parts`, whose current has the range `extent` (A); `slope` as in resistance()."""
    found = [_pulses(part, extent, length, slope) for part in parts]
    return Pulses(*(np.concatenate([*column]) for column in zip(*found, strict=True)))


def _pulses(part: Samples, extent: float, length: float, slope: float) -> Pulses:
    second, volt, ampere = _thinned(part)
    none = Pulses(np.empty(0), np.empty(0), np.empty(0))
    if len(second) < 3 or extent <= 0:
        return none
    rows = np.arange(len(second) - 1)
    edge = _last_by(second, second[rows] + min(EDGE_SECOND, length))
    end = _last_by(second, second[rows] + length)
    change = ampere[edge] - ampere[rows]
    at = np.flatnonzero((np.abs(change) >= PULSE_SHARE * extent) & _whole(second, rows, end, length))
    at = at[_steady(second, ampere, at, change[at]) & _holds(ampere, edge[at], end[at], change[at])]
    if not len(at):
        return none
    moved, stopped = ampere[end[at]] - ampere[at], end[at]
    flowed = np.r_[0.0, np.cumsum(np.diff(second) * ampere[1:])]  # a step is over by the sample that shows it
    charge = flowed[stopped] - flowed[at]
    raw = resistance(volt[stopped] - volt[at], moved, charge)
    ohm = resistance(volt[stopped] - volt[at], moved, charge, slope)
    return Pulses(ohm, moved, raw - ohm)


def _thinned(part: Samples) -> tuple[Floats, Floats, Floats]:
    known = np.isfinite(part.volt) & np.isfinite(part.ampere)
    second = part.second[known]
    step = np.diff(second)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    every = slice(None, None, max(round(THIN_SECOND / usual), 1))
    return second[every], part.volt[known][every], part.ampere[known][every]


def _last_by(second: Floats, until: Floats) -> Wholes:
    """The last row at or before each of `until` (s)."""
    return np.asarray(np.searchsorted(second, until + TINY, "right") - 1)


def _whole(second: Floats, rows: Wholes, end: Wholes, length: float) -> Flags:
    """Whether a sample lies at `length` s after each row, within a tenth of it, and none of what is between is a
    gap."""
    gap = np.r_[0, np.cumsum(np.diff(second) > EDGE_SECOND + TINY)]
    return np.asarray((second[end] - second[rows] >= 0.9 * length) & (gap[end] == gap[rows]) & (end > rows))


def _steady(second: Floats, ampere: Floats, at: Wholes, change: Floats) -> Flags:
    """Whether the current stood for 5 s up to row `at`, and leaves that level with the next row."""
    first = np.searchsorted(second, second[at] - BEFORE_SECOND - TINY, "left")
    low, high = _extremes(ampere, first, at)
    still = (high - low <= HOLDS * np.abs(change)) & (second[at] - second[first] >= BEFORE_SECOND - EDGE_SECOND - TINY)
    return np.asarray(still & (np.abs(ampere[at + 1] - ampere[at]) > HOLDS * np.abs(change)))


def _holds(ampere: Floats, edge: Wholes, end: Wholes, change: Floats) -> Flags:
    low, high = _extremes(ampere, edge, end)
    return np.asarray(high - low <= HOLDS * np.abs(change))


def _extremes(values: Floats, first: Wholes, last: Wholes) -> tuple[Floats, Floats]:
    """Least and greatest of `values` from each row `first` to each `last`, both included and in order."""
    if not len(first):
        return np.empty(0), np.empty(0)
    padded = np.r_[values, values[-1]]
    edges = np.ravel(np.column_stack([first, last + 1]))
    return np.minimum.reduceat(padded, edges)[::2], np.maximum.reduceat(padded, edges)[::2]
