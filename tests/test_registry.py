"""The plugin registry: built-ins through everybody's door, broken ones named and set aside, the surest reader taken."""

from __future__ import annotations

import subprocess
import sys
import types
from collections.abc import Iterator
from pathlib import Path

import pytest

from rangebook.pipeline import Fit, Item, Measure, Options, Original, Quantity, hookimpl, registry
from rangebook.pipeline.errors import InputProblem, PluginProblem, UsageProblem
from rangebook.pipeline.measures import BUILTIN


class Echo:
    """A reader that is as sure as it is told to be."""

    version = "1"
    title = "echo of a file"
    about = "For tests."

    def __init__(self, name: str = "echo", sure: float | None = 0.5) -> None:
        self.name = name
        self.sure = sure

    def recognise(self, original: Original) -> Fit | None:
        return None if self.sure is None else Fit(self.sure, f"{self.name} was told so")

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        return iter(())


class Raising(Echo):
    def recognise(self, original: Original) -> Fit | None:
        raise ZeroDivisionError("division by zero")


class Giving:
    """A plugin that hands over what it was given."""

    def __init__(self, **things: object) -> None:
        self.things = things

    @hookimpl
    def readers(self) -> object:
        return self.things.get("readers", [])

    @hookimpl
    def measures(self) -> object:
        return self.things.get("measures", [])

    @hookimpl
    def recipe_folders(self) -> object:
        return self.things.get("folders", [])


def whys(plugins: registry.Plugins) -> str:
    plugins.readers(), plugins.measures(), plugins.recipe_folders()
    return "\n".join(str(broken) for broken in plugins.broken)


@pytest.fixture
def original(tmp_path: Path) -> Original:
    path = tmp_path / "a.log"
    path.write_text("something\n")
    return Original.at(path)


def install(folder: Path, name: str, entry: str, modules: dict[str, str]) -> None:
    """What an installer leaves behind: modules and a dist-info with an entry point."""
    info = folder / f"{name}-1.2.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(f"[rangebook]\n{entry}\n")
    for module, text in modules.items():
        (folder / f"{module}.py").write_text(text)


# What comes with the program.


def test_the_built_in_plugins_are_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(registry.STRICT, "1")
    plugins = registry.plugin_manager()
    assert {"delimited", "gpx", "sheet"} <= {reader.name for reader in plugins.readers()}
    assert plugins.measures() == list(BUILTIN)
    assert plugins.recipe_folders() == []
    assert whys(plugins) == ""
    assert plugins.origin(plugins.readers()[0]).startswith("rangebook 0.")


