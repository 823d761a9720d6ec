"""The state the pack was in: its charge before and after, by its volts at rest or by counting, and its temperature.

Volts at rest tell the state of charge by the table of the chemistry, where the pack has rested long enough for them to
settle (an hour for lithium, three for lead; chemistry.toml says from where). What is uncertain of them (the table
itself, the voltmeter, what they still move, and for lithium whether it was charged or discharged before) is carried
through the table: on the flat part of an LFP cell it comes out as tens of percent, and then there is no figure.

Other ways, each named in its result: a charge seen to its full end; the cut-off of a lithium pack; counting down from
the start by the charge that flowed, over the rated capacity; what the battery's own gauge says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..chemistry import Cell, cell_of, charge_doubted
from ..reading import Finding, Floats
from ..stints import PAUSE_SECOND
from ..stretch import Measure, Quantity, Result, Samples, Stint, Stretch
from . import uncertainty as un
from .ending import FULL_SHARE, beginning_of
from .flow import HOUR
from .marks import rest_after
from .pack import FULL_KINDS
from .parts import is_test, main_kind, main_parts, main_stints, rests, weights

START, END = "state_of_charge_start_percent", "state_of_charge_end_percent"
MOST_U = 15.0
"""A state of charge that is less certain than this (%) is not given."""
CHARGED_U = 2.0
"""Standard uncertainty (%) of full, where a charger was seen to its end. Common practice, no source."""
TAKEN_FULL_LIMIT = 5.0
"""How far from full (%) a pack may be that is only taken as full. Common practice, no source."""
CUT_OFF_LIMIT = 8.0
"""What a lithium pack may still hold (%) when it reaches the cut-off under load. Common practice, no source."""
GAUGE_LIMIT = 10.0
"""How far off a battery's own gauge may be, %. Common practice, no source."""
RATED_U = 0.1
"""Standard uncertainty of taking the rated capacity for that of the pack, as a share: packs in use hold 80 to 105 % of
it, a rectangle of 0.07, and some less. Common practice, no source."""
TAPER_SHARE = 0.25
"""A charge that ends with less than this share of its largest current ended full. Common practice, no source."""
AIR_KELVIN = 5.0
"""How far the pack may be from the temperature of the air (K) where only that is known. Common practice, no source."""
WRITTEN_STEP = 0.1
"""What people read a meter to, V."""
GAUGE, PACK_CELSIUS, AIR_CELSIUS = "state_of_charge_percent", "temperature_t1_celsius", "ambient_temperature_celsius"


class Warmth(NamedTuple):
    """Temperature of the pack (Cel), its standard uncertainty (K), and where it is from."""

    celsius: float
    u: float
    words: str


@dataclass(frozen=True)
class Rested:
    """Volts of a pack that rested. second: how long it had by then. step: what the volts are read to, V. moved: V by
    which they changed over the last half of the rest. charged: whether it was charged before, None where not known."""

    volt: float
    second: float
    step: float
    moved: float
    charged: bool | None

    @property
    def words(self) -> str:
        long = f"{self.second / HOUR:.1f} h" if self.second >= HOUR else f"{self.second / 60:.0f} min"
        return f"{self.volt:.2f} V after {long} of rest"


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """State of charge at the start and the end of `stretch`, and for a test why one is missing."""
    start, why_start = _start(stretch)
    end, why_end = _end(stretch, start)
    yield from (found for found in (start, end) if found is not None)
    if not is_test(stretch) or stretch.samples is None or main_kind(stretch) != "drive":
        return
    for found, when, why in ((start, "start", why_start), (end, "end", why_end)):
        if found is None and why:
            yield Finding("charge-unknown", "note", f"state of charge at the {when} is not known: {why}")


