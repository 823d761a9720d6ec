"""Tracks as GPX 1.1 files (namespace http://www.topografix.com/GPX/1/1)."""

from __future__ import annotations

import numpy as np

from .logs import numbers
from .sensors import Fixes

HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="island receiver" xmlns="http://www.topografix.com/GPX/1/1">\n'
)


def gpx(fixes: Fixes, start: int, name: str, times: bool = True) -> str:
    """`fixes` as a GPX text. start: UTC seconds at which `second` is 0. times: whether the receiver kept them."""
    parts = [HEAD, f"<trk><name>{name}</name>\n"]
    for segment in np.unique(fixes.segment):
        here = fixes.segment == segment
        parts += ["<trkseg>\n", _points(fixes, here, start, times), "</trkseg>\n"]
    return "".join([*parts, "</trk>\n</gpx>\n"])


def _points(fixes: Fixes, here: np.ndarray, start: int, times: bool) -> str:
    where = zip(
        numbers(fixes.latitude[here], 7),
        numbers(fixes.longitude[here], 7),
        numbers(fixes.elevation[here], 1),
        strict=True,
    )
    if not times:
        return "".join(f'<trkpt lat="{lat}" lon="{lon}"><ele>{ele}</ele></trkpt>\n' for lat, lon, ele in where)
    when = np.datetime_as_string((start + fixes.second[here]).astype("datetime64[s]")).tolist()
    return "".join(
        f'<trkpt lat="{lat}" lon="{lon}"><ele>{ele}</ele><time>{at}Z</time></trkpt>\n'
        for (lat, lon, ele), at in zip(where, when, strict=True)
    )
