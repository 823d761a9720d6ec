"""Which files an outing leaves behind, where they lie, and their bytes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np

from . import awkward, logs, sheets, workbook
from .drive import Driven
from .pack import Charge, recharge
from .road import ROUTES, Floats
from .season import Outing
from .sensors import Seen, fixes, instruments, logged
from .tracks import gpx
from .truth import Line, end_reason

File = tuple[str, bytes]
"""Path below `incoming`, and content."""

TIED_BY_NAME = ("C01", "C02", "C09")
TIED_BY_FOLDER = ("C04", "C05")
"""How a cart's logs find their test; the others' by logger and time."""
LOGGER_FOLDERS = ("C03", "C08")
"""Carts whose logger's files lie in a folder of its name; other loggers put it in the file's name."""
SPARE_TEST = ("C04", "2026-07-16")
"""The day a borrowed logger stood in for the cart's own."""
TIMELESS_TRACK = ("C04", "2026-08-27")
"""The day the receiver kept no times."""
LOST_CARD = "C07 20260921"
"""The everyday log that turned up on a card, nobody knows from which cart."""


def _shape(outing: Outing) -> logs.Shape:
    if (outing.cart.name, outing.day.isoformat()) == SPARE_TEST:
        return logs.SPARE
    shape = logs.SHAPES[outing.cart.name]
    return shape if outing.kind == "range" else logs.slower(shape)


def _folder(outing: Outing) -> str:
    cart = outing.cart.name
    if outing.name == LOST_CARD:
        return "found card"
    if cart in TIED_BY_FOLDER:
        return f"{cart}/{outing.name}" if outing.kind == "range" else cart
    return f"{logs.SHAPES[cart].logger}" if cart in LOGGER_FOLDERS else f"{outing.day:%Y-%m}"


def log_name(outing: Outing) -> str:
    """The name of the outing's log, without its folder."""
    cart, shape = outing.cart.name, _shape(outing)
    if outing.name == LOST_CARD:
        return "log0007.csv"
    if shape is logs.SPARE:
        return "spare-logger.csv"
    if outing.kind == "range" and cart in TIED_BY_FOLDER:
        return "pack.csv"
    if outing.kind == "range" and cart in TIED_BY_NAME:
        return f"{cart if cart == 'C02' else outing.pack.name}-{outing.day:%m%d}.csv"
    day = f"{outing.day:%Y%m%d}"
    return f"{day}.csv" if cart in LOGGER_FOLDERS else f"{shape.logger}-{day}.csv"


def track_name(outing: Outing) -> str | None:
    """The name of the outing's track, without its folder; None where the cart has no receiver."""
    cart = outing.cart.name
    if cart not in sheets.RECEIVERS or outing.kind != "range":
        return None
    if cart in TIED_BY_FOLDER:
        return "track.gpx"
    if cart in TIED_BY_NAME:
        return f"{outing.pack.name}-{outing.day:%m%d}.gpx"
    return f"{sheets.RECEIVERS[cart]}-{outing.day:%Y%m%d}.gpx"


def charge_of(driven: Driven, row: int, outing: Outing) -> Charge | None:
    """The recharge at the end of the outing's log, one row a sample of its logger; None where none was logged."""
    if not outing.recharge:
        return None
    size, book = float(driven.facts.size[row]), driven.ledger
    used = float(book.out_charge[row] - book.in_charge[row]) / 3600
    left = max(1 - used / size - (1 - outing.charge), 0.0)
    return recharge(outing.pack, size, left, float(driven.facts.ohm[row]), float(_shape(outing).period))


def recharged(driven: Driven, row: int, outing: Outing) -> list[Line]:
    """The truth of the recharge in the outing's log, if there is one."""
    charge = charge_of(driven, row, outing)
    if charge is None:
        return []
    hours = _shape(outing).period / 3600
    ah, wh = float(np.sum(charge.ampere)) * hours, float(np.sum(charge.ampere * charge.volt)) * hours
    return [(outing.name, "charge_ah", ah, "A.h"), (outing.name, "charge_wh", wh, "W.h")]


