"""Which plugins there are, and which reader takes an original.

Built-in plugins come from the tuple `rangebook.plugins.BUILTIN`, by name, through the door everybody
else uses; third parties come from entry points in the group `rangebook`, one at a time. A plugin that
breaks is set aside and listed in `Plugins.broken`, and the program goes on without it; with
RANGEBOOK_PLUGINS_STRICT=1 in the environment it stops the program instead.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from importlib import metadata
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, NamedTuple

import pluggy

from . import hooks
from .errors import InputProblem, PluginProblem, UsageProblem

if TYPE_CHECKING:
    from .original import Original
    from .reading import Fit, Reader
    from .stretch import Measure

BUILTIN_HOME = "rangebook.plugins"
MEASURES_HOME = "rangebook.pipeline.measures"
STRICT = "RANGEBOOK_PLUGINS_STRICT"
HOOKS = ("readers", "measures", "recipe_folders")


class Origin(NamedTuple):
    """Where a plugin comes from: distribution, its version, and the entry point or module in it."""

    distribution: str
    version: str
    entry_point: str

    def __str__(self) -> str:
        return f"plugin `{self.entry_point}` of {self.distribution} {self.version}".strip()


class Broken(NamedTuple):
    """A plugin, or one thing of a plugin, that was set aside: which, of which distribution and version, and why."""

    name: str
    why: str

    def __str__(self) -> str:
        return f"{self.name}: {self.why}"


class _BuiltInMeasures:
    """The measures that come with the program, handed over like anybody's."""

    @hooks.hookimpl
    def measures(self) -> list[Measure]:
        return list(importlib.import_module(MEASURES_HOME).BUILTIN)


class Plugins:
    """The plugins of one run. Made by `plugin_manager`."""

    def __init__(self) -> None:
        self.broken: list[Broken] = []
        """What was set aside so far. What a hook returns is looked at when it is first asked for."""
        self._manager = pluggy.PluginManager(hooks.PROJECT)
        self._manager.add_hookspecs(hooks)
        self._origins: dict[str, Origin] = {}
        self._handed: dict[str, list[tuple[Origin, Any]]] = {}

    def readers(self) -> list[Reader]:
        """All readers, the built-in ones first."""
        from .shapes import reader_fault

        return self._collect("readers", reader_fault)

    def measures(self) -> list[Measure]:
        """All measures in the order they run: the built-in ones first."""
        from .shapes import measure_fault

        return self._collect("measures", measure_fault)

    def recipe_folders(self) -> list[Path]:
        """Folders of recipes that plugins add."""
        from .shapes import folder_fault

        return self._collect("recipe_folders", folder_fault)

    def origin(self, thing: object) -> str:
        """Distribution and version that handed over `thing`: a reader, measure or folder. KeyError for a stranger."""
        for handed in self._handed.values():
            for origin, candidate in handed:
                if candidate is thing:
                    return f"{origin.distribution} {origin.version}".strip()
        raise KeyError(f"no plugin handed over {thing!r}")

    def names(self) -> list[tuple[Origin, list[str]]]:
        """Each plugin in use with the hooks it implements, in the order they are asked."""
        pairs = [(self._origins[name], plugin) for name, plugin in self._manager.list_name_plugin() if plugin]
        return [(origin, [hook for hook in HOOKS if self._implements(plugin, hook)]) for origin, plugin in pairs]

    def add(self, origin: Origin, load: Callable[[], object]) -> None:
        """Load one plugin and register it, or set it aside."""
        name = f"{origin.distribution}:{origin.entry_point}"
        try:
            plugin = load()
            self._origins[name] = origin
            self._manager.register(plugin, name)
            self._manager.check_pending()
            if not any(self._implements(plugin, hook) for hook in HOOKS):
                raise pluggy.PluginValidationError(plugin, f"it implements none of the hooks {', '.join(HOOKS)}")
        except Exception as problem:  # whatever a stranger's module does when it is imported
            if self._manager.has_plugin(name):
                self._manager.unregister(name=name)
            self._set_aside(origin, _words(problem), problem)

    def _implements(self, plugin: object, hook: str) -> bool:
        return any(impl.plugin is plugin for impl in getattr(self._manager.hook, hook).get_hookimpls())

    def _set_aside(self, origin: Origin, why: str, problem: Exception | None = None) -> None:
        broken = Broken(str(origin), why)
        if os.environ.get(STRICT) == "1":
            raise PluginProblem(str(broken), _removal(origin)) from problem
        self.broken.append(broken)

    def _collect(self, hook: str, fault: Callable[[Any, Sequence[Any]], str]) -> list[Any]:
        """What all plugins return for `hook`, asked one by one; a thing with a fault is set aside."""
        if hook not in self._handed:
            self._handed[hook] = []
            for name, plugin in self._manager.list_name_plugin():
                if plugin is not None and self._implements(plugin, hook):
                    self._ask(hook, self._origins[name], plugin, fault)
        return [thing for _, thing in self._handed[hook]]

    def _ask(self, hook: str, origin: Origin, plugin: object, fault: Callable[[Any, Sequence[Any]], str]) -> None:
        others = [other for _, other in self._manager.list_name_plugin() if other is not None and other is not plugin]
        try:
            (things,) = self._manager.subset_hook_caller(hook, others)()
            if not isinstance(things, list | tuple):
                raise TypeError(f"it returns {type(things).__name__}, not a list")
        except Exception as problem:  # whatever a stranger's hook does
            self._set_aside(origin, f"`{hook}()` failed: {_words(problem)}", problem)
            return
        for thing in things:
            why = fault(thing, [kept for _, kept in self._handed[hook]])
            if why:
                self._set_aside(origin, why)
            else:
                self._handed[hook].append((origin, thing))


