"""How far a full pack would have gone: of a test that stopped before the cut-off, and at reference conditions.

Projected: a way D that took the share x of what the pack gives from full to the cut-off makes a range

    R = D (1 + (1/x - 1) r),   x = Q / (C w p),   p = (C / (I H))^(k - 1)

Q: charge drawn, net of regen, A.h. C: capacity at 25 Cel over the rated hours H. w: share of it at the temperature.
p: share of it at the current I (A, mean over the drive), by Peukert (reference.py has the law). r: way for a charge on
the rest of the drive over that so far, 1 with a doubt. Between two states of charge s and e (%), C = 100 Q / (s - e),
so that x hardly hangs on Q. Else C is what packs in use hold of the rated capacity. The range is no less than D: the
normal distribution of R is cut off there, and its mean and standard deviation are the figure (JCGM 101:2008 has such
probability densities; the formula is the textbook's of a truncated normal).

Reference conditions: capacity at 25 Cel over the rated hours, a payload of 80 kg, 5 m/s, level ground. The range goes
with the capacity and against what a metre takes, where the drive told its road load:

    E = (m g c + d A v^2 / 2) / e + P0 / v,   and for the climb of the drive m g (h - b down) / (e D)

c: rolling coefficient. A: drag area, m2. e: driveline efficiency. P0: accessories, W. d: density of air, 1.2 kg/m3.
h, down: metres up and down. b: share of the height that comes back on the way down. Only the ratio of the two E counts,
so what is uncertain of c, e and the cart's mass largely cancels in it, as it does in the program, which moves each
input in both at once (JCGM 100:2008, 5.1.3). Road-load figures are taken as independent of each other, which makes the
doubt rather too large, as rolling and efficiency go together. Of a measured range the capacity cancels likewise: what
is left is the doubt of bringing it to reference conditions; of a projected one temperature and rate cancel. Wind and
stops are left as they were. Where the road load is not known only the capacity is brought to reference conditions, and
what payload, speed and climb would make by usual road loads is in the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from ..chemistry import Cell, cell_of, peukert, rated_hours, warmth_share
from ..reading import Finding
from ..stretch import Measure, Quantity, Result, Stretch
from . import uncertainty as un
from .ending import ending_of
from .motion import MASS_LIMIT
from .propagation import Figure, Inputs, at_least, propagated
from .reference import KNOWN_BY_ITSELF, LEFT_SHARE, Course, course_of
from .road_load import DRAG, DRAG_LIMIT, GRAVITY, LOSS, LOSS_LIMIT, road_force
from .state import END, START, TAKEN_FULL_LIMIT, Warmth, warmth_of

REFERENCE_PAYLOAD_KG = 80.0
REFERENCE_SPEED = 5.0
"""m/s."""
AIR = 1.2
"""Density, kg/m3: 20 Cel at sea level (ISO 2533 has 1.204)."""
LEAST_SHARE = 0.2
"""Share of the charge that has to be used for a projection. Common practice, no source."""
IN_USE = {"lithium": (0.80, 1.05), "lead": (0.60, 1.05)}
"""What packs in use hold of their rated capacity, least and most, anything between as likely. Lithium is mostly
replaced at 80 %; lead is driven on past the 80 % at which standby batteries are replaced (IEEE 450). Common practice,
no source."""
OWN_U = 0.05
"""Doubt of a capacity of the pack's own tests that comes without one, as a share. Common practice, no source."""
REST_LIMIT = 0.1
"""How much more or less way a charge may make on the rest of the drive (falling volts, other slopes and speeds), as a
share. Common practice, no source."""
USUAL_WARMTH = Warmth(20.0, un.of_limit(15.0), "not known, taken as 5 to 35 °C")
USUAL = {
    "mass": (500.0, 150.0), "payload": (180.0, 100.0), "speed": (5.0, 2.0),
    "up": (0.005, 0.005), "down": (0.005, 0.005), "rolling": (0.020, 0.008), "auxiliary": (75.0, 75.0),
    "drag": (DRAG, DRAG_LIMIT), "efficiency": (1 / LOSS, LOSS_LIMIT / LOSS**2), "back": (0.75, 0.25),
}  # fmt: skip
"""What a drive is taken to be like in what it does not tell, and the limit of error of that: kg, m/s, metres up and
down a metre, road load. back: share of the height that comes back on the way down: all where the slope is gentler than
the rolling coefficient, about half where brakes take what is more. Common practice, no source."""
MODEL_LIMIT = 0.25
"""How far off a correction by the road load may be, as a share of it: stops and corners are not in it. Common practice,
no source."""
FAR = 3.0
"""Standard uncertainties. Charge drawn that is so far above what is expected is not explained by its doubt."""
BEGINS = (*KNOWN_BY_ITSELF, "begins-full", "gauge")
ENDS = (*KNOWN_BY_ITSELF, "gauge")


