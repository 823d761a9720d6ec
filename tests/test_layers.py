"""Who may import whom: plugins -> pipeline -> archive and queries, and inside pipeline only what stands before."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).parent.parent
PARTS = ("pipeline", "plugins", "archive", "queries")

# Each module imports only from the ones before it.
ORDER = """
errors units original tables reading instants stretch hooks shapes registry register timeline clean levels
grids lags clocks stints chemistry measures tying state stored measuring catalogue_tables refresh ingest book_facts
report answers console telling completion testing plugin_report demo cli
"""

CONFIG = """
[importlinter]
root_packages =
    rangebook.pipeline
    rangebook.plugins
    rangebook.archive
    rangebook.queries

[importlinter:contract:parts]
name = plugins import pipeline, pipeline imports archive and queries, nothing imports back
type = layers
layers =
    rangebook.plugins
    rangebook.pipeline
    rangebook.archive | rangebook.queries

[importlinter:contract:plugins]
name = plugins import only the pipeline
type = forbidden
source_modules =
    rangebook.plugins
forbidden_modules =
    rangebook.archive
    rangebook.queries
allow_indirect_imports = true

[importlinter:contract:pipeline]
name = inside the pipeline each module imports only from those before it
type = layers
containers =
    rangebook.pipeline
exhaustive = true
layers =
    {layers}
"""


def test_imports_go_one_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "layers.ini"
    config.write_text(CONFIG.format(layers="\n    ".join(reversed(ORDER.split()))))
    status = lint_imports(config_filename=str(config), no_cache=True)
    assert status == EXIT_STATUS_SUCCESS, capsys.readouterr().out


def absolute_imports(path: Path) -> list[str]:
    """First words of what a file imports by absolute name."""
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [alias.name.split(".")[0] for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.append(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("part", [*PARTS, "tests"])
def test_nothing_is_imported_by_the_name_of_its_folder(part: str) -> None:
    """From the root `import pipeline` works too, and gives a second copy of everything."""
    files = sorted((ROOT / part).rglob("*.py"))
    assert files
    doubled = [str(path) for path in files if set(absolute_imports(path)) & set(PARTS)]
    assert doubled == []


def test_importing_the_command_line_imports_nothing_heavy() -> None:
    """`rangebook --help` answers at once: what works on data is imported when there is data."""
    heavy = {"pyarrow", "numpy", "duckdb", "pyproj", "pint", "altair", "jinja2", "python_calamine", "pluggy"}
    code = f"import sys, rangebook.pipeline.cli; print(sorted({heavy} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
