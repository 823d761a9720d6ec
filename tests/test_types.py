"""Types: `mypy --strict` over everything that is installed.

The four folders become one import name only when they are installed, which type checkers cannot follow;
four links in a temporary folder show it to them.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
PARTS = ("pipeline", "plugins", "archive", "queries")


def mypy(links: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file", str(ROOT / "pyproject.toml"), *arguments]
    environment = {**os.environ, "MYPYPATH": str(links)}
    return subprocess.run(command, cwd=links, env=environment, capture_output=True, text=True)


def linked(folder: Path) -> Path:
    (folder / "rangebook").mkdir()
    for part in PARTS:
        (folder / "rangebook" / part).symlink_to(ROOT / part)
    return folder


def test_all_types_agree(tmp_path: Path) -> None:
    run = mypy(linked(tmp_path), "--cache-dir", str(ROOT / ".mypy_cache" / "links"), "-p", "rangebook")
    assert run.returncode == 0, run.stdout + run.stderr


def test_the_check_sees_a_wrong_type(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from rangebook.pipeline.original import Original\nsize: str = Original.size\n")
    run = mypy(linked(tmp_path), "--cache-dir", str(ROOT / ".mypy_cache" / "links"), str(wrong))
    assert run.returncode == 1
    assert "wrong.py:2: error: Incompatible types" in run.stdout


def test_each_part_says_that_it_is_typed() -> None:
    assert [part for part in PARTS if not (ROOT / part / "py.typed").exists()] == []