class Way(NamedTuple):
    """A way to a projection. method, words: what the share used is from. hours: rated ones (H)."""

    method: str
    words: str
    inputs: Inputs
    hours: float


def consumption(
    mass: float, rolling: float, drag: float, efficiency: float, auxiliary: float, speed: float, density: float = AIR
) -> float:
    """Energy (W.h/m) that a metre of level ground takes at a steady `speed` (m/s): P / v / 3600 with
    P = (m g c v + d A v^3 / 2) / e + P0. mass: kg. rolling, efficiency: 1. drag: m2. auxiliary: W. density: kg/m3.

    >>> round(1609.344 * consumption(550.0, 0.020, 1.2, 0.75, 0.0, 20 * 0.44704), 1)
    98.6
    """
    force = road_force(mass, rolling, drag, speed, density=density)
    return (force / efficiency + auxiliary / speed) / 3600


def share_used(given: Mapping[str, float], hours: float) -> float:
    """Share (1) of the charge from full to the cut-off that is used. given: `drawn` (A.h) and either `capacity` (A.h,
    over `hours`) or `between` (% of charge); `warmth`, `full`, `left`: factors on the charge; `peukert`; `took` (h)."""
    drawn = given["drawn"]
    capacity = given["capacity"] if "capacity" in given else 100 * drawn / given["between"]
    rate = (capacity * given["took"] / (drawn * hours)) ** (given["peukert"] - 1)
    return float(drawn / (capacity * rate * given["warmth"] * given["full"] * given["left"]))


def range_of(given: Mapping[str, float], hours: float) -> float:
    """Range (m): D (1 + (1/x - 1) r). given: as for share_used(), with `distance` (m) and `rest` (1)."""
    return given["distance"] * (1 + (1 / share_used(given, hours) - 1) * given["rest"])


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """The projected range of a test that stopped before the cut-off, and the range at reference conditions. Where a
    test is of another kind, or was charged on the way, there is no capacity, and so nothing here."""
    measured, whole = stretch.known.get("range_metre"), stretch.known.get("capacity_ah")
    if whole is not None and whole.lower_bound:
        if not ending_of(stretch).reached:  # else it did not begin full, and how full is not known
            yield from _projected(stretch)
    elif measured is not None and whole is not None:
        yield from _measured(stretch, measured, whole)


# --- projected ---------------------------------------------------------------------------------------


def _projected(stretch: Stretch) -> Iterator[Result | Finding]:
    way, found = stretch.known.get("distance_metre"), _ways(stretch)
    if way is None or way.u is None:
        if stretch.kind == "range":  # a capacity test may well stand on a bench
            yield _unclear("no distance is known")
        return
    if isinstance(found, str):
        yield _unclear(found)
        return
    distance = Figure(way.value, way.u)
    best = min(found, key=lambda one: _range(one, distance).u)
    share = propagated(lambda given: share_used(given, best.hours), best.inputs)
    free = _range(best, distance)
    why = _why_not(share, free)
    if why:
        yield _unclear(why)
        return
    figure = at_least(free, distance.value)
    note = f"{distance.value:.0f} m on {share.value:.0%} of the charge; {best.words}"
    yield Result("projected_range_metre", figure.value, "m", figure.u, best.method, way.lower_bound, note)
    at_rated = best._replace(inputs={**best.inputs, "warmth": (1.0, 0.0), "peukert": (1.0, 0.0), "left": (1.0, 0.0)})
    if not way.lower_bound:
        yield from _reference(stretch, _range(at_rated, distance), best.method, f"projected: {note}")


def _range(way: Way, distance: Figure) -> Figure:
    inputs = {**way.inputs, "distance": (distance.value, distance.u), "rest": (1.0, un.of_limit(REST_LIMIT))}
    return propagated(lambda given: range_of(given, way.hours), inputs)


def _why_not(share: Figure, figure: Figure) -> str:
    """Why there is no projected range, "" where there is one."""
    if share.value < LEAST_SHARE:
        return f"{share.value:.0%} of the charge was used, {LEAST_SHARE:.0%} are needed"
    if share.value - 1 > FAR * share.u:
        return f"{share.value:.0%} of what the pack is expected to give was drawn, and no cut-off was seen"
    if figure.u > un.MOST_DOUBT * figure.value:
        return f"{figure.value:.0f} m with an uncertainty of {figure.u:.0f} m says little"
    return ""


