"""Direct-current resistance, from the steps of current that a log holds.

Two figures, as the trade has two, and both are direct-current ones (a meter that reads at 1 kHz reads less):

- **By regression** (resistance_ohm): the change of the volts over the change of the current from one sample to the
  next, over all large steps of 2 s or less. Volts also move by the charge that flows and by what relaxes meanwhile,
  so that dV = R dI + k I dt + c dt, with R, k and c by least squares: k takes the drift of the open-circuit voltage
  with charge, c that with time. A zero offset of shunt or voltmeter drops out of differences.
- **By pulse** (resistance_pulse_ohm): as the hybrid pulse test of DOE/ID-11069 has it (from memory), R = |dV / dI|
  between the last moment before a step of the current and 1, 10 or 30 s later, where the current stood before it and
  holds after it. The drift of the open-circuit voltage is taken off: dV - (dV_oc/dQ) Q, with the slope from the rest
  volts before and after.

Errors in both variables: only steps that are large against the log's range count, by the current alone, which biases
nothing in the volts. Noise in the current, of variance s^2 in a difference, pulls a slope towards nothing by the share
s^2 n / sum(dI^2) (attenuation; Fuller 1987, Measurement Error Models, 1.1, from memory); s is taken from the rests of
the log, or from the step the current is read to, the slope is divided by one less that share, and half of what this
changes is in the uncertainty. Where volts are read a part of a sample earlier or later than the current, the step of
the current shows in two steps of the volts: the steps before and after then enter as well and the slopes are added.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..reading import Finding, Floats
from ..stretch import Measure, Quantity, Result, Samples, Stretch
from . import uncertainty as un
from .flow import HOUR
from .parts import is_test, main_kind, main_parts, main_stints, rests, usual_step
from .pulses import LENGTHS, Pulses, pulses_of
from .state import RATED_U, START, warmth_of
from .steps import LEAST_STEPS, NORMAL, STEP_SECOND, Slope, Steps, fitted, large, range_of, steps_of

SLOW_SECOND = 5.0
"""A log this slow holds no step: load and volts have moved on by the next sample."""
BESIDE_SECOND = 60.0
"""How much of the rest beside a drive is looked at for pulses that begin or end there."""
FILLED_PERCENT = 30.0
"""Under this state of charge the resistance rises. Common practice, no source."""
LEAST_PULSES, FEW_SHARE = 4, 0.1
"""Fewer pulses than this do not tell how they scatter: a share is taken instead. Common practice, no source."""
MOST_SHARE = 0.2
"""A resistance less certain than this, as a share, is not given; nor one that noise has pulled down by as much."""


def compute(stretch: Stretch) -> Iterator[Result | Finding]:
    """All figures of this family for a stretch that drives, and for a test why they are missing.

    A stint of no known pack has none: a resistance says nothing until it is somebody's.
    """
    if not is_test(stretch) and not stretch.pack:
        return
    parts = [part for part in main_parts(stretch) if len(part) > 2]
    if main_kind(stretch) != "drive" or not parts:
        return
    step = max(usual_step(part.second) for part in parts)
    if step >= SLOW_SECOND:
        if is_test(stretch):
            words = f"one sample in {step:.0f} s: too slow to see steps of the current, no resistance"
            yield Finding("slow-for-resistance", "note", words)
        return
    yield from _by_regression(stretch, parts, step)
    yield from _by_pulse(stretch, until_low(stretch, with_rest(stretch)))


def _by_regression(stretch: Stretch, parts: Sequence[Samples], step: float) -> Iterator[Result | Finding]:
    steps = well_filled(stretch, large(steps_of(parts), range_of(parts)))
    slope = fitted(steps, noise_of(stretch))
    why = _unfit(slope)
    if slope is None or why:
        if is_test(stretch):
            yield Finding("no-resistance", "note", f"no resistance by regression: {why}")
        return
    gain = un.combine(un.gain(stretch.instruments, "shunt"), un.gain(stretch.instruments, "voltmeter"))
    u = un.combine(slope.u, gain * slope.ohm)
    lag = "; volts and current are not read at the same instant, allowed for" if slope.lagged else ""
    drop = f"; noise in the current allowed for, {slope.pulled:.1%}" if slope.pulled > 1e-3 else ""
    at = _at(stretch, steps)
    note = f"over {slope.steps} steps of about {step:.1f} s, direct current{lag}{drop}{_words(at)}"
    yield Result("resistance_ohm", slope.ohm, "Ohm", u, "regression", note=note)
    yield from at


def _unfit(slope: Slope | None) -> str:
    """Why `slope` is no resistance, "" where it is one."""
    if slope is None:
        return f"fewer than {LEAST_STEPS} large steps of the current within {STEP_SECOND:g} s"
    if slope.ohm <= 0:
        return "the volts do not rise with the current: are its sign and the clocks right?"
    if slope.pulled > MOST_SHARE:
        return f"noise makes up {slope.pulled:.0%} of the steps of the current"
    return f"the steps scatter by {slope.u / slope.ohm:.0%}" if slope.u > MOST_SHARE * slope.ohm else ""


def well_filled(stretch: Stretch, steps: Steps) -> Steps:
    """The steps made above 30 % of charge, as far as that is known and they are enough: towards empty the resistance
    of any cell rises steeply, and a mean over that stands for no state of charge at all and differs with how a drive
    ended."""
    percent = _percent(stretch, steps.flowed)
    filled = None if percent is None else percent >= FILLED_PERCENT
    if filled is None or filled.sum() < LEAST_STEPS:
        return steps
    return Steps(*(column[filled] for column in steps))


def _percent(stretch: Stretch, flowed: Floats) -> Floats | None:
    """State of charge (%) after each of `flowed` (A.s from the start) over the rated capacity; None where not known."""
    start, rated = stretch.known.get(START), stretch.pack.get("rated_capacity_ah")
    return None if start is None or not rated else start.value + flowed * (100 / (float(rated) * HOUR))


def noise_of(stretch: Stretch) -> float:
    """Standard deviation (A) of the noise in a difference of two currents: of those at rest, by the median, and never
    less than the step they are read to brings."""
    if stretch.samples is None:
        return 0.0
    read = np.sqrt(2) * un.of_step(un.resolution(stretch.instruments, "shunt", stretch.samples.ampere))
    still = [np.diff(part.ampere[np.isfinite(part.ampere)]) for part in rests(stretch)]
    changes = np.concatenate([*still, np.empty(0)])
    seen = NORMAL * float(np.median(np.abs(changes))) if len(changes) >= LEAST_STEPS else 0.0
    return max(float(read), seen)


def _at(stretch: Stretch, steps: Steps) -> list[Result]:
    """The state of charge and the temperature the regression stands at: means over its steps, each by its square."""
    weight = steps.ampere**2
    found = []
    percent, start = _percent(stretch, steps.flowed), stretch.known.get(START)
    if percent is not None and start is not None and start.u is not None:
        mean = float(np.average(percent, weights=weight))
        note = f"from {percent.max():.0f} to {percent.min():.0f} %, {start.value:.0f} % at the start ({start.method})"
        u = un.combine(start.u, RATED_U * (start.value - mean))
        found.append(Result("resistance_at_soc_percent", min(max(mean, 0.0), 100.0), "%", u, "counted", note=note))
    warm = np.isfinite(steps.celsius)
    known = warmth_of(stretch)
    if known is not None and known.words != "of the air":
        value = float(np.average(steps.celsius[warm], weights=weight[warm])) if warm.any() else known.celsius
        found.append(Result("resistance_at_celsius", value, "Cel", known.u, known.words.replace(" ", "-")))
    return found


def _words(at: Sequence[Result]) -> str:
    """What a resistance stands at, as it depends on both."""
    shown = {"%": "{:.0f} % of charge", "Cel": "{:.0f} °C"}
    words = " and ".join(shown[one.unit].format(one.value) for one in at)
    return f"; at {words}" if words else "; state of charge and temperature are not known"


def _by_pulse(stretch: Stretch, parts: Sequence[Samples]) -> Iterator[Result]:
    """The median over the pulses of the most usual length that has any: 10 s, else 1 s."""
    slope, words = drift_of(stretch)
    extent = range_of(parts)
    found = {length: pulses_of(parts, extent, length, slope) for length in LENGTHS}
    chosen = next((length for length in (10.0, 1.0) if len(found[length].ohm)), None)
    if chosen is None or stretch.samples is None:
        return
    pulses = found[chosen]
    ohm = float(np.median(pulses.ohm))
    if ohm <= 0:
        return
    u = _pulse_u(stretch, pulses, ohm)
    if u > MOST_SHARE * ohm:
        return
    others = "; ".join(
        f"{1e3 * float(np.median(one.ohm)):.4g} mΩ after {length:g} s ({len(one.ohm)})"
        for length, one in found.items() if length != chosen and len(one.ohm)
    )  # fmt: skip
    note = f"median of {len(pulses.ohm)} steps of {float(np.median(np.abs(pulses.ampere))):.0f} A that hold; {words}"
    note += f"; {others}" if others else ""
    yield Result("resistance_pulse_ohm", ohm, "Ohm", u, f"pulse-{chosen:g}s", note=note)


def _pulse_u(stretch: Stretch, pulses: Pulses, ohm: float) -> float:
    """Standard uncertainty (Ohm): scatter of the median of n (its standard error is 1.2533 of that of a mean), the
    steps of the meters, their gain, and half of what the drift took off."""
    count, ampere = len(pulses.ohm), float(np.median(np.abs(pulses.ampere)))
    seen = NORMAL * float(np.median(np.abs(pulses.ohm - ohm))) if count >= LEAST_PULSES else FEW_SHARE * ohm
    scatter = 1.2533 * seen / np.sqrt(count)
    assert stretch.samples is not None
    volt = np.sqrt(2) * un.of_step(un.resolution(stretch.instruments, "voltmeter", stretch.samples.volt)) / ampere
    noise = np.sqrt(2) * noise_of(stretch) / ampere * ohm
    gain = ohm * un.combine(un.gain(stretch.instruments, "shunt"), un.gain(stretch.instruments, "voltmeter"))
    drift = float(np.median(np.abs(pulses.drift))) / 2
    return un.combine(scatter, volt / np.sqrt(count), noise / np.sqrt(count), gain, drift)


def with_rest(stretch: Stretch) -> list[Samples]:
    """The main parts of `stretch`, each with the minute before and after it: a pulse out of rest begins there."""
    samples = stretch.samples
    if samples is None:
        return []
    ends = samples.second[[[stint.first, stint.last] for stint in main_stints(stretch)]]
    rows = np.searchsorted(samples.second, ends + np.array([-BESIDE_SECOND, BESIDE_SECOND]), "right")
    return [samples.part(int(first), int(last) - 1) for first, last in rows]


def until_low(stretch: Stretch, parts: Sequence[Samples]) -> Sequence[Samples]:
    """`parts` until the state of charge, as far as it is known, falls under 30 %; all, where that leaves nothing."""
    kept: list[Samples] = []
    flowed = 0.0
    for part in parts:
        ampere = np.nan_to_num(part.ampere)
        charge = flowed + np.r_[0.0, np.cumsum(np.diff(part.second) * (ampere[:-1] + ampere[1:]) / 2)]
        percent = _percent(stretch, charge)
        low = np.flatnonzero(percent < FILLED_PERCENT) if percent is not None else np.empty(0, np.int64)
        flowed = float(charge[-1])
        if len(low):
            return [*kept, part.part(0, int(low[0]) - 1)] if low[0] > 0 else kept or parts
        kept.append(part)
    return kept


def drift_of(stretch: Stretch) -> tuple[float, str]:
    """Slope of the open-circuit voltage with charge (V per A.s) between the rests before and after, 0 where they or
    what flowed are not known; and what to say of it."""
    names = ("rest_start_volt", "rest_end_volt", "net_ah")
    start, end, net = (stretch.known.get(name) for name in names)
    if start is None or end is None or net is None or net.value >= 0 or start.value <= end.value:
        return 0.0, "the drift of the open-circuit voltage is not known and not taken off"
    return (end.value - start.value) / (net.value * HOUR), "less the drift of the open-circuit voltage"


MEASURE = Measure(
    "resistance",
    "1",
    "Direct-current resistance of the pack, by pulses and by regression, and what it stands at.",
    (
        Quantity("resistance_pulse_ohm", "Ohm", "resistance 10 s (or 1 s) after a step of the current"),
        Quantity("resistance_ohm", "Ohm", "resistance over the steps from sample to sample"),
        Quantity("resistance_at_soc_percent", "%", "state of charge that resistance_ohm stands at"),
        Quantity("resistance_at_celsius", "Cel", "temperature of the pack that resistance_ohm stands at"),
    ),
    compute,
)
