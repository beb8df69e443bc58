"""Tooth times and speed logs as people have them: a CSV table with or without a heading, in seconds or parts of them.

One column of numbers is tooth times; a second column whose heading speaks of rpm, or of turns a minute, makes it a
speed log. The unit of time is the heading's; without one it is that which makes the engine crank at a likely speed.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis import InputError, Motion, Wheel, motion_of, motion_of_speed
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_BYTES = 20_000_000  # an hour of a sixty-tooth wheel
UNITS_S = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "\u00b5s": 1e-6, "\u03bcs": 1e-6, "ns": 1e-9}
LIKELY_RPM = 180.0  # of a cranked engine; guesses of the unit are a thousand apart
SPEED = re.compile(r"rpm|1/min|min-1|r/min", re.IGNORECASE)
UNIT = re.compile(r"[\(\[_ ](s|sec|seconds|ms|us|\u00b5s|\u03bcs|ns)[\)\]]?\s*$", re.IGNORECASE)


def read_motion(path: Path, wheel: Wheel | None) -> Motion:
    """Return the motion in a file.

    Raises
    ------
    InputError
        It cannot be read, or holds tooth times and no wheel is given.
    """
    names, table = _table(path)
    time_s = table[:, 0] * _unit(names[0] if names else "", table[:, 0], wheel)
    speed = next((k for k, name in enumerate(names) if k and SPEED.search(name)), None)
    if speed is not None:
        return motion_of_speed(time_s, table[:, speed])
    if wheel is None:
        raise InputError(say("speed.no_wheel", path=str(path)))
    return motion_of(time_s, wheel)


def _table(path: Path) -> tuple[list[str], NDArray[np.float64]]:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        lines = content.decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        raise InputError(say("speed.unreadable", path=str(path), reason=" ".join(str(error).split())[:80])) from error
    if len(content) > MAX_BYTES:
        raise InputError(say("speed.too_long", path=str(path)))
    mark = next((m for m in (";", "\t", ",") if any(m in line for line in lines[:5])), ",")
    rows, names = [], []
    for number, line in enumerate(lines, 1):
        cells = [cell.strip() for cell in line.split(mark)]
        if not any(cells):
            continue
        try:
            rows.append([float(cell.replace(",", ".") if mark != "," else cell) for cell in cells])
        except ValueError as error:
            if rows:
                raise InputError(say("speed.bad_line", where=f"{path}, line {number}")) from error
            names = cells
    if not rows or len({len(row) for row in rows}) != 1:
        raise InputError(say("speed.no_numbers", path=str(path)))
    return names, np.array(rows, dtype=np.float64)


def _unit(name: str, times: NDArray[np.float64], wheel: Wheel | None) -> float:
    """Return seconds a unit of the time column."""
    told = UNIT.search(f" {name}")
    if told is not None:
        return UNITS_S[told[1].lower()]
    if wheel is None or len(times) < 2:
        return 1.0
    step = float(np.median(np.diff(times)))
    usual_s = wheel.pitch_deg / (6.0 * LIKELY_RPM)
    return min((1.0, 1e-3, 1e-6, 1e-9), key=lambda unit: abs(np.log(max(step, 1e-12) * unit / usual_s)))
