"""A reader of somebody else: one file and a few lines of pyproject, installed beside the program, and it reads."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from .program import run, told

EXAMPLE = Path(__file__).parent / "plugin_example"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example installed in it by pip."""
    folder = tmp_path_factory.mktemp("plugin")
    source = shutil.copytree(EXAMPLE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    done = subprocess.run([*pip, "--target", str(folder / "site"), str(source)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder / "site"


def path_with(folder: Path) -> str:
    return os.pathsep.join([str(folder), *filter(None, [os.environ.get("PYTHONPATH")])])


def test_the_reader_is_listed_with_its_distribution_and_version(installed: Path) -> None:
    done = run("plugins", PYTHONPATH=path_with(installed))
    assert done.returncode == 0, done.stderr
    (line,) = [line for line in done.stdout.splitlines() if "voltlines" in line]
    assert "rangebook-voltlines 0.3" in line


def test_a_file_is_read_with_it(installed: Path, tmp_path: Path) -> None:
    book = tmp_path / "book"
    assert run("new", book, "--zone", "UTC").returncode == 0
    data = told("ingest", "-b", book, EXAMPLE / "example.volts", PYTHONPATH=path_with(installed))
    (original,) = data["originals"]
    assert (original["reader"], original["status"]) == ("voltlines", "read")
    assert original["tables"] == {"samples": 4, "rejects": 1}
    rows = told(
        "sql", "-b", book, "select max(voltage_volt) as v, min(current_ampere) as a, count(*) as n from samples"
    )
    assert rows["rows"] == [[52.61, -60.0, 4]]
    rejects = told("sql", "-b", book, "select line, text, why from rejects")
    assert rejects["rows"] == [[5, "so far so good", "not three numbers"]]


def test_without_it_the_file_is_refused_with_a_hint(tmp_path: Path) -> None:
    book = tmp_path / "book"
    run("new", book, "--zone", "UTC")
    done = run("ingest", "-b", book, EXAMPLE / "example.volts")
    assert done.returncode == 3
    assert "example.volts" in done.stderr and "hint:" in done.stderr and "Traceback" not in done.stderr


def test_it_keeps_the_contract_of_a_reader(installed: Path) -> None:
    done = run("plugins", "check", "voltlines", EXAMPLE / "example.volts", PYTHONPATH=path_with(installed))
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_broken_plugin_does_not_stop_the_program(tmp_path: Path) -> None:
    info = tmp_path / "broken_plugin-9.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: broken-plugin\nVersion: 9\n")
    (info / "entry_points.txt").write_text("[rangebook]\nbroken = no_such_module_at_all\n")
    done = run("plugins", PYTHONPATH=path_with(tmp_path))
    assert done.returncode in (0, 1)
    assert "broken-plugin 9" in done.stdout + done.stderr and "no_such_module_at_all" in done.stdout + done.stderr
    strict = run("plugins", PYTHONPATH=path_with(tmp_path), RANGEBOOK_PLUGINS_STRICT="1")
    assert strict.returncode == 5
    assert "error:" in strict.stderr and "pip uninstall broken-plugin" in strict.stderr