def plugin_manager(extra: Iterable[object] = ()) -> Plugins:
    """The built-in plugins, then those of installed distributions, then `extra` (plugin objects, for tests)."""
    plugins = Plugins()
    version = metadata.version("rangebook")
    for module in _builtin_names():
        plugins.add(Origin("rangebook", version, module), partial(importlib.import_module, module))
    plugins.add(Origin("rangebook", version, MEASURES_HOME), _BuiltInMeasures)
    for entry in sorted(metadata.entry_points(group=hooks.PROJECT), key=lambda entry: (entry.name, entry.value)):
        plugins.add(_origin_of(entry), entry.load)
    for plugin in extra:
        plugins.add(Origin("this program", "", _name_of(plugin)), partial(_given, plugin))
    return plugins


def _given(plugin: object) -> object:
    return plugin


def _builtin_names() -> tuple[str, ...]:
    names: tuple[str, ...] = importlib.import_module(BUILTIN_HOME).BUILTIN
    return names


def _origin_of(entry: metadata.EntryPoint) -> Origin:
    if entry.dist is None:
        return Origin("an unknown distribution", "", entry.name)
    return Origin(entry.dist.name, entry.dist.version, entry.name)


def _name_of(plugin: object) -> str:
    return plugin.__name__ if isinstance(plugin, ModuleType | type) else f"{type(plugin).__name__} at {id(plugin):x}"


def _words(problem: Exception) -> str:
    if isinstance(problem, pluggy.PluginValidationError):
        return "; ".join(str(problem).splitlines())
    return f"{type(problem).__name__}: {problem}"


def _removal(origin: Origin) -> str:
    if origin.distribution == "rangebook":
        return "install the program again: `pip install --force-reinstall rangebook`"
    return f"update or remove it: `pip uninstall {origin.distribution}`"


def blame(reader: Reader, original: Original, problem: Exception) -> PluginProblem:
    """The problem of a reader that raised something other than an InputProblem, named with its version."""
    what = f"reader `{reader.name}` {reader.version} failed on {original.path}: {_words(problem)}"
    return PluginProblem(what, "this is a fault of the reader, not of the file; try another one with `--reader`")


def fits(
    readers: Iterable[Reader], original: Original, failed: list[PluginProblem] | None = None
) -> list[tuple[Reader, Fit]]:
    """All readers that recognise `original` with how sure they are, the surest first.

    A reader whose recognise() raises or answers nonsense goes to `failed`, and the next is asked.
    """
    found = []
    for reader in readers:
        try:
            fit = _recognised(reader, original)
        except Exception as problem:  # a fault in one recogniser must not hide the others
            if failed is not None:
                failed.append(blame(reader, original, problem))
        else:
            if fit is not None:
                found.append((reader, fit))
    return sorted(found, key=lambda pair: -pair[1].sure)


def _recognised(reader: Reader, original: Original) -> Fit | None:
    from .reading import Fit

    fit = reader.recognise(original)
    if fit is not None and not (isinstance(fit, Fit) and 0 <= fit.sure <= 1):
        raise TypeError(f"recognise() returned {fit!r}, not a Fit between 0 and 1 or None")
    return fit if fit is not None and fit.sure > 0 else None


def choose(
    readers: Sequence[Reader], original: Original, wanted: str | None = None, failed: list[PluginProblem] | None = None
) -> tuple[Reader, Fit]:
    """The reader that takes `original`: the one called `wanted`, else the surest.

    Raises UsageProblem when there is no reader `wanted`, InputProblem when none or two fit equally well, and
    the first PluginProblem when none fits and a recogniser failed. Failures go to `failed` as with `fits`.
    """
    if wanted is not None:
        return _called(readers, wanted)
    if original.size == 0:
        raise InputProblem("the file is empty", "copy it again from where it came", path=original.path)
    failures = failed if failed is not None else []
    before = len(failures)
    found = fits(readers, original, failures)
    if not found and len(failures) > before:
        raise failures[before]
    return surest(found, readers, original)


def _called(readers: Sequence[Reader], wanted: str) -> tuple[Reader, Fit]:
    from .reading import Fit

    for reader in readers:
        if reader.name == wanted:
            return reader, Fit(1.0, f"asked for with `--reader {wanted}`")
    raise UsageProblem(f"there is no reader `{wanted}`", _listed(readers))


def surest(found: Sequence[tuple[Reader, Fit]], readers: Sequence[Reader], original: Original) -> tuple[Reader, Fit]:
    """The first of `found` (as `fits` returns it). Raises InputProblem when it is empty or its first two tie."""
    if not found:
        hint = f"{_listed(readers)}; one can be named with `--reader`"
        raise InputProblem("no reader recognises this file", hint, path=original.path)
    best = [(reader, fit) for reader, fit in found if fit.sure == found[0][1].sure]
    if len(best) > 1:
        names = " and ".join(f"`{reader.name}` ({fit.why})" for reader, fit in best)
        hint = f"name one: `--reader {best[0][0].name}` or `--reader {best[1][0].name}`"
        raise InputProblem(f"{names} fit equally well", hint, path=original.path)
    return found[0]


def _listed(readers: Sequence[Reader]) -> str:
    return "the readers are " + ", ".join(f"{reader.name} ({reader.title})" for reader in readers)
