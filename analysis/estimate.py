"""The per-cylinder estimate: relative compression with intervals, and the crank angle it was read at."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

Motor = Literal["permanent-magnet", "series"]


@dataclass(frozen=True, eq=False)
class Estimate:
    """One explanation of the trace.

    Arrays over cylinders are by **position**: index 0 is the first of the firing order *as this explanation places it*.
    With even firing and no mark the placement is arbitrary up to a rotation (index 0 is then the first whole hump
    after the in-rush); with uneven firing the pattern places it.

    Parameters
    ----------
    relative_percent : ndarray, shape (cylinders,)
        Peak gauge compression pressure as percent of the strongest cylinder; finite, 0 and up.
    interval_percent : ndarray, shape (cylinders, 2)
        95 % interval of each.
    time_s : ndarray, shape (m,)
        Times of the track below, seconds from the start of the capture, increasing.
    angle_deg : ndarray, shape (m,)
        Crank angle at those times, unwrapped; 0 (modulo the cycle) is the compression TDC of index 0.
    model : ndarray, shape (m,)
        The current the model predicts there, in the trace's unit; NaN where it was not fitted.
    cycles
        Engine cycles in the steady cranking.
    rpm
        Mean crank speed over the steady cranking.
    explained
        Share of the variance explained by the model, 0 to 1.
    cost
        What the fit minimised; comparable between explanations of the same trace.
    motor
        The starter kind that explained it better.
    heights_percent : ndarray, shape (cylinders,)
        The independent second opinion: trough-referred hump heights, percent of the strongest.
    details
        Fitted values by name with the unit in the name, for the picture, health and tests
        (for example ``stall_current``, ``lag_s``, ``worst_sigma_percent``).
    """

    relative_percent: NDArray[np.float64]
    interval_percent: NDArray[np.float64]
    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    model: NDArray[np.float64]
    cycles: float
    rpm: float
    explained: float
    cost: float
    motor: Motor
    heights_percent: NDArray[np.float64]
    details: Mapping[str, float] = field(default_factory=dict)
