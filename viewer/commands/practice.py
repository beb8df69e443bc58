"""``crankfold practice``: virtual engines with hidden faults, to look at, to listen to, and to guess."""

from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crankfold.acquire import open_board, record
from crankfold.analysis import Engine, InputError, SyncSpec, analyse
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.picture import write_png
from crankfold.viewer.practice import draw_riddle, lesson, riddle_scene, truth_text
from crankfold.viewer.session import Outputs, longest, make_folder
from crankfold.viewer.sound import sound_of, wav_of
from crankfold.viewer.words import headline, judging_text, say, tell, working

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.viewer.practice import Riddle


@click.command("practice", help=say("help.practice.long"), short_help=say("help.practice.short"))
@click.option("--rounds", type=click.IntRange(1, 100), default=3, show_default=True, metavar="N",
              help=say("option.rounds"))
@click.option("--seed", type=int, metavar="N", help=say("option.seed"))
@click.option("--out", type=click.Path(path_type=Path), default=Path("crankfold-practice"), show_default=True,
              metavar="FOLDER", help=say("option.practice_out"))
def command(rounds: int, seed: int | None, out: Path) -> int:
    """Ask about some engines and return the exit status."""
    make_folder(out)
    lot, plugins, right = random.Random(seed), installed_plugins(), 0
    for number in range(1, rounds + 1):
        right += _round(draw_riddle(lot), number, rounds, out, plugins)
    tell()
    tell(say("practice.score", right=right, count=rounds), bold=True)
    return VERDICT


def _round(riddle: Riddle, number: int, count: int, out: Path, plugins: Plugins) -> bool:
    """Show one engine, ask, and return whether the answer was right."""
    told = say("practice.engine", number=number, count=count, name=say(f"practice.name.{riddle.kind}"),
               order=riddle.order)
    tell()
    tell(told, bold=True)
    headline = _show(riddle, told, out / f"engine-{number}", plugins)
    answered = _ask(riddle)
    tell(say("practice.right" if answered == riddle.answer else "practice.wrong"))
    tell(truth_text(riddle), indent=1)
    tell(say("practice.tool_says", headline=headline), indent=1)
    tell(lesson(riddle), indent=1)
    return answered == riddle.answer


def _show(riddle: Riddle, title: str, stem: Path, plugins: Plugins) -> str:
    """Write picture and sound of a riddle and return what the analysis says of it."""
    engine = Engine.parse(riddle.order, riddle.intervals or None)
    sync = SyncSpec("single-spark", engine.firing_order[0])
    with working(judging_text()):
        capture, _ = longest(record(open_board("virtual", riddle.settings, plugins)), "virtual")
        result = analyse(capture, engine, sync=sync)
        if result.trace is None:
            raise InputError(say("problem.no_crank", board="virtual"))
        scene = riddle_scene(capture, engine, result.trace, marks_s=result.sync_pulses_s, title=title)
        picture, sound = stem.with_suffix(".png"), stem.with_suffix(".wav")
        with Outputs() as outputs:
            outputs.add(picture, write_png(scene))
            outputs.add(sound, wav_of([sound_of(result.trace)]))
    tell(say("practice.look", picture=str(picture), sound=str(sound)))
    return headline(result)


def _ask(riddle: Riddle) -> int:
    allowed = {0, *map(int, riddle.order.split("-"))}
    while True:
        text = click.prompt(say("practice.ask"), type=str)
        if text.strip().isdigit() and int(text) in allowed:
            return int(text)
        tell(say("practice.not_a_number", order=riddle.order))
