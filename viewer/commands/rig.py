"""``crankfold rig NAME --from BOARD --probe ...``: keep board, probe and wiring under a name."""

from __future__ import annotations

from typing import Any

import click

from crankfold.viewer.command_line import VERDICT
from crankfold.viewer.questions import settings_of
from crankfold.viewer.wording import say


@click.command("rig", help=say("help.rig.long"), short_help=say("help.rig.short"))
@click.argument("name", required=False)
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--probe", metavar="SCALE", help=say("option.probe_any"))
@click.option("--sync", metavar="KIND:CYL", help=say("option.sync"))
@click.option("--channels", metavar="CURRENT,SYNC", help=say("option.card_channels"))
@click.option("--reversed", "reversed_channels", multiple=True, metavar="CHANNEL", help=say("option.card_reversed"))
@click.option("--pre-trigger", "pre_trigger_s", type=float, metavar="SECONDS", help=say("option.card_pre_trigger"))
@click.option("--notes", metavar="TEXT", help=say("option.card_notes"))
def command(name: str | None, pairs: tuple[str, ...], channels: str | None, **options: Any) -> int:
    """Keep, show or list rigs and return the exit status."""
    from crankfold.acquire.rig import Shelf, changed
    from crankfold.analysis.errors import InputError
    from crankfold.viewer.cards import given, list_names, show

    named = tuple(part.strip() for part in channels.split(",")) if channels else ()
    shelf, values = Shelf(), given({**options, "settings": settings_of(pairs), "channels": named})
    if name is None:
        if values:
            raise InputError(say("problem.no_name"))
        list_names(shelf.rigs())
        return VERDICT
    if values:
        rig = changed(shelf.rig(name), values) if name in shelf.rigs() else _new(values)
        show(rig, str(shelf.save(name, rig)))
        return VERDICT
    show(shelf.rig(name), str(shelf.folder))
    return VERDICT


def _new(values: dict[str, Any]) -> Any:
    from crankfold.acquire.rig import Rig
    from crankfold.analysis.errors import InputError

    if "board" not in values:
        raise InputError(say("problem.no_board"))
    return Rig(**values)
