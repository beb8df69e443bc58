"""``crankfold sheet FILE --out PAGE.html``: the page that goes with the job."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from crankfold.analysis import InputError
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.picture import sheet_html
from crankfold.viewer.session import (
    Outputs,
    check_options,
    check_writable,
    engine_options,
    job_of,
    job_options,
    judge_as_told,
    read_capture,
    settings_of,
    sheet_job,
)
from crankfold.viewer.words import judging_text, print_result, say, tell, working

SUFFIXES = (".html", ".htm", ".pdf")


@click.command("sheet", help=say("help.sheet.long"), short_help=say("help.sheet.short"))
@click.argument("file", type=click.Path(path_type=Path))
@engine_options
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--out", "outs", type=click.Path(path_type=Path), multiple=True, required=True, metavar="PATH",
              help=say("option.sheet_out"))
@click.option("--size", type=click.Choice(["a4", "letter"], case_sensitive=False), help=say("option.size"))
@job_options
def command(*, file: Path, pairs: tuple[str, ...], outs: tuple[Path, ...], size: str | None,
            **options: Any) -> int:
    """Write the page and return the exit status."""
    given, settings = job_of(options), settings_of(pairs)
    check_options(options, (file,))
    _check(outs)
    with working(judging_text()) as line:
        with line.reading(file):
            capture, warnings = read_capture(file, settings, installed_plugins())
        judged = judge_as_told(capture, options, warnings)
        page = sheet_html(judged, sheet_job(capture, given), size, file.name)
    with Outputs() as outputs, working(say("progress.printing")):
        for path in outs:
            outputs.add(path, _content(page, path))
    print_result(judged.result)
    tell()
    for path in outs:
        tell(say("done.wrote", path=str(path)))
    return VERDICT if judged.result.verdict != "none" else NO_VERDICT


def _check(outs: tuple[Path, ...]) -> None:
    for path in outs:
        if path.suffix.lower() not in SUFFIXES:
            raise InputError(say("problem.sheet_suffix", path=str(path)))
        check_writable(path)


def _content(page: str, path: Path) -> bytes:
    if path.suffix.lower() == ".pdf":
        from crankfold.viewer.picture import pdf_of

        return pdf_of(page)
    return page.encode("utf-8")
