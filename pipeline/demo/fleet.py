"""The workshop's things: carts, packs, settings, loggers. A scenario of our own; nothing here is real.

A car-free island: luggage from the pier, laundry between guest rooms, visitors up the hill. One workshop
looks after ten carts of three kinds. Numbers that only the simulation knows (rolling coefficient, drag
area, efficiency, fade) sit beside the ones the sheets state.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

ZONE = "Atlantic/Azores"
SEASON_START = datetime.date(2026, 5, 4)
WEEKS = 26


@dataclass(frozen=True)
class Cart:
    """A cart. SI units; `rolling`, `drag_area`, `efficiency` and what follows are the truth behind the logs."""

    name: str
    description: str
    customer: str
    seats: int
    system_volt: float
    motor_watt: float
    controller_ampere: float
    mass: float
    tyre: float
    tray: tuple[int, int, int]
    payload: float
    rolling: float = 0.020
    drag_area: float = 1.2
    efficiency: float = 0.75
    regen_efficiency: float = 0.55
    auxiliary: float = 60.0
    winding: float = 4e-4
    """Heat in the motor's windings, W per N² of pull."""
    tractive: float = 2400.0
    drag_week: int | None = None
    """Week from which a brake drags, or None."""


@dataclass(frozen=True)
class Pack:
    """A pack. `resistance` (ohm at 25 °C, half full, new) and what follows are the truth behind the logs."""

    name: str
    chemistry: str
    cells: int
    nominal_volt: float
    rated_ah: float
    rated_hours: float
    continuous: float
    peak: float
    mass: float
    box: tuple[int, int, int]
    price: float
    in_service: datetime.date
    warranty_years: float
    resistance: float
    excess: float
    """True capacity when new over rated capacity."""
    cycles_per_day: float
    season_fault: float = 0.0
    """Share of the capacity that a fault takes over the season, beyond ordinary ageing."""


@dataclass(frozen=True)
class Settings:
    """Controller settings. speed: m/s. acceleration: m/s². regen_ampere: most current back into the pack."""

    name: str
    current: float
    speed_mph: float
    regen: str
    regen_ampere: float
    pace: str
    acceleration: float

    @property
    def speed(self) -> float:
        return self.speed_mph * 0.44704


_WAGON = Cart("", "luggage wagon, flat tray", "", 2, 48, 4000, 250, 480, 0.46, (1500, 1100, 250), 190, rolling=0.019)
_VAN = Cart(
    "", "laundry van, closed box", "", 2, 72, 5000, 300, 640, 0.56, (1900, 1250, 1400), 260,
    rolling=0.017, drag_area=1.7, efficiency=0.78, auxiliary=90, winding=3e-4, tractive=3000,
)  # fmt: skip
_SEATER = Cart(
    "", "visitor cart with roof", "", 6, 48, 3700, 250, 620, 0.46, (1120, 450, 320), 300,
    rolling=0.022, drag_area=1.5, efficiency=0.72, regen_efficiency=0.5, auxiliary=75,
)  # fmt: skip

CARTS = (
    replace(_WAGON, name="C01", customer="pier luggage desk"),
    replace(_WAGON, name="C02", customer="pier luggage desk", rolling=0.020),
    replace(_WAGON, name="C03", customer="boat yard shop", tray=(1700, 1100, 250), payload=240),
    replace(_WAGON, name="C04", customer="hill gardens", rolling=0.021, payload=220),
    replace(_VAN, name="C05", customer="laundry cooperative"),
    replace(_VAN, name="C06", customer="laundry cooperative", rolling=0.018, drag_week=14),
    replace(_VAN, name="C07", customer="north guest rooms", payload=210),
    replace(_SEATER, name="C08", customer="lighthouse walk"),
    replace(_SEATER, name="C09", customer="lighthouse walk", rolling=0.021),
    replace(
        _SEATER, name="C10", description="four-seater, older", customer="hill gardens", seats=4, system_volt=36,
        motor_watt=2600, controller_ampere=275, mass=520, payload=170, efficiency=0.70,
    ),
)  # fmt: skip

BRAKE_FACTOR = 1.3
"""A dragging brake, as a factor on the rolling coefficient."""


