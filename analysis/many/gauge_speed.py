"""What a leak reads at another speed: a gauge turns the engine faster than a starter that has all plugs to compress.

A leak has more time where the crank is slow. By the leak table of the gas model, at a steady speed, the same orifice
and the same healthy loss give other percents of the strongest at 150 rpm than at 260.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.gas import HEALTHY_LOSS, POLYTROPE, leaking_pressures

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from crankfold.analysis.result import Result

USUAL_RATIO = 9.5  # effective compression ratio of a petrol engine, where nobody says
LOSS_RPM = 200.0  # at which a healthy cylinder loses `HEALTHY_LOSS` of its charge
LEAKS = np.concatenate(([0.0], np.geomspace(3e-4, 3.0, 90)))
LOWEST_RPM, HIGHEST_RPM = 40.0, 1000.0
GAUGE_RPM = 275.0  # a gauge is read at 250 to 300 rpm, all plugs out: common practice, no source
DIESEL_RATIO = 17.0  # effective compression ratio of a diesel, where nobody says


@dataclass(frozen=True)
class AtGaugeSpeed:
    """What a gauge would read, if the cylinders leak, beside what was found at the starter's speed.

    Parameters
    ----------
    rpm, gauge_rpm
        The starter's speed, and the gauge's.
    percent, interval_percent
        Of each cylinder in firing order, percent of the strongest, carried over to the gauge's speed.
    limit_percent
        What a leak that a gauge reads at its limit for low reads at the starter's speed.
    """

    rpm: float
    gauge_rpm: float
    percent: tuple[float, ...]
    interval_percent: tuple[tuple[float, float], ...]
    limit_percent: float


def at_gauge_speed(result: Result, low_percent: float) -> AtGaugeSpeed | None:
    """Return what a gauge would read, None without a verdict or where the starter's speed is unknown.

    The service limit is a gauge's. It is not moved here; this says what it means at the speed that was measured at.
    """
    rpm = result.cranking.rpm if result.cranking is not None else 0.0
    if not result.cylinders or not LOWEST_RPM <= rpm <= HIGHEST_RPM:
        return None
    ratio = DIESEL_RATIO if result.engine.fuel == "diesel" else USUAL_RATIO
    found = [(c.relative_percent, *c.interval_percent) for c in result.cylinders]
    moved = carried_over(np.clip(found, 0.0, 100.0), rpm, GAUGE_RPM, ratio)
    limit = float(carried_over([low_percent], GAUGE_RPM, rpm, ratio)[0])
    return AtGaugeSpeed(rpm, GAUGE_RPM, tuple(moved[:, 0].tolist()),
                        tuple((low, high) for low, high in moved[:, 1:].tolist()), limit)


def carried_over(percent: ArrayLike, from_rpm: float, to_rpm: float, ratio: float = USUAL_RATIO) -> NDArray[np.float64]:
    """Return what cylinders that read `percent` of the strongest at one speed would read at another.

    It holds for leaks. A cylinder that fills badly reads alike at both.

    Raises
    ------
    InputError
        A speed or the ratio cannot be.

    >>> carried_over([100.0, 75.0], 260.0, 150.0).round().tolist()
    [100.0, 62.0]
    """
    if not all(LOWEST_RPM <= rpm <= HIGHEST_RPM for rpm in (from_rpm, to_rpm)) or not 4.0 <= ratio <= 25.0:
        raise InputError(f"speeds of {from_rpm:g} and {to_rpm:g} rpm at a ratio of {ratio:g} aren't possible; "
                         f"give {LOWEST_RPM:g} to {HIGHEST_RPM:g} rpm and a ratio of 4 to 25")
    peak = peaks(ratio)
    healthy = healthy_leak(ratio) * LOSS_RPM

    def gauge(strength: NDArray[np.float64]) -> NDArray[np.float64]:
        out: NDArray[np.float64] = np.interp(strength, LEAKS, peak)
        return out

    strengths = LEAKS[healthy / from_rpm <= LEAKS]
    before = 100.0 * gauge(strengths) / gauge(np.array([healthy / from_rpm]))
    after = 100.0 * gauge(strengths * from_rpm / to_rpm) / gauge(np.array([healthy / to_rpm]))
    out: NDArray[np.float64] = np.interp(np.asarray(percent, dtype=np.float64),
                                         [0.0, *before[::-1], 100.0], [0.0, *after[::-1], 100.0])
    return out


@lru_cache(maxsize=8)
def peaks(ratio: float) -> NDArray[np.float64]:
    """Return the peak gauge pressures with `LEAKS`, atmospheres, at a steady speed."""
    out: NDArray[np.float64] = leaking_pressures(np.array([ratio]), LEAKS)[0].max(axis=1) - 1.0
    return out


@lru_cache(maxsize=8)
def healthy_leak(ratio: float) -> float:
    """Return the leak strength with which `HEALTHY_LOSS` of the charge is gone at TDC."""
    pressure = leaking_pressures(np.array([ratio]), LEAKS)[0]
    at_top = pressure[:, pressure[0].argmax()]
    left = (at_top / at_top[0]) ** (1.0 / POLYTROPE)
    return float(np.interp(HEALTHY_LOSS, 1.0 - left, LEAKS))
