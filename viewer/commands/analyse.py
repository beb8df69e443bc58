"""``crankfold analyse FILE...``: judge a recording, or several of one engine together."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.session import engine_options, settings_of
from crankfold.viewer.words import say

STANDARD_OUTPUT = "-"


@click.command("analyse", help=say("help.analyse.long"), short_help=say("help.analyse.short"))
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...")
@engine_options
@click.option("--columns", metavar="TIME,CURRENT,SYNC", help=say("option.columns"))
@click.option("--rate", metavar="HZ", help=say("option.rate"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.json"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture"))
def command(*, paths: tuple[Path, ...], columns: str | None, rate: str | None, pairs: tuple[str, ...],
            json_path: str | None, picture: Path | None, **options: Any) -> int:
    """Judge a recording and return the exit status."""
    from crankfold.analysis import InputError
    from crankfold.viewer.session import (
        check_different,
        check_options,
        check_picture_path,
        check_writable,
        judge_as_told,
        pool,
        read_capture,
    )
    from crankfold.viewer.words import judging_text, working

    if not paths:
        raise InputError(say("problem.no_file"))
    check_options(options, paths)
    settings = settings_of(pairs) | {k: v for k, v in (("columns", columns), ("rate", rate)) if v is not None}
    if picture is not None:
        check_picture_path(picture)
        check_writable(picture)
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))
    captures = []
    with working(say("progress.reading")) as line:
        for path in paths:
            with line.reading(path):
                captures.append(read_capture(path, settings, installed_plugins()))
    with working(judging_text()):
        cranks = [judge_as_told(capture, options, warnings) for capture, warnings in captures]
        check_different(paths, cranks)
        judged = pool(cranks)
        files = _files(judged, json_path, picture, ", ".join(path.name for path in paths))
    _deliver(judged.result, files, json_path)
    return VERDICT if judged.result.verdict != "none" else NO_VERDICT


def _files(judged: Any, json_path: str | None, picture: Path | None, name: str) -> dict[Path, bytes]:
    from crankfold.viewer.session import picture_bytes
    from crankfold.viewer.words import result_text

    files: dict[Path, bytes] = {}
    if json_path not in (None, STANDARD_OUTPUT):
        files[Path(str(json_path))] = result_text(judged.result).encode("utf-8")
    if picture is not None:
        files[picture] = picture_bytes(judged, picture, name)
    return files


def _deliver(result: Any, files: dict[Path, bytes], json_path: str | None) -> None:
    from crankfold.viewer.session import Outputs
    from crankfold.viewer.words import print_result, result_text, tell

    with Outputs() as outputs:
        for path, content in files.items():
            outputs.add(path, content)
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(result_text(result))
        return
    print_result(result)
    for path in files:
        tell(say("done.wrote", path=str(path)))
