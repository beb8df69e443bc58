"""``crankfold engine NAME --firing-order ...``: keep what an engine is under a name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from crankfold.acquire import EngineCard, Shelf, changed
from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import (
    NOTHING_GIVEN,
    ask_engine,
    cam_lines,
    given,
    joined_texts,
    judge_as_told,
    keep_or_show,
    learnt_cam,
    read_capture,
)
from crankfold.viewer.words import say, tell


@click.command("engine", help=say("help.engine.long"), short_help=say("help.engine.short"))
@click.argument("name", required=False)
@click.option("--firing-order", metavar="1-3-4-2", help=say("option.firing_order"))
@click.option("--intervals", metavar="270-450", help=say("option.intervals"))
@click.option("--strokes", type=int, metavar="2|4", help=say("option.strokes"))
@click.option("--ignition", metavar="KIND", help=say("option.card_ignition"))
@click.option("--fuel", metavar="KIND", help=say("option.card_fuel"))
@click.option("--volts", "--system-v", "system_v", type=int, metavar="12|24", help=say("option.card_system_v"))
@click.option("--starter", metavar="KIND", help=say("option.card_starter"))
@click.option("--cam", metavar="CYL@DEG", help=say("option.card_cam"))
@click.option("--learn-cam", "learn_cam", type=click.Path(path_type=Path), metavar="FILE", help=say("option.learn_cam"))
@click.option("--sync", multiple=True, metavar="KIND:CYL[@CHANNEL]", callback=joined_texts,
              help=say("option.learn_cam_sync"))
@click.option("--cam-channel", default="", metavar="CHANNEL", help=say("option.cam_channel"))
@click.option("--notes", metavar="TEXT", help=say("option.card_notes"))
def command(name: str | None, learn_cam: Path | None, sync: str | None, cam_channel: str, **options: Any) -> int:
    """Keep, show or list engine cards and return the exit status."""
    values = given(options)
    if learn_cam is None and (sync or cam_channel):
        raise InputError(say("problem.sync_without_learn"))
    if learn_cam is not None:
        if name is None:
            raise InputError(say("problem.no_name"))
        values["cam"] = _learnt(name, learn_cam, sync, cam_channel)
    keep_or_show(name, values, EngineCard, lambda before: changed(before, values) if before else _new(values),
                 "card.next_capture")
    return VERDICT


def _learnt(name: str, file: Path, sync: str | None, channel: str) -> str:
    """Return where the cam sensor's edge comes by one recording of a saved engine, and print how sure that is."""
    card = Shelf().file(name, EngineCard)  # it comes first: its firing order names the cylinders
    capture, notices = read_capture(file, {}, installed_plugins())
    judged = judge_as_told(capture, {**NOTHING_GIVEN, "engine": str(card), "sync": sync}, notices)
    found = learnt_cam(judged, channel)
    for line in (*cam_lines(found), say("cam.use")):
        tell(line)
    return found.text


def _new(values: dict[str, Any]) -> Any:
    if not values:
        return ask_engine()
    if "firing_order" not in values:
        raise InputError(say("problem.no_firing_order"))
    return EngineCard(**values)
