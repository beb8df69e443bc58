"""``crankfold demo``: a virtual engine, live through ring and trigger, to a verdict with picture and files."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crankfold.acquire import Event, open_board
from crankfold.analysis import InputError
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.session import (
    VIRTUAL,
    Answered,
    Broke,
    Caught,
    Patience,
    Session,
    SessionPlan,
    Unjudged,
    keep,
    make_folder,
    prepare_solver,
    prepare_virtual,
    question_of,
)
from crankfold.viewer.words import judging_text, narrator, print_result, print_safety, say, solver_ready, tell, working

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.analysis import Capture
    from crankfold.viewer.session import Judged, Question

ORDER = "1-3-4-2"
CYLINDERS = 4
QUIET_S, CRANK_S, AFTER_S = 2, 4, 1


@click.command("demo", help=say("help.demo.long"), short_help=say("help.demo.short"))
@click.option("--dead", "dead_cylinder", type=click.IntRange(1, CYLINDERS), default=3, show_default=True, metavar="CYL",
              help=say("option.demo_dead"))
@click.option("--even", is_flag=True, help=say("option.demo_even"))
@click.option("--no-sync", is_flag=True, help=say("option.demo_no_sync"))
@click.option("--out", type=click.Path(path_type=Path), default=Path("crankfold-demo"), show_default=True,
              metavar="FOLDER", help=say("option.out"))
def command(dead_cylinder: int, even: bool, no_sync: bool, out: Path) -> int:
    """Show the main job on the virtual engine and return the exit status."""
    make_folder(out)
    question = _question(no_sync=no_sync)
    tell(say("demo.engine", order=ORDER))
    tell(say("demo.even") if even else say("demo.dead", cylinder=dead_cylinder))
    tell(say("demo.no_sync" if no_sync else "demo.sync"))
    print_safety()
    tell()
    tell(say("progress.loading" if solver_ready() else "progress.first_run"))
    plugins = installed_plugins()
    with working(judging_text()):
        prepare_solver()
        prepare_virtual(plugins)
    capture, judged = _caught(plugins, question, {
        "sync": "none" if no_sync else "waste-spark", **({} if even else {"dead": str(dead_cylinder)})})
    print_result(judged.result)
    tell()
    for path in keep(judged, capture, out, "demo", name=say("demo.foot")):
        tell(say("done.wrote", path=str(path)))
    return VERDICT if judged.result.verdict != "none" else NO_VERDICT


def _question(*, no_sync: bool) -> Question:
    return question_of({
        "firing_order": ORDER, "intervals": None, "strokes": 4, "engine_name": say("demo.name"), "clamp": None,
        "probe": None, "sync": None if no_sync else "waste-spark:1", "gauge": None, "misfire_codes": (), "low": 75.0,
        "dead": 15.0, "watch": None})


def _caught(plugins: Plugins, question: Question, settings: dict[str, str]) -> tuple[Capture, Judged]:
    """Return the capture that the detector cuts out of the live stream, as it came, and what it says."""
    whole = {"engine": "pump", "firing-order": ORDER, "pace": "real", "quiet": str(QUIET_S), "crank": str(CRANK_S),
             "after": str(AFTER_S), **settings}
    narrate = narrator(aside=False)
    plan = SessionPlan(partial(open_board, VIRTUAL, whole, plugins), question, count=1, patience=Patience.NEVER)
    with Session(plan) as session:
        for news in session.events():
            match news:
                case Event():
                    narrate(news)
                case Caught() if news.capture is not None:
                    raw = news.capture
                    at_s = (raw.trigger_index or 0) / raw.rate_hz
                    tell(say("demo.caught", length_s=raw.duration_s, before_s=at_s))
                case Answered():
                    return raw, news.judged
                case Unjudged() | Broke() if news.error is not None:
                    raise news.error
    raise InputError(say("problem.no_crank", board=VIRTUAL))
