"""What a cell of each chemistry does: the values of chemistry.toml, each with its source there."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any


@dataclass(frozen=True)
class Cell:
    """One cell, V. `rest`: (percent of charge, V after a long rest), falling; empty where no table is trusted.

    full: charged; cut_off: discharged, under load; rated_hours: h of discharge it is rated at where nothing is stated;
    rest_volt_u: how far apart tables of rest voltage are (V).
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


@cache
def cells() -> Mapping[str, Cell]:
    """Every chemistry known, by name."""
    text = files(__package__).joinpath("chemistry.toml").read_text("utf-8")
    return {name: _cell(name, facts) for name, facts in tomllib.loads(text).items()}


def _cell(name: str, facts: Mapping[str, Any]) -> Cell:
    rest = tuple((float(percent), float(volt)) for percent, volt in facts["rest"])
    return Cell(name, **{**facts, "rest": rest})


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
