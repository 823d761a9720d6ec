"""Units as people write them, and the canonical ones (UCUM codes) they become.

    conversion("mph", "m/s")  -> (0.44704, 0.0)       canonical = value * factor + offset
    conversion("F", "Cel")    -> (0.5555..., -17.77...)
    difference("F", "K")      -> 0.5555...             a rise of 18 F is 10 K

Factors are kept as exact fractions and become floats once, at the end. Exact by definition: inch
0.0254 m, pound 0.45359237 kg, standard gravity 9.80665 m/s2 (NIST SP 811, appendix B; horsepower is
550 ft.lbf/s there); metric horsepower 75 kgf.m/s. Names the table lacks are asked of pint.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any


class UnknownUnit(ValueError):
    """A unit nobody can convert. `str()` says which, `hint` what to write instead."""

    def __init__(self, what: str, hint: str) -> None:
        super().__init__(what)
        self.hint = hint


@dataclass(frozen=True)
class _Unit:
    """base of its dimension = value * factor + offset."""

    dimension: str
    factor: Fraction
    offset: Fraction = Fraction(0)


_INCH, _POUND, _GRAVITY = Fraction("0.0254"), Fraction("0.45359237"), Fraction("9.80665")
_FOOT, _MILE = 12 * _INCH, 63360 * _INCH
_ICE_POINT = Fraction("273.15")

# dimension: {spellings, the first being how it is shown: (factor to the base, offset)}
_TABLE: dict[str, dict[str, Fraction | int]] = {
    "voltage": {"V volt volts": 1, "mV millivolt millivolts": Fraction(1, 1000), "kV": 1000},
    "current": {"A amp amps ampere amperes": 1, "mA milliamp milliamps": Fraction(1, 1000)},
    "charge": {
        "Ah A.h A·h A*h Ahr amp-hours": 1,
        "mAh mA.h mA·h": Fraction(1, 1000),
        "As A.s A·s coulomb coulombs": Fraction(1, 3600),
    },
    "energy": {
        "Wh W.h W·h W*h Whr": 1,
        "kWh kW.h kW·h": 1000,
        "mWh mW.h": Fraction(1, 1000),
        "J joule joules W.s": Fraction(1, 3600),
        "kJ": Fraction(10, 36),
        "MJ": Fraction(10000, 36),
    },
    "power": {
        "W watt watts": 1,
        "kW kilowatt kilowatts": 1000,
        "mW": Fraction(1, 1000),
        "hp [HP] horsepower bhp": 550 * _FOOT * _POUND * _GRAVITY,
        "PS": 75 * _GRAVITY,
    },
    "length": {
        "m metre metres meter meters": 1,
        "km kilometre kilometres kilometer kilometers": 1000,
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        'in inch inches [in_i] "': _INCH,
        "ft foot feet [ft_i]": _FOOT,
        "yd yard yards [yd_i]": 3 * _FOOT,
        "mi mile miles [mi_i]": _MILE,
        "nmi [nmi_i]": 1852,
    },
    "mass": {
        "kg kilogram kilograms kilo kilos": 1,
        "g gram grams": Fraction(1, 1000),
        "t tonne tonnes": 1000,
        "lb lbs pound pounds [lb_av]": _POUND,
        "oz ounce ounces [oz_av]": _POUND / 16,
    },
    "time": {
        "s sec secs second seconds": 1,
        "ms millisecond milliseconds msec": Fraction(1, 1000),
        "μs us microsecond microseconds usec": Fraction(1, 1000000),
        "min mins minute minutes": 60,
        "h hr hrs hour hours": 3600,
        "d day days": 86400,
        "month months mo": 2629800,
        "year years yr": 31557600,
    },
    "length/time": {
        "mph MPH": _MILE / 3600,
        "kph kmh kmph": Fraction(1000, 3600),
        "kn kt kts knot knots [kn_i]": Fraction(1852, 3600),
    },
    "fraction": {"1": 1, "% percent pct": Fraction(1, 100)},
    "resistance": {"Ω Ohm ohms": 1, "mΩ mOhm milliohm milliohms": Fraction(1, 1000)},
    "pressure": {
        "Pa": 1,
        "kPa": 1000,
        "bar": 100000,
        "psi [psi]": _POUND * _GRAVITY / _INCH**2,
    },
    "angle": {"deg ° degree degrees": 1},
}
_TEMPERATURES = {
    "°C C Cel degC deg.C celsius": (Fraction(1), Fraction(0)),
    "K kelvin": (Fraction(1), -_ICE_POINT),
    "°F F degF deg.F [degF] fahrenheit": (Fraction(5, 9), Fraction(-160, 9)),
}
_PINT_BASES = {
    "voltage": "volt", "current": "ampere", "charge": "ampere*hour", "energy": "watt*hour", "power": "watt",
    "length": "metre", "mass": "kilogram", "time": "second", "length/time": "metre/second", "fraction": "dimensionless",
    "resistance": "ohm", "pressure": "pascal", "angle": "degree", "temperature": "degC",
    "energy/length": "watt*hour/metre", "charge/length": "ampere*hour/metre",
}  # fmt: skip
# What pint is asked: names, one-digit powers, products and quotients; never a calculation that could run away.
_PLAIN_NAME = re.compile(r"(?:[^\W\d]+(?:\^?[1-4])?)(?: ?[*/·.] ?[^\W\d]+(?:\^?[1-4])?){0,3}")

_SHOWN = {
    "mi": {"m": "mi", "m/s": "mph", "W.h/km": "Wh/mi", "A.h/km": "Ah/mi", "km/A.h": "mi/Ah"},
    "km": {"m": "km", "m/s": "km/h", "W.h/km": "Wh/km", "A.h/km": "Ah/km", "km/A.h": "km/Ah"},
}
_SIGNS = {"Cel": "°C", "A.h": "Ah", "W.h": "Wh", "Ohm": "Ω", "1": "", "deg": "°"}


@cache
def _spellings() -> dict[str, _Unit]:
    units = {
        name: _Unit(dimension, Fraction(factor))
        for dimension, rows in _TABLE.items()
        for names, factor in rows.items()
        for name in names.split()
    }
    temperatures = {
        name: _Unit("temperature", *scale) for names, scale in _TEMPERATURES.items() for name in names.split()
    }
    return units | temperatures


@cache
def _folded() -> dict[str, str]:
    """Lower-case spelling to the spelling it stands for."""
    return {name.casefold(): name for name in reversed(_spellings())}


def _plain(unit: str) -> str:
    text = unicodedata.normalize("NFKC", unit.replace("º", "°")).replace("° ", "°").strip()
    bare = text[1:-1].strip() if text[:1] + text[-1:] in ("()", "[]") and text not in _spellings() else text
    return re.sub(r"\s+per\s+", "/", bare)


def _find(name: str) -> _Unit | None:
    """A spelling of the table, or a quotient of two; None when the table lacks it."""
    exact = _spellings().get(name)
    if exact:
        return exact
    if "/" in name:
        return _quotient(*name.split("/", 1))
    meant = _folded().get(name.casefold())
    if meant and meant[0] == "m" and name[0] == "M" and meant[1:] in _spellings() and meant not in ("min", "mm"):
        raise UnknownUnit(f"unit `{name}` may be milli or mega", f"write `{meant}` for the thousandth part")
    return _spellings()[meant] if meant else None


def _quotient(above: str, below: str) -> _Unit | None:
    first, second = _find(above.strip()), _find(below.strip())
    if not first or not second or first.offset or second.offset:
        return None
    return _Unit(f"{first.dimension}/{second.dimension}", first.factor / second.factor)


def _of_pint(name: str, dimension: str) -> _Unit | None:
    """The unit as pint knows it, in the base of `dimension`; None when it does not fit."""
    if dimension not in _PINT_BASES or len(name) > 40 or not _PLAIN_NAME.fullmatch(name):
        return None
    import pint

    try:
        scale = [_pint_registry().Quantity(value, name).to(_PINT_BASES[dimension]).magnitude for value in (0.0, 1.0)]
    except (pint.PintError, ValueError, TypeError, AttributeError):
        return None
    return _Unit(dimension, Fraction(scale[1]) - Fraction(scale[0]), Fraction(scale[0]))


@cache
def _pint_registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@cache
def _resolved(unit: str, canonical: str) -> tuple[_Unit, _Unit]:
    target = _find(canonical)
    if target is None:
        raise UnknownUnit(f"unknown canonical unit `{canonical}`", "canonical units are UCUM codes such as V, A.h, m/s")
    name = _plain(unit)
    if not name:
        raise UnknownUnit("no unit is given", _hint(target.dimension))
    found = _find(name)
    if found is None or found.dimension != target.dimension:
        found = _of_pint(name, target.dimension)
    if found is None:
        raise UnknownUnit(f"`{unit[:40]}` is no unit of {target.dimension}", _hint(target.dimension))
    return found, target


def _hint(dimension: str) -> str:
    rows = [*_TABLE.get(dimension, ()), *(_TEMPERATURES if dimension == "temperature" else ())]
    quotients = {"length/time": "km/h, m/s, ", "energy/length": "Wh/km, Wh/mi", "charge/length": "Ah/km, Ah/mi"}
    return "write one of " + quotients.get(dimension, "") + ", ".join(row.split()[0] for row in rows)


def conversion(unit: str, canonical: str) -> tuple[float, float]:
    """Factor and offset that turn a value in `unit` into `canonical`: value * factor + offset.

    `unit` as people write it (V, mV, °C, F, km/h, mph, lb, Wh ...), `canonical` a UCUM code as in
    tables. Raises UnknownUnit when the unit is unknown or measures something else.
    """
    found, target = _resolved(unit, canonical)
    return float(found.factor / target.factor), float((found.offset - target.offset) / target.factor)


def difference(unit: str, canonical: str) -> float:
    """Factor that turns a difference in `unit` into one in `canonical`; no offset: a rise of 18 F is 10 K.

    Raises UnknownUnit as `conversion` does.
    """
    return conversion(unit, canonical)[0]


def shown(value: float, unit: str, system: str) -> tuple[float, str]:
    """A canonical value as the book shows it, with the sign of its unit. `system` is "mi" or "km".

    Lengths in m become mi or km, speeds mph or km/h, Wh/km becomes Wh/mi; others keep their unit.
    """
    target = _SHOWN[system].get(unit)
    if target is None:
        return value, _SIGNS.get(unit, unit.replace("A.h", "Ah").replace("W.h", "Wh"))
    return value * conversion(unit, target)[0], target
