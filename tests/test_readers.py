"""The contract, held by every reader that comes with the program on every one of its samples."""

from __future__ import annotations

from pathlib import Path

import pytest

from rangebook.pipeline.reading import Options, Reader
from rangebook.pipeline.registry import plugin_manager
from rangebook.pipeline.testing import check_reader

SAMPLES = Path(__file__).parent / "samples"
READERS = {reader.name: reader for reader in plugin_manager().readers()}
MAPS = {"pack_trip_000.csv": "pack_trip.map.toml", "pack_trip_060.csv": "pack_trip.map.toml"}
NO_MAP = {"restart.csv": '[time]\nstart = "2026-05-01T08:00:00Z"\n'}


def files(name: str) -> list[Path]:
    """Samples of one reader that hold what it reads; the two GPX files of waypoints alone do not."""
    kinds = {".csv", ".gpx", ".xlsx", ".ods"}
    found = [path for path in sorted((SAMPLES / name).rglob("*")) if path.suffix in kinds]
    return [path for path in found if path.name not in ("gpx1.1_with_extensions.gpx", "unicode_with_bom.gpx")]


def options(path: Path) -> Options:
    """What a person would say of a sample: its map, where it has one."""
    beside = path.with_name(MAPS.get(path.name, f"{path.stem}.map.toml"))
    return Options(zone="Europe/Lisbon", map=beside.read_text() if beside.exists() else NO_MAP.get(path.name))


@pytest.mark.parametrize(
    ("reader", "path"),
    [pytest.param(READERS[name], path, id=path.name) for name in READERS for path in files(name)],
)
def test_every_reader_keeps_its_contract_on_every_sample(reader: Reader, path: Path) -> None:
    assert check_reader(reader, path, options(path)) == []


def test_every_reader_has_samples() -> None:
    assert all(files(name) for name in READERS) and len(READERS) >= 3
