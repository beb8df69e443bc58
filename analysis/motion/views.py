"""Speed and current are two views of one crank: whether they agree, and what they say together.

The two share the gas model and little else: the current knows the starter's electrics, the speed the crank's inertia.
Each has its own errors, so that where both are sure and differ, one of them is wrong, and neither is believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.motion.estimation import SpeedEstimate
    from crankfold.analysis.result import Result

AGREE = 1.0  # of the 95 % half-widths together: E_n of ISO 13528
LEAST_HALF = 0.5  # points: no range is narrower


@dataclass(frozen=True, eq=False)
class TwoViews:
    """What speed and current say together.

    Parameters
    ----------
    cylinders
        Numbers by position, None where neither names them.
    by_current, by_speed : ndarray, shape (cylinders,)
        Percent of the strongest.
    normalised : ndarray, shape (cylinders,)
        Difference over both 95 % half-widths together.
    agree
        Whether none is above 1, so that both may stand.
    percent, half_percent : ndarray, shape (cylinders,)
        Means weighted by certainty, and their 95 % half-widths; not to be used where they do not agree.
    turned
        Whether the speed's cylinders were turned to where they fit the current's best: its index does not tell strokes
        apart, or there is none. Agreement then says less.
    """

    cylinders: tuple[int | None, ...]
    by_current: NDArray[np.float64]
    by_speed: NDArray[np.float64]
    normalised: NDArray[np.float64]
    agree: bool
    percent: NDArray[np.float64]
    half_percent: NDArray[np.float64]
    turned: bool


def two_views(result: Result, speed: SpeedEstimate) -> TwoViews:
    """Return how the result of a current and an estimate from the speed of the same cranking compare.

    Raises
    ------
    InputError
        The result has no verdict, or the numbers of cylinders differ.
    """
    n = len(speed.percent)
    if result.verdict == "none" or len(result.cylinders) != n:
        raise InputError(f"the current gives {len(result.cylinders)} cylinders and the speed {n}; "
                         "compare captures with a verdict, of the same cranking")
    value = np.array([c.relative_percent for c in result.cylinders])
    ends = np.array([c.interval_percent for c in result.cylinders])
    half = np.maximum((ends[:, 1] - ends[:, 0]) / 2.0, LEAST_HALF)
    turns = _turns(speed, n, result.engine.pattern_length)
    turn = min(turns, key=lambda k: float(np.sum(np.abs(np.roll(speed.percent, -k) - value))))
    own, own_half = np.roll(speed.percent, -turn), np.maximum(np.roll(speed.half_percent, -turn), LEAST_HALF)
    normalised = np.abs(own - value) / np.hypot(own_half, half)
    weight = np.array([1.0 / half**2, 1.0 / own_half**2])
    mean = (weight[0] * value + weight[1] * own) / weight.sum(axis=0)
    mean = 100.0 * mean / max(100.0, float(mean.max()))
    return TwoViews(tuple(c.cylinder for c in result.cylinders), value, own, normalised,
                    bool(normalised.max() <= AGREE), mean, 1.0 / np.sqrt(weight.sum(axis=0)), len(turns) > 1)


def _turns(speed: SpeedEstimate, n: int, pattern: int) -> Sequence[int]:
    """Return by how many positions the speed's cylinders may be turned: half a cycle, or any where TDC is not known."""
    if not speed.placed:
        return range(0, n, pattern)
    return (0, n // 2) if n % 2 == 0 and (n // 2) % pattern == 0 else (0,)
