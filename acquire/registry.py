"""Which plugins there are: each loaded alone, so that a broken one is listed with its cause and harms nobody."""

from __future__ import annotations

import importlib.metadata
import inspect
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import pluggy

from crankfold.acquire import hooks
from crankfold.acquire.declarations import CONTRACT, BoardDeclaration, ReaderDeclaration
from crankfold.acquire.errors import PluginLoadError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint
    from types import ModuleType

OWN_DISTRIBUTION = "crankfold"
CONTRACT_ATTRIBUTE = "crankfold_contract"
ONLY_OWN_VARIABLE = "CRANKFOLD_NO_PLUGINS"
"""Environment variable: set, nothing but our own is loaded, in this process and in those it starts."""

_NAME = re.compile(r"[a-z][a-z0-9-]*")  # stands before the colon in NAME:ADDRESS, so it holds no colon

D = TypeVar("D", BoardDeclaration, ReaderDeclaration)


@dataclass(frozen=True)
class PluginOrigin:
    """Where a plugin comes from.

    Parameters
    ----------
    name
        The entry point's name.
    module
        The module it names.
    distribution, version
        The installed package, empty when it belongs to none.
    path
        The file on disk, empty when it never got so far.
    """

    name: str
    module: str
    distribution: str = ""
    version: str = ""
    path: str = ""

    @property
    def own(self) -> bool:
        """Whether it comes with this program."""
        return _normal(self.distribution) == OWN_DISTRIBUTION

    def __str__(self) -> str:
        package = f"{self.distribution} {self.version}".strip() or "no installed package"
        return f"{self.name} ({package})"


@dataclass(frozen=True)
class Offered(Generic[D]):
    """A kind of board or file, and the plugin that offers it."""

    declaration: D
    plugin: PluginOrigin


@dataclass(frozen=True)
class FailedPlugin:
    """A plugin that is not used, and why."""

    plugin: PluginOrigin
    error: PluginLoadError

    @property
    def cause(self) -> str:
        """The reason as one sentence."""
        return str(self.error)


@dataclass(frozen=True)
class Plugins:
    """What was loaded.

    Parameters
    ----------
    boards, readers
        Kinds of board and of file by name.
    loaded, failed
        Every plugin that was found, in the order in which it was tried.
    """

    boards: Mapping[str, Offered[BoardDeclaration]]
    readers: Mapping[str, Offered[ReaderDeclaration]]
    loaded: tuple[PluginOrigin, ...] = ()
    failed: tuple[FailedPlugin, ...] = ()


def load_plugins(*, enabled: bool | None = None, strict: bool = False,
                 entry_points: Iterable[EntryPoint] | None = None) -> Plugins:
    """Return all plugins of the entry-point group ``crankfold``; our own first, then by package and name.

    Parameters
    ----------
    enabled
        False leaves out everything that does not come with this program; by default the environment decides.
    strict
        Whether a plugin that fails to load is an error.
    entry_points
        Instead of those installed.

    Raises
    ------
    PluginLoadError
        With `strict`: a plugin failed to load.
    """
    if enabled is None:
        enabled = not os.environ.get(ONLY_OWN_VARIABLE)
    found = importlib.metadata.entry_points(group=hooks.GROUP) if entry_points is None else entry_points
    loader = _Loader()
    for entry in sorted(found, key=_order):
        if enabled or _origin(entry).own:
            loader.try_to_load(entry)
    if strict and loader.failed:
        raise loader.failed[0].error
    return loader.result()


class _Loader:
    """Collects what each plugin offers, and refuses a second one of the same name."""

    def __init__(self) -> None:
        self.manager = pluggy.PluginManager(hooks.GROUP)
        self.manager.add_hookspecs(hooks)
        self.boards: dict[str, Offered[BoardDeclaration]] = {}
        self.readers: dict[str, Offered[ReaderDeclaration]] = {}
        self.loaded: list[PluginOrigin] = []
        self.failed: list[FailedPlugin] = []

    def result(self) -> Plugins:
        return Plugins(MappingProxyType(self.boards), MappingProxyType(self.readers), tuple(self.loaded),
                       tuple(self.failed))

    def try_to_load(self, entry: EntryPoint) -> None:
        origin = _origin(entry)
        try:
            module = _import(entry, origin)
            origin = _with_path(origin, module)
            _check_contract(module, origin)
            boards, readers = self._ask(module, origin)
        except PluginLoadError as error:
            self.failed.append(FailedPlugin(origin, error))
            return
        self.boards.update(boards)
        self.readers.update(readers)
        self.loaded.append(origin)

    def _ask(self, module: ModuleType, origin: PluginOrigin) -> tuple[dict[str, Offered[BoardDeclaration]],
                                                                      dict[str, Offered[ReaderDeclaration]]]:
        """Return what the module's hooks declare, checked."""
        try:
            self.manager.register(module, name=f"{origin.distribution}:{origin.name}")
            _check_hook_names(self.manager, module, origin)
        except (pluggy.PluginValidationError, ValueError) as error:
            raise _failure(origin, f"its hooks do not fit: {_said(error)}",
                           "see the two hooks in DEVELOPERS.md") from error
        boards = _collect(self.manager, module, origin, hook="crankfold_boards", kind=BoardDeclaration,
                          taken=self.boards)
        readers = _collect(self.manager, module, origin, hook="crankfold_readers", kind=ReaderDeclaration,
                           taken=self.readers)
        if not boards and not readers:
            raise _failure(origin, "it offers neither a board nor a file reader",
                           "implement crankfold_boards or crankfold_readers and mark it with hookimpl")
        return boards, readers