def _unclear(why: str) -> Finding:
    return Finding("range-unclear", "note", f"no projected range: {why}")


def _ways(stretch: Stretch) -> list[Way] | str:
    """The ways to the share that was used, or why there is none."""
    net, cell, hours = stretch.known.get("net_ah"), cell_of(stretch.pack), rated_hours(stretch.pack)
    course = course_of(stretch)
    if net is None or net.u is None or net.value >= 0 or course is None:
        return "no charge was drawn"
    if cell is None or hours is None:
        return "the chemistry of the pack is not stated"
    drawn = Figure(-net.value * _over_gaps(stretch), net.u)
    warmth = warmth_of(stretch) or USUAL_WARMTH
    shared = _given_up(stretch.pack, cell, drawn, course, warmth)
    words = f"at {warmth.celsius:.0f} °C ({warmth.words})"
    found = [*_by_charge(stretch), *_by_capacity(stretch, cell)]
    if not found:
        return "no rated capacity is stated for the pack, and its state of charge is not known"
    return [Way(method, f"{said}, {words}", {**shared, **own}, hours) for method, said, own in found]


def _over_gaps(stretch: Stretch) -> float:
    """Factor on the charge logged that adds what gaps of the log held at the mean current: the way goes on in them.
    Their doubt is in that of the charge."""
    second, gap = stretch.known.get("duration_second"), stretch.known.get("gap_second")
    if second is None or gap is None or gap.value >= second.value:
        return 1.0
    return second.value / (second.value - gap.value)


def _given_up(
    pack: Mapping[str, Any], cell: Cell, drawn: Figure, course: Course, warmth: Warmth
) -> dict[str, tuple[float, float]]:
    """What goes into a share used besides the capacity. drawn: A.h. Bursts draw more than their mean does and bring the
    cut-off before the pack is empty, as in reference.py."""
    k, k_u, _ = peukert(pack) or (cell.peukert, cell.peukert_u, "")
    left = un.combine(
        un.of_limit((1 - 1 / k) * math.log(course.bursts)), un.of_limit(LEFT_SHARE * (1 - 1 / course.bursts))
    )
    return {
        "drawn": (drawn.value, drawn.u),
        "took": (course.hours, 0.0),
        "warmth": warmth_share(cell, warmth.celsius, warmth.u),
        "peukert": (k, k_u),
        "full": (1.0, un.of_limit(TAKEN_FULL_LIMIT / 100)),
        "left": (1.0, left),
    }


Told = tuple[str, str, dict[str, tuple[float, float]]]


def _by_charge(stretch: Stretch) -> Iterator[Told]:
    """By the states of charge before and after, where they do not themselves go by a capacity."""
    start, end = stretch.known.get(START), stretch.known.get(END)
    if start is None or end is None or start.u is None or end.u is None:
        return
    between, u = start.value - end.value, un.combine(start.u, end.u)
    if start.method not in BEGINS or end.method not in ENDS or u > un.MOST_DOUBT * between:
        return
    words = f"from {start.value:.0f} % ({start.method}) to {end.value:.0f} % ({end.method})"
    yield end.method, words, {"between": (between, u)}


def _by_capacity(stretch: Stretch, cell: Cell) -> Iterator[Told]:
    """By what the pack holds: by its own tests where its row has that, else by what packs in use hold of the rated."""
    own, rated = stretch.pack.get("capacity_reference_ah"), stretch.pack.get("rated_capacity_ah")
    own_u = stretch.pack.get("capacity_reference_ah_u") or OWN_U * float(own or 0)
    if own and own_u <= un.MOST_DOUBT * float(own):
        words = f"of {float(own):.1f} Ah by the pack's own tests"
        yield "own-capacity", words, {"capacity": (float(own), float(own_u))}
    elif rated:
        least, most = (float(rated) * share for share in IN_USE[cell.family])
        words = f"of {float(rated):g} Ah as rated, of which packs in use hold {least:.0f} to {most:.0f} Ah"
        yield "rated-capacity", words, {"capacity": ((least + most) / 2, un.of_limit((most - least) / 2))}


# --- at reference conditions -------------------------------------------------------------------------


