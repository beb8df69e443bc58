"""The starter turns the engine: the current through windows of the trace, with its derivative by every unknown.

Currents in model amperes, speeds in the same units (see `motor`), torques in units of ``flux * current``::

    lag * di/dt = stall(t) - i - flux(i) * wa
    clutch closed:  wa = we,  (ta + te) * dw/dt = flux * i - load
    clutch open:    ta * dwa/dt = flux * i,   te * dwe/dt = -load
    dth/dt = we / gear
    load = friction + viscous * we + gas of every cylinder at th

One step is load, then speed, then current (implicit: the lag may be shorter than the step), then angle. Derivatives
go through the same steps beside the states; the momentum-sharing formula applied to them is the exact jump at closing.
With a gain above zero the armature is pulled toward the speed that the measured current tells (an observer), which
keeps the phase from slipping while the unknowns are still wrong.

The compiled kernel is cached by this file's time stamp; after a change in `motor` or `clutch`, clear the cache.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from crankfold.analysis.model.clutch import clutch_torque, shared_speed
from crankfold.analysis.model.motor import flux, flux_by_log_knee

if TYPE_CHECKING:
    from numpy.typing import NDArray


@njit(cache=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def cylinder_curves(table: NDArray[np.float64], ratios: NDArray[np.float64], peaks: NDArray[np.float64],
                    ratio: float, relative: NDArray[np.float64], curves: NDArray[np.float64]) -> None:
    """Fill `curves`, shape (cylinders, 3, angles): torque, its slope by the peak, its slope by the ratio."""
    q = 0
    while q < len(ratios) - 2 and ratio >= ratios[q + 1]:
        q += 1
    dq = ratios[q + 1] - ratios[q]
    u = (ratio - ratios[q]) / dq
    for c in range(len(relative)):
        k = 0
        while k < len(peaks) - 2 and relative[c] >= peaks[k + 1]:
            k += 1
        dr = peaks[k + 1] - peaks[k]
        v = (relative[c] - peaks[k]) / dr
        for j in range(table.shape[2]):
            low, high = table[q, k, j], table[q, k + 1, j]
            low2, high2 = table[q + 1, k, j], table[q + 1, k + 1, j]
            first = low + v * (high - low)
            second = low2 + v * (high2 - low2)
            curves[c, 0, j] = first + u * (second - first)
            curves[c, 1, j] = ((high - low) * (1.0 - u) + (high2 - low2) * u) / dr
            curves[c, 2, j] = (second - first) / dq


@njit(cache=True, error_model="numpy", inline="always")
def gear_and_slopes(p: NDArray[np.float64], y: NDArray[np.float64], tau: NDArray[np.float64], deg_per_s: float,
                    series: bool, floor: float, slopes: NDArray[np.float64]) -> float:
    """Return speed units a degree a second, from the mean speed the trace implies; fill its logarithm's slopes.

    Currents below `floor` count as `floor`: there the clutch may be open, and the armature races ahead of the crank.
    """
    stall, drift, knee, hold_in = math.exp(p[0]), p[1], math.exp(p[5]), p[9]
    total = by_stall = by_drift = by_knee = by_hold = 0.0
    for k in range(len(y)):
        x = max(y[k], floor) - hold_in
        if x < 6.0:
            x = 6.0
        s, slope, _ = flux(x, knee, series)
        by_log_knee, _ = flux_by_log_knee(x, knee, s, slope, series)
        w = (stall * (1.0 + drift * tau[k]) - x) / s
        total += w
        by_stall += stall * (1.0 + drift * tau[k]) / s
        by_drift += stall * tau[k] / s
        by_knee -= w / s * by_log_knee
        if x > 6.0:
            by_hold += 1.0 / s + w / s * slope
    total = max(total, 1e-3 * len(y))
    slopes[:] = 0.0
    slopes[0], slopes[1], slopes[2] = by_stall / total, by_drift / total, 1.0
    slopes[5], slopes[9] = by_knee / total, by_hold / total
    return math.exp(p[2]) * total / len(y) / deg_per_s


@njit(cache=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def simulate(p: NDArray[np.float64], y: NDArray[np.float64], tau: NDArray[np.float64], step_s: float,
             starts: NDArray[np.int64], lengths: NDArray[np.int64], fire_deg: NDArray[np.float64], cycle_deg: float,
             deg_per_s: float, floor: float, curves: NDArray[np.float64], first_deg: float, series: bool, gain: float,
             model: NDArray[np.float64], angle: NDArray[np.float64], free: NDArray[np.bool_],
             jac: NDArray[np.float64]) -> None:
    """Fill the model's current and angle in every window, and its derivatives if `jac` has rows.

    Parameters
    ----------
    p : ndarray, shape (12 + cylinders + windows,)
        Unknowns, placed as in `parameters`.
    y, tau : ndarray, shape (m,)
        Measured current, model amperes, one sample a step; time from the middle over the length, for the drift.
    starts, lengths : ndarray, shape (windows,)
        First sample and number of steps of each window, each on a hump's top, where the clutch is closed.
    deg_per_s, floor
        Mean crank speed; current below which the trace tells no speed.
    curves : ndarray, shape (cylinders, 3, angles)
        From `cylinder_curves`, at one degree from `first_deg`.
    model, angle : ndarray, shape (steps in all,)
        Predicted current, `y`'s zero included, and angle in degrees.
    jac : ndarray, shape (steps in all, unknowns) or (0, unknowns)
        Derivatives of `model`.
    """
    n = len(fire_deg)
    g = 12
    local = g + n + 1
    want = jac.shape[0] > 0
    stall0, drift = math.exp(p[0]), p[1]
    ta, te, knee = math.exp(p[3]), math.exp(p[4]), math.exp(p[5])
    friction, viscous, hold_in = p[6], p[7], p[9]
    lag, push = math.exp(p[10]), math.exp(p[11])
    both = ta + te
    dgear = np.zeros(local)
    gear = gear_and_slopes(p, y[::4], tau[::4], deg_per_s, series, floor, dgear)
    sum5 = sum6 = 0.0
    top = 1e-9
    for c in range(n):
        top = max(top, p[g + c])
    for c in range(n):
        x = p[g + c] / top
        sum5 += x**5
        sum6 += x**6
    ref = top * sum6 / sum5
    dref = np.zeros(n)
    for c in range(n):
        x = p[g + c] / top
        dref[c] = (6.0 * x**5 - 5.0 * x**4 * ref / top) / sum5
    last = curves.shape[2] - 2
    di, dwa, dwe, dth = np.zeros(local), np.zeros(local), np.zeros(local), np.zeros(local)
    eload = np.zeros(local)
    row = 0
    for w in range(len(starts)):
        at = starts[w]
        i = y[at] - hold_in
        s, slope, bend = flux(i, knee, series)
        by_knee, slope_by_knee = flux_by_log_knee(i, knee, s, slope, series)
        stall = stall0 * (1.0 + drift * tau[at])
        wa = (stall - i) / s
        we = wa
        th = p[g + n + w]
        closed = True
        if want:
            di[:] = 0.0
            dth[:] = 0.0
            dwa[:] = 0.0
            di[9] = -1.0
            dwa[0], dwa[1] = stall / s, stall0 * tau[at] / s
            dwa[5] = -wa / s * by_knee
            dwa[9] = 1.0 / s + wa / s * slope
            dwe[:] = dwa
            dth[g + n] = 1.0
        for k in range(lengths[w]):
            # load and what it depends on
            gas = gas_by_angle = gas_by_ratio = gas_by_push = by_ref = 0.0
            for c in range(n):
                a = th - fire_deg[c]
                a -= cycle_deg * math.floor(a / cycle_deg + 0.5)
                eload[g + c] = 0.0
                x = a - first_deg
                j = int(x)
                if x < 0.0 or j > last:
                    continue
                f = x - j
                factor = push if a > 0.0 else 1.0
                h = curves[c, 0, j] + f * (curves[c, 0, j + 1] - curves[c, 0, j])
                gas += factor * h
                gas_by_angle += factor * (curves[c, 0, j + 1] - curves[c, 0, j])
                if want:
                    hr = curves[c, 1, j] + f * (curves[c, 1, j + 1] - curves[c, 1, j])
                    gas_by_ratio += factor * (curves[c, 2, j] + f * (curves[c, 2, j + 1] - curves[c, 2, j]))
                    if a > 0.0:
                        gas_by_push += factor * h
                    by_ref += factor * (h - p[g + c] / ref * hr)
                    eload[g + c] = factor * hr
            load = friction + viscous * we + ref * gas
            s, slope, bend = flux(i, knee, series)
            motor = s * i
            pull = -gain * (y[at + k] - hold_in - i)
            if closed and clutch_torque(motor, load, ta, te) < 0.0:
                closed = False
            if want:
                by_knee, slope_by_knee = flux_by_log_knee(i, knee, s, slope, series)
                eload[6], eload[7], eload[8] = 1.0, we, ref * gas_by_ratio
                eload[11] = ref * gas_by_push
                for c in range(n):
                    eload[g + c] += by_ref * dref[c]
                angle_slope = ref * gas_by_angle
                motor_slope = s + i * slope
                if closed:
                    acc = (motor - load) / both
                    for m in range(local):
                        dload = viscous * dwe[m] + angle_slope * dth[m] + eload[m]
                        dwa[m] += step_s * ((motor_slope * di[m] - dload) / both + gain * di[m])
                    dwa[3] -= step_s * acc * ta / both
                    dwa[4] -= step_s * acc * te / both
                    dwa[5] += step_s * i * by_knee / both
                    dwa[9] += step_s * gain
                    for m in range(local):
                        dwe[m] = dwa[m]
                else:
                    for m in range(local):
                        dload = viscous * dwe[m] + angle_slope * dth[m] + eload[m]
                        dwa[m] += step_s * (motor_slope / ta + gain) * di[m]
                        dwe[m] -= step_s * dload / te
                    dwa[3] -= step_s * motor / ta
                    dwe[4] += step_s * load / te
                    dwa[5] += step_s * i * by_knee / ta
                    dwa[9] += step_s * gain
            if closed:
                wa += step_s * ((motor - load) / both + pull)
                we = wa
            else:
                wa += step_s * (motor / ta + pull)
                we -= step_s * load / te
                if wa >= we:
                    common = shared_speed(wa, we, ta, te)
                    if want:
                        for m in range(local):
                            dwa[m] = (ta * dwa[m] + te * dwe[m]) / both
                        dwa[3] += ta * (wa - common) / both
                        dwa[4] += te * (we - common) / both
                        for m in range(local):
                            dwe[m] = dwa[m]
                    wa = common
                    we = common
                    closed = True
            # current, implicit, about the flux of the last step
            stall = stall0 * (1.0 + drift * tau[at + k])
            bottom = lag + step_s + step_s * slope * wa
            new = (lag * i + step_s * (stall - wa * (s - slope * i))) / bottom
            if want:
                level = s - slope * i
                c_i = (lag + step_s * wa * i * bend - new * step_s * wa * bend) / bottom
                c_w = -step_s * (level + new * slope) / bottom
                for m in range(local):
                    di[m] = c_i * di[m] + c_w * dwa[m]
                di[0] += step_s * stall / bottom
                di[1] += step_s * stall0 * tau[at + k] / bottom
                di[10] += lag * (i - new) / bottom
                di[5] += -step_s * wa * (by_knee + (new - i) * slope_by_knee) / bottom
                for m in range(local):
                    dth[m] += step_s / gear * (dwe[m] - we * dgear[m])
                for m in range(g + n):
                    if free[m]:
                        jac[row, m] = di[m]
                jac[row, 9] += 1.0
                jac[row, g + n + w] = di[g + n]
            i = new
            th += step_s * we / gear
            model[row] = i + hold_in
            angle[row] = th
            row += 1


@njit(cache=True, error_model="numpy", fastmath={"contract", "nsz", "reassoc"})
def normal_equations(jac: NDArray[np.float64], model: NDArray[np.float64], measured: NDArray[np.float64],
                     matrix: NDArray[np.float64], vector: NDArray[np.float64]) -> float:
    """Return the sum of squares of ``model - measured``; add ``jac.T @ jac`` to `matrix`, ``jac.T @ r`` to `vector`.

    A matrix product would do, but its threads fight over so small a task.
    """
    total = 0.0
    count = jac.shape[1]
    for row in range(jac.shape[0]):
        r = model[row] - measured[row]
        total += r * r
        for a in range(count):
            x = jac[row, a]
            if x == 0.0:
                continue
            vector[a] += x * r
            for b in range(a + 1):
                matrix[a, b] += x * jac[row, b]
    for a in range(count):
        for b in range(a):
            matrix[b, a] = matrix[a, b]
    return total
