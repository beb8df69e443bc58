"""The same model, slow and plain: one window, step by step, as a reference for the compiled simulation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model import parameters as at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model.gas import GasTable


def plain_torque(table: GasTable, ratio: float, peak: float, angle_deg: float) -> float:
    """Return the table's torque between its nodes, linear in ratio, peak and angle; 0 outside the closed part."""
    if not table.angles_deg[0] <= angle_deg <= table.angles_deg[-1]:
        return 0.0
    by_ratio = []
    for sheet in table.torque:
        by_peak = [float(np.interp(angle_deg, table.angles_deg, curve)) for curve in sheet]
        by_ratio.append(float(np.interp(peak, table.peaks, by_peak)))
    return float(np.interp(ratio, table.ratios, by_ratio))


def plain_window(p: NDArray[np.float64], y: NDArray[np.float64], tau: NDArray[np.float64], step_s: float, start: int,
                 length: int, phase_deg: float, engine: Engine, tables: tuple[GasTable, ...], gear: float, *,
                 series: bool, gain: float = 0.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the model's current and crank angle through one window, both shape (length,).

    Parameters
    ----------
    p : ndarray
        Unknowns, placed as in `parameters`; phases are not used.
    tables
        One a cylinder.
    gear
        Speed units a degree a second.
    """
    amplitude = p[at.GLOBALS : at.GLOBALS + engine.cylinders]
    reference = float((amplitude**6).sum() / (amplitude**5).sum())
    ta, te, knee, lag = (float(np.exp(p[k])) for k in (at.LOG_ARMATURE, at.LOG_ENGINE, at.LOG_KNEE, at.LOG_LAG))

    def flux(i: float) -> float:
        return float(np.tanh(i / knee)) if series else 1.0

    def stall(k: int) -> float:
        return float(np.exp(p[at.LOG_STALL]) * (1.0 + p[at.DRIFT] * tau[k]))

    i = float(y[start] - p[at.HOLD_IN])
    armature = crank = (stall(start) - i) / flux(i)
    angle, closed = phase_deg, True
    currents, angles = np.empty(length), np.empty(length)
    for k in range(length):
        load = p[at.FRICTION] + p[at.VISCOUS] * crank
        for fire, a, table in zip(engine.firing_deg, amplitude, tables, strict=True):
            off = (angle - fire + engine.cycle_deg / 2) % engine.cycle_deg - engine.cycle_deg / 2
            push = np.exp(p[at.LOG_PUSH]) if off > 0 else 1.0
            load += reference * push * plain_torque(table, p[at.RATIO], a / reference, off)
        motor = flux(i) * i
        pull = -gain * (y[start + k] - p[at.HOLD_IN] - i)
        if closed and motor - ta * (motor - load) / (ta + te) < 0.0:
            closed = False
        if closed:
            armature += step_s * ((motor - load) / (ta + te) + pull)
            crank = armature
        else:
            armature += step_s * (motor / ta + pull)
            crank -= step_s * load / te
            if armature >= crank:
                armature = crank = (ta * armature + te * crank) / (ta + te)
                closed = True
        slope = (1.0 - flux(i) ** 2) / knee if series else 0.0
        i = (lag * i + step_s * (stall(start + k) - armature * (flux(i) - slope * i))) / (
            lag + step_s + step_s * slope * armature)
        angle += step_s * crank / gear
        currents[k], angles[k] = i + p[at.HOLD_IN], angle
    return currents, angles
