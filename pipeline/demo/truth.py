"""What was really so: the exact figures of the simulation, for every test and for the things themselves."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

import numpy as np

from . import awkward
from . import pack as cells
from .drive import Driven
from .fleet import BRAKE_FACTOR, CARTS, PACKS, SEASON_START, WEEKS
from .season import Outing
from .sensors import instruments
from .state import GRAVITY, Track

Line = tuple[str, str, float | str, str]
SEASON_END = SEASON_START + datetime.timedelta(7 * WEEKS)


def end_reason(driven: Driven, row: int, outing: Outing) -> str:
    """Why the drive ended, in the words of the sheets."""
    if not driven.end.emptied[row]:
        return "time" if outing.end == "cut-off" else outing.end
    return "bms-trip" if outing.pack.name == "P06" else "cut-off"


def top_speed(track: Track) -> float:
    """Fastest speed held for 3 s, m/s."""
    held = np.lib.stride_tricks.sliding_window_view(track.speed, 4).min(axis=1)
    return float(held.max())


def _flows(driven: Driven, row: int) -> list[tuple[str, float, str]]:
    book, km = driven.ledger, float(driven.end.way[row]) / 1000
    ah_out, ah_in = book.out_charge[row] / 3600, book.in_charge[row] / 3600
    wh_out, wh_in = book.out_energy[row] / 3600, book.in_energy[row] / 3600
    return [
        ("discharging_ah", ah_out, "A.h"), ("charging_ah", ah_in, "A.h"), ("net_ah", ah_in - ah_out, "A.h"),
        ("discharging_wh", wh_out, "W.h"), ("charging_wh", wh_in, "W.h"), ("net_wh", wh_in - wh_out, "W.h"),
        ("regen_share", wh_in / wh_out, "1"), ("consumption_wh_per_km", (wh_out - wh_in) / km, "W.h/km"),
        ("discharge_ah_per_km", ah_out / km, "A.h/km"), ("peak_discharge_ampere", book.peak[row], "A"),
        ("over_continuous_second", book.over_continuous[row], "s"), ("over_peak_second", book.over_peak[row], "s"),
        ("moving_second", book.moving[row], "s"), ("climb_metre", book.climb[row], "m"),
        ("descent_metre", book.climb[row] - book.lift[row] / (driven.facts.mass[row] * GRAVITY), "m"),
    ]  # fmt: skip


def _marks(driven: Driven, row: int) -> list[tuple[str, float, str]]:
    track, way = driven.tracks[row], float(driven.end.way[row])
    drive = slice(track.rest, track.ended + 1)
    start, peak = float(track.celsius[track.rest]), float(track.celsius[drive].max())
    seconds = float(track.ended - track.rest)
    rest = float(track.volt[track.rest - 1])
    lowest = float(track.volt[drive].min())
    return [
        ("distance_metre", way, "m"), ("duration_second", seconds, "s"), ("mean_speed", way / seconds, "m/s"),
        ("mean_moving_speed", way / float(driven.ledger.moving[row]), "m/s"), ("top_speed", top_speed(track), "m/s"),
        ("rest_start_volt", rest, "V"), ("rest_end_volt", float(track.volt[-1]), "V"),
        ("lowest_loaded_volt", lowest, "V"),
        ("temperature_start", start, "Cel"), ("temperature_max", peak, "Cel"), ("temperature_rise", peak - start, "K"),
    ]  # fmt: skip


def _emptied(driven: Driven, row: int, outing: Outing) -> list[tuple[str, float, str]]:
    """Capacity is charge out less charge back in, full to cut-off; a pack that was not full shows none."""
    if not driven.end.emptied[row]:
        return []
    found = [("range_metre", float(driven.end.way[row]), "m")]
    if outing.charge < 1:
        return found
    book = driven.ledger
    return [
        *found, ("capacity_ah", (book.out_charge[row] - book.in_charge[row]) / 3600, "A.h"),
        ("capacity_wh", (book.out_energy[row] - book.in_energy[row]) / 3600, "W.h"),
    ]  # fmt: skip


def of_outing(driven: Driven, row: int, outing: Outing) -> list[Line]:
    """The truth of one outing: test (or cart and day), quantity, value, unit."""
    facts: list[tuple[str, float | str, str]] = [
        ("state_of_charge_start_percent", 100 * outing.charge, "%"),
        ("end_reason", end_reason(driven, row, outing), ""),
        ("rolling_coefficient", float(driven.facts.rolling[row]), "1"),
        ("pack_size_ah", float(driven.facts.size[row]), "A.h"),
    ]  # fmt: skip
    if awkward.FAULTS.get(outing.name) is awkward.interrupted:
        facts.append(("log_gap_second", float(awkward.GAP_SECONDS), "s"))
    found: list[tuple[str, float | str, str]] = [
        *_flows(driven, row),
        *_marks(driven, row),
        *_emptied(driven, row, outing),
        *facts,
    ]
    return [(outing.name, quantity, value, unit) for quantity, value, unit in found]


def _of_packs() -> Iterable[Line]:
    for pack in PACKS:
        first = cells.capacity(pack, max(SEASON_START, pack.in_service))
        last = cells.capacity(pack, SEASON_END)
        yield pack.name, "capacity_start_ah", first, "A.h"
        yield pack.name, "capacity_end_ah", last, "A.h"
        yield pack.name, "season_fade_percent", 100 * (1 - last / first), "%"
        yield pack.name, "resistance_start_ohm", cells.resistance(pack, max(SEASON_START, pack.in_service)), "Ohm"
        yield pack.name, "resistance_end_ohm", cells.resistance(pack, SEASON_END), "Ohm"


def _of_carts(seed: int) -> Iterable[Line]:
    for cart in CARTS:
        made = instruments(cart.name, seed)
        yield cart.name, "rolling_coefficient_start", cart.rolling, "1"
        yield cart.name, "rolling_coefficient_end", cart.rolling * (BRAKE_FACTOR if cart.drag_week else 1.0), "1"
        if cart.drag_week is not None:
            day = SEASON_START + datetime.timedelta(7 * cart.drag_week)
            yield cart.name, "brake_drags_from", day.isoformat(), ""
        yield cart.name, "drag_area", cart.drag_area, "m2"
        yield cart.name, "driveline_efficiency", cart.efficiency, "1"
        yield cart.name, "auxiliary_watt", cart.auxiliary, "W"
        yield cart.name, "current_gain", made.current_gain, "1"
        yield cart.name, "current_offset_ampere", made.current_offset, "A"
        yield cart.name, "voltage_gain", made.voltage_gain, "1"
        yield cart.name, "thermometer_offset", made.thermometer_offset, "K"
        yield cart.name, "wheel_speed_gain", made.wheel_gain, "1"
        yield cart.name, "odometer_gain", made.odometer_gain, "1"


def of_fleet(seed: int) -> list[Line]:
    """The truth of packs and carts: thing, quantity, value, unit."""
    return [*_of_packs(), *_of_carts(seed)]


def table(key: str, lines: Iterable[Line]) -> bytes:
    """Lines as CSV with the columns `key`, quantity, value, unit; every figure with all its digits."""
    body = (",".join([name, quantity, _plain(value), unit]) for name, quantity, value, unit in lines)
    return "\n".join([f"{key},quantity,value,unit", *body, ""]).encode()


def _plain(value: float | str) -> str:
    return value if isinstance(value, str) else repr(float(value))
