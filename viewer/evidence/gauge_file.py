"""Gauge readings as people write them down: a table for many captures, or a small TOML file for one.

A table is CSV with a heading. ``file``, ``cylinder``, ``pressure`` and ``unit`` (bar, psi or kPa) must be there, one
row a reading; a cylinder may be read more than once. ``condition`` (dry or wet), ``rpm``, ``by``, ``blind`` (yes or no)
and ``seal`` may be. ``file`` is the name of the capture or result without its ending::

    file,cylinder,pressure,unit,condition,rpm,by,blind,seal
    crank-07,1,175,psi,dry,260,A,yes,3f9a-12bc-77d0-4e21

The TOML file says the same of one capture::

    format = "crankfold.gauge/1"
    unit = "psi"
    rpm = 260
    by = "A"
    blind = true
    [readings]
    1 = [175, 174]
    2 = 171
    [wet]
    2 = 180
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crankfold.acquire import parse_toml
from crankfold.analysis import BAR_IN, HIGHEST_BAR, InputError
from crankfold.viewer.words import say

GAUGE_FORMAT = "crankfold.gauge/1"
TOML = ".toml"
MAX_BYTES = 5_000_000  # some fifty thousand engines; anything longer is another kind of file
REQUIRED = ("file", "cylinder", "pressure", "unit")
OPTIONAL = ("condition", "rpm", "by", "blind", "seal")
KEYS = ("format", "unit", "condition", "rpm", "by", "blind", "seal", "readings", "wet")
DRY, WET = "dry", "wet"
TRUTH = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False, "": False}
MOST_CYLINDER = 16
HIGHEST_RPM = 1000.0  # no starter turns an engine faster
SHOWN = 40  # characters of what somebody wrote that a sentence repeats

Readings = Mapping[int, tuple[float, ...]]


@dataclass(frozen=True)
class GaugeSheet:
    """What a gauge said of one engine.

    Parameters
    ----------
    dry, wet
        Gauge pressures by cylinder, bar, in the order they were read.
    rpm
        At which they were read, None where nobody wrote it down.
    by
        Who read the gauge.
    blind
        Whether they did not know the result.
    seal
        The code that they wrote down before, empty without one.
    """

    dry: Readings
    wet: Readings = field(default_factory=dict)
    rpm: float | None = None
    by: str = ""
    blind: bool = False
    seal: str = ""


def read_gauge(path: Path) -> dict[str, GaugeSheet]:
    """Return the readings in a file by the name of the capture; a TOML file goes by its own name.

    Raises
    ------
    InputError
        It cannot be read, or something in it cannot be.
    """
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        if len(content) > MAX_BYTES:
            raise InputError(say("gauge.too_long", path=str(path)))
        if path.suffix.lower() == TOML:
            return {bare_name(path): sheet_of(parse_toml(content), str(path))}
        return _table(content.decode("utf-8-sig"), str(path))
    except (OSError, ValueError, RecursionError, csv.Error) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(say("gauge.unreadable", path=str(path), reason=" ".join(str(error).split())[:100])) from error


def bare_name(path: Path | str) -> str:
    """Return a file's name up to its first dot: ``crank-07.csv.gz`` and ``crank-07.gauge.toml`` belong together.

    >>> bare_name("cranks/crank-07.csv.gz")
    'crank-07'
    """
    return Path(path).name.partition(".")[0]


def sheet_of(table: Mapping[str, Any], where: str) -> GaugeSheet:
    """Return the sheet of a TOML table.

    Raises
    ------
    InputError
        A key is unknown or missing, or holds what it cannot.
    """
    unknown = next((key for key in table if key not in KEYS), None)
    if unknown is not None or table.get("format") != GAUGE_FORMAT:
        raise InputError(say("gauge.bad_key", where=where, name=str(unknown or "format")[:SHOWN], format=GAUGE_FORMAT))
    unit = table.get("unit", "")
    readings = {name: _of_table(table.get(name, {}), unit, f"{where}, {name}") for name in ("readings", "wet")}
    dry, wet = readings["readings"], readings["wet"]
    if str(table.get("condition", DRY)) == WET:
        dry, wet = {}, {**dry, **wet}
    if not dry and not wet:
        raise InputError(say("gauge.nothing", where=where))
    blind = table.get("blind", False)
    return GaugeSheet(dry, wet, _rpm(table.get("rpm"), where), str(table.get("by", "")),
                      blind if isinstance(blind, bool) else _truth(str(blind), where), str(table.get("seal", "")))


def _of_table(table: Any, unit: Any, where: str) -> Readings:
    if not isinstance(table, Mapping):
        raise InputError(say("gauge.bad_value", where=where, value=str(table)[:SHOWN]))
    return {_cylinder(key, where): tuple(_bar(v, unit, where) for v in (value if isinstance(value, list) else [value]))
            for key, value in table.items()}


def _table(text: str, where: str) -> dict[str, GaugeSheet]:
    lines = text.splitlines()
    mark = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
    reader = csv.DictReader(lines, delimiter=mark, strict=True)
    names = [str(name).strip().lower() for name in reader.fieldnames or ()]
    missing = [name for name in REQUIRED if name not in names]
    unknown = [name for name in names if name not in (*REQUIRED, *OPTIONAL)]
    if missing or unknown:
        raise InputError(say("gauge.bad_heading", where=f"{where}, line 1", name=(missing or unknown)[0][:SHOWN]))
    rows: dict[str, list[tuple[dict[str, str], str]]] = {}
    for number, row in enumerate(reader, 2):
        at = f"{where}, line {number}"
        if None in row or None in row.values():
            raise InputError(say("gauge.bad_row", where=at))
        cells = {str(name).strip().lower(): str(cell).strip() for name, cell in row.items()}
        if not cells["file"]:
            raise InputError(say("gauge.bad_row", where=at))
        rows.setdefault(bare_name(cells["file"]), []).append((cells, at))
    if not rows:
        raise InputError(say("gauge.nothing", where=where))
    return {name: _of_rows(found) for name, found in rows.items()}


def _of_rows(rows: Sequence[tuple[dict[str, str], str]]) -> GaugeSheet:
    kinds: dict[str, dict[int, tuple[float, ...]]] = {DRY: {}, WET: {}}
    for cells, where in rows:
        condition = cells.get("condition") or DRY
        if condition not in kinds:
            raise InputError(say("gauge.bad_value", where=where, value=condition[:SHOWN]))
        cylinder = _cylinder(cells["cylinder"], where)
        before = kinds[condition].get(cylinder, ())
        kinds[condition][cylinder] = (*before, _bar(cells["pressure"], cells["unit"], where))
    speeds = [_rpm(cells.get("rpm") or None, where) for cells, where in rows]
    known = [speed for speed in speeds if speed is not None]
    return GaugeSheet(
        kinds[DRY], kinds[WET], sum(known) / len(known) if known else None,
        next((cells["by"] for cells, _ in rows if cells.get("by")), ""),
        all(_truth(cells.get("blind", ""), where) for cells, where in rows),
        next((cells["seal"] for cells, _ in rows if cells.get("seal")), ""))


def _cylinder(text: Any, where: str) -> int:
    try:
        number = int(text)
    except (TypeError, ValueError) as error:
        raise InputError(say("gauge.bad_cylinder", where=where, text=str(text)[:SHOWN])) from error
    if not 1 <= number <= MOST_CYLINDER:
        raise InputError(say("gauge.bad_cylinder", where=where, text=str(text)[:SHOWN]))
    return number


def _bar(value: Any, unit: Any, where: str) -> float:
    factor = BAR_IN.get(str(unit).strip().lower())
    if factor is None:
        raise InputError(say("gauge.bad_unit", where=where, text=str(unit)[:SHOWN]))
    try:
        bar = float(str(value).replace(",", ".")) * factor
    except ValueError as error:
        raise InputError(say("gauge.bad_value", where=where, value=str(value)[:SHOWN])) from error
    if not 0.0 <= bar <= HIGHEST_BAR:
        raise InputError(say("gauge.bad_pressure", where=where, text=str(value)[:SHOWN], unit=str(unit),
                             most_bar=HIGHEST_BAR))
    return bar


def _rpm(value: Any, where: str) -> float | None:
    if value is None:
        return None
    try:
        rpm = float(str(value).replace(",", "."))
    except ValueError as error:
        raise InputError(say("gauge.bad_value", where=where, value=str(value)[:SHOWN])) from error
    if not (math.isfinite(rpm) and 0.0 < rpm <= HIGHEST_RPM):
        raise InputError(say("gauge.bad_value", where=where, value=str(value)[:SHOWN]))
    return rpm


def _truth(text: str, where: str) -> bool:
    found = TRUTH.get(text.strip().lower())
    if found is None:
        raise InputError(say("gauge.bad_value", where=where, value=text[:SHOWN]))
    return found
