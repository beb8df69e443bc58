"""One plugin's module: imported, its contract checked, its hooks asked for what they declare."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import dataclass
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
        return normal_name(self.distribution) == OWN_DISTRIBUTION

    def __str__(self) -> str:
        package = f"{self.distribution} {self.version}".strip() or "no installed package"
        return f"{self.name} ({package})"


@dataclass(frozen=True)
class Offered(Generic[D]):
    """A kind of board or file, and the plugin that offers it."""

    declaration: D
    plugin: PluginOrigin


Taken = Callable[[str], "PluginOrigin | None"]
"""Who has a name already."""


@dataclass(frozen=True)
class Declared:
    """What one plugin offers.

    Parameters
    ----------
    origin
        The plugin, its file included.
    boards, readers
        By name.
    """

    origin: PluginOrigin
    boards: dict[str, Offered[BoardDeclaration]]
    readers: dict[str, Offered[ReaderDeclaration]]


def declared_by(entry: EntryPoint, manager: pluggy.PluginManager, taken: Taken) -> Declared:
    """Return what a plugin declares; its module is imported.

    Raises
    ------
    PluginLoadError
        It cannot be used, for whatever reason.
    """
    origin = origin_of(entry)
    module = _import(entry, origin)
    origin = _with_path(origin, module)
    _check_contract(module, origin)
    try:
        manager.register(module, name=f"{origin.distribution}:{origin.name}")
        _check_hook_names(manager, module, origin)
    except (pluggy.PluginValidationError, ValueError) as error:
        raise _failure(origin, f"its hooks do not fit: {_said(error)}", "see the two hooks in DEVELOPERS.md") from error
    boards = _collect(manager, module, origin, hook="crankfold_boards", kind=BoardDeclaration, taken=taken)
    readers = _collect(manager, module, origin, hook="crankfold_readers", kind=ReaderDeclaration, taken=taken)
    if not boards and not readers:
        raise _failure(origin, "it offers neither a board nor a file reader",
                       "implement crankfold_boards or crankfold_readers and mark it with hookimpl")
    return Declared(origin, boards, readers)


def _collect(manager: pluggy.PluginManager, module: ModuleType, origin: PluginOrigin, *, hook: str, kind: type[D],
             taken: Taken) -> dict[str, Offered[D]]:
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
            other = origin if declaration.name in offered else taken(declaration.name)
            if other is not None:
                raise _failure(origin, f"the name {declaration.name!r} is already taken by plugin {other}",
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


def origin_of(entry: EntryPoint) -> PluginOrigin:
    """Return where a plugin comes from, before it is imported."""
    package = entry.dist
    return PluginOrigin(entry.name, entry.module, package.name if package else "", package.version if package else "")


def _with_path(origin: PluginOrigin, module: ModuleType) -> PluginOrigin:
    path: Any = getattr(module, "__file__", None)
    return PluginOrigin(origin.name, origin.module, origin.distribution, origin.version, str(path or ""))


def _failure(origin: PluginOrigin, what: str, remedy: str) -> PluginLoadError:
    return PluginLoadError(f"plugin {origin} is left out: {what}", remedy)


def _said(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())


def normal_name(distribution: str) -> str:
    """Return a package's name as indexes compare names."""
    return re.sub(r"[-_.]+", "-", distribution).lower()