def _start(stretch: Stretch) -> tuple[Result | None, str]:
    """State of charge before the first main part, and why there is none by rest volts."""
    if main_kind(stretch) == "rest":
        return None, ""
    by_rest, why = _by_rest(stretch, START, rested(stretch, -1))
    full = _full_at_start(stretch)
    if full is not None and (full.method == "charged-full" or by_rest is None):
        return full, why
    if full is not None and by_rest is not None and _agree(by_rest, full):
        return replace(full, method="full-and-rested", note=f"{full.note}, but borne out: {by_rest.note}"), why
    return by_rest or _by_gauge(stretch, START, 0), why


def _full_at_start(stretch: Stretch) -> Result | None:
    """Full, where a charge was seen to its end before the first drive, or where the kind of test begins so."""
    if main_kind(stretch) != "drive" or not is_test(stretch) or stretch.samples is None:
        return None
    before = stretch.known.get("rest_start_volt")
    if stretch.kind in FULL_KINDS and not beginning_of(stretch, before.value if before else None).full:
        return None
    charge = _charge_before(stretch)
    if charge is not None:
        full = _ended_full(stretch, charge)
        return Result(START, 100.0, "%", CHARGED_U, "charged-full", note=full) if full else None
    if stretch.kind not in FULL_KINDS:
        return None
    u, note = un.of_limit(TAKEN_FULL_LIMIT), f"taken as full: a {stretch.kind} test begins so; not seen"
    return Result(START, 100.0, "%", u, "begins-full", note=note)


def _end(stretch: Stretch, start: Result | None) -> tuple[Result | None, str]:
    """State of charge after the last main part (of a rest: at its end), and why there is none by rest volts."""
    by_rest, why = _by_rest(stretch, END, rested(stretch, 1))
    counted = _counted(stretch, start)
    if counted is not None and (counted.u or 0.0) > MOST_U:
        why, counted = f"{why}; counted down it is uncertain by {counted.u:.0f} %", None
    found = _full_at_end(stretch) or by_rest or _at_cut_off(stretch) or counted or _by_gauge(stretch, END, -1)
    return found, why


def _by_rest(stretch: Stretch, quantity: str, rest: Rested | None) -> tuple[Result | None, str]:
    """State of charge by volts at rest, or why not."""
    cell, series = cell_of(stretch.pack), stretch.pack.get("cells_in_series")
    if rest is None:
        return None, "no rest was logged there"
    if cell is None or not series:
        return None, "the pack's chemistry or its cells in series are not stated"
    if rest.second < cell.settled_hours * HOUR:
        return None, f"{rest.words}, shorter than the {cell.settled_hours:g} h that {cell.chemistry} takes to settle"
    found = charge_doubted(cell, rest.volt / int(series), _cell_u(stretch, rest, cell, int(series)))
    if found is None:
        return None, f"no table of rest volts is kept for {cell.chemistry}"
    percent, u = found
    words = f"{rest.words} by the {cell.chemistry} table of rest volts"
    if u > MOST_U:
        return None, f"{words} is {percent:.0f} % with an uncertainty of {u:.0f} %, too flat there to tell"
    return Result(quantity, percent, "%", u, "rest-volts", note=f"{words} ({cell.source})"), ""


def _cell_u(stretch: Stretch, rest: Rested, cell: Cell, series: int) -> float:
    """Standard uncertainty (V) of the volts of one cell as the table has them: the table, the voltmeter, what they
    still move (a voltage that settles with the logarithm of time moves in twice the time by as much as in the last
    half), and the hysteresis, where it was not a discharge that came before."""
    meter = un.combine(un.gain(stretch.instruments, "voltmeter") * rest.volt, un.of_step(rest.step), rest.moved)
    branch = 0.0 if rest.charged is False else un.of_limit(cell.hysteresis)
    return un.combine(meter / series, cell.rest_volt_u, branch)


