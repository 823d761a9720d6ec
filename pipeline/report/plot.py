"""A recipe's answer as a picture: Vega-Lite, drawn without a browser and without the network.

The recipe says which marks and columns; this says how it looks. One accent colour; where a column is told apart by
colour it is told apart by shape or dashes too, so that the picture can be printed in black and white. Colours of
several things are those of Okabe and Ito (2008), made to be told apart by colour-blind people.
"""

from __future__ import annotations

import copy
import datetime
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import UsageProblem
from ..units import shown

if TYPE_CHECKING:
    import pyarrow as pa

    from rangebook.queries import Column

MOST_ROWS = 20_000
ACCENT = "#0b5394"
_INK, _PALE = "#333333", "#e4e4e4"
_SEVERAL = ["#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000"]
_SHAPES = ["circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "stroke"]
_DASHES = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 1], [1, 3], [10, 4]]

THEME: Mapping[str, Any] = {
    "background": "white",
    "font": "Liberation Sans, Arial, sans-serif",
    "padding": 12,
    "view": {"stroke": None},
    "title": {
        "anchor": "start", "frame": "group", "offset": 14, "fontSize": 16, "color": _INK,
        "subtitleColor": "#666666", "subtitleFontSize": 12, "subtitlePadding": 6,
    },
    "axis": {
        "labelColor": _INK, "labelFontSize": 12, "labelLimit": 260, "titleColor": _INK, "titleFontSize": 12,
        "titleFontWeight": "normal", "titlePadding": 10, "domain": False, "ticks": False, "labelPadding": 6,
        "gridColor": _PALE,
    },
    "axisQuantitative": {"tickCount": 6},
    "legend": {
        "labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal", "labelColor": _INK, "titleColor": _INK,
        "symbolSize": 90, "orient": "top", "offset": 10,
    },
    "mark": {"color": ACCENT},
    "point": {"filled": True, "size": 90, "opacity": 1},
    "line": {"strokeWidth": 2},
    "rule": {"strokeWidth": 2, "color": ACCENT},
    "range": {"category": _SEVERAL, "symbol": _SHAPES},
}  # fmt: skip


def draw(
    plot: Mapping[str, Any], table: pa.Table, columns: Sequence[Column], title: str, path: Path, system: str = "km"
) -> None:
    """Draw `table` as `plot` (a recipe's Vega-Lite fragment) says, into `path`: .svg, or .png at twice the size.

    `columns` say the label and the unit of each column, and so the titles of axes; `table` is in those units, and is
    drawn in those of `system` ("mi" or "km"). Rows without a value for the mark on top are left out and counted under
    the title. Raises UsageProblem for another ending, for more than 20,000 rows, and for a plot that would fetch data
    or pictures.
    """
    import vl_convert

    if path.suffix.lower() not in (".svg", ".png"):
        raise UsageProblem(f"cannot draw `{path.name}`", "give the plot's file the ending .svg or .png")
    if table.num_rows > MOST_ROWS:
        raise UsageProblem(
            f"{table.num_rows:,} rows are too many to draw, {MOST_ROWS:,} at most", "ask for fewer with the parameters"
        )
    _refuse_fetching(plot)
    picture = specification(plot, table, columns, title, system)
    if path.suffix.lower() == ".svg":
        path.write_text(vl_convert.vegalite_to_svg(picture, allowed_base_urls=[]), encoding="utf-8")
    else:
        path.write_bytes(vl_convert.vegalite_to_png(picture, scale=2, allowed_base_urls=[]))


def _refuse_fetching(part: Any) -> None:
    """Raise UsageProblem for data or pictures from elsewhere; the renderer would go and get them."""
    if isinstance(part, Mapping):
        if part.keys() & {"data", "url"} or "image" in (part.get("mark"), part.get("type")):
            raise UsageProblem("a plot may draw the recipe's own rows only, and no pictures", "mend the recipe's plot")
        part = list(part.values())
    if isinstance(part, list):
        for item in part:
            _refuse_fetching(item)


def specification(
    plot: Mapping[str, Any], table: pa.Table, columns: Sequence[Column], title: str, system: str = "km"
) -> dict[str, Any]:
    """The whole Vega-Lite specification: data, sizes, titles and theme added to the fragment `plot`."""
    fragment = copy.deepcopy(dict(plot))
    channels = list(_channels(fragment))
    scales = {column.name: shown(1.0, column.unit, system) for column in columns}
    rows = [{name: _value(value, scales[name][0]) for name, value in row.items()} for row in table.to_pylist()]
    needed = set(_top_fields(fragment)) & set(table.column_names)
    drawn = [row for row in rows if all(row[name] is not None for name in needed)]
    _put_kinds(channels, table)
    _put_titles(fragment, {column.name: _title(column.label, scales[column.name][1]) for column in columns})
    _put_order(channels, drawn)
    _put_second_signs(fragment)
    if not drawn:
        return _nothing(title)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "title": _heading(title, len(rows) - len(drawn)),
        "width": 560,
        "height": {"step": 28} if _is_named(channels, "y") else 320,
        "config": THEME,
        "data": {"values": drawn},
        **fragment,
    }


