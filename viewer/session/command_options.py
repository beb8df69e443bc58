"""The options of a command that say what the engine is and how it was measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from crankfold.viewer.words import say

F = TypeVar("F", bound=Callable[..., Any])


def engine_options(command: F) -> F:
    """Return the command with the options that say what the engine is and how it was measured."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


_OPTIONS = (
    click.option("--firing-order", metavar="1-3-4-2", help=say("option.firing_order")),
    click.option("--intervals", metavar="270-450", help=say("option.intervals")),
    click.option("--strokes", type=int, metavar="2|4", help=say("option.strokes")),
    click.option("--engine-name", default="", metavar="TEXT", help=say("option.engine_name")),
    click.option("--fuel", type=click.Choice(["spark", "diesel"]), help=say("option.fuel")),
    click.option("--volts", "system_v", type=float, metavar="12|24", help=say("option.volts")),
    click.option("--engine", metavar="NAME|FILE", help=say("option.engine")),
    click.option("--rig", metavar="NAME|FILE", help=say("option.rig")),
    click.option("--clamp", metavar="10mV/A", help=say("option.clamp")),
    click.option("--probe", metavar="SCALE", help=say("option.probe")),
    click.option("--sync", metavar="KIND:CYL", help=say("option.sync")),
    click.option("--gauge", metavar="CYL=12.1bar", help=say("option.gauge")),
    click.option("--misfire-code", "misfire_codes", multiple=True, metavar="P0302", help=say("option.misfire_code")),
    click.option("--low", type=float, default=75.0, show_default=True, metavar="PERCENT", help=say("option.low")),
    click.option("--dead", type=float, default=15.0, show_default=True, metavar="PERCENT", help=say("option.dead")),
    click.option("--watch", type=float, metavar="PERCENT", help=say("option.watch")),
)
