"""``crankfold compare BEFORE AFTER``: what a repair changed, cylinder by cylinder."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.picture import comparison_picture
from crankfold.viewer.session import (
    Outputs,
    check_options,
    check_picture_path,
    check_writable,
    engine_options,
    judge_as_told,
    read_capture,
    scene_bytes,
    settings_of,
)
from crankfold.viewer.words import (
    change_cells,
    comparison_data,
    comparison_headline,
    differences_between,
    json_text,
    judging_text,
    low_ones_first,
    print_result,
    say,
    show_table,
    tell,
    working,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Difference, Result
    from crankfold.viewer.session import Judged

STANDARD_OUTPUT = "-"


@click.command("compare", help=say("help.compare.long"), short_help=say("help.compare.short"))
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@engine_options
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.json"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture"))
def command(*, before: Path, after: Path, pairs: tuple[str, ...], json_path: str | None, picture: Path | None,
            **options: Any) -> int:
    """Compare two recordings of one engine and return the exit status."""
    check_options(options, (before, after))
    settings = settings_of(pairs)
    if picture is not None:
        check_picture_path(picture)
        check_writable(picture)
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))
    one, other = _judged(before, options, settings), _judged(after, options, settings)
    without = [(path, j.result) for path, j in ((before, one), (after, other)) if j.result.verdict == "none"]
    if without:
        _refuse(without, comparison_data(one.result, other.result, ()), json_path)
        return NO_VERDICT
    differences = differences_between(one, other, say("problem.same_recording", path=after, before=before))
    _deliver((one, other), differences, json_path, picture, f"{before.name}, {after.name}")
    return VERDICT


def _refuse(without: Sequence[tuple[Path, Result]], data: dict[str, Any], json_path: str | None) -> None:
    """Say which of the two has no verdict, and why."""
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(json_text(data))
        return
    if json_path is not None:
        with Outputs() as outputs:
            outputs.add(Path(json_path), json_text(data).encode("utf-8"))
    for path, result in without:
        tell(say("compare.no_verdict", path=str(path)))
        print_result(result)


def _judged(path: Path, options: dict[str, Any], settings: dict[str, str]) -> Judged:
    with working(judging_text()) as line:
        with line.reading(path):
            capture, warnings = read_capture(path, settings, installed_plugins())
        return judge_as_told(capture, options, warnings)


def _deliver(pair: tuple[Judged, Judged], differences: Sequence[Difference], json_path: str | None,
             picture: Path | None, name: str) -> None:
    data = comparison_data(pair[0].result, pair[1].result, differences)
    text = json_text(data)
    with Outputs() as outputs:
        if json_path not in (None, STANDARD_OUTPUT):
            outputs.add(Path(str(json_path)), text.encode("utf-8"))
        if picture is not None:
            outputs.add(picture, scene_bytes(comparison_picture(*pair, differences, name=name), picture))
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(text)
        return
    _say(differences)
    for path in (json_path, picture):
        if path is not None:
            tell(say("done.wrote", path=str(path)))


def _say(differences: Sequence[Difference]) -> None:
    tell(comparison_headline(differences), bold=True)
    tell()
    show_table([say(f"compare.head_{name}") for name in ("cylinder", "before", "after", "points", "change")],
               [(change_cells(d), d.after_state in ("low", "dead")) for d in low_ones_first(differences)])
    tell()
    tell(say("compare.blind"))
