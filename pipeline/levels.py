"""The currents at which a log is taken to drive, to charge, or to do nothing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .reading import Floats

DRIVE_SHARE, PACK_DRIVE_AMPERE = 0.05, (2.0, 5.0)
CHARGE_SHARE, PACK_CHARGE_AMPERE = 0.01, (0.5, 2.0)
PACK_QUIET_AMPERE = 0.3
PACK_VOLT = 6.0  # no cell of any chemistry stands this high, no cart's pack this low


class Levels(NamedTuple):
    """Currents (A, all positive): a sample drives when it draws more than `drive`, charges above `charge`, and below
    `quiet` either way it is nothing."""

    drive: float
    charge: float
    quiet: float


def levels(biggest: float, pack: bool) -> Levels:
    """The levels for a log whose largest absolute current is `biggest` (A), of a pack or of a single cell."""
    biggest = biggest if np.isfinite(biggest) else 0.0
    drive, charge = DRIVE_SHARE * biggest, CHARGE_SHARE * biggest
    if not pack:
        return Levels(drive, charge, charge / 4)
    drive, charge = _within(drive, PACK_DRIVE_AMPERE), _within(charge, PACK_CHARGE_AMPERE)
    return Levels(drive, charge, max(charge / 4, PACK_QUIET_AMPERE))


def _within(value: float, bounds: tuple[float, float]) -> float:
    return min(max(value, bounds[0]), bounds[1])


def is_pack(volt: Floats) -> bool:
    """Whether volts are those of a pack and not of a single cell; a pack where none are known."""
    return not np.isfinite(volt).any() or float(np.nanmedian(volt)) > PACK_VOLT