def test_loading_the_built_in_plugins_imports_nothing_heavy() -> None:
    """Starting is quick: what only reading needs is imported when something is read."""
    code = (
        "import sys; from rangebook.pipeline.registry import plugin_manager; plugin_manager().readers();"
        "heavy = {'duckdb', 'pyproj', 'python_calamine', 'pyarrow.csv', 'pint', 'altair', 'scipy', 'jinja2'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_importing_the_package_for_plugin_authors_imports_nothing() -> None:
    code = "import sys, rangebook.pipeline; print(sorted({'pyarrow', 'numpy', 'pluggy'} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_every_public_name_for_plugin_authors_is_there() -> None:
    import rangebook.pipeline as public

    assert sorted(public.__all__) == sorted(public._HOME_OF)
    assert all(getattr(public, name) is not None for name in public.__all__)
    assert set(public.__all__) <= set(dir(public))
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = public.nonsense


# Plugins of others.


def test_a_plugin_of_another_distribution_is_found_by_its_entry_point(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = (
        "from pathlib import Path\nfrom rangebook.pipeline import hookimpl\n"
        "@hookimpl\ndef recipe_folders():\n    return [Path(__file__).parent]\n"
    )
    install(tmp_path, "recipes-of-mine", "mine = recipes_of_mine", {"recipes_of_mine": module})
    monkeypatch.syspath_prepend(tmp_path)
    plugins = registry.plugin_manager()
    assert plugins.recipe_folders() == [tmp_path]
    assert plugins.origin(plugins.recipe_folders()[0]) == "recipes-of-mine 1.2"
    assert ("recipes-of-mine", "1.2", "mine") in [origin for origin, _ in plugins.names()]


@pytest.mark.parametrize(
    ("module", "why"),
    [
        ("import no_such_module_anywhere", "ModuleNotFoundError: No module named 'no_such_module_anywhere'"),
        ("raise RuntimeError('not today')", "RuntimeError: not today"),
        ("from rangebook.pipeline import hookimpl\n@hookimpl\ndef reader():\n    return []\n", "'reader'"),
        ("from rangebook.pipeline import hookimpl\n@hookimpl\ndef readers(nonsense):\n    return []\n", "nonsense"),
        ("def readers():\n    return []\n", "implements none of the hooks"),
    ],
)
def test_a_broken_plugin_is_named_and_the_rest_works(
    module: str, why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(tmp_path, "broken-one", "oops = broken_one_module", {"broken_one_module": module})
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "broken_one_module", raising=False)
    plugins = registry.plugin_manager([Giving(readers=[Echo("after")])])
    (broken,) = [one for one in plugins.broken if "broken-one" in one.name]
    assert broken.name == "plugin `oops` of broken-one 1.2"
    assert why in broken.why
    assert "after" in [reader.name for reader in plugins.readers()]
    assert "broken-one" not in [origin.distribution for origin, _ in plugins.names()]


def test_strictness_makes_a_broken_plugin_stop_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, "broken-two", "oops = broken_two_module", {"broken_two_module": "1 / 0"})
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv(registry.STRICT, "1")
    with pytest.raises(PluginProblem, match=r"plugin `oops` of broken-two 1\.2: ZeroDivisionError") as caught:
        registry.plugin_manager()
    assert caught.value.hint == "update or remove it: `pip uninstall broken-two`"


def test_a_hook_that_raises_is_set_aside_and_the_other_plugins_are_asked() -> None:
    module = types.ModuleType("raises")

    def readers() -> list[object]:
        raise ValueError("no readers today")

    module.readers = hookimpl(readers)  # type: ignore[attr-defined]
    plugins = registry.plugin_manager([module, Giving(readers=[Echo("after")])])
    assert "after" in [reader.name for reader in plugins.readers()]
    assert "`readers()` failed: ValueError: no readers today" in whys(plugins)


MISSHAPEN = types.SimpleNamespace(name="x", version="1", title="t", about="a", recognise=None, read=print)
QUANTITY = Quantity("extra_second", "s", "something more")


@pytest.mark.parametrize(
    ("things", "why"),
    [
        ({"readers": Echo()}, "returns Echo, not a list"),
        ({"readers": [Echo]}, "returns the class Echo: return an object of it"),
        ({"readers": [object()]}, "has no `name` and no `version`"),
        ({"readers": [MISSHAPEN]}, "reader `x`: `recognise` cannot be called"),
        ({"readers": [Echo("")]}, "needs text in `name`"),
        ({"readers": [Echo("Up/Down")]}, "reader `Up/Down`: a name is"),
        ({"readers": [Echo("twice"), Echo("twice")]}, "there is a reader `twice` already"),
        ({"readers": [Echo("gpx")]}, "there is a reader `gpx` already"),
        ({"measures": [QUANTITY]}, "returns Quantity, not Measure"),
        ({"measures": [Measure("energy", "1", "", (), lambda _: ())]}, "there is a measure `energy` already"),
        ({"measures": [Measure("new", "1 beta", "", (), lambda _: ())]}, "the version '1 beta' is not text of"),
        (
            {"measures": [Measure("new", "1", "", (Quantity("net_wh", "W.h", "again"),), lambda _: ())]},
            "`net_wh` is already measured by `energy`",
        ),
        ({"measures": [Measure("new", "1", "", (), "none")]}, "measure `new`: `compute` cannot be called"),
        ({"measures": [Measure("new", "1", "", (Quantity("Net Wh", "W.h", "odd"),), print)]}, "is no Quantity with a"),
        ({"folders": ["recipes"]}, "returns str, not Path"),
        ({"folders": [Path("/usr"), Path("/usr")]}, "the recipe folder /usr is handed over twice"),
        ({"folders": [Path("/no/such/folder")]}, "the recipe folder /no/such/folder is not there"),
    ],
)
def test_a_thing_of_the_wrong_shape_is_set_aside_with_the_reason(things: dict[str, object], why: str) -> None:
    plugins = registry.plugin_manager([Giving(**things)])
    assert why in whys(plugins)
    assert len([one for one in plugins.broken if "of this program" in one.name]) == 1


def test_a_measure_of_another_runs_after_the_built_in_ones() -> None:
    measure = Measure("extra", "1", "For tests.", (QUANTITY,), lambda _: ())
    plugins = registry.plugin_manager([Giving(measures=[measure])])
    assert plugins.measures()[-1] is measure
    assert plugins.origin(measure) == "this program"
    with pytest.raises(KeyError):
        plugins.origin(object())


# Choosing a reader.


def test_the_surest_reader_is_taken_and_the_reasons_of_all_are_kept(original: Original) -> None:
    readers = [Echo("low", 0.2), Echo("high", 0.9), Echo("none", None), Echo("zero", 0)]
    reader, fit = registry.choose(readers, original)
    assert (reader.name, fit.why) == ("high", "high was told so")
    assert [reader.name for reader, _ in registry.fits(readers, original)] == ["high", "low"]


def test_a_tie_names_both_and_the_option_to_choose(original: Original) -> None:
    with pytest.raises(InputProblem) as caught:
        registry.choose([Echo("one"), Echo("two"), Echo("low", 0.1)], original)
    assert "`one` (one was told so) and `two` (two was told so) fit equally well" in str(caught.value)
    assert caught.value.hint == "name one: `--reader one` or `--reader two`"


def test_when_nothing_fits_the_readers_are_listed(original: Original) -> None:
    with pytest.raises(InputProblem, match=r"a\.log: no reader recognises this file") as caught:
        registry.choose([Echo("one", None)], original)
    assert "one (echo of a file)" in caught.value.hint and "`--reader`" in caught.value.hint


def test_a_reader_can_be_asked_for_by_name(original: Original) -> None:
    assert registry.choose([Echo("one", None)], original, "one")[0].name == "one"
    with pytest.raises(UsageProblem, match="there is no reader `two`"):
        registry.choose([Echo("one")], original, "two")


def test_an_empty_file_is_said_to_be_empty(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").touch()
    with pytest.raises(InputProblem, match=r"empty\.csv: the file is empty"):
        registry.choose([Echo()], Original.at(tmp_path / "empty.csv"))


def test_a_recogniser_that_raises_is_blamed_and_the_next_is_asked(original: Original) -> None:
    failed: list[PluginProblem] = []
    reader, _ = registry.choose([Raising("bad"), Echo("good")], original, failed=failed)
    assert reader.name == "good"
    (problem,) = failed
    assert "reader `bad` 1 failed on" in str(problem) and "ZeroDivisionError: division by zero" in str(problem)


def test_a_recogniser_that_raises_is_the_problem_when_no_other_fits(original: Original) -> None:
    with pytest.raises(PluginProblem, match="reader `bad` 1 failed"):
        registry.choose([Raising("bad"), Echo("none", None)], original)


@pytest.mark.parametrize("sure", [1.5, -0.1, "very", float("nan")])
def test_a_fit_that_is_no_share_is_the_readers_fault(sure: float, original: Original) -> None:
    with pytest.raises(PluginProblem, match="reader `odd` 1 failed"):
        registry.choose([Echo("odd", sure)], original)
