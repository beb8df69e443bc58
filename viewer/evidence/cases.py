"""From files to engines that can be compared: results or bundles, and the gauge readings that belong to them."""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire import AcquireError
from crankfold.analysis import Case, CrankfoldError, CylinderSaid, InputError, Reference, reference
from crankfold.viewer.evidence.bundle import BUNDLE_SUFFIX, CAPTURE, read_bundle
from crankfold.viewer.evidence.gauge_file import GaugeSheet, bare_name, read_gauge
from crankfold.viewer.evidence.seal import (
    RESULT_FORMAT,
    SEAL_FORMAT,
    SEAL_SUFFIX,
    holds,
    read_json,
    same_code,
    seal_path,
)
from crankfold.viewer.words import result_data, say, worded

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.viewer.evidence.bundle import Bundle

RESULT = ".json"
GAUGE_ENDINGS = (".gauge.toml", ".gauge.csv")


@dataclass(frozen=True, eq=False)
class Found:
    """One engine that was found.

    Parameters
    ----------
    case
        For the comparison.
    gauge_rpm, cranking_rpm
        Speeds of the gauge reading and of the capture, None where nobody knows.
    """

    case: Case
    gauge_rpm: float | None
    cranking_rpm: float | None


@dataclass(frozen=True)
class Left:
    """A file that could not be compared, and why, a sentence for people."""

    path: str
    why: str


def files_in(paths: Sequence[Path]) -> list[Path]:
    """Return the results and bundles in files and folders, each once, in the order of their names within a folder.

    Raises
    ------
    InputError
        A path does not exist, or there is none.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        if not path.exists():
            raise InputError(say("batch.no_file", path=str(path)[:300]))
        for file in _inside(path) if path.is_dir() else [path]:
            found.setdefault(file.resolve(), file)
    if not found:
        raise InputError(say("validate.nothing", paths=", ".join(map(str, paths))[:300]))
    return list(found.values())


def _inside(folder: Path) -> Iterator[Path]:
    for here, inner, names in os.walk(folder):
        inner[:] = sorted(name for name in inner if not name.startswith("."))
        for name in sorted(names):
            path = Path(here) / name
            plain = name.endswith(RESULT) and not name.endswith(SEAL_SUFFIX)
            if name.endswith(BUNDLE_SUFFIX) or (plain and _is_result(path)):
                yield path


def _is_result(path: Path) -> bool:
    try:
        read_json(path, RESULT_FORMAT)
    except InputError:
        return False
    return True


def cases_of(files: Sequence[Path], sheets: Mapping[str, GaugeSheet], *, again: bool,
             plugins: Plugins) -> Iterator[Found | Left]:
    """Yield each engine, or why it is left out.

    Parameters
    ----------
    sheets
        Gauge readings by the name of a capture; those beside a result go before them.
    again
        Analyse the captures of bundles anew, also those that hold a result.
    """
    for path in files:
        try:
            if path.name.endswith(BUNDLE_SUFFIX):
                yield _of_bundle(path, again=again, plugins=plugins)
            else:
                yield _of_result(path, sheets)
        except CrankfoldError as error:
            yield Left(str(path), worded(error))


def _of_result(path: Path, sheets: Mapping[str, GaugeSheet]) -> Found:
    result = read_json(path, RESULT_FORMAT)
    name = bare_name(path)
    beside = next((own for own in (path.with_name(name + ending) for ending in GAUGE_ENDINGS) if own.is_file()), None)
    sheet = sheets.get(name) if beside is None else read_gauge(beside).get(name)
    if sheet is None:
        raise InputError(say("validate.no_gauge", path=str(path), name=name))
    seal = read_json(seal_path(path), SEAL_FORMAT) if seal_path(path).is_file() else None
    return _found(name, result, sheet, seal)


def _of_bundle(path: Path, *, again: bool, plugins: Plugins) -> Found:
    bundle = read_bundle(path)
    if bundle.result is not None and not again:
        return _found(bare_name(path), bundle.result, bundle.gauge, bundle.seal)
    return _found(bare_name(path), _analysed(path, bundle, plugins), bundle.gauge, None)


def _analysed(path: Path, bundle: Bundle, plugins: Plugins) -> dict[str, Any]:
    from crankfold.viewer.session import judge, question_of, read_capture
    question = question_of(bundle.options)
    with tempfile.TemporaryDirectory(prefix="crankfold-") as folder:
        image = Path(folder) / CAPTURE
        image.write_bytes(bundle.capture_image)
        try:
            capture, warnings = read_capture(image, {}, plugins)
        except AcquireError as error:
            raise InputError(str(error).replace(str(image), f"{path}, {CAPTURE}")) from error
    return result_data(judge(capture, question, warnings).result)


def _found(name: str, result: Mapping[str, Any], sheet: GaugeSheet, seal: Mapping[str, Any] | None) -> Found:
    """Return the engine of a result and its readings.

    Raises
    ------
    InputError
        The result's seal is broken, or the readings do not go with its engine.
    """
    if seal is not None and not holds(seal, result):
        raise InputError(say("validate.broken_seal", name=name))
    if sheet.seal and not same_code(sheet.seal, result):
        raise InputError(say("validate.other_code", name=name, code=sheet.seal[:40]))
    try:
        order = tuple(int(c) for c in result["engine"]["firing_order"])
        cylinders = tuple(_judged(c) for c in result["cylinders"])
        verdict, rpm = str(result["verdict"]), (result.get("cranking") or {}).get("rpm")
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        raise InputError(say("validate.no_json", path=name, format=RESULT_FORMAT)) from error
    return Found(Case(name, verdict, cylinders, order, _reference(name, order, sheet), sheet.blind,
                      seal is not None or bool(sheet.seal)), sheet.rpm, None if rpm is None else float(rpm))


def _judged(cylinder: Mapping[str, Any]) -> CylinderSaid:
    low, high = cylinder["interval_percent"]
    number, percent = cylinder["cylinder"], float(cylinder["relative_percent"])
    if not all(math.isfinite(float(x)) for x in (low, high, percent)):
        raise ValueError("not finite")
    return CylinderSaid(None if number is None else int(number), percent, (float(low), float(high)),
                        str(cylinder["state"]))


def _reference(name: str, order: Sequence[int], sheet: GaugeSheet) -> Reference:
    if not sheet.dry:
        raise InputError(say("validate.only_wet", name=name))
    other = sorted(set(sheet.dry) - set(order))
    missing = [c for c in order if c not in sheet.dry]
    if other or missing:
        raise InputError(say("validate.other_engine", name=name, cylinders=tuple(other or missing)))
    return reference([sheet.dry[c] for c in order])
