"""``crankfold study FOLDER|FILE...``: repeated recordings of one engine, and how well they agree."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.analysis import CrankfoldError, InputError, same_recordings, study, study_components
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.session import Outputs, check_writable, engine_options, judge_as_told, read_capture, settings_of
from crankfold.viewer.words import (
    budget_lines,
    complain,
    groups_of,
    headline,
    judging_text,
    say,
    scatter_line,
    study_data,
    study_lines,
    tell,
    worded,
    working,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.acquire import Plugins
    from crankfold.analysis import Result
    from crankfold.viewer.batch import Job, Planner
    from crankfold.viewer.words import Line

STANDARD_OUTPUT = "-"
LEAST = 2


@click.command("study", help=say("help.study.long"), short_help=say("help.study.short"))
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FOLDER|FILE...")
@click.option("--group", "groups", multiple=True, metavar="NAME=PATTERN", help=say("option.group"))
@engine_options
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--budget", is_flag=True, help=say("option.budget"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.study_json"))
def command(*, paths: tuple[Path, ...], groups: tuple[str, ...], pairs: tuple[str, ...], budget: bool,
            json_path: str | None, **options: Any) -> int:
    """Judge all recordings, say how well they agree and return the exit status."""
    from crankfold.viewer.batch import Planner
    settings, plugins = settings_of(pairs), installed_plugins()
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))
    jobs = _jobs(paths, Planner(options, settings, plugins, ""))
    files = [job.shown for job, _ in jobs]
    group = dict(zip(files, groups_of([Path(file) for file in files], groups), strict=True))
    with working(judging_text()) as line:
        answers = [(job, _result(job, plugins, line, found=found)) for job, found in jobs]
    results = [(job, answer) for job, answer in answers if not isinstance(answer, str)]
    same = same_recordings([result for _, result in results])
    unusable = [_why_not(result, None if at is None else results[at][0].shown)
                for (_, result), at in zip(results, same, strict=True)]
    unread = [(job.shown, answer) for job, answer in answers if isinstance(answer, str)]
    useless = [(job.shown, why) for (job, _), why in zip(results, unusable, strict=True) if why is not None]
    for path, why in unread:
        complain(say("study.unreadable", why=why) if path in why else say("study.left_out", path=path, why=why))
    for path, why in useless:
        complain(say("study.left_out", path=path, why=why))
    kept = [pair for pair, why in zip(results, unusable, strict=True) if why is None]
    if len(kept) < LEAST:
        complain(say("study.too_few", count=len(kept)))
        return NO_VERDICT
    of = [group[job.shown] for job, _ in kept]
    figures = study([result for _, result in kept], of)
    scatter = study_components([result for _, result in kept], of)
    first, lines = study_lines(figures)
    lines = [*lines, scatter_line(scatter), *(budget_lines(figures) if budget else [])]
    _deliver((first, lines), study_data(figures, [(job.shown, name) for (job, _), name in zip(kept, of, strict=True)],
                                        [*unread, *useless], scatter), json_path)
    return VERDICT


def _jobs(paths: Sequence[Path], planner: Planner) -> list[tuple[Job, bool]]:
    """Return what is to be judged in the order of the paths, and whether it was found in a folder.

    Raises
    ------
    InputError
        A path does not exist, a folder holds no capture, or what is asked of a file that is named cannot be understood.
    """
    jobs: list[tuple[Job, bool]] = []
    for path in paths:
        known = {job.path for job, _ in jobs}
        of_path, found = list(planner.jobs([path])), path.is_dir()
        jobs += [(job, found) for job in of_path if not (found and job.path in known)]
    for job, found in jobs:
        if job.problem is not None and not found:
            raise InputError(job.problem)
    return jobs


def _result(job: Job, plugins: Plugins, line: Line, *, found: bool) -> Result | str:
    """Return what a recording says; of one found in a folder that cannot be read, why."""
    path = Path(job.shown)
    try:
        if job.options is None:
            raise InputError(job.problem or "")
        with line.reading(path):
            capture, warnings = read_capture(path, dict(job.settings), plugins)
        return judge_as_told(capture, job.options, warnings).result
    except CrankfoldError as error:
        if not found:
            raise
        return worded(error)


def _why_not(result: Result, same: str | None) -> str | None:
    """Return why a result cannot be part of a study, None if it can; `same` is an earlier file of the same samples."""
    if same is not None:
        return say("study.same", path=same)
    if result.verdict == "none":
        return headline(result)
    return say("study.unnamed") if any(c.cylinder is None for c in result.cylinders) else None


def _deliver(told: tuple[str, list[str]], data: dict[str, Any], json_path: str | None) -> None:
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(text)
        return
    if json_path is not None:
        with Outputs() as outputs:
            outputs.add(Path(json_path), text.encode("utf-8", "replace"))
    headline, lines = told
    tell(headline, bold=True)
    tell()
    for line in lines:
        tell(line, indent=1)
    if json_path is not None:
        tell(say("done.wrote", path=json_path))
