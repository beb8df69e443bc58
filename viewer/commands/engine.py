"""``crankfold engine NAME --firing-order ...``: keep what an engine is under a name."""

from __future__ import annotations

from typing import Any

import click

from crankfold.viewer.command_line import VERDICT
from crankfold.viewer.session import ask_engine, can_ask
from crankfold.viewer.words import say, tell

TOML = ".toml"


@click.command("engine", help=say("help.engine.long"), short_help=say("help.engine.short"))
@click.argument("name", required=False)
@click.option("--firing-order", metavar="1-3-4-2", help=say("option.firing_order"))
@click.option("--intervals", metavar="270-450", help=say("option.intervals"))
@click.option("--strokes", type=int, metavar="2|4", help=say("option.strokes"))
@click.option("--ignition", metavar="KIND", help=say("option.card_ignition"))
@click.option("--fuel", metavar="KIND", help=say("option.card_fuel"))
@click.option("--volts", "--system-v", "system_v", type=int, metavar="12|24", help=say("option.card_system_v"))
@click.option("--starter", metavar="KIND", help=say("option.card_starter"))
@click.option("--notes", metavar="TEXT", help=say("option.card_notes"))
def command(name: str | None, **options: Any) -> int:
    """Keep, show or list engine cards and return the exit status."""
    from crankfold.acquire import Shelf, changed
    from crankfold.analysis import InputError
    from crankfold.viewer.session import given, list_names, show, tell_changes

    shelf, values = Shelf(), given(options)
    if name is None:
        if values:
            raise InputError(say("problem.no_name"))
        list_names(shelf.engines())
        return VERDICT
    if values or (name not in shelf.engines() and not name.endswith(TOML) and can_ask()):
        before = shelf.engine(name) if values and name in shelf.engines() else None
        card = _new(values) if before is None else changed(before, values)
        if before is not None:
            tell_changes(before, card)
        show(card, str(shelf.save(name, card)))
        tell(say("card.next_capture", name=name))
        return VERDICT
    show(shelf.engine(name), str(shelf.engine_file(name)))
    return VERDICT


def _new(values: dict[str, Any]) -> Any:
    from crankfold.acquire import EngineCard
    from crankfold.analysis import InputError

    if not values:
        return ask_engine()
    if "firing_order" not in values:
        raise InputError(say("problem.no_firing_order"))
    return EngineCard(**values)
