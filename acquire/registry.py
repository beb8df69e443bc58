"""Which plugins there are: each a name until something of it is needed, and a broken one harms nobody."""

from __future__ import annotations

import importlib.metadata
import threading
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic

import pluggy

from crankfold.acquire import hooks
from crankfold.acquire.declarations import BoardDeclaration, ReaderDeclaration
from crankfold.acquire.errors import PluginLoadError
from crankfold.acquire.plugin_module import D, Offered, PluginOrigin, declared_by, normal_name, origin_of

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint


@dataclass(frozen=True)
class FailedPlugin:
    """A plugin that is not used, and why."""

    plugin: PluginOrigin
    error: PluginLoadError

    @property
    def cause(self) -> str:
        """The reason as one sentence."""
        return str(self.error)


class Plugins:
    """What is installed, imported one by one as it is asked for.

    A name is looked up in the entry point of that name first; a file's ending in those that promise it. Only what
    lists everything (iterating, `loaded`, `failed`) imports everything. `only_own` says whether those of others
    were left out.
    """

    def __init__(self, entries: Iterable[EntryPoint], promises: Iterable[EntryPoint] = (), *,
                 only_own: bool = False) -> None:
        self.only_own = only_own
        self._loading = threading.RLock()
        self._waiting = sorted(entries, key=_order)
        self._promises = {entry.name: entry.value for entry in promises if origin_of(entry).own}
        self._manager = pluggy.PluginManager(hooks.GROUP)
        self._manager.add_hookspecs(hooks)
        self._boards: dict[str, Offered[BoardDeclaration]] = {}
        self._readers: dict[str, Offered[ReaderDeclaration]] = {}
        self._loaded: list[PluginOrigin] = []
        self._failed: list[FailedPlugin] = []

    @property
    def boards(self) -> Mapping[str, Offered[BoardDeclaration]]:
        """Kinds of board by name."""
        return _Kinds(self, self._boards)

    @property
    def readers(self) -> Mapping[str, Offered[ReaderDeclaration]]:
        """Kinds of file by name."""
        return _Kinds(self, self._readers)

    @property
    def loaded(self) -> tuple[PluginOrigin, ...]:
        """Every plugin that works, our own first, then by package and name; imports them all."""
        self.load_all()
        return tuple(sorted(self._loaded, key=_origin_order))

    @property
    def failed(self) -> tuple[FailedPlugin, ...]:
        """Every plugin that does not work, and why; imports them all."""
        self.load_all()
        return tuple(sorted(self._failed, key=lambda failed: _origin_order(failed.plugin)))

    def readers_of(self, file_name: str) -> list[tuple[str, ReaderDeclaration]]:
        """Return pairs of ending and reader that fit a file's name, the longest ending first.

        Of our own readers only those are imported that promise the ending; plugins of others promise nothing.
        """
        name = file_name.lower()
        modules = {module for ending, module in self._promises.items() if name.endswith(f".{ending}")}
        self._load([entry for entry in self._waiting if entry.value in modules or not origin_of(entry).own])
        return sorted(((ending, offered.declaration) for offered in self._readers.values()
                       for ending in offered.declaration.suffixes if name.endswith(ending.lower())),
                      key=lambda pair: -len(pair[0]))

    def look_for(self, name: str) -> None:
        """Import what may offer a board or reader of this name: the entry point of that name, else everything."""
        if name not in self._boards and name not in self._readers:
            self._load([entry for entry in self._waiting if entry.name == name][:1])
        if name not in self._boards and name not in self._readers:
            self.load_all()

    def load_all(self) -> None:
        """Import everything that waits."""
        self._load(list(self._waiting))

    def _load(self, entries: Iterable[EntryPoint]) -> None:
        with self._loading:  # a window looks for boards on one thread and opens a file on another
            for entry in entries:
                if entry in self._waiting:
                    self._waiting.remove(entry)
                    self._load_one(entry)

    def _load_one(self, entry: EntryPoint) -> None:
        try:
            declared = declared_by(entry, self._manager, self._taken)
        except PluginLoadError as error:
            self._failed.append(FailedPlugin(origin_of(entry), error))
            return
        self._boards.update(declared.boards)
        self._readers.update(declared.readers)
        self._loaded.append(declared.origin)

    def _taken(self, name: str) -> PluginOrigin | None:
        """Return who has a name; those of our own that are not imported yet have theirs all the same."""
        offered = self._boards.get(name) or self._readers.get(name)
        if offered is not None:
            return offered.plugin
        waiting = (origin_of(entry) for entry in self._waiting if entry.name == name)
        return next((origin for origin in waiting if origin.own), None)


class _Kinds(Mapping[str, Offered[D]], Generic[D]):
    """Boards or readers by name; looking one up imports as little as it can."""

    def __init__(self, plugins: Plugins, known: dict[str, Offered[D]]) -> None:
        self._plugins = plugins
        self._known: dict[str, Offered[D]] = known

    def __getitem__(self, name: str) -> Offered[D]:
        self._plugins.look_for(name)
        return self._known[name]

    def __iter__(self) -> Iterator[str]:
        self._plugins.load_all()
        return iter(self._known)

    def __len__(self) -> int:
        self._plugins.load_all()
        return len(self._known)


def load_plugins(*, enabled: bool = True, strict: bool = False,
                 entry_points: Iterable[EntryPoint] | None = None) -> Plugins:
    """Return the plugins of the entry-point group ``crankfold``, each imported when it is first needed.

    Parameters
    ----------
    enabled
        False leaves out everything that does not come with this program.
    strict
        Whether all are imported at once, and one that fails is an error.
    entry_points
        Instead of those installed.

    Raises
    ------
    PluginLoadError
        With `strict`: a plugin failed to load.
    """
    found = importlib.metadata.entry_points(group=hooks.GROUP) if entry_points is None else entry_points
    promises = importlib.metadata.entry_points(group=hooks.ENDINGS) if entry_points is None else ()
    plugins = Plugins([entry for entry in found if enabled or origin_of(entry).own], promises,
                      only_own=not enabled)
    if strict and plugins.failed:
        raise plugins.failed[0].error
    return plugins


def _order(entry: EntryPoint) -> tuple[bool, str, str]:
    return _origin_order(origin_of(entry))


def _origin_order(origin: PluginOrigin) -> tuple[bool, str, str]:
    return not origin.own, normal_name(origin.distribution), origin.name
