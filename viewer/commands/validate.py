"""``crankfold validate FOLDER|FILE...``: results against gauge readings; seals; the protocol to print."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crankfold.analysis import HIGHEST_RPM, LOWEST_RPM, InputError, agreement, carried_over, validate
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.evidence import (
    RESULT_FORMAT,
    Found,
    GaugeSheet,
    cases_of,
    files_in,
    protocol_html,
    read_gauge,
    read_json,
    seal_of,
    seal_path,
)
from crankfold.viewer.picture import validation_picture
from crankfold.viewer.session import Outputs, check_picture_path, check_writable, scene_bytes
from crankfold.viewer.words import (
    Speeds,
    complain,
    say,
    tell,
    validation_data,
    validation_headline,
    validation_lines,
    working,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Validation

STANDARD_OUTPUT = "-"
PAGES = (".html", ".htm", ".pdf")


@click.command("validate", help=say("help.validate.long"), short_help=say("help.validate.short"))
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path), metavar="FOLDER|FILE...")
@click.option("--gauge", "gauges", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
              help=say("option.validate_gauge"))
@click.option("--again", is_flag=True, help=say("option.validate_again"))
@click.option("--low", type=click.FloatRange(10.0, 95.0), default=75.0, show_default=True, metavar="PERCENT",
              help=say("option.low"))
@click.option("--seal", is_flag=True, help=say("option.seal"))
@click.option("--protocol", type=click.Path(path_type=Path), metavar="PAGE", help=say("option.protocol"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.validate_json"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture"))
def command(*, paths: tuple[Path, ...], gauges: tuple[Path, ...], again: bool, low: float, seal: bool,
            protocol: Path | None, json_path: str | None, picture: Path | None) -> int:
    """Compare, seal or write the protocol, and return the exit status."""
    if protocol is not None:
        return _protocol(protocol)
    if not paths:
        raise InputError(say("validate.no_paths"))
    if seal:
        return _seal(paths)
    _check_outputs(json_path, picture)
    found, left = _cases(paths, gauges, again=again)
    for path, why in left.items():
        complain(say("study.left_out", path=path, why=why))
    if not found:
        complain(say("validate.none_left"))
        return NO_VERDICT
    _deliver(found, left, low, json_path, picture)
    return VERDICT


def _check_outputs(json_path: str | None, picture: Path | None) -> None:
    if picture is not None:
        check_picture_path(picture)
        check_writable(picture)
    if json_path not in (None, STANDARD_OUTPUT):
        check_writable(Path(str(json_path)))


def _cases(paths: Sequence[Path], gauges: Sequence[Path], *, again: bool) -> tuple[list[Found], dict[str, str]]:
    sheets: dict[str, GaugeSheet] = {}
    for path in gauges:
        sheets |= read_gauge(path)
    files = files_in(paths)
    found: list[Found] = []
    left: dict[str, str] = {}
    with working(say("validate.comparing")):
        for one in cases_of(files, sheets, again=again, plugins=installed_plugins()):
            if isinstance(one, Found):
                found.append(one)
            else:
                left[one.path] = one.why
    return found, left


def _deliver(found: list[Found], left: dict[str, str], low: float, json_path: str | None,
             picture: Path | None) -> None:
    compared = validate([one.case for one in found], limit_percent=low)
    speeds = _speeds(found, compared)
    data = validation_data(compared, speeds, left)
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    with Outputs() as outputs:
        if picture is not None:
            outputs.add(picture, scene_bytes(validation_picture(compared, limit_percent=low), picture))
        if json_path not in (None, STANDARD_OUTPUT):
            outputs.add(Path(str(json_path)), text.encode("utf-8", "replace"))
    if json_path == STANDARD_OUTPUT:
        sys.stdout.write(text)
        return
    tell(validation_headline(compared), bold=True)
    tell()
    for line in validation_lines(compared, speeds):
        tell(line, indent=1)
    for path in (json_path, picture):
        if path is not None:
            tell(say("done.wrote", path=str(path)))


def _speeds(found: Sequence[Found], compared: Validation) -> Speeds | None:
    """Return the agreement with each gauge carried over to its capture's speed, None where a speed is not known."""
    import numpy as np

    speeds = {one.case.name: (one.gauge_rpm, one.cranking_rpm) for one in found}
    known = {name: (a, b) for name, (a, b) in speeds.items() if a is not None and b is not None
             and min(a, b) >= LOWEST_RPM and max(a, b) <= HIGHEST_RPM}
    pairs = [pair for pair in compared.pairs if pair.case in known]
    if len(pairs) < 2 or len(pairs) < len(compared.pairs):
        return None
    moved = [float(carried_over([p.gauge_percent], *known[p.case])[0]) for p in pairs]
    gaps = np.array([p.percent for p in pairs]) - np.array(moved)
    gauge, starter = (float(np.mean([known[name][k] for name in {p.case for p in pairs}])) for k in (0, 1))
    return Speeds(gauge, starter, agreement(gaps, [p.case for p in pairs]))


def _seal(paths: Sequence[Path]) -> int:
    """Write a seal beside each result and say its code."""
    with Outputs() as outputs:
        sealed = []
        for path in paths:
            seal = seal_of(read_json(path, RESULT_FORMAT), path.name)
            if seal_path(path).exists():
                raise InputError(say("validate.sealed_already", path=str(seal_path(path))))
            outputs.add(seal_path(path), (json.dumps(seal, indent=1) + "\n").encode())
            sealed.append((path, seal["code"]))
    for path, code in sealed:
        tell(say("validate.sealed", path=str(path), code=code))
    tell(say("validate.write_down"))
    return VERDICT


def _protocol(path: Path) -> int:
    if path.suffix.lower() not in PAGES:
        raise InputError(say("problem.sheet_suffix", path=str(path)))
    check_writable(path)
    page = protocol_html()
    content = page.encode()
    if path.suffix.lower() == ".pdf":
        from crankfold.viewer.picture import pdf_of

        content = pdf_of(page)
    with Outputs() as outputs:
        outputs.add(path, content)
    tell(say("done.wrote", path=str(path)))
    return VERDICT
