"""What a header means: its words, its unit, and the column they stand for.

    Voltage / V      voltage, V       -> samples.voltage_volt
    I_A              I, A             -> samples.current_ampere
    Spannung [mV]    Spannung, mV     -> samples.voltage_volt
    v (km/h)         v, km/h          -> samples.speed_metre_per_second

Targets are `table.column` of the canonical tables, or one of TIMES. The words are in words.toml.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from rangebook.pipeline.tables import FIXES, SAMPLES
from rangebook.pipeline.units import UnknownUnit, conversion

from .words import words

# What a column of times can be mapped to, and the unit of those that are numbers.
TIMES = {"time": "", "date": "", "clock": "", "elapsed": "s", "unix": "s"}
IGNORE = "ignore"
CELLS = "samples.cell_voltage_volt"

_BARE_UNITS = {"V": "V", "mV": "mV", "A": "A", "mA": "mA", "km/h": "km/h", "m/s": "m/s", "kmh": "km/h", "mph": "mph"}
_OF_BARE = {"V": "samples.voltage_volt", "A": "samples.current_ampere", "m/s": "samples.speed_metre_per_second"}
_CELL = re.compile(r"(?:cell|zelle|cellule|celda|cella) ?(?:voltage|spannung|tension)? ?\d+(?: ?voltage)?")
_PROBE = re.compile(r"(?:temperature|temp|temperatur|temperatura|t)(?: ?sensor| ?probe)? ?t?([1-5])")
_BRACKETS = re.compile(r"(.*?)\s*[\[({<]\s*([^\])}>]*?)\s*[\])}>]\s*")
_SLASH = re.compile(r"(.+?)\s+/\s*(.+)|(.+?)\s*/\s+(.+)")
_JOINT = re.compile(r"[\s_/.,:-]+")

# Units taken where a header names none. A speed without a unit is left out: it may be km/h, mph or m/s.
_UNSAID = {"V", "A", "%", "Cel", "m", "deg", "1", "s", ""}


@dataclass(frozen=True)
class Meaning:
    """What a header stands for. unit: as written ("" where none is needed). said: whether the header says the unit."""

    to: str
    unit: str
    said: bool


@cache
def targets() -> dict[str, str]:
    """Everything a column can be mapped to, with its canonical unit (UCUM code, "" for none)."""
    columns = {
        f"{table}.{field.name}": (field.metadata or {})[b"unit"].decode()
        for table, schema in (("samples", SAMPLES), ("fixes", FIXES))
        for field in schema
        if field.name not in ("time", "segment")
    }
    return {**TIMES, **columns, IGNORE: ""}


def plain(text: str) -> str:
    """Words without case, accents, joints, and the words that add nothing: `BatteryVoltage` is `voltage`."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    spaced = re.sub(r"\s+in$", "", spaced)
    bare = "".join(c for c in unicodedata.normalize("NFKD", spaced) if not unicodedata.combining(c))
    noise = words()["noise"]
    parts = re.sub(r"[^\w%]+|_+", " ", bare.casefold()).split()
    kept = [part for part in parts if part not in noise]
    return " ".join(kept or parts)


@cache
def _vocabulary() -> dict[str, list[str]]:
    """Plain words to the targets they may stand for, in the order of words.toml."""
    found: dict[str, list[str]] = {}
    for to, phrases in words()["targets"].items():
        for phrase in phrases:
            found.setdefault(phrase, []).append(to)
    return found


@cache
def _canonical_names() -> dict[str, str]:
    return {to.split(".")[-1]: to for to in reversed(targets()) if "." in to}


def meaning(header: str, unit: str = "") -> Meaning | None:
    """What `header` (with `unit` from a second header line) stands for, or None.

    When its words fit several targets its unit decides; a unit that does not fit decides against it.
    """
    canonical = _canonical_names().get(header.strip().casefold())
    if canonical:
        return Meaning(canonical, targets()[canonical], True)
    for said, written in [(header, unit)] if unit else _splits(header):
        for to in _candidates(plain(said)):
            if _fits(written, to):
                return Meaning(to, written, bool(written))
    return None if unit else _bare(header) or _unitless(header)


def _splits(header: str) -> Iterator[tuple[str, str]]:
    """Ways to part a header into words and a unit."""
    brackets = _BRACKETS.fullmatch(header)
    if brackets:
        yield brackets[1], brackets[2]
        return
    slash = _SLASH.fullmatch(header)
    if slash:
        yield slash[1] or slash[3], slash[2] or slash[4]
    for joint in _JOINT.finditer(header):
        if joint.start() > 0 and joint.end() < len(header):
            yield header[: joint.start()], header[joint.end() :]
            yield header[: joint.start()], header[joint.end() :].replace("_", "/")


def _candidates(phrase: str) -> list[str]:
    if _CELL.fullmatch(phrase):
        return [CELLS]
    probe = _PROBE.fullmatch(phrase)
    if probe:
        return [f"samples.temperature_t{probe[1]}_celsius"]
    return _vocabulary().get(phrase, [])


def _fits(unit: str, to: str) -> bool:
    """Whether `unit` is one of the target's; a column of times that are numbers has one of time."""
    return bool(unit) and _converts(unit, "s" if to in TIMES else targets()[to])


def _converts(unit: str, canonical: str) -> bool:
    try:
        conversion(unit, canonical)
    except UnknownUnit:
        return False
    return bool(canonical)


def _bare(header: str) -> Meaning | None:
    """A header that is nothing but a unit."""
    unit = _BARE_UNITS.get(header.strip().strip("[]()").strip())
    to = next((to for canonical, to in _OF_BARE.items() if unit and _converts(unit, canonical)), None)
    return Meaning(to, unit, True) if to and unit else None


def _unitless(header: str) -> Meaning | None:
    """A header that says no unit, where one can do without; for times, brackets may say how they are written."""
    brackets = _BRACKETS.fullmatch(header)
    if brackets and (times := [to for to in _candidates(plain(brackets[1])) if to in TIMES]):
        return Meaning(times[0], "", False)
    for to in _candidates(plain(header)):
        if to in TIMES or targets()[to] in _UNSAID:
            return Meaning(to, targets()[to], False)
    return None


def unit_is_strange(header: str) -> bool:
    """Whether a header names a known quantity, and in brackets a unit that is none of it."""
    brackets = _BRACKETS.fullmatch(header)
    if brackets is None:
        return False
    known = [to for to in _candidates(plain(brackets[1])) if to not in TIMES]
    return bool(known) and not any(_fits(brackets[2], to) for to in known)


def speaks_of_speed(header: str) -> bool:
    """Whether a header that was left out for want of a unit speaks of a speed."""
    return any(targets()[to] == "m/s" for to in _candidates(plain(header)))
