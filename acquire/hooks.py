"""The two hooks that plugins implement; both return declarations and touch no hardware.

A plugin is a module named in the entry-point group ``crankfold``. It states ``crankfold_contract = 1`` and implements
one or both hooks with `hookimpl`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.acquire.declarations import BoardDeclaration, ReaderDeclaration

GROUP = "crankfold"
ENDINGS = "crankfold.endings"
"""Group that maps an ending of file names, without its first dot, to the plugin of ours that reads it."""

hookspec = pluggy.HookspecMarker(GROUP)
hookimpl = pluggy.HookimplMarker(GROUP)


@hookspec
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the kinds of board this plugin drives."""
    return ()  # a specification: pluggy never calls it


@hookspec
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the kinds of file this plugin reads."""
    return ()  # a specification: pluggy never calls it
