"""``crankfold engine NAME --firing-order ...``: keep what an engine is under a name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import ask_engine, can_ask, joined_texts
from crankfold.viewer.words import say, tell

if TYPE_CHECKING:
    from crankfold.acquire import Shelf

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
@click.option("--cam", metavar="CYL@DEG", help=say("option.card_cam"))
@click.option("--learn-cam", "learn_cam", type=click.Path(path_type=Path), metavar="FILE", help=say("option.learn_cam"))
@click.option("--sync", multiple=True, metavar="KIND:CYL[@CHANNEL]", callback=joined_texts,
              help=say("option.learn_cam_sync"))
@click.option("--cam-channel", default="", metavar="CHANNEL", help=say("option.cam_channel"))
@click.option("--notes", metavar="TEXT", help=say("option.card_notes"))
def command(name: str | None, learn_cam: Path | None, sync: str | None, cam_channel: str, **options: Any) -> int:
    """Keep, show or list engine cards and return the exit status."""
    from crankfold.acquire import Shelf, changed
    from crankfold.analysis import InputError
    from crankfold.viewer.session import given, list_names, show, tell_changes

    shelf, values = Shelf(), given(options)
    if learn_cam is None and (sync or cam_channel):
        raise InputError(say("problem.sync_without_learn"))
    if name is None:
        if values or learn_cam is not None:
            raise InputError(say("problem.no_name"))
        list_names(shelf.engines())
        return VERDICT
    if learn_cam is not None:
        values["cam"] = _learnt(shelf, name, learn_cam, sync, cam_channel)
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


def _learnt(shelf: Shelf, name: str, file: Path, sync: str | None, channel: str) -> str:
    """Return where the cam sensor's edge comes by one recording of a saved engine, and print how sure that is."""
    from crankfold.viewer.session import NOTHING_GIVEN, cam_lines, judge_as_told, learnt_cam, read_capture

    shelf.engine_file(name)  # the card comes first: its firing order names the cylinders
    capture, notices = read_capture(file, {}, installed_plugins())
    judged = judge_as_told(capture, {**NOTHING_GIVEN, "engine": str(shelf.engine_file(name)), "sync": sync}, notices)
    found = learnt_cam(judged, channel)
    for line in (*cam_lines(found), say("cam.use")):
        tell(line)
    return found.text


def _new(values: dict[str, Any]) -> Any:
    from crankfold.acquire import EngineCard
    from crankfold.analysis import InputError

    if not values:
        return ask_engine()
    if "firing_order" not in values:
        raise InputError(say("problem.no_firing_order"))
    return EngineCard(**values)
