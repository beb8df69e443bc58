"""``crankfold window``: the live window, from a board, a rig or a file."""

from __future__ import annotations

from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.questions import engine_options, question_of, settings_of
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from crankfold.viewer.window.watching import Wanted

NEEDED = ("PySide6", "pyqtgraph")


@click.command("window", help=say("help.window.long"), short_help=say("help.window.short"))
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@engine_options
@click.option("--paper", type=click.Choice(("light", "dark")), default="light", show_default=True,
              help=say("option.paper"))
@click.option("--full-screen", is_flag=True, help=say("option.full_screen"))
@click.option("--silent", is_flag=True, help=say("option.silent"))
@click.option("--checked", is_flag=True, help=say("option.checked"))
def command(*, file: Path | None, board: str | None, pairs: tuple[str, ...], paper: str, full_screen: bool,
            silent: bool, checked: bool, **options: Any) -> int:
    """Show the window and return the exit status."""
    from crankfold.analysis.errors import InputError

    if any(find_spec(name) is None for name in NEEDED):
        raise InputError(say("problem.no_window"))
    if file is not None and board is not None:
        raise InputError(say("problem.file_and_board"))
    wanted, checks = _wanted(file, board, settings_of(pairs), options)
    from crankfold.viewer.window.run import run_window

    return run_window(wanted, paper=paper, full_screen=full_screen, silent=silent, checks=() if checked else checks)


def _wanted(file: Path | None, board: str | None, settings: dict[str, str],
            options: dict[str, Any]) -> tuple[Wanted | None, tuple[str, ...]]:
    """Return what to watch, None where the options say too little, and the checklist that goes with it."""
    from crankfold.viewer.questions import rig_of
    from crankfold.viewer.window.checklist import checks
    from crankfold.viewer.window.watching import Wanted

    rig = rig_of(options)
    if board is None and rig is not None:
        board, settings = rig.board, rig.settings | settings
    if file is None and (board is None or not (options["firing_order"] or options["engine"])):
        return None, ()
    question = question_of(options)
    if file is not None:
        from crankfold.acquire.opening import open_file
        from crankfold.acquire.plugin_loading import load_plugins

        return Wanted(partial(open_file, file, settings, load_plugins()), question, live=False, title=file.name), ()
    from crankfold.acquire.opening import open_board
    from crankfold.acquire.plugin_loading import load_plugins

    assert board is not None
    wanted = Wanted(partial(open_board, board, settings, load_plugins()), question, title=board)
    return wanted, checks(question.sync, fuel=_fuel(options))


def _fuel(options: dict[str, Any]) -> str:
    from crankfold.acquire.rig import Shelf

    return Shelf().engine(options["engine"]).fuel if options["engine"] else ""
