"""``crankfold lend --from BOARD``: offer a board to other programs, on this computer or on others."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.acquire import open_board
from crankfold.acquire.network import PORT, Lender, beyond_this_computer, lsl_outlet, new_secret, secret_in
from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import GuessedColumnsError, ask_columns, can_ask, rig_of, settings_of
from crankfold.viewer.words import say, tell, working

if TYPE_CHECKING:
    from crankfold.acquire import Plugins, Source
    from crankfold.acquire.network import LendingNews
    from crankfold.viewer.share import Place

KEEP_S = 30.0
LOOK_S = 0.2  # systems on which waiting cannot be interrupted look for Ctrl-C so often


@click.command("lend", help=say("help.lend.long"), short_help=say("help.lend.short"))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--rig", metavar="NAME|FILE", help=say("option.rig"))
@click.option("--at", "place", default="", metavar="HOST[:PORT]", help=say("option.lend_at"))
@click.option("--secret-file", type=click.Path(path_type=Path, dir_okay=False), metavar="PATH",
              help=say("option.secret_file"))
@click.option("--keep", "keep_s", type=click.FloatRange(1.0, 600.0), default=KEEP_S, show_default=True,
              metavar="SECONDS", help=say("option.keep"))
@click.option("--lsl", metavar="STREAM", help=say("option.lsl"))
def command(*, board: str | None, pairs: tuple[str, ...], place: str, secret_file: Path | None, keep_s: float,
            lsl: str | None, **options: Any) -> int:
    """Lend a board until it ends or Ctrl-C comes."""
    from functools import partial

    from crankfold.viewer.session import VIRTUAL, prepare_virtual
    from crankfold.viewer.share import place_of
    rig, settings = rig_of(options), settings_of(pairs)
    if board is None and rig is not None:
        board, settings = rig.board, rig.settings | settings
    if board is None:
        raise InputError(say("problem.no_board"))
    where = place_of(place, option="--at", port=PORT)
    secret, told = _secret(secret_file, needed=beyond_this_computer(where.host))
    plugins = installed_plugins()
    with working(say("progress.opening", board=board)) as line, line.opening(board):
        first = [_opened(board, settings, plugins)]
        if board.partition(":")[0].strip() == VIRTUAL:
            prepare_virtual(plugins)  # compiling it would keep the first reader waiting

    def opened() -> Source:
        return first.pop() if first else _opened(board, settings, plugins)

    outlet = None if lsl is None else partial(lsl_outlet, name=lsl)
    with Lender(opened, where.host, where.port, secret=secret, keep_s=keep_s, hear=_hear, outlet=outlet) as lender:
        _show(where, lender.port, secret, told, secret_file)
        if lsl is not None:
            tell(say("lend.lsl", name=lsl))
        try:
            while not lender.ended.wait(LOOK_S):
                pass
        except KeyboardInterrupt:
            tell(say("lend.stopped"))
    return VERDICT


def _opened(board: str, settings: dict[str, str], plugins: Plugins) -> Source:
    """Return the open board, once it is known which of its columns is which.

    Raises
    ------
    InputError
        It is a recording, or its columns had to be guessed and nobody can be asked.
    """
    source = open_board(board, settings, plugins)
    if source.info.guessed:
        source.close()
        if not can_ask():
            raise GuessedColumnsError(source.info.columns)
        settings["columns"] = ask_columns(source.info.columns)
        source = open_board(board, settings, plugins)
    if not source.info.live:
        source.close()
        raise InputError(say("lend.not_live", board=board))
    return source


def _secret(path: Path | None, *, needed: bool) -> tuple[str, bool]:
    """Return the secret that is asked for, and whether it was made now."""
    if path is None:
        return (new_secret(), True) if needed else ("", False)
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return secret_in(path), False
    made = new_secret()
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(made + "\n")
    return made, True


def _show(where: Place, port: int, secret: str, made: bool, path: Path | None) -> None:
    """Say what to type on the other computer."""
    host = f"[{where.shown_host}]" if ":" in where.shown_host else where.shown_host
    address = f"network:{host}" + ("" if port == PORT else f":{port}")
    words = ["crankfold", "capture", "--from", address]
    if secret and path is not None:
        words += ["--set", f"secret-file={path.name}"]
    elif secret:
        words += ["--set", f"secret={secret}"]
    tell(say("lend.there", command=shlex.join(words)))
    if made and path is not None:
        tell(say("lend.made", path=str(path)))
    tell(say("lend.keep_secret" if secret else "lend.here_only"))


def _hear(news: LendingNews) -> None:
    """Say what happens."""
    error = news.error
    facts = {"title": news.title, "who": news.who, "sent": news.sent, "dropped": news.dropped,
             "what": error.what if error else "", "remedy": error.remedy if error else ""}
    key = "left_dropped" if news.what == "left" and news.dropped else news.what
    tell(say(f"lend.{key}", **facts))
