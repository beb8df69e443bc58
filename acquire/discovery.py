"""Which boards are plugged in: each kind asked in turn, within a deadline that even a hanging plugin cannot stretch."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from crankfold.acquire.deadline import call_within
from crankfold.acquire.declarations import BoardFound

if TYPE_CHECKING:
    from collections.abc import Iterator

    from crankfold.acquire.declarations import BoardDeclaration
    from crankfold.acquire.plugin_module import PluginOrigin
    from crankfold.acquire.registry import Plugins

DEADLINE_S = 3.0  # a USB device that has to be asked for its name answers in well under a second
GRACE_S = 0.5  # what a plugin may run over the deadline it was given before it is left alone


@dataclass(frozen=True)
class KindFound:
    """What one kind of board answered.

    Parameters
    ----------
    name, title
        Of the kind.
    plugin
        Which plugin offers it.
    boards
        The boards seen, those that cannot be opened included.
    problem
        Why the kind itself could not be asked, empty if it could.
    """

    name: str
    title: str
    plugin: PluginOrigin
    boards: tuple[BoardFound, ...] = ()
    problem: str = ""


def discover_boards(plugins: Plugins, *, deadline_s: float = DEADLINE_S) -> Iterator[KindFound]:
    """Yield what each kind of board finds, one kind after the other, as soon as it is known.

    A kind whose search raises or hangs is yielded with its problem.

    Parameters
    ----------
    deadline_s
        Seconds for each kind.
    """
    for name, offered in plugins.boards.items():
        board = offered.declaration
        try:
            boards = _searched(board, deadline_s)
        except TimeoutError as error:
            yield KindFound(name, board.title, offered.plugin, problem=f"{error}; the other kinds are not affected")
        except (Exception, SystemExit) as error:
            said = " ".join(f"{type(error).__name__}: {error}".split())
            yield KindFound(name, board.title, offered.plugin, problem=f"the search failed with {said}")
        else:
            yield KindFound(name, board.title, offered.plugin, boards)


def lasting_address(text: str, plugins: Plugins, *, deadline_s: float = DEADLINE_S) -> str:
    """Return ``NAME:ADDRESS`` with a port's name replaced by what finds the same board again tomorrow.

    A board that nobody lists, or that has no such address, keeps the one that was given.
    """
    name, colon, address = text.strip().partition(":")
    offered = plugins.boards.get(name.strip())
    if offered is None or not colon or not address:
        return text.strip()
    wanted = _real(address)
    try:
        boards = _searched(offered.declaration, deadline_s)
    except (Exception, SystemExit):  # a search that fails keeps nobody from naming the board
        return text.strip()
    same = [board.address for board in boards if board.device and _real(board.device) == wanted]
    return f"{name.strip()}:{same[0]}" if len(same) == 1 else text.strip()


def _real(device: str) -> str:
    return os.path.realpath(device) if device.startswith("/") else device


def _searched(board: BoardDeclaration, deadline_s: float) -> tuple[BoardFound, ...]:
    return call_within(partial(_asked, board, deadline_s), deadline_s + GRACE_S,
                       name=f"the search for {board.name} boards")


def _asked(board: BoardDeclaration, deadline_s: float) -> tuple[BoardFound, ...]:
    boards = tuple(board.discover(deadline_s))
    strange = [type(found).__name__ for found in boards if not isinstance(found, BoardFound)]
    if strange:
        raise TypeError(f"it returned a {strange[0]}, not a BoardFound")
    return boards
