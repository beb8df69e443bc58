"""``crankfold speed TEETH.csv --wheel 60-2 --firing-order 1-3-4-2``: relative compression from the crank's speed."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.analysis import Wheel, estimate_from_speed, two_views
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import Outputs, check_writable, engine_options, question_of, read_motion, settings_of
from crankfold.viewer.words import complain, say, speed_data, speed_headline, speed_lines, tell, views_lines

if TYPE_CHECKING:
    from crankfold.analysis import SpeedEstimate, TwoViews
    from crankfold.viewer.session import Question

STANDARD_OUTPUT = "-"


@click.command("speed", help=say("help.speed.long"), short_help=say("help.speed.short"))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--wheel", metavar="60-2", help=say("option.wheel"))
@click.option("--tdc", "tdc_deg", type=float, metavar="DEGREES", help=say("option.tdc"))
@click.option("--beside", type=click.Path(path_type=Path), metavar="CAPTURE", help=say("option.beside"))
@engine_options
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.speed_json"))
def command(*, file: Path, wheel: str | None, tdc_deg: float | None, beside: Path | None, pairs: tuple[str, ...],
            json_path: str | None, **options: Any) -> int:
    """Read the motion, estimate, compare where asked, and return the exit status."""
    question = question_of(options)
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))
    motion = read_motion(file, None if wheel is None else Wheel.parse(wheel))
    estimate = estimate_from_speed(motion, question.engine, tdc_deg=tdc_deg if motion.indexed else None)
    views = None if beside is None else _views(beside, question, pairs, estimate)
    text = json.dumps(speed_data(estimate, question.engine, views), indent=1, allow_nan=False) + "\n"
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(text)
        return VERDICT
    _deliver(estimate, views, question, text, json_path)
    return VERDICT


def _views(path: Path, question: Question, pairs: tuple[str, ...], estimate: SpeedEstimate) -> TwoViews | None:
    """Return what speed and current say together; None, and a word about it, where the current says nothing."""
    from crankfold.viewer.session import judge, read_capture

    capture, warnings = read_capture(path, settings_of(pairs), installed_plugins())
    result = judge(capture, question, warnings).result
    if result.verdict == "none":
        complain(say("speed.no_current", path=path))
        return None
    return two_views(result, estimate)


def _deliver(estimate: SpeedEstimate, views: TwoViews | None, question: Question, text: str,
             json_path: str | None) -> None:
    if json_path is not None:
        with Outputs() as outputs:
            outputs.add(Path(json_path), text.encode())
    tell(speed_headline(estimate, question.thresholds.low_percent), bold=True)
    tell()
    for line in speed_lines(estimate, question.engine):
        tell(line, indent=1)
    if views is not None:
        tell()
        for line in views_lines(views):
            tell(line, indent=1)
    if json_path is not None:
        tell(say("done.wrote", path=json_path))
