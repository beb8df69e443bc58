"""``crankfold study FILE...``: repeated recordings of one engine, and how well they agree."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import NO_VERDICT, VERDICT
from crankfold.viewer.questions import engine_options, question_of, settings_of
from crankfold.viewer.terminal import complain, tell
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from crankfold.analysis.result import Result
    from crankfold.viewer.progress import Line
    from crankfold.viewer.questions import Question

STANDARD_OUTPUT = "-"
LEAST = 2


@click.command("study", help=say("help.study.long"), short_help=say("help.study.short"))
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--group", "groups", multiple=True, metavar="NAME=PATTERN", help=say("option.group"))
@engine_options
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.study_json"))
def command(*, files: tuple[Path, ...], groups: tuple[str, ...], pairs: tuple[str, ...], json_path: str | None,
            **options: Any) -> int:
    """Judge all recordings, say how well they agree and return the exit status."""
    from crankfold.analysis.precision import same_recordings, study
    from crankfold.viewer.outputs import check_writable
    from crankfold.viewer.progress import judging_text, working
    from crankfold.viewer.studying import groups_of, study_data, study_lines

    question, settings = question_of(options), settings_of(pairs)
    names = groups_of(files, groups)
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))
    with working(judging_text()) as line:
        results = [_result(path, question, settings, line) for path in files]
    unusable = [_why_not(result, None if at is None else files[at])
                for result, at in zip(results, same_recordings(results), strict=True)]
    left_out = [(str(path), why) for path, why in zip(files, unusable, strict=True) if why is not None]
    for path, why in left_out:
        complain(say("study.left_out", path=path, why=why))
    kept = [k for k, why in enumerate(unusable) if why is None]
    if len(kept) < LEAST:
        complain(say("study.too_few", count=len(kept)))
        return NO_VERDICT
    figures = study([results[k] for k in kept], [names[k] for k in kept])
    _deliver(study_lines(figures), study_data(figures, [(str(files[k]), names[k]) for k in kept], left_out), json_path)
    return VERDICT


def _result(path: Path, question: Question, settings: dict[str, str], line: Line) -> Result:
    from crankfold.viewer.judging import judge
    from crankfold.viewer.reading import read_capture

    with line.reading(path):
        capture, warnings = read_capture(path, settings)
    return judge(capture, question, warnings).result


def _why_not(result: Result, same: Path | None) -> str | None:
    """Return why a result cannot be part of a study, None if it can; `same` is an earlier file of the same samples."""
    from crankfold.viewer.sentences import headline

    if same is not None:
        return say("study.same", path=same)
    if result.verdict == "none":
        return headline(result)
    return say("study.unnamed") if any(c.cylinder is None for c in result.cylinders) else None


def _deliver(told: tuple[str, list[str]], data: dict[str, Any], json_path: str | None) -> None:
    from crankfold.viewer.outputs import Outputs

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
