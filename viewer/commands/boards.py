"""``crankfold boards``: which boards are there, and what keeps one from opening."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import click

from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import VIRTUAL
from crankfold.viewer.words import say, tell, worded, working

if TYPE_CHECKING:
    from crankfold.acquire import BoardFound, KindFound


@click.command("boards", help=say("help.boards.long"), short_help=say("help.boards.short"))
@click.option("--wait", type=click.FloatRange(0.1, 60.0), default=3.0, show_default=True, metavar="SECONDS",
              help=say("option.wait"))
def command(wait: float) -> int:
    """List the boards and return the exit status."""
    from crankfold.acquire import discover_boards
    with working(say("progress.looking")):
        kinds = list(discover_boards(installed_plugins(), deadline_s=wait))
    real = [kind for kind in kinds if kind.name != VIRTUAL]
    for kind in real:
        _kind(kind)
    if not any(kind.boards for kind in real):
        tell(say("boards.none"))
        tell(say("boards.none_then"), indent=1)
    virtual = [kind for kind in kinds if kind.name == VIRTUAL]
    if any(kind.boards or kind.problem for kind in virtual):
        tell()
        tell(say("boards.virtual"))
        for kind in virtual:
            _kind(kind)
    return VERDICT


def _kind(kind: KindFound) -> None:
    if kind.problem:
        tell(say("boards.kind_failed", name=kind.name, problem=worded(kind.problem)))
    for board in kind.boards:
        _board(kind, board)


def _board(kind: KindFound, board: BoardFound) -> None:
    address = shlex.quote(f"{kind.name}:{board.address}" if board.address else kind.name)
    tell(say("boards.found", address=address, title=worded(board.title)))
    if can := _can(board):
        tell(can, indent=1)
    if board.problem:
        tell(say("boards.problem", problem=worded(board.problem), fix=worded(board.fix)), indent=1)
    else:
        tell(say("boards.ready", address=address), indent=1)


def _can(board: BoardFound) -> str:
    """Return what a board can do, as far as it says without being opened."""
    can = board.can
    parts = [say(f"boards.can_{name}", value=value) for name, value
             in (("inputs", can.inputs), ("rate", can.highest_rate_hz), ("bits", can.bits)) if value]
    return say("boards.can", parts=", ".join(parts)) if parts else ""
