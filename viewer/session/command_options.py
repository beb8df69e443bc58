"""The options of a command that say what the engine is and how it was measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from crankfold.viewer.session.question import DEAD_PERCENT, LOW_PERCENT
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.acquire import Job

F = TypeVar("F", bound=Callable[..., Any])


def engine_options(command: F) -> F:
    """Return the command with the options that say what the engine is and how it was measured."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def job_options(command: F) -> F:
    """Return the command with the options that say which job a capture belongs to."""
    for option in reversed(_JOB_OPTIONS):
        command = option(command)
    return command


def _unless_default(context: click.Context, option: click.Parameter, value: Any) -> Any:
    """Return what was given, None where nothing was: then the capture itself may say it."""
    given = context.get_parameter_source(str(option.name))
    return None if given is ParameterSource.DEFAULT else value


def joined_texts(context: click.Context, option: click.Parameter, value: Any) -> Any:
    """Return an option that was given several times as one text, None where it was not given."""
    del context, option
    return ", ".join(value) or None


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
    click.option("--sync", multiple=True, metavar="KIND:CYL[@CHANNEL]", callback=joined_texts, help=say("option.sync")),
    click.option("--gauge", metavar="CYL=12.1bar", help=say("option.gauge")),
    click.option("--units", type=click.Choice(["bar", "psi", "kPa"], case_sensitive=False), metavar="bar|psi|kPa",
                 help=say("option.units")),
    click.option("--misfire-code", "misfire_codes", multiple=True, metavar="P0302", help=say("option.misfire_code")),
    click.option("--low", type=float, default=LOW_PERCENT, show_default=True, metavar="PERCENT",
                 callback=_unless_default, help=say("option.low")),
    click.option("--dead", type=float, default=DEAD_PERCENT, show_default=True, metavar="PERCENT",
                 callback=_unless_default, help=say("option.dead")),
    click.option("--watch", type=float, metavar="PERCENT", help=say("option.watch")),
)

_JOB_OPTIONS = (
    click.option("--shop", default="", metavar="TEXT", help=say("option.shop")),
    click.option("--technician", "--by", "technician", default="", metavar="TEXT", help=say("option.by")),
    click.option("--customer", "--owner", "customer", default="", metavar="TEXT", help=say("option.owner")),
    click.option("--plate", default="", metavar="TEXT", help=say("option.plate")),
    click.option("--mileage", default="", metavar="TEXT", help=say("option.mileage")),
    click.option("--temperature", default="", metavar="TEXT", help=say("option.temperature")),
    click.option("--notes", "--note", "notes", default="", metavar="TEXT", help=say("option.note")),
)


def job_of(options: dict[str, Any]) -> Job:
    """Take the options of the job out of the others, and return the job.

    Raises
    ------
    InputError
        A text is too long for one page.
    """
    from dataclasses import fields

    from crankfold.acquire import Job

    return Job(**{item.name: options.pop(item.name) for item in fields(Job) if item.name in options})