def _heading(title: str, left_out: int) -> dict[str, str]:
    words = "1 row has" if left_out == 1 else f"{left_out} rows have"
    return {"text": title, **({"subtitle": f"{words} no figure to draw"} if left_out else {})}


def _nothing(title: str) -> dict[str, Any]:
    return {
        "title": _heading(title, 0),
        "width": 560,
        "height": 60,
        "config": THEME,
        "data": {"values": [{"words": "no figures to draw"}]},
        "mark": {"type": "text", "fontSize": 13, "color": "#666666"},
        "encoding": {"text": {"field": "words"}},
    }


def _parts(fragment: dict[str, Any]) -> list[dict[str, Any]]:
    """The fragment itself and its layers, the one drawn last at the end."""
    return [fragment, *fragment.get("layer", [])]


def _channels(fragment: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every channel of every encoding, with its name."""
    for part in _parts(fragment):
        for name, channel in part.get("encoding", {}).items():
            if isinstance(channel, dict):
                yield name, channel


def _top_fields(fragment: dict[str, Any]) -> list[str]:
    """Fields that place the mark on top: a row lacking one cannot be drawn."""
    places = {**fragment.get("encoding", {}), **_parts(fragment)[-1].get("encoding", {})}
    return [places[name]["field"] for name in ("x", "y") if "field" in places.get(name, {})]


def _title(label: str, unit: str) -> str:
    words = label[:1].upper() + label[1:]
    return f"{words} ({unit})" if unit else words


def _put_titles(fragment: dict[str, Any], titles: Mapping[str, str]) -> None:
    """Titles for axes and legends. Layers share an axis; the mark on top names it."""
    axes: dict[str, str] = {}
    for name, channel in _channels(fragment):
        if "field" in channel:
            axes[name] = channel.get("title", titles.get(channel["field"], channel["field"]))
    for name, channel in _channels(fragment):
        if name in axes and name not in ("x2", "y2"):
            named = name == "y" and channel.get("type") in ("nominal", "ordinal")
            channel.setdefault("title", None if named else axes[name])


def _put_kinds(channels: Sequence[tuple[str, dict[str, Any]]], table: pa.Table) -> None:
    """The type of each field where the recipe leaves it open; times as the clock on the wall shows them."""
    import pyarrow.types as kinds

    for name, channel in channels:
        if channel.get("field") not in table.column_names or name in ("x2", "y2"):
            continue
        kind = table.schema.field(channel["field"]).type
        if kinds.is_temporal(kind):
            channel.setdefault("type", "temporal")
            channel.setdefault("scale", {"type": "utc", "padding": 14})
        else:
            channel.setdefault("type", "quantitative" if _is_number(kind) else "nominal")
        if channel["type"] == "quantitative" and name in ("x", "y"):
            channel["scale"] = {"padding": 14, **channel.get("scale", {})}


def _put_order(channels: Sequence[tuple[str, dict[str, Any]]], drawn: Sequence[Mapping[str, Any]]) -> None:
    """Names in the order of the rows where the recipe says `"sort": null`; layers would each make their own."""
    for name, channel in channels:
        known = drawn and channel.get("field") in drawn[0]  # what the plot works out itself has no order of ours
        if name in ("x", "y") and known and channel.get("sort", "") is None:
            channel["sort"] = list(dict.fromkeys(row[channel["field"]] for row in drawn))


def _is_number(kind: pa.DataType) -> bool:
    import pyarrow.types as kinds

    return bool(kinds.is_integer(kind) or kinds.is_floating(kind) or kinds.is_decimal(kind))


def _is_named(channels: Sequence[tuple[str, dict[str, Any]]], axis: str) -> bool:
    return any(name == axis and channel.get("type") in ("nominal", "ordinal") for name, channel in channels)


def _put_second_signs(fragment: dict[str, Any]) -> None:
    """What colour tells apart, shape (points) or dashes (lines) tell apart too."""
    for part in _parts(fragment):
        encoding, mark = part.get("encoding", {}), part.get("mark")
        kind = mark.get("type") if isinstance(mark, dict) else mark
        colour = encoding.get("color", {})
        if kind == "point" and colour.get("type") == "nominal":
            encoding.setdefault("shape", dict(colour))
        if kind == "line" and colour.get("type") == "nominal":
            colour.setdefault("legend", {"symbolType": "stroke", "symbolSize": 500})
            encoding.setdefault("strokeDash", {**colour, "scale": {"range": _DASHES}})


def _value(value: Any, factor: float) -> Any:
    """As JSON has it: instants as their own zone's wall clock, no NaN; numbers times `factor`."""
    if isinstance(value, datetime.datetime):
        return value.replace(tzinfo=datetime.UTC).isoformat()
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, float):
        return value * factor if math.isfinite(value) else None
    return value