def rested(stretch: Stretch, way: int) -> Rested | None:
    """The rest just before the first main part (-1) or just after the last (1; of a rest stint: itself); without one
    in the log, the rest volts that were written down after the end."""
    if main_kind(stretch) == "rest":
        parts = rests(stretch)
        return _rested(stretch, parts[-1], 0.0, None) if parts and way > 0 else None
    stint = _beside(stretch, way)
    if stint is not None and stretch.samples is not None:
        part = stretch.samples.part(stint.first, stint.last)
        found = _rested(stretch, part, _since_load(stretch, stint, way), _charged_before(stretch, stint))
        if found is not None:
            return found
    marked = rest_after(stretch) if way > 0 else None
    if marked is None or marked[1] <= 0:
        return None
    return Rested(marked[0], marked[1], WRITTEN_STEP, 0.0, main_kind(stretch) == "charge")


def _beside(stretch: Stretch, way: int) -> Stint | None:
    """The rest that adjoins the first (-1) or the last (1) main stint, in rows and in time."""
    stints = main_stints(stretch)
    if not stints:
        return None
    for rest in stretch.stints:
        one, other = (rest, stints[0]) if way < 0 else (stints[-1], rest)
        apart = (other.started or 0) - (one.ended or 0)
        if rest.kind == "rest" and one.last + 1 == other.first and apart <= PAUSE_SECOND * 1e6:
            return rest
    return None


def _since_load(stretch: Stretch, rest: Stint, way: int) -> float:
    """Seconds of rest before the first row of `rest`: since the main part it follows."""
    if way < 0 or rest.started is None:
        return 0.0
    return (rest.started - (main_stints(stretch)[-1].ended or rest.started)) / 1e6


def _charged_before(stretch: Stretch, rest: Stint) -> bool | None:
    """Whether what adjoins `rest` before it was a charge; None where the log begins with the rest."""
    return next((stint.kind == "charge" for stint in stretch.stints if stint.last + 1 == rest.first), None)


def _rested(stretch: Stretch, part: Samples, before: float, charged: bool | None) -> Rested | None:
    known = np.isfinite(part.volt)
    second, volt = part.second[known], part.volt[known]
    if not len(second):
        return None
    long = float(second[-1] - second[0])
    last, half = _mean_near(second, volt, 0.0), _mean_near(second, volt, long / 2)
    step = un.resolution(stretch.instruments, "voltmeter", part.volt)
    return Rested(last, long + before, step, abs(last - half), charged)


def _mean_near(second: Floats, volt: Floats, ago: float) -> float:
    """Mean volts of the minute that ends `ago` seconds before the last sample (of the nearest sample, where it is
    empty)."""
    end = second[-1] - ago
    inside = (second <= end) & (second >= end - 60)
    return float(np.mean(volt[inside])) if inside.any() else float(volt[np.argmin(np.abs(second - end))])


def _charge_before(stretch: Stretch) -> Samples | None:
    """The charge before the first drive, with nothing but rest between."""
    kinds = [stint.kind for stint in stretch.stints]
    first = kinds.index("drive") if "drive" in kinds else 0
    before = [stint for stint in stretch.stints[:first] if stint.kind == "charge"]
    return stretch.samples.part(before[-1].first, before[-1].last) if before and stretch.samples else None


def _full_at_end(stretch: Stretch) -> Result | None:
    parts = main_parts(stretch)
    if main_kind(stretch) != "charge" or not parts:
        return None
    full = _ended_full(stretch, parts[-1])
    return Result(END, 100.0, "%", CHARGED_U, "charged-full", note=full) if full else None


def _ended_full(stretch: Stretch, charge: Samples) -> str:
    """How it is seen that `charge` ended full: it reached the charge voltage and its current had fallen off; else
    ""."""
    volt, ampere = charge.volt, charge.ampere
    known = np.isfinite(volt) & np.isfinite(ampere)
    cell, series = cell_of(stretch.pack), stretch.pack.get("cells_in_series")
    full = stretch.pack.get("charge_voltage_volt") or (cell.full * int(series) if cell and series else None)
    charging = ampere[known & (ampere > 0)]
    if not full or not len(charging):
        return ""
    most, last = float(np.max(volt[known])), float(np.median(charging[-10:]))
    if most < FULL_SHARE * float(full) or last > TAPER_SHARE * float(charging.max()):
        return ""
    return f"charged to {most:.1f} V, the current down to {last:.2g} A"


