"""``crankfold bundle FILE --gauge FILE --out OUT.bundle.zip``: a capture with its gauge readings, to give away."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.evidence import (
    BUNDLE_SUFFIX,
    RESULT_FORMAT,
    SEAL_FORMAT,
    bare_name,
    make_bundle,
    read_gauge,
    read_json,
    seal_path,
)
from crankfold.viewer.session import (
    Outputs,
    check_writable,
    engine_options,
    in_amperes,
    question_of,
    read_capture,
    settings_of,
)
from crankfold.viewer.words import say, tell


@click.command("bundle", help=say("help.bundle.long"), short_help=say("help.bundle.short"))
@click.argument("file", type=click.Path(path_type=Path))
@engine_options
@click.option("--readings", type=click.Path(path_type=Path), required=True, metavar="FILE",
              help=say("option.bundle_readings"))
@click.option("--result", "result_path", type=click.Path(path_type=Path), metavar="PATH",
              help=say("option.bundle_result"))
@click.option("--licence", required=True, metavar="CC0-1.0|CC-BY-4.0", help=say("option.bundle_licence"))
@click.option("--consent", is_flag=True, help=say("option.bundle_consent"))
@click.option("--note", default="", metavar="TEXT", help=say("option.bundle_note"))
@click.option("--columns", metavar="TIME,CURRENT,SYNC", help=say("option.columns"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="PATH", help=say("option.bundle_out"))
def command(*, file: Path, readings: Path, result_path: Path | None, licence: str, consent: bool, note: str,
            columns: str | None, pairs: tuple[str, ...], out: Path, **options: Any) -> int:
    """Write the bundle and return the exit status."""
    if not consent:
        raise InputError(say("bundle.ask_consent", licence=licence[:40]))
    if not out.name.endswith(BUNDLE_SUFFIX):
        raise InputError(say("bundle.suffix", path=str(out), suffix=BUNDLE_SUFFIX))
    check_writable(out)
    question = question_of(options)
    gauge = _readings(readings, file)
    result = seal = None
    if result_path is not None:
        result = read_json(result_path, RESULT_FORMAT)
        seal = read_json(seal_path(result_path), SEAL_FORMAT) if seal_path(result_path).is_file() else None
    settings = settings_of(pairs) | ({} if columns is None else {"columns": columns})
    capture, _ = read_capture(file, settings, installed_plugins())
    content = make_bundle(in_amperes(capture, question.rig, question.probe), question, gauge, licence=licence,
                          note=note, result=result, seal=seal)
    with Outputs() as outputs:
        outputs.add(out, content)
    tell(say("bundle.made", path=str(out), licence=licence, kilobytes=len(content) // 1000 + 1))
    tell(say("bundle.look"))
    return VERDICT


def _readings(path: Path, file: Path) -> Any:
    sheets = read_gauge(path)
    name = bare_name(file)
    if len(sheets) == 1 and path.suffix.lower() == ".toml":
        return next(iter(sheets.values()))
    if name not in sheets:
        raise InputError(say("validate.no_gauge", path=str(path), name=name))
    return sheets[name]
