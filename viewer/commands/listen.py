"""``crankfold listen FILE... --out SOUND.wav``: recordings as sound, one after the other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from crankfold.analysis import InputError, NoCranking, condition
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import Outputs, check_writable, read_capture, settings_of
from crankfold.viewer.sound import sound_of, wav_of
from crankfold.viewer.words import say, tell, working

if TYPE_CHECKING:
    from crankfold.analysis import CrankingTrace
    from crankfold.viewer.words import Line


@click.command("listen", help=say("help.listen.long"), short_help=say("help.listen.short"))
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="PATH", help=say("option.wav_out"))
@click.option("--speed", type=click.FloatRange(0.1, 4.0), default=1.0, show_default=True, metavar="FACTOR",
              help=say("option.speed"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
def command(*, files: tuple[Path, ...], out: Path, speed: float, pairs: tuple[str, ...]) -> int:
    """Write the sound and return the exit status."""
    settings = settings_of(pairs)
    if out.suffix.lower() != ".wav":
        raise InputError(say("problem.wav_suffix", path=str(out)))
    check_writable(out)
    with working(say("progress.reading")) as line:
        sounds = [sound_of(_trace(path, settings, line), speed=speed) for path in files]
    with Outputs() as outputs:
        outputs.add(out, wav_of(sounds))
    tell(say("done.wrote", path=str(out)))
    return VERDICT


def _trace(path: Path, settings: dict[str, str], line: Line) -> CrankingTrace:
    with line.reading(path):
        capture, _ = read_capture(path, settings, installed_plugins())
    try:
        return condition(capture)
    except NoCranking as nothing:
        raise InputError(say("problem.nothing_to_hear", path=str(path))) from nothing
