"""The measures that come with the program, in the order they run: each sees the results of those before it."""

from __future__ import annotations

from ..stretch import Measure
from .cells import MEASURE as CELLS
from .charging import MEASURE as CHARGING
from .energy import MEASURE as ENERGY
from .heat import MEASURE as HEAT
from .limits import MEASURE as LIMITS
from .pack import MEASURE as PACK
from .performance import MEASURE as PERFORMANCE
from .projection import MEASURE as PROJECTION
from .protection import MEASURE as PROTECTION
from .reference import MEASURE as REFERENCE
from .resistance import MEASURE as RESISTANCE
from .road_load import MEASURE as ROAD_LOAD
from .state import MEASURE as STATE
from .warming import MEASURE as WARMING
from .way import MEASURE as WAY

BUILTIN: tuple[Measure, ...] = (
    WAY, ENERGY, PACK, STATE, RESISTANCE, REFERENCE, LIMITS, HEAT, PERFORMANCE, ROAD_LOAD, CHARGING, PROJECTION, CELLS,
    PROTECTION, WARMING,
)  # fmt: skip