def _lithium(name: str, chemistry: str, cells: int, volt: float, ah: float, day: str, **more: float) -> Pack:
    """A lithium pack whose ratings follow its size: 2.2 times its capacity for long, 3.3 times for half a minute."""
    energy = volt * ah
    cell = {"LFP": 0.088, "NMC": 0.075}[chemistry]
    return Pack(
        name, chemistry, cells, volt, ah, 1.0, round(2.2 * ah, -1), round(3.3 * ah, -1),
        round(energy / (110 if chemistry == "LFP" else 150) + 6), (520, 330, 240),
        round(energy * (0.38 if chemistry == "LFP" else 0.46), -1), datetime.date.fromisoformat(day), 5.0,
        cells * cell / ah + 0.004, more.get("excess", 1.02), more.get("cycles", 0.5), more.get("fault", 0.0),
    )  # fmt: skip


def _flooded(name: str, cells: int, ah: float, day: str, excess: float, cycles: float) -> Pack:
    """A flooded lead pack, rated over 20 hours."""
    return Pack(
        name, "flooded", cells, cells * 2.0, ah, 20.0, round(0.8 * ah, -1), round(1.7 * ah, -1),
        round(cells * 2.0 * ah / 38), (1050, 380, 290), round(cells * 2.0 * ah * 0.16, -1),
        datetime.date.fromisoformat(day), 2.0, cells * 0.12 / ah + 0.005, excess, cycles,
    )  # fmt: skip


PACKS = (
    _lithium("P01", "LFP", 16, 51.2, 60, "2026-02-16", cycles=0.55),
    _lithium("P02", "LFP", 16, 51.2, 60, "2026-02-16", cycles=0.55, excess=1.01, fault=0.125),
    _lithium("P03", "LFP", 16, 51.2, 70, "2025-10-06", cycles=0.45),
    _lithium("P04", "NMC", 14, 50.4, 75, "2026-01-12", cycles=0.45, excess=1.03),
    _lithium("P05", "LFP", 24, 76.8, 50, "2025-11-03", cycles=0.5),
    _lithium("P06", "NMC", 20, 72.0, 60, "2026-02-02", cycles=0.45),
    _lithium("P07", "LFP", 24, 76.8, 46, "2025-08-11", cycles=0.4),
    _flooded("P08", 24, 165, "2025-06-23", 1.00, 0.30),
    _flooded("P09", 24, 165, "2025-12-01", 0.98, 0.30),
    _flooded("P10", 18, 165, "2024-06-17", 0.99, 0.25),
    _lithium("P11", "LFP", 12, 38.4, 100, "2026-09-07", cycles=0.4),
)

SETTINGS = (
    Settings("gentle", 80, 12, "mild", 25, "soft", 0.45),
    Settings("standard", 120, 15, "mild", 25, "normal", 0.75),
    Settings("downhill", 120, 15, "strong", 70, "normal", 0.75),
    Settings("brisk", 180, 18, "mild", 25, "quick", 1.1),
)

CELL_LIMITS = {"LFP": (3.55, 2.80), "NMC": (4.15, 3.20), "flooded": (2.45, 1.75)}
"""Charge and cut-off volts of a cell on the packs' labels. From memory; lead to 1.75 V is common practice."""

FITMENTS = (
    *((f"C{n:02d}", f"P{n:02d}", "2026-04-20", "") for n in range(3, 10)),
    ("C01", "P01", "2026-04-20", "2026-08-16"),
    ("C02", "P02", "2026-04-20", "2026-08-16"),
    ("C01", "P02", "2026-08-17", ""),
    ("C02", "P01", "2026-08-17", ""),
    ("C10", "P10", "2026-04-20", "2026-09-06"),
    ("C10", "P11", "2026-09-07", ""),
)
"""cart, pack, first day, last day (empty: still there). P01 and P02 change carts, to see whether the short range
follows the pack; C10 gets a lithium pack in place of its lead one."""


def pack_in(cart: str, day: datetime.date) -> Pack:
    """The pack that sits in `cart` on `day`."""
    text = day.isoformat()
    name = next(p for c, p, first, last in FITMENTS if c == cart and first <= text <= (last or "9999"))
    return next(pack for pack in PACKS if pack.name == name)


def cut_off(pack: Pack) -> float:
    """Loaded volts at which the pack is empty."""
    return round(CELL_LIMITS[pack.chemistry][1] * pack.cells, 1)


def charge_volt(pack: Pack) -> float:
    """Volts the charger holds at the end of a charge."""
    return round(CELL_LIMITS[pack.chemistry][0] * pack.cells, 1)
