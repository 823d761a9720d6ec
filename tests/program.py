"""Runs the program as a person does, for tests of the whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

SCRIPT = Path(sys.executable).with_name("rangebook")


def run(*arguments: object, cwd: Path | None = None, **environment: str) -> subprocess.CompletedProcess[str]:
    """`rangebook ARGUMENTS` in a process of its own; never raises."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("RANGEBOOK_")}
    return subprocess.run(
        [str(SCRIPT), *map(str, arguments)],
        cwd=cwd, env=kept | {"NO_COLOR": "1", "COLUMNS": "200"} | environment, capture_output=True, text=True,
    )  # fmt: skip


def told(*arguments: object, codes: tuple[int, ...] = (0, 1), **environment: str) -> Mapping[str, Any]:
    """What `rangebook ARGUMENTS --json` prints; fails when it ends with a code not in `codes`."""
    done = run(*arguments, "--json", **environment)
    assert done.returncode in codes, f"ended with {done.returncode}: {done.stderr}"
    data: Mapping[str, Any] = json.loads(done.stdout)
    return data
