"""What is installed: every folder and every file that is needed, under one import name, and nothing else."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PARTS = ("pipeline", "plugins", "archive", "queries")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def folders() -> Iterator[Path]:
    """Every folder of the four that holds Python code."""
    for part in PARTS:
        for folder in (ROOT / part, *(ROOT / part).rglob("*")):
            if folder.is_dir() and any(folder.glob("*.py")):
                yield folder.relative_to(ROOT)


def test_every_folder_with_code_is_packaged() -> None:
    """A new subfolder is not packaged unless it is listed."""
    names = {"rangebook." + ".".join(folder.parts): folder.as_posix() for folder in folders()}
    assert set(PROJECT["tool"]["setuptools"]["packages"]) == set(names)
    assert PROJECT["tool"]["setuptools"]["package-dir"] == names


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of what is tracked or new, so that nothing is left in the working folder."""
    here = tmp_path_factory.mktemp("wheel")
    for name in (*PARTS, "pyproject.toml", "README.md", "LICENSE"):
        source, target = ROOT / name, here / "source" / name
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            target.parent.mkdir(exist_ok=True)
            shutil.copy(source, target)
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(here), str(here / "source")]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    (built,) = here.glob("*.whl")
    return built


def test_the_wheel_holds_only_names_of_its_own(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
        version = PROJECT["project"]["version"]
        assert tops == {"rangebook", f"rangebook-{version}.dist-info"}
        seconds = {name.split("/")[1] for name in archive.namelist() if name.startswith("rangebook/")}
    assert seconds == set(PARTS)


def test_the_wheel_holds_every_file_of_the_four_folders(wheel: Path) -> None:
    """Recipes, templates, formats and tables are data: they must travel too."""
    files = {
        f"rangebook/{path.relative_to(ROOT).as_posix()}"
        for part in PARTS
        for path in (ROOT / part).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    with zipfile.ZipFile(wheel) as archive:
        assert files - set(archive.namelist()) == set()


def test_the_program_is_installed_under_its_name() -> None:
    (script,) = [entry for entry in metadata.entry_points(group="console_scripts") if entry.name == "rangebook"]
    assert script.value == "rangebook.pipeline.cli:main"
    assert callable(script.load())


def test_the_version_is_told_once() -> None:
    assert metadata.version("rangebook") == PROJECT["project"]["version"]
