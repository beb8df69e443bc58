"""``crankfold window``: the live window, from a board, a rig or a file."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import click

from crankfold.viewer.command_line import installed_plugins
from crankfold.viewer.commands.sharing import share_of, share_options
from crankfold.viewer.session import engine_options, settings_of
from crankfold.viewer.words import say

NEEDED = ("PySide6", "pyqtgraph")


@click.command("window", help=say("help.window.long"), short_help=say("help.window.short"))
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@engine_options
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help=say("option.window_out"))
@click.option("--paper", type=click.Choice(("light", "dark")), default="light", show_default=True,
              help=say("option.paper"))
@click.option("--full-screen", is_flag=True, help=say("option.full_screen"))
@click.option("--silent", is_flag=True, help=say("option.silent"))
@click.option("--checked", is_flag=True, help=say("option.checked"))
@share_options
def command(*, file: Path | None, board: str | None, pairs: tuple[str, ...], out: Path | None, paper: str,
            full_screen: bool, silent: bool, checked: bool, **options: Any) -> int:
    """Show the window and return the exit status."""
    from crankfold.analysis import InputError

    if any(find_spec(name) is None for name in NEEDED):
        raise InputError(say("problem.no_window"))
    if file is not None and board is not None:
        raise InputError(say("problem.file_and_board"))
    shared = share_of(options)
    if out is not None:
        from crankfold.viewer.session import make_folder

        make_folder(out)
    from crankfold.viewer.window import NoEngineError, check_screen, wanted_of

    check_screen()
    from crankfold.viewer.window import run_window

    plugins, ask = installed_plugins(), None
    try:
        wanted, checks = wanted_of(file, board, settings_of(pairs), options, plugins, out)
    except NoEngineError:
        wanted, checks, ask = None, (), file
    return run_window(wanted, paper=paper, full_screen=full_screen, silent=silent, folder=out, checks=checks,
                      plugins=plugins, checked=checked, ask=ask, options=options, shared=shared)
