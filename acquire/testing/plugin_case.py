"""A plugin to try rules on: its module, and what its hooks declare."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crankfold.acquire.declarations import BoardDeclaration, ReaderDeclaration
from crankfold.acquire.testing.outcome import NotTriedError, RuleBrokenError

if TYPE_CHECKING:
    from types import ModuleType

BOARDS_HOOK, READERS_HOOK = "crankfold_boards", "crankfold_readers"


@dataclass(frozen=True)
class PluginCase:
    """What the rules for plugins are tried on.

    Parameters
    ----------
    module
        The module that the entry point names.
    discover_s
        Deadline given to discovery.
    """

    module: ModuleType
    discover_s: float = 2.0

    def declared(self, hook: str) -> list[Any]:
        """Return what a hook returns, as a list; empty when the module has no such hook."""
        function = getattr(self.module, hook, None)
        return list(function()) if function is not None else []

    def sound(self, hook: str) -> list[Any]:
        """Return what a hook returns, for the rules that need declarations to look at."""
        kind = BoardDeclaration if hook == BOARDS_HOOK else ReaderDeclaration
        try:
            declared = self.declared(hook)
        except Exception as error:
            raise NotTriedError(f"see the rule hooks-declare: {error}") from error
        if not all(isinstance(each, kind) for each in declared):
            raise NotTriedError("see the rule hooks-declare")
        return declared

    def boards(self) -> list[BoardDeclaration]:
        """Return the boards for a rule about boards."""
        return self._kinds(BOARDS_HOOK, "board")

    def readers(self) -> list[ReaderDeclaration]:
        """Return the readers for a rule about readers."""
        return self._kinds(READERS_HOOK, "file reader")

    def _kinds(self, hook: str, word: str) -> list[Any]:
        declared = self.sound(hook)
        if not declared:
            raise NotTriedError(f"it declares no {word}")
        return declared

    def discover(self, board: BoardDeclaration) -> tuple[list[Any], float]:
        """Return what one board's discovery found, and how long it took."""
        began_s = time.monotonic()
        try:
            found = list(board.discover(self.discover_s))
        except Exception as error:
            raise RuleBrokenError(f"discovery of {board.name!r} raised a {type(error).__name__}: {error}") from error
        return found, time.monotonic() - began_s
