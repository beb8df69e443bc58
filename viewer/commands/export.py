"""``crankfold export FILE --out PATH``: a recording in a format that laboratories open anywhere."""

from __future__ import annotations

from pathlib import Path

import click

from crankfold.acquire import Probe
from crankfold.acquire.writers import check_ending, write_capture
from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import check_writable, in_amperes, read_capture, rig_of, settings_of
from crankfold.viewer.words import complain, notice_text, say, tell, working


@click.command("export", help=say("help.export.long"), short_help=say("help.export.short"))
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("place", required=False, type=click.Path(path_type=Path), metavar="[OUT]")
@click.option("--out", type=click.Path(path_type=Path), metavar="PATH", help=say("option.export_out"))
@click.option("--probe", "--clamp", metavar="SCALE", help=say("option.export_probe"))
@click.option("--rig", metavar="NAME|FILE", help=say("option.rig"))
@click.option("--columns", metavar="TIME,CURRENT,SYNC", help=say("option.columns"))
@click.option("--rate", metavar="HZ", help=say("option.rate"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
def command(*, file: Path, place: Path | None, out: Path | None, probe: str | None, rig: str | None,
            columns: str | None, rate: str | None, pairs: tuple[str, ...]) -> int:
    """Write the recording and return the exit status."""
    settings = settings_of(pairs) | {k: v for k, v in (("columns", columns), ("rate", rate)) if v is not None}
    out = _out(place, out)
    check_ending(out)
    check_writable(out)
    scale, wiring = Probe.parse(probe) if probe else None, rig_of({"rig": rig})
    with working(say("progress.reading")) as line:
        with line.reading(file):
            capture, notices = read_capture(file, settings, installed_plugins())
        if scale is not None or wiring is not None:
            capture = in_amperes(capture, wiring, scale)
        lost = write_capture(capture, out)
    for notice in notices:
        complain(notice_text("caution", notice))
    if lost:
        complain(say("export.lost", what=lost))
    tell(say("done.wrote", path=str(out)))
    return VERDICT


def _out(place: Path | None, out: Path | None) -> Path:
    """Return where to write: after --out, or after the file's name.

    Raises
    ------
    InputError
        It is said nowhere, or twice.
    """
    if place is not None and out is not None:
        raise InputError(say("export.two_outs", place=str(place), out=str(out)))
    where = out if place is None else place
    if where is None:
        raise InputError(say("export.no_out"))
    return where
