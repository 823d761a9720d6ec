"""What a cell of each chemistry does: the values of chemistry.toml, each with its source there."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

OWN_PEUKERT_U = 0.02
"""Taken for an exponent of the pack's own tests that comes without an uncertainty. Common practice, no source."""


@dataclass(frozen=True)
class Cell:
    """One cell, V. `rest`: (percent of charge, V after a long rest), falling; empty where no table is trusted.

    full: charged; cut_off: discharged, under load; rated_hours: h of discharge it is rated at where nothing is stated;
    rest_volt_u: how far apart tables of rest voltage are (V). settled_hours: h of rest after which the table holds;
    hysteresis: V that charging may leave the rest volts higher. peukert, peukert_u: the exponent and its standard
    uncertainty. warmth: (Cel, share of the capacity at 25 Cel), rising; warmth_u: standard uncertainty of a share, as a
    share of its distance from 1. finer: where these are from.
    """

    chemistry: str
    family: str
    full: float
    nominal: float
    cut_off: float
    rated_hours: float
    rest: tuple[tuple[float, float], ...]
    rest_volt_u: float
    source: str
    settled_hours: float
    hysteresis: float
    peukert: float
    peukert_u: float
    warmth: tuple[tuple[float, float], ...]
    warmth_u: float
    finer: str


@cache
def cells() -> Mapping[str, Cell]:
    """Every chemistry known, by name."""
    text = files(__package__).joinpath("chemistry.toml").read_text("utf-8")
    return {name: _cell(name, facts) for name, facts in tomllib.loads(text).items()}


def _cell(name: str, facts: Mapping[str, Any]) -> Cell:
    tables = {table: tuple((float(one), float(other)) for one, other in facts[table]) for table in ("rest", "warmth")}
    return Cell(name, **{**facts, **tables})


def cell_of(pack: Mapping[str, Any]) -> Cell | None:
    """The cell of a register row of a pack, None where its chemistry is not stated or not known."""
    return cells().get(str(pack.get("chemistry") or ""))


def is_lead(pack: Mapping[str, Any]) -> bool:
    cell = cell_of(pack)
    return cell is not None and cell.family == "lead"


def cut_off_volt(pack: Mapping[str, Any]) -> tuple[float, str] | None:
    """Voltage (V) under load at which `pack` is empty, and where it is from: as stated, else by chemistry and cells in
    series. None where neither is known; the number of cells is never guessed from a nominal voltage."""
    stated = pack.get("cut_off_voltage_volt")
    if stated:
        return float(stated), "as stated"
    cell, series = cell_of(pack), pack.get("cells_in_series")
    if cell is None or not series:
        return None
    return cell.cut_off * int(series), f"{cell.cut_off:g} V a cell of {cell.chemistry}"


def rated_hours(pack: Mapping[str, Any]) -> float | None:
    """Hours of discharge the capacity of `pack` is rated at: as stated, else the trade's usual for its chemistry."""
    stated = pack.get("rated_hours")
    if stated:
        return float(stated)
    cell = cell_of(pack)
    return cell.rated_hours if cell else None


def charge_at_rest(pack: Mapping[str, Any], volt: float) -> float | None:
    """State of charge (%) of `pack` that has rested long and stands at `volt` (V), by the table of its chemistry.

    Held to the table's ends. None without chemistry, number of cells or table. It is coarse: lead-acid tables
    differ by 10 to 15 %, and between 20 and 90 % an LFP cell moves by 0.12 V in all.
    """
    import numpy as np

    cell, series = cell_of(pack), pack.get("cells_in_series")
    if cell is None or not series or not cell.rest:
        return None
    percent, rest = zip(*reversed(cell.rest), strict=True)
    return float(np.interp(volt / int(series), rest, percent))


def charge_doubted(cell: Cell, volt: float, u: float) -> tuple[float, float] | None:
    """State of charge (%) of a cell that has rested and stands at `volt` (V, standard uncertainty `u`), and its
    standard uncertainty: half of what the table says between volt - u and volt + u (JCGM 100:2008, 5.1.3, note 2),
    where it goes on straight beyond its ends. Held to 0..100. Below a table that ends above empty only is known that
    it is anything from there to empty (a rectangle: 4.3.7). None without a table.

    >>> percent, u = charge_doubted(cells()["flooded"], 12.24 / 6, 0.005)
    >>> f"{percent:.0f} {u:.1f}"
    '50 3.9'
    """
    if not cell.rest:
        return None
    lowest, volts = cell.rest[-1]
    if lowest > 0 and volt + u < volts:
        return lowest / 2, lowest / 12**0.5
    low, middle, high = (_along(cell.rest, at) for at in (volt - u, volt, volt + u))
    return min(max(middle, 0.0), 100.0), (high - low) / 2


def _along(falling: tuple[tuple[float, float], ...], volt: float) -> float:
    """Percent at `volt` on the broken line of a table of rest volts, its end pieces going on."""
    ends = list(pairwise(reversed(falling)))
    (low, low_volt), (high, high_volt) = next((piece for piece in ends if volt <= piece[1][1]), ends[-1])
    return low + (high - low) * (volt - low_volt) / (high_volt - low_volt)


def warmth_share(cell: Cell, celsius: float, celsius_u: float = 0.0) -> tuple[float, float]:
    """Share of its capacity at 25 Cel that a cell gives at `celsius` (Cel, standard uncertainty `celsius_u`), and the
    standard uncertainty of that share. Held to the ends of the table.

    >>> share, u = warmth_share(cells()["LFP"], 0.0)
    >>> f"{share:.3f} {u:.3f}"
    '0.802 0.079'
    """
    import numpy as np

    at, shares = zip(*cell.warmth, strict=True)
    cold, share, warm = (float(np.interp(celsius + way * celsius_u, at, shares)) for way in (-1, 0, 1))
    return share, float(np.hypot(cell.warmth_u * (1 - share), (warm - cold) / 2))


def peukert(pack: Mapping[str, Any]) -> tuple[float, float, str] | None:
    """Peukert's exponent of `pack`, its standard uncertainty, and where it is from: the pack's own tests where they
    gave one (`peukert`, `peukert_u` of its row), else what is usual for its chemistry. None without either."""
    own = pack.get("peukert")
    if own:
        return float(own), float(pack.get("peukert_u") or OWN_PEUKERT_U), "from the pack's own tests"
    cell = cell_of(pack)
    return (cell.peukert, cell.peukert_u, f"usual for {cell.chemistry}") if cell else None