def _measured(stretch: Stretch, measured: Result, whole: Result) -> Iterator[Result]:
    """The range that was driven, brought to reference conditions."""
    reference = stretch.known.get("capacity_reference_ah")
    if reference is None or None in (reference.u, measured.u, whole.u) or measured.lower_bound:
        return
    own = math.sqrt(max(_share(reference) ** 2 - _share(whole) ** 2, 0.0))
    value = measured.value * reference.value / whole.value
    words = f"driven: {measured.value:.0f} m; capacity {reference.value:.1f} Ah for {whole.value:.1f} Ah"
    yield from _reference(stretch, Figure(value, value * un.combine(own, _share(measured))), measured.method, words)


def _share(result: Result) -> float:
    return (result.u or 0.0) / result.value


def _reference(stretch: Stretch, at_rated: Figure, method: str, words: str) -> Iterator[Result]:
    """`at_rated`, a range (m) at 25 Cel and the rated hours, brought to reference payload, speed and level ground."""
    inputs, told = road_inputs(stretch)
    ratio = propagated(saved, inputs)
    note = "at 25 °C and the rated hours"
    if told:
        ratio = Figure(ratio.value, un.combine(ratio.u, un.of_limit(MODEL_LIMIT * (ratio.value - 1))))
        note += f", {REFERENCE_PAYLOAD_KG:g} kg of payload, {REFERENCE_SPEED:g} m/s, level ground"
        note += f"; a metre took {ratio.value:.3f} times as much as there"
        method = f"{method}-road-load"
    else:
        ratio = Figure(1.0, un.combine(ratio.u, un.of_limit(ratio.value - 1)))
        note += "; the road load is not known: payload, speed and climb as driven"
        note += f", which by usual road loads may make {100 * ratio.u:.0f} %, in the uncertainty"
    value = at_rated.value * ratio.value
    u = value * un.combine(at_rated.u / at_rated.value, ratio.u / ratio.value)
    if u <= un.MOST_DOUBT * value:
        yield Result("reference_range_metre", value, "m", u, method, note=f"{note}; {words}")


def road_inputs(stretch: Stretch) -> tuple[Inputs, bool]:
    """Masses (kg), speed (m/s), climb and descent (m a metre) and road load of a drive, each as told, else as usual;
    and whether rolling, accessories, speed and the masses were all told. Drag and driveline hardly matter to a ratio,
    and where the road load told none it took them as usual itself."""
    known = {name: (one.value, one.u) for name, one in stretch.known.items() if one.u is not None}
    way = known.get("distance_metre", (0.0, 0.0))[0]
    mass, payload = stretch.cart.get("mass_kg"), stretch.test.get("payload_kg")
    told = {
        "mass": _stated(mass), "payload": _stated(payload),
        "speed": known.get("mean_moving_speed") or known.get("level_speed"),
        "up": _a_metre(known.get("climb_metre"), way), "down": _a_metre(known.get("descent_metre"), way),
        "rolling": known.get("rolling_coefficient"), "auxiliary": known.get("auxiliary_watt"),
        "drag": known.get("drag_area_m2"), "efficiency": known.get("driveline_efficiency"),
    }  # fmt: skip
    usual = {name: (value, un.of_limit(limit)) for name, (value, limit) in USUAL.items()}
    inputs = {**usual, **{name: one for name, one in told.items() if one is not None}}
    return inputs, all(told[name] is not None for name in ("mass", "payload", "speed", "rolling", "auxiliary"))


def _stated(mass: float | None) -> tuple[float, float] | None:
    return None if mass is None else (float(mass), un.of_limit(MASS_LIMIT * float(mass)))


def _a_metre(height: tuple[float, float] | None, way: float) -> tuple[float, float] | None:
    return None if height is None or way <= 0 else (height[0] / way, height[1] / way)


def saved(given: Mapping[str, float]) -> float:
    """What a metre took as it was driven over what it takes at reference conditions, 1. given: as road_inputs()."""
    road = given["rolling"], given["drag"], given["efficiency"], given["auxiliary"]
    mass = given["mass"] + given["payload"]
    lift = mass * GRAVITY * (given["up"] - given["back"] * given["down"]) / given["efficiency"] / 3600
    driven = consumption(mass, *road, given["speed"]) + lift
    return driven / consumption(given["mass"] + REFERENCE_PAYLOAD_KG, *road, REFERENCE_SPEED)


MEASURE = Measure(
    "projection",
    "1",
    "How far a full pack would have gone, where the test stopped early, and at reference conditions.",
    (
        Quantity("projected_range_metre", "m", "way from full to cut-off, of a test that stopped before it"),
        Quantity("reference_range_metre", "m", "range at 25 °C, rated hours, 80 kg of payload, 5 m/s, level ground"),
    ),
    compute,
)
