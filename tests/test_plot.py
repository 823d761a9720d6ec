"""Plots: what stands on them, in which units, and that nothing is fetched."""

from __future__ import annotations

import datetime
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from rangebook.pipeline.errors import UsageProblem
from rangebook.pipeline.report.plot import draw, specification
from rangebook.queries import Column, find, recipes

COLUMNS = [
    Column("pack", "", "pack"),
    Column("chemistry", "", "chemistry; as the maker says"),
    Column("tested", "", "tested"),
    Column("range_metre", "m", "range; from full to cut-off"),
    Column("low", "m", "range, low end"),
    Column("high", "m", "range, high end"),
]
START = datetime.datetime(2026, 1, 1, 9, tzinfo=datetime.UTC)
TABLE = pa.table(
    {
        "pack": ["P1", "P2", "P3"],
        "chemistry": ["LFP", "AGM", "LFP"],
        "tested": [START + datetime.timedelta(days=n) for n in (0, 20, 40)],
        "range_metre": [32186.88, 16093.44, None],
        "low": [30000.0, None, None],
        "high": [34000.0, None, None],
    }
)
INTERVALS = {
    "layer": [
        {"mark": "rule", "encoding": {"x": {"field": "low", "type": "quantitative"}, "x2": {"field": "high"}}},
        {"mark": "point", "encoding": {"x": {"field": "range_metre"}, "color": {"field": "chemistry"}}},
    ],
    "encoding": {"y": {"field": "pack", "sort": None}},
}
LINE = {
    "mark": "line",
    "encoding": {"x": {"field": "tested"}, "y": {"field": "range_metre"}, "color": {"field": "chemistry"}},
}


def words_of(path: Path) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]+)</text>", path.read_text(encoding="utf-8"))


def coarse(svg: str) -> str:
    """The picture with numbers to a whole pixel and a line for each tag, so that a difference can be read."""
    whole = re.sub(r"-?\d+\.\d+", lambda found: f"{float(found[0]):.0f}", svg)
    return whole.replace("><", ">\n<") + "\n"


@pytest.mark.parametrize(("system", "unit", "ticks"), [("mi", "mi", {"10", "20"}), ("km", "km", {"20", "30"})])
def test_axes_name_the_figure_and_the_unit_of_the_book(tmp_path: Path, system: str, unit: str, ticks: set[str]) -> None:
    draw(INTERVALS, TABLE, COLUMNS, "Range of each pack", tmp_path / "a.svg", system)
    words = words_of(tmp_path / "a.svg")
    assert f"Range ({unit})" in words
    assert "Range of each pack" in words and "1 row has no figure to draw" in words
    assert {"P1", "P2", "LFP", "AGM", "Chemistry"} <= set(words)
    assert "P3" not in words
    assert ticks <= set(words)


def test_what_colour_tells_shape_tells_too() -> None:
    points = specification(INTERVALS, TABLE, COLUMNS, "t")["layer"][1]["encoding"]
    assert points["shape"]["field"] == points["color"]["field"] == "chemistry"
    line = specification(LINE, TABLE, COLUMNS, "t")["encoding"]
    assert line["strokeDash"]["field"] == "chemistry"
    dashes = line["strokeDash"]["scale"]["range"]
    assert len({tuple(dash) for dash in dashes}) == len(dashes) >= 6


def test_values_are_drawn_where_they_belong() -> None:
    rows = specification(INTERVALS, TABLE, COLUMNS, "t", "mi")["data"]["values"]
    assert [(row["pack"], row["range_metre"]) for row in rows] == [("P1", pytest.approx(20)), ("P2", pytest.approx(10))]
    assert rows[0]["low"] == pytest.approx(30000 / 1609.344) and rows[1]["low"] is None


def test_times_are_drawn_as_the_wall_clock_of_their_zone() -> None:
    lisbon = TABLE.column("tested").cast(pa.timestamp("us", "Asia/Kolkata"))
    spec = specification(LINE, TABLE.set_column(2, "tested", lisbon), COLUMNS, "t")
    assert spec["data"]["values"][0]["tested"] == "2026-01-01T14:30:00+00:00"
    assert spec["encoding"]["x"]["scale"]["type"] == "utc"


def test_the_fragment_is_left_as_it_was() -> None:
    before = repr((INTERVALS, LINE))
    specification(INTERVALS, TABLE, COLUMNS, "t")
    specification(LINE, TABLE, COLUMNS, "t")
    assert repr((INTERVALS, LINE)) == before


@pytest.mark.parametrize("rows", [0, 1])
def test_nothing_to_draw_says_so(tmp_path: Path, rows: int) -> None:
    draw(INTERVALS, TABLE.slice(2, rows), COLUMNS, "Range of each pack", tmp_path / "a.svg")
    assert words_of(tmp_path / "a.svg") == ["no figures to draw", "Range of each pack"]


def test_png_has_twice_the_size_of_the_svg(tmp_path: Path) -> None:
    for ending in ("svg", "png"):
        draw(INTERVALS, TABLE, COLUMNS, "t", tmp_path / f"a.{ending}")
    head = (tmp_path / "a.png").read_bytes()[:24]
    size = re.search(r'width="(\d+)" height="(\d+)"', (tmp_path / "a.svg").read_text())
    assert head[:8] == b"\x89PNG\r\n\x1a\n" and size
    assert struct.unpack(">II", head[16:24]) == (2 * int(size[1]), 2 * int(size[2]))


def test_other_endings_and_too_many_rows_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem) as caught:
        draw(INTERVALS, TABLE, COLUMNS, "t", tmp_path / "a.jpeg")
    assert "a.jpeg" in str(caught.value) and ".svg or .png" in caught.value.hint
    with pytest.raises(UsageProblem, match="20,001 rows are too many"):
        draw(INTERVALS, pa.concat_tables([TABLE] * 6667), COLUMNS, "t", tmp_path / "a.svg")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "layer",
    [
        {"mark": "image", "encoding": {"url": {"field": "pack"}}},
        {"mark": {"type": "image", "url": "http://127.0.0.1:9/a.png"}},
        {"mark": "point", "data": {"url": "http://127.0.0.1:9/a.json"}},
        {"mark": "point", "transform": [{"lookup": "pack", "from": {"data": {"url": "a.json"}, "key": "pack"}}]},
    ],
)
def test_nothing_is_fetched(tmp_path: Path, layer: dict[str, Any]) -> None:
    for plot in (layer, {"layer": [layer], "encoding": {}}):
        with pytest.raises(UsageProblem, match="own rows only"):
            draw(plot, TABLE, COLUMNS, "t", tmp_path / "a.png")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("name", "plot"), [("intervals.svg", INTERVALS), ("line.svg", LINE)])
def test_pictures_stay_as_they_were_looked_at(
    tmp_path: Path, golden: Callable[[str, str], None], name: str, plot: dict[str, Any]
) -> None:
    draw(plot, TABLE, COLUMNS, "Range of each pack", tmp_path / "a.svg", "mi")
    golden(name, coarse((tmp_path / "a.svg").read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", [name for name, recipe in recipes().items() if recipe.plot])
def test_every_recipe_with_a_plot_can_be_drawn_without_rows(tmp_path: Path, name: str) -> None:
    recipe = find(name)
    nothing = pa.table({column.name: pa.nulls(0, pa.float64()) for column in recipe.columns})
    draw(recipe.plot or {}, nothing, recipe.columns, recipe.title, tmp_path / "a.svg")
    assert recipe.title in words_of(tmp_path / "a.svg")
