"""The facts a book is made with: its time zone and the units it shows."""

from __future__ import annotations

import time
import zoneinfo
from pathlib import Path

from .errors import UsageProblem


def checked_zone(zone: str | None) -> str:
    """`zone`, or this computer's when None. Raises UsageProblem for a name the time zone database lacks."""
    wanted = zone or _own_zone()
    try:
        zoneinfo.ZoneInfo(wanted)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError) as problem:
        raise UsageProblem(
            f"there is no time zone {wanted!r}",
            "write it as in the tz database, such as Europe/Lisbon or America/Denver",
        ) from problem
    return wanted


def _own_zone() -> str:
    """This computer's zone by name where it tells one, else UTC."""
    link = Path("/etc/localtime")
    if link.is_symlink():
        _, found, name = link.resolve().as_posix().partition("zoneinfo/")
        if found:
            return name
    return "UTC" if time.timezone == 0 else time.tzname[0]


def checked_units(units: str) -> str:
    """`units` when it is mi or km. Raises UsageProblem otherwise."""
    if units not in ("mi", "km"):
        raise UsageProblem(f"units are mi or km, not {units!r}", "give `--units mi` or `--units km`")
    return units
