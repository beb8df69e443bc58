"""What stands under the pointer: time, current, crank angle and cylinder, and the second channel in its own unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.words import plain, say, short_name

if TYPE_CHECKING:
    from crankfold.analysis import Result
    from crankfold.viewer.picture import FoldData
    from crankfold.viewer.window.plots.layers import Layer


@dataclass(frozen=True)
class Reading:
    """One place of a plot; what is not known there is None.

    Parameters
    ----------
    time_s
        Since the start of the capture.
    current
        In `unit`.
    angle_deg
        Crank angle within the engine cycle.
    cylinder
        Whose hump it is, as people call it.
    second, second_unit
        Of the second channel.
    """

    time_s: float | None = None
    current: float | None = None
    unit: str = ""
    angle_deg: float | None = None
    cylinder: str = ""
    second: float | None = None
    second_unit: str = ""


def strip_reading(result: Result, current: Layer | None, second: Layer | None, time_s: float) -> Reading:
    """Return what stands at an instant of a strip."""
    angle = angle_at(result, time_s)
    return Reading(time_s, None if current is None else current.at(time_s), "" if current is None else current.unit,
                   angle, "" if angle is None else cylinder_at(result, angle),
                   None if second is None else second.at(time_s), "" if second is None else second.unit)


def fold_reading(result: Result, data: FoldData, angle_deg: float, unit: str) -> Reading:
    """Return what stands at a crank angle of a fold: the middle of the cycles there."""
    middle = float(np.interp(angle_deg, data.angle_deg, data.middle))
    angle = angle_deg % result.engine.cycle_deg
    return Reading(None, middle if np.isfinite(middle) else None, unit, angle, cylinder_at(result, angle))


def angle_at(result: Result, time_s: float) -> float | None:
    """Return the crank angle within the cycle at an instant, None outside what was analysed."""
    found = result.estimate
    if found is None or len(found.time_s) < 2 or not found.time_s[0] <= time_s <= found.time_s[-1]:
        return None
    return float(np.interp(time_s, found.time_s, found.angle_deg)) % result.engine.cycle_deg


def cylinder_at(result: Result, angle_deg: float) -> str:
    """Return the cylinder whose hump lies at a crank angle: humps lean before their TDC, as the lanes of a fold do."""
    from crankfold.viewer.picture import lanes_of

    cycle, names = result.engine.cycle_deg, {c.position - 1: short_name(c) for c in result.cylinders}
    for lane in lanes_of(result.engine):
        if (angle_deg - lane.start_deg) % cycle < lane.end_deg - lane.start_deg:
            return names.get(lane.position, "")
    return ""


def reading_text(reading: Reading) -> str:
    """Return a reading as one line."""
    parts = []
    if reading.time_s is not None:
        parts.append(say("window.reading.time", time=plain(reading.time_s, 3)))
    if reading.current is not None:
        parts.append(say("window.reading.value", value=plain(reading.current, 1),
                         unit=reading.unit or say("label.no_unit")))
    if reading.angle_deg is not None:
        parts.append(say("window.reading.angle", angle=plain(reading.angle_deg, 0)))
    if reading.cylinder:
        parts.append(say("window.reading.cylinder", cylinder=reading.cylinder))
    if reading.second is not None:
        parts.append(say("window.reading.second", value=plain(reading.second),
                         unit=reading.second_unit or say("label.no_unit")))
    return "   ".join(parts)
