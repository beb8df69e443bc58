"""States and verdict from percents and intervals: the limits are the trade's, and settable."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.result import Cylinder, Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.result import State, Verdict


@dataclass(frozen=True)
class Thresholds:
    """Limits in percent of the strongest cylinder.

    Parameters
    ----------
    low_percent
        A cylinder below it is low: "lowest at least 75 % of highest" is the service rule.
    dead_percent
        A cylinder below it does not compress at all, as far as a current can show.
    watch_percent
        A cylinder below it, or whose interval reaches below `low_percent`, is one to watch.

    Raises
    ------
    InputError
        The limits are not in the order dead, low, watch between 0 and 100.
    """

    low_percent: float = 75.0
    dead_percent: float = 15.0
    watch_percent: float = 85.0

    def __post_init__(self) -> None:
        limits = (0.0, self.dead_percent, self.low_percent, self.watch_percent, 100.0)
        if not all(math.isfinite(x) for x in limits) or any(a > b for a, b in pairwise(limits)):
            raise InputError(f"limits dead {self.dead_percent:g} %, low {self.low_percent:g} %, watch "
                             f"{self.watch_percent:g} %: give them in rising order, between 0 and 100")

    def state(self, relative_percent: float, lower_percent: float) -> State:
        """Return the state of a cylinder from its point estimate and the lower end of its interval."""
        if relative_percent < self.dead_percent:
            return "dead"
        if relative_percent < self.low_percent:
            return "low"
        return "watch" if relative_percent < self.watch_percent or lower_percent < self.low_percent else "good"


def judge(relative_percent: NDArray[np.float64], interval_percent: NDArray[np.float64],
          numbers: Sequence[int | None], thresholds: Thresholds) -> tuple[Verdict, tuple[Cylinder, ...]]:
    """Return the verdict and the cylinders' answers.

    Parameters
    ----------
    relative_percent : ndarray, shape (cylinders,)
        Percent of the strongest, in firing order.
    interval_percent : ndarray, shape (cylinders, 2)
        95 % intervals.
    numbers
        Cylinder numbers in the same order, None where they cannot be named.
    thresholds
        The limits.
    """
    cylinders = []
    for k, number in enumerate(numbers):
        value = max(0.0, float(relative_percent[k]))
        low, high = sorted(max(0.0, float(x)) for x in interval_percent[k])
        cylinders.append(Cylinder(k + 1, number, value, (low, high), thresholds.state(value, low)))
    down = any(c.state in ("low", "dead") for c in cylinders)
    return ("uneven" if down else "even"), tuple(cylinders)


def near_limit(cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the caution that an interval lies across the limit for low, None when all are clear of it."""
    near = [c for c in cylinders if c.interval_percent[0] < thresholds.low_percent < c.interval_percent[1]]
    if not near:
        return None
    closest = min(near, key=lambda c: abs(c.relative_percent - thresholds.low_percent))
    return Notice("near-limit", {
        "positions": tuple(c.position for c in near), "limit_percent": thresholds.low_percent,
        "cylinders": tuple(c.cylinder for c in near if c.cylinder is not None),
        "relative_percent": closest.relative_percent, "low_end_percent": closest.interval_percent[0],
        "high_end_percent": closest.interval_percent[1],
    })