def _collect(manager: pluggy.PluginManager, module: ModuleType, origin: PluginOrigin, *, hook: str, kind: type[D],
             taken: Mapping[str, Offered[D]]) -> dict[str, Offered[D]]:
    """Return by name what one hook of one plugin declares."""
    offered: dict[str, Offered[D]] = {}
    for implementation in getattr(manager.hook, hook).get_hookimpls():
        if implementation.plugin is not module:
            continue
        try:
            declarations = list(implementation.function())
        except (Exception, SystemExit) as error:  # a plugin may fail in any way, and none may stop the others
            raise _failure(origin, f"its {hook} failed: {_said(error)}", "report it to whoever wrote it") from error
        for declaration in declarations:
            _check_declaration(declaration, kind, hook, origin)
            other = offered.get(declaration.name) or taken.get(declaration.name)
            if other is not None:
                raise _failure(origin, f"the name {declaration.name!r} is already taken by plugin {other.plugin}",
                               "uninstall one of the two, or have one renamed")
            offered[declaration.name] = Offered(declaration, origin)
    return offered


def _check_declaration(declaration: object, kind: type[D], hook: str, origin: PluginOrigin) -> None:
    if not isinstance(declaration, kind):
        raise _failure(origin, f"its {hook} returned a {type(declaration).__name__}, not a {kind.__name__}",
                       f"return a list of {kind.__name__}")
    if not _NAME.fullmatch(declaration.name):
        raise _failure(origin, f"the name {declaration.name!r} cannot be used",
                       "use lower-case letters, digits and dashes, a letter first")


def _import(entry: EntryPoint, origin: PluginOrigin) -> ModuleType:
    try:
        module = entry.load()
    except (Exception, SystemExit) as error:  # whatever its import does, the others are to load
        raise _failure(origin, f"its import failed: {_said(error)}",
                       "reinstall or uninstall it; the rest works without it") from error
    if not inspect.ismodule(module):
        raise _failure(origin, f"its entry point names a {type(module).__name__}", "name a module there")
    return module


def _check_contract(module: ModuleType, origin: PluginOrigin) -> None:
    number = getattr(module, CONTRACT_ATTRIBUTE, None)
    if number is None:
        raise _failure(origin, "it does not say which contract it follows",
                       f"add the line {CONTRACT_ATTRIBUTE} = {CONTRACT} to the module")
    if type(number) is not int or number != CONTRACT:
        older = isinstance(number, int) and number < CONTRACT
        raise _failure(origin, f"it follows contract {number!r}, this version speaks {CONTRACT}",
                       "update the plugin" if older else "update this program, or install an older plugin")


def _check_hook_names(manager: pluggy.PluginManager, module: ModuleType, origin: PluginOrigin) -> None:
    """Report a hook that nobody would call: misspelt, or without its mark."""
    known = sorted(name for name in vars(hooks) if name.startswith("crankfold_"))
    callers = manager.get_hookcallers(module) or []
    unknown = [caller.name for caller in callers if not caller.has_spec()]
    if unknown:
        raise _failure(origin, f"it implements {unknown[0]}, a hook that does not exist",
                       f"it is one of {', '.join(known)}")
    marked = {caller.name for caller in callers}
    unmarked = [name for name in known if inspect.isfunction(getattr(module, name, None)) and name not in marked]
    if unmarked:
        raise _failure(origin, f"its {unmarked[0]} is not marked", "put @hookimpl above it")


def _order(entry: EntryPoint) -> tuple[bool, str, str]:
    origin = _origin(entry)
    return not origin.own, _normal(origin.distribution), origin.name


def _origin(entry: EntryPoint) -> PluginOrigin:
    package = entry.dist
    return PluginOrigin(entry.name, entry.module, package.name if package else "", package.version if package else "")


def _with_path(origin: PluginOrigin, module: ModuleType) -> PluginOrigin:
    path: Any = getattr(module, "__file__", None)
    return PluginOrigin(origin.name, origin.module, origin.distribution, origin.version, str(path or ""))


def _failure(origin: PluginOrigin, what: str, remedy: str) -> PluginLoadError:
    return PluginLoadError(f"plugin {origin} is left out: {what}", remedy)


def _said(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())


def _normal(distribution: str) -> str:
    return re.sub(r"[-_.]+", "-", distribution).lower()
