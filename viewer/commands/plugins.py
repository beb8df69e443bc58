"""``crankfold plugins``: what is loaded, where from, what it offers, and what failed and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from crankfold.viewer.command_line import BAD_INPUT, VERDICT, installed_plugins
from crankfold.viewer.words import say, tell, worded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.acquire import PluginOrigin, Plugins, Setting


@click.command("plugins", help=say("help.plugins.long"), short_help=say("help.plugins.short"))
@click.option("--strict", is_flag=True, help=say("option.strict"))
def command(strict: bool) -> int:
    """List the plugins and return the exit status."""
    plugins = installed_plugins()
    tell(say("plugins.loaded"))
    for origin in plugins.loaded:
        _loaded(origin, plugins)
    if not plugins.loaded:
        tell(say("plugins.none"), indent=1)
    if plugins.failed:
        tell()
        tell(say("plugins.failed"))
        for failed in plugins.failed:
            tell(worded(failed.cause), indent=1)
            if failed.plugin.path:
                tell(say("plugins.place", path=failed.plugin.path), indent=2)
    return BAD_INPUT if strict and plugins.failed else VERDICT


def _loaded(origin: PluginOrigin, plugins: Plugins) -> None:
    tell(str(origin), indent=1)
    tell(say("plugins.place", path=origin.path), indent=2)
    for name, board in plugins.boards.items():
        if board.plugin == origin:
            tell(say("plugins.board", name=name, title=worded(board.declaration.title)), indent=2)
            if board.declaration.address_help:
                tell(say("plugins.address", text=worded(board.declaration.address_help)), indent=3)
            _settings(board.declaration.settings)
    for name, reader in plugins.readers.items():
        if reader.plugin == origin:
            suffixes = ", ".join(reader.declaration.suffixes)
            tell(say("plugins.reader", name=name, title=worded(reader.declaration.title), suffixes=suffixes), indent=2)
            _settings(reader.declaration.settings)


def _settings(settings: Sequence[Setting]) -> None:
    for setting in settings:
        key = "plugins.setting_default" if setting.default else "plugins.setting"
        tell(say(key, name=setting.name, meaning=worded(setting.meaning), example=setting.example,
                 default=worded(setting.default)),
             indent=3)
