"""States and verdict from each cylinder's distribution: the limits are the trade's, and settable."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.posterior import below
from crankfold.analysis.result import Cylinder, Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.result import State, Verdict

NORMAL_95 = 1.96
LOW_LEAST = 0.9  # probability at which a cylinder is called low
EVEN_MOST = 0.12  # probability that any is low at which an engine is called even: far fewer are, see the calibration


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
        A cylinder below it that is not low is one to watch.

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

    def state(self, relative_percent: float, low: float, dead: float) -> State:
        """Return the state of a cylinder from its percent and its probabilities of being low and of being dead."""
        if low >= LOW_LEAST:
            return "dead" if dead >= 0.5 else "low"
        if low > EVEN_MOST:
            return "limit"
        return "watch" if relative_percent < self.watch_percent else "good"


@dataclass(frozen=True, eq=False)
class Odds:
    """Each cylinder's probability of being low and of being dead, shape (n,), and that any is low."""

    low: NDArray[np.float64]
    dead: NDArray[np.float64]
    any_low: float

    @classmethod
    def of(cls, estimate: Estimate, thresholds: Thresholds) -> Odds:
        """Return what the distributions of an estimate say."""
        low, dead = (below(estimate.chances, p) for p in (thresholds.low_percent, thresholds.dead_percent))
        return cls(low, dead, float(below(estimate.lowest, thresholds.low_percent)))

    @classmethod
    def of_ranges(cls, relative_percent: NDArray[np.float64], interval_percent: NDArray[np.float64],
                  thresholds: Thresholds) -> Odds:
        """Return what percents with 95 % ranges say, taken as normal and as independent of each other."""
        relative_percent, ends = np.asarray(relative_percent, dtype=float), np.asarray(interval_percent, dtype=float)
        sd = np.maximum(np.abs(np.diff(ends, axis=1)[:, 0]), 1e-3) / (2 * NORMAL_95)
        low, dead = (np.array([NormalDist().cdf(float(z)) for z in (p - relative_percent) / sd])
                     for p in (thresholds.low_percent, thresholds.dead_percent))
        return cls(low, dead, float(1.0 - np.prod(1.0 - low)))


def judge(relative_percent: NDArray[np.float64], interval_percent: NDArray[np.float64], numbers: Sequence[int | None],
          thresholds: Thresholds, odds: Odds | None = None) -> tuple[Verdict, tuple[Cylinder, ...]]:
    """Return the verdict and the cylinders' answers.

    A cylinder is called low by its own probability only. Where none is, the engine is even if the lowest cylinder,
    whichever it may be, is surely above the limit; otherwise the likeliest one lies at the limit.

    Parameters
    ----------
    relative_percent, interval_percent : ndarray, shapes (n,), (n, 2)
        Percent of the strongest and its 95 % range, in firing order.
    numbers
        Cylinder numbers in the same order, None where they cannot be named.
    thresholds
        The limits.
    odds
        Probabilities of the same cylinders; None: those that the ranges give, taken as normal.
    """
    odds = Odds.of_ranges(relative_percent, interval_percent, thresholds) if odds is None else odds
    states = [thresholds.state(float(r), float(a), float(b))
              for r, a, b in zip(relative_percent, odds.low, odds.dead, strict=True)]
    down = any(s in ("low", "dead") for s in states)
    if not down and odds.any_low > EVEN_MOST and "limit" not in states:
        states[int(np.argmax(odds.low))] = "limit"
    verdict: Verdict = "uneven" if down else "limit" if "limit" in states else "even"
    cylinders = tuple(
        Cylinder(k + 1, number, max(0.0, float(relative_percent[k])), _range(interval_percent[k]), states[k],
                 low_probability=float(odds.low[k]), dead_probability=float(odds.dead[k]))
        for k, number in enumerate(numbers))
    return verdict, cylinders


def _range(ends: NDArray[np.float64]) -> tuple[float, float]:
    low, high = sorted(max(0.0, float(x)) for x in ends)
    return low, high


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
