"""Uncertainties carried through a function of many inputs, and a figure that is known not to lie below a bound.

Numerically, so that an input that enters in two places moves both at once and cancels where it has to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from . import uncertainty as un

TAIL = 25.0
"""Standard deviations beyond which the tail of a normal distribution is taken as an exponential one."""
Inputs = Mapping[str, tuple[float, float]]
"""Value and standard uncertainty by name."""


class Figure(NamedTuple):
    """A value and its standard uncertainty, in the same unit."""

    value: float
    u: float


def propagated(of: Callable[[Mapping[str, float]], float], inputs: Inputs) -> Figure:
    """`of` at the values of independent `inputs`, and its standard uncertainty: each input moved by its own, both ways
    (JCGM 100:2008, 5.1.3, note 2)."""
    middle = {name: value for name, (value, _) in inputs.items()}
    moves = [
        (of({**middle, name: value + u}) - of({**middle, name: value - u})) / 2
        for name, (value, u) in inputs.items()
        if u
    ]
    return Figure(of(middle), un.combine(*moves))


def at_least(figure: Figure, least: float) -> Figure:
    """Mean and standard deviation of a normal distribution cut off below `least`.

    >>> value, u = at_least(Figure(0.0, 1.0), 0.0)
    >>> f"{value:.4f} {u:.4f}"
    '0.7979 0.6028'
    """
    below = (least - figure.value) / figure.u
    if below > TAIL:
        return Figure(least + figure.u / below, figure.u / below)
    left = math.erfc(below / math.sqrt(2)) / 2
    hazard = math.exp(-below * below / 2) / math.sqrt(2 * math.pi) / left
    u = figure.u * math.sqrt(max(1 + below * hazard - hazard * hazard, 1e-12))
    return Figure(figure.value + figure.u * hazard, u)
