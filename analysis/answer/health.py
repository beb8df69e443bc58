"""Starter and battery from the cranking current: what it shows, and no more."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.result import Health

if TYPE_CHECKING:
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import CrankingTrace

REST_VOLTAGE_V = 12.6  # a charged 12 V battery at rest; common practice
REST_VOLTAGE_24_V = 25.2
SAG_ENOUGH_S = 1.0  # a shorter cranking shows no trend


def read_health(trace: CrankingTrace, estimate: Estimate | None, *, system_v: float = 12.0) -> Health:
    """Return what the capture shows of starter and battery; None for what it does not.

    Parameters
    ----------
    trace
        The conditioned current.
    estimate
        The accepted explanation, None without a verdict.
    system_v
        12 or 24.
    """
    sag = sag_percent(trace, estimate)
    stall = stall_current(trace, estimate) if trace.unit == "A" else None
    if stall is None:
        return Health(sag_percent=sag)
    rest_v = REST_VOLTAGE_24_V if system_v > 18.0 else REST_VOLTAGE_V
    return Health(sag_percent=sag, stall_current_a=stall, resistance_ohm=rest_v / stall, voltage_v=rest_v)


def stall_current(trace: CrankingTrace, estimate: Estimate | None) -> float | None:
    """Return what the starter would draw if held, in the trace's unit: fitted, or else the in-rush it reached.

    The in-rush is a lower limit: the starter moves before it is reached. None where neither is known.
    """
    fitted = None if estimate is None else estimate.details.get("stall_current")
    if fitted is not None and math.isfinite(fitted) and fitted > 0:
        return float(max(fitted, trace.inrush)) if math.isfinite(trace.inrush) else float(fitted)
    return float(trace.inrush) if math.isfinite(trace.inrush) and not trace.clipped_inrush else None


def sag_percent(trace: CrankingTrace, estimate: Estimate | None) -> float | None:
    """Return the fitted fall of the stall current through the steady cranking in percent, None where it cannot be told.

    It is the battery's: the load's own changes are the model's other terms.
    """
    length_s = min(trace.steady_to_s, trace.crank.end_s) - trace.steady_from_s
    if estimate is None or length_s < SAG_ENOUGH_S:
        return None
    drift = estimate.details.get("drift_percent")
    return None if drift is None or not math.isfinite(drift) else float(-drift)


def mean_current(trace: CrankingTrace) -> float | None:
    """Return the mean current of the steady cranking in the trace's unit, None when there is none."""
    steady = trace.current[trace.steady]
    steady = steady[np.isfinite(steady)]
    return float(steady.mean()) if len(steady) else None


def ripple_percent(trace: CrankingTrace) -> float | None:
    """Return the humps' height, trough to crest, in percent of the mean current; None without a steady stretch."""
    steady = trace.smooth[trace.steady]
    steady = steady[np.isfinite(steady)]
    if len(steady) < 8 or steady.mean() <= 0:
        return None
    t = np.linspace(-1.0, 1.0, len(steady))
    flat = steady - np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, steady, 2))
    low, high = np.percentile(flat, (5, 95))
    return float(100.0 * (high - low) / steady.mean())
