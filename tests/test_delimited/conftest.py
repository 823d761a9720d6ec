"""Reading a text, bytes or a file with the reader of delimited text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Fit, Options, Rows, Used
from rangebook.plugins.delimited import Delimited

SAMPLES = Path(__file__).parent.parent / "samples" / "delimited"


@dataclass
class Read:
    """Everything a reading yields, by kind."""

    tables: dict[str, pa.Table] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    used: dict[str, Any] = field(default_factory=dict)
    rows: list[Rows] = field(default_factory=list)

    @property
    def codes(self) -> list[str]:
        return sorted(finding.code for finding in self.findings)

    def column(self, table: str, name: str) -> np.ndarray:
        return self.tables[table].column(name).to_numpy()

    def seconds(self, table: str = "samples") -> np.ndarray:
        return self.tables[table].column("time").cast(pa.int64()).to_numpy() / 1e6


def read(path: Path, options: Options | None = None) -> Read:
    found = Read()
    for item in Delimited().read(Original.at(path), options or Options()):
        if isinstance(item, Rows):
            found.rows.append(item)
        elif isinstance(item, Finding):
            found.findings.append(item)
        elif isinstance(item, Used):
            found.used.update(item.facts)
    for table in {rows.table for rows in found.rows}:
        found.tables[table] = pa.Table.from_batches([rows.batch for rows in found.rows if rows.table == table])
    return found


@pytest.fixture
def read_file() -> Callable[..., Read]:
    """Reads a sample by name, or a path."""

    def reading(path: str | Path, **options: Any) -> Read:
        return read(SAMPLES / path, Options(**options))

    return reading


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., Read]:
    """Reads a text or bytes as a file."""

    def reading(content: str | bytes, **options: Any) -> Read:
        path = tmp_path / "log.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read(path, Options(**options))

    return reading


@pytest.fixture
def fit(tmp_path: Path) -> Callable[[bytes], Fit | None]:
    """What the recogniser makes of bytes."""

    def recognising(content: bytes) -> Fit | None:
        path = tmp_path / "log.csv"
        path.write_bytes(content)
        return Delimited().recognise(Original.at(path))

    return recognising
