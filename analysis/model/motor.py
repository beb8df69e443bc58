"""The starter: how its flux follows the current, and the step of its current, with derivatives.

All in units of current: `speed` is the back-voltage over the resistance with the flux at 1, so that at rest
``current = stall`` and in steady running ``current = stall - flux * speed``. A permanent magnet's flux is 1; a
series-wound starter's is ``tanh(current / knee)``.
"""

from __future__ import annotations

import math

from crankfold.analysis.model.compiling import compiled


@compiled(inline="always")
def flux(current: float, knee: float, series: bool) -> tuple[float, float, float]:
    """Return the flux and its first and second derivative by the current."""
    if not series:
        return 1.0, 0.0, 0.0
    s = math.tanh(current / knee)
    slope = (1.0 - s * s) / knee
    return s, slope, -2.0 * s * slope / knee


@compiled(inline="always")
def flux_by_log_knee(current: float, knee: float, s: float, slope: float, series: bool) -> tuple[float, float]:
    """Return what the logarithm of the knee changes: the flux, and the flux's slope."""
    if not series:
        return 0.0, 0.0
    return -current * slope, -slope + 2.0 * s * current * slope / knee
