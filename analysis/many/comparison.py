"""Before and after: what changed in each cylinder between two results of the same engine, and whether it is real."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

from crankfold.analysis.errors import InputError

if TYPE_CHECKING:
    from crankfold.analysis.result import Cylinder, Result, State

Change = Literal["better", "worse", "cannot-tell"]
COVER = 0.95  # of all cylinders' intervals at once
Z_SINGLE = 1.959964  # the single intervals' normal quantile


@dataclass(frozen=True)
class Difference:
    """One cylinder, before and after.

    Parameters
    ----------
    cylinder, position
        Its number (None where neither result names cylinders) and its 1-based place in the firing order.
    before_percent, after_percent
        Percent of the strongest cylinder of that day.
    difference_percent, interval_percent
        After less before in points, with an interval that holds for all cylinders together.
    change
        better or worse when the interval lies on one side of zero.
    before_state, after_state
        What each of the two results calls the cylinder.
    """

    cylinder: int | None
    position: int
    before_percent: float
    after_percent: float
    difference_percent: float
    interval_percent: tuple[float, float]
    change: Change
    before_state: State = "good"
    after_state: State = "good"


def compare(before: Result, after: Result) -> tuple[Difference, ...]:
    """Return each cylinder's difference, in firing order.

    Raises
    ------
    InputError
        One of them has no verdict, the engines differ, or the cylinders cannot be matched because one names them
        and the firing pattern alone does not.
    """
    for what, result in (("before", before), ("after", after)):
        if result.verdict == "none":
            raise InputError(f"the capture from {what} has no verdict: there is nothing to compare; capture it again")
    one, other = before.engine, after.engine
    if (one.firing_order, one.intervals_deg, one.strokes) != (other.firing_order, other.intervals_deg, other.strokes):
        raise InputError("the two captures are of different engines; compare captures of the same engine card")
    named = [all(c.cylinder is not None for c in r.cylinders) for r in (before, after)]
    if not all(named):
        which = "either capture" if not any(named) else f"the capture from {'after' if named[0] else 'before'}"
        raise InputError(f"the cylinders of {which} have no numbers, so they cannot be matched; "
                         "capture with a sync signal both times")
    wide = NormalDist().inv_cdf(0.5 + 0.5 * COVER ** (1.0 / one.cylinders)) / Z_SINGLE
    return tuple(_difference(a, b, wide) for a, b in zip(before.cylinders, after.cylinders, strict=True))


def _difference(a: Cylinder, b: Cylinder, wide: float) -> Difference:
    gap = b.relative_percent - a.relative_percent
    down = wide * math.hypot(b.relative_percent - b.interval_percent[0], a.interval_percent[1] - a.relative_percent)
    up = wide * math.hypot(b.interval_percent[1] - b.relative_percent, a.relative_percent - a.interval_percent[0])
    low, high = gap - down, gap + up
    change: Change = "better" if low > 0 else "worse" if high < 0 else "cannot-tell"
    return Difference(b.cylinder, b.position, a.relative_percent, b.relative_percent, gap, (low, high), change,
                      a.state, b.state)