def _truth_seen(driven: Driven, row: int, outing: Outing) -> Seen:
    """All that passed the logger's eyes, at its own pace."""
    track, period = driven.tracks[row], _shape(outing).period
    cut = slice(0, len(track.volt), period)
    singles = (track.volt, track.ampere, track.celsius, track.speed)
    columns: list[Floats] = [each[cut].astype(np.float64) for each in singles]
    charge = charge_of(driven, row, outing)
    if charge is not None:
        still = np.zeros(len(charge.volt))
        later = (charge.volt, charge.ampere, still + columns[2][-1], still)
        columns = [np.concatenate(pair) for pair in zip(columns, later, strict=True)]
    return Seen(np.arange(len(columns[0]), dtype=np.float64) * np.float64(period), *columns)


def log(driven: Driven, row: int, outing: Outing, seed: int) -> File:
    """The outing's log."""
    shape, rng = _shape(outing), np.random.default_rng([seed, 5, *outing.name.encode()])
    seen = logged(_truth_seen(driven, row, outing), instruments(outing.cart.name, seed), rng)
    top = logs.head(shape, outing.started)
    lines = [*top, *logs.rows(seen, shape, outing.started)]
    fault = awkward.FAULTS.get(outing.name)
    if fault is not None:
        lines = fault(lines, len(top), shape.period)
    return f"{_folder(outing)}/{log_name(outing)}", logs.encode(lines, shape)


def track(driven: Driven, row: int, outing: Outing, seed: int) -> Iterator[File]:
    """The outing's track, where its cart has a receiver. Most keep every other second."""
    name, rng = track_name(outing), np.random.default_rng([seed, 6, *outing.name.encode()])
    if name is not None:
        kept = fixes(driven.tracks[row], ROUTES[outing.route], 1 if outing.cart.name in ("C01", "C06") else 2, rng)
        times = (outing.cart.name, outing.day.isoformat()) != TIMELESS_TRACK
        yield f"{_folder(outing)}/{name}", gpx(kept, outing.started, outing.route, times).encode()


def sheet(driven: Driven, row: int, outing: Outing, seed: int) -> Iterator[File]:
    """The outing's sheet, when it is a test. C06's technician uses a spreadsheet."""
    if outing.kind != "range":
        return
    named = [log_name(outing), track_name(outing)] if outing.cart.name in TIED_BY_NAME else []
    note = "did not come off the charger full" if outing.charge < 1 else ""
    page = sheets.test_sheet(
        outing, driven.tracks[row], instruments(outing.cart.name, seed), end_reason(driven, row, outing),
        [name for name in named if name], note,
    )  # fmt: skip
    folder = _folder(outing) if outing.cart.name in TIED_BY_FOLDER else "sheets"
    if outing.cart.name == "C06":
        yield f"{folder}/{outing.name}.xlsx", workbook.xlsx(page)
    else:
        yield f"{folder}/{outing.name}.csv", sheets.text(page).encode()


def of_outing(driven: Driven, row: int, outing: Outing, seed: int) -> Iterator[File]:
    """Every file the outing leaves behind."""
    yield log(driven, row, outing, seed)
    yield from track(driven, row, outing, seed)
    yield from sheet(driven, row, outing, seed)
    if _shape(outing) is logs.SPARE:
        start = datetime.fromtimestamp(outing.started, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        yield "maps/spare.toml", logs.MAPS["spare.toml"].format(start=start).encode()


def of_shop() -> Iterator[File]:
    """Register sheets, and the maps of the loggers whose files do not say enough by themselves."""
    for name, rows in sheets.REGISTER.items():
        yield f"sheets/{name}.csv", sheets.text(rows()).encode()
    for name in ("L02.toml", "L07.toml"):
        yield f"maps/{name}", logs.MAPS[name].encode()
