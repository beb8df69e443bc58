"""The arithmetic of the wheel: the cylinders round one engine cycle, each as long as its relative compression."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis import at_gauge_speed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Cylinder, Result, State

FULL_PERCENT = 115.0  # the rim: a little beyond the strongest, so that a whisker above 100 % has room
HUB_SHARE = 0.27  # radius of the hub as share of the rim's
WIDEST_DEG = 26.0  # a spoke is no wider than this, so that a single one still looks like a spoke
THICK = 1.5  # of the width that fits at the hub: spokes part as they go outward
SPOKE_SHARE = 0.62  # of the narrowest firing interval, as drawn
RULE_PERCENT = 75.0  # the trade's limit, and a gauge's


@dataclass(frozen=True)
class Spoke:
    """One cylinder of the wheel.

    Parameters
    ----------
    position, cylinder
        1-based place in the firing order, and the number or None.
    turn_deg
        Direction on the page: 0 is up, clockwise.
    percent, low_percent, high_percent
        Relative compression and the ends of its interval, cut to the rim.
    state
        good, watch, limit, low or dead.
    """

    position: int
    cylinder: int | None
    turn_deg: float
    percent: float
    low_percent: float
    high_percent: float
    state: State


@dataclass(frozen=True)
class WheelData:
    """All spokes, how wide each is drawn, in degrees of the page, and where a gauge's limit lies.

    That is what it reads at the starter's speed, None where that is not known.
    """

    spokes: tuple[Spoke, ...]
    wide_deg: float
    gauge_limit_percent: float | None = None


def wheel_of(result: Result) -> WheelData | None:
    """Return the wheel of a result, None when there is no verdict."""
    if not result.cylinders:
        return None
    engine = result.engine
    turns = engine.firing_deg / engine.cycle_deg * 360.0
    narrowest = min(engine.intervals_deg) / engine.cycle_deg * 360.0
    spokes = tuple(_spoke(c, float(turns[c.position - 1])) for c in result.cylinders)
    gauge = at_gauge_speed(result, RULE_PERCENT)
    return WheelData(spokes, min(WIDEST_DEG, SPOKE_SHARE * narrowest), None if gauge is None else gauge.limit_percent)


def _spoke(cylinder: Cylinder, turn_deg: float) -> Spoke:
    low, high = cylinder.interval_percent
    shown, low, high = (min(max(v, 0.0), FULL_PERCENT) for v in (cylinder.relative_percent, low, high))
    return Spoke(cylinder.position, cylinder.cylinder, turn_deg, shown, low, high, cylinder.state)


def radius(percent: float, rim: float) -> float:
    """Return the distance from the centre that stands for a percentage, given the radius of the rim."""
    return rim * (HUB_SHARE + (1.0 - HUB_SHARE) * percent / FULL_PERCENT)


def point(turn_deg: float, distance: float) -> tuple[float, float]:
    """Return x and y of a direction and a distance from the centre; up is 0 degrees, y grows downward."""
    turn = math.radians(turn_deg)
    return distance * math.sin(turn), -distance * math.cos(turn)


def half_width(wide_deg: float, rim: float) -> float:
    """Return half the width of every spoke of a wheel, given its rim."""
    return THICK * HUB_SHARE * rim * math.tan(math.radians(wide_deg) / 2.0)


def bar(turn_deg: float, half: float, inner: float, outer: float) -> NDArray[np.float64]:
    """Return the outline of a spoke, shape (n, 2), about the centre; half as wide as `half` either side."""
    along = np.array([[-half, inner], [half, inner], [half, outer], [-half, outer]])
    turn = math.radians(turn_deg)
    x = along[:, 0] * math.cos(turn) + along[:, 1] * math.sin(turn)
    y = along[:, 0] * math.sin(turn) - along[:, 1] * math.cos(turn)
    return np.column_stack([x, y])
