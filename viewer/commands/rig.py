"""``crankfold rig NAME --from BOARD --probe ...``: keep board, probe and wiring under a name."""

from __future__ import annotations

from typing import Any

import click

from crankfold.acquire import Rig, changed, lasting_address
from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import ask_rig, given, joined_texts, keep_or_show, settings_of
from crankfold.viewer.words import say, tell


@click.command("rig", help=say("help.rig.long"), short_help=say("help.rig.short"))
@click.argument("name", required=False)
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--probe", metavar="SCALE", help=say("option.probe_any"))
@click.option("--sync", multiple=True, metavar="KIND:CYL[@CHANNEL]", callback=joined_texts, help=say("option.sync"))
@click.option("--channels", metavar="CURRENT,SYNC", help=say("option.card_channels"))
@click.option("--reversed", "reversed_channels", multiple=True, metavar="CHANNEL", help=say("option.card_reversed"))
@click.option("--scale", "scales", multiple=True, metavar="CHANNEL=SCALE", help=say("option.card_scale"))
@click.option("--pre-trigger", "pre_trigger_s", type=float, metavar="SECONDS", help=say("option.card_pre_trigger"))
@click.option("--units", type=click.Choice(["bar", "psi", "kPa"], case_sensitive=False), metavar="bar|psi|kPa",
              help=say("option.card_units"))
@click.option("--notes", metavar="TEXT", help=say("option.card_notes"))
def command(name: str | None, pairs: tuple[str, ...], scales: tuple[str, ...], channels: str | None,
            **options: Any) -> int:
    """Keep, show or list rigs and return the exit status."""
    named = tuple(part.strip() for part in channels.split(",")) if channels else ()
    values = given({**options, "settings": settings_of(pairs), "channels": named, "scales": settings_of(scales)})
    keep_or_show(name, values, Rig, lambda before: _made(before, values), "card.next_check")
    return VERDICT


def _made(before: Rig | None, values: dict[str, Any]) -> Rig:
    """Return the rig as the options say, or as somebody at the keyboard does."""
    plugins = installed_plugins()
    if not values:
        return ask_rig(plugins)
    if "board" in values:
        given_board = values["board"]
        values["board"] = lasting_address(given_board, plugins)
        if values["board"] != given_board.strip():
            tell(say("card.lasting", given=given_board, address=values["board"]))
    if before is not None:
        return changed(before, values)
    if "board" not in values:
        raise InputError(say("problem.no_board"))
    return Rig(**values)