def _at_cut_off(stretch: Stretch) -> Result | None:
    """Empty, where a lithium pack went from full to its cut-off. Lead that was drawn fast still holds much."""
    cell, whole = cell_of(stretch.pack), stretch.known.get("capacity_ah")
    if cell is None or cell.family != "lithium" or whole is None or whole.lower_bound:
        return None
    note = "at the cut-off under load; what a harder load leaves behind is in the uncertainty"
    return Result(END, 0.0, "%", un.of_limit(CUT_OFF_LIMIT), "cut-off", note=note)


def _counted(stretch: Stretch, start: Result | None) -> Result | None:
    """Start and what flowed since over the rated capacity, which is not quite the pack's."""
    net, rated = stretch.known.get("net_ah"), stretch.pack.get("rated_capacity_ah")
    if start is None or start.u is None or net is None or net.u is None or not rated:
        return None
    if main_kind(stretch) == "charge" or start.method == "gauge":
        return None  # not all that goes in stays there; and a gauge tells the end as well as the start
    depth = 100 * net.value / float(rated)
    u = un.combine(start.u, 100 * net.u / float(rated), RATED_U * depth)
    note = f"{start.value:.0f} % at the start ({start.method}), {depth:+.0f} % of {float(rated):g} Ah as rated"
    return Result(END, min(max(start.value + depth, 0.0), 100.0), "%", u, "counted", note=note)


def _by_gauge(stretch: Stretch, quantity: str, row: int) -> Result | None:
    """What the battery's own gauge says in the first (0) or last (-1) row of the main parts that has it."""
    logged = [part.other[GAUGE] for part in main_parts(stretch) if GAUGE in part.other]
    known = np.concatenate([*logged, np.empty(0)])
    known = known[np.isfinite(known)]
    if not len(known):
        return None
    note = "as the battery's own gauge says"
    return Result(quantity, float(known[row]), "%", un.of_limit(GAUGE_LIMIT), "gauge", note=note)


def _agree(one: Result, other: Result) -> bool:
    return abs(one.value - other.value) <= 2 * un.combine(one.u or 0.0, other.u or 0.0)


def warmth_of(stretch: Stretch) -> Warmth | None:
    """Temperature of the pack over the main parts of `stretch`: by its log, else by the marks, else by the air."""
    u = un.thermometer(stretch.instruments)
    logged = _mean_logged(stretch)
    if logged is not None:
        return Warmth(logged, u, "as logged")
    for name, more, words in ((PACK_CELSIUS, 0.0, "as written down"), (AIR_CELSIUS, AIR_KELVIN, "of the air")):
        marked = [float(mark[name]) for mark in stretch.marks if mark.get(name) is not None]
        if marked:
            return Warmth(float(np.mean(marked)), un.combine(u, un.of_limit(more)), words)
    air = stretch.test.get("ambient_celsius")
    return None if air is None else Warmth(float(air), un.combine(u, un.of_limit(AIR_KELVIN)), "of the air")


def _mean_logged(stretch: Stretch) -> float | None:
    """Mean over time (Cel) of the pack's temperature in the main parts."""
    total, long = 0.0, 0.0
    for part in main_parts(stretch):
        celsius = part.other.get(PACK_CELSIUS, np.empty(0))
        known = np.isfinite(celsius)
        if known.sum() > 1:
            weight = weights(part.second[known])
            total, long = total + float((weight * celsius[known]).sum()), long + float(weight.sum())
    return total / long if long else None


MEASURE = Measure(
    "state",
    "1",
    "State of charge at the start and the end.",
    (
        Quantity(START, "%", "state of charge at the start"),
        Quantity(END, "%", "state of charge at the end"),
    ),
    compute,
)
