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

from crankfold.analysis.model.clutch import clutch_torque, shared_speed
from crankfold.analysis.model.compiling import FAST, compiled
from crankfold.analysis.model.motor import flux, flux_by_log_knee

if TYPE_CHECKING:
    from numpy.typing import NDArray


@compiled(fastmath=FAST)
def cylinder_curves(tables: NDArray[np.float64], which: NDArray[np.int64], ratios: NDArray[np.float64],
                    peaks: NDArray[np.float64], ratio: float, relative: NDArray[np.float64],
                    curves: NDArray[np.float64]) -> None:
    """Fill `curves`, shape (cylinders, 3, angles): torque, its slope by the peak, its slope by the ratio.

    Every cylinder reads its own of the `tables`, shape (families, ratios, peaks, angles).
    """
    q = 0
    while q < len(ratios) - 2 and ratio >= ratios[q + 1]:
        q += 1
    dq = ratios[q + 1] - ratios[q]
    u = (ratio - ratios[q]) / dq
    for c in range(len(relative)):
        table = tables[which[c]]
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


@compiled(inline="always")
def gear_and_slopes(p: NDArray[np.float64], y: NDArray[np.float64], tau: NDArray[np.float64], deg_per_s: float,
                    series: bool, floor: float, slopes: NDArray[np.float64]) -> float:
    """Return speed units a degree a second, from the mean speed the trace implies; fill its logarithm's slopes.

    Currents below `floor` count as `floor`: there the clutch may be open, and the armature races ahead of the crank.
    """
    stall, drift, knee, hold_in = math.exp(p[0]), p[1], math.exp(p[5]), p[9]
    total = by_stall = by_drift = by_knee = by_hold = 0.0
    for k in range(len(y)):
        x = max(max(y[k], floor) - hold_in, 6.0)
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


@compiled(fastmath=FAST)
def smooth_reference(a: NDArray[np.float64], slopes: NDArray[np.float64]) -> float:
    """Return the smooth maximum of amplitudes; fill its slopes by each of them."""
    top = 1e-9
    for c in range(len(a)):
        top = max(top, a[c])
    sum5 = sum6 = 0.0
    for c in range(len(a)):
        x = a[c] / top
        sum5 += x**5
        sum6 += x**6
    ratio = sum6 / sum5
    for c in range(len(a)):
        x = a[c] / top
        slopes[c] = (6.0 * x**5 - 5.0 * x**4 * ratio) / sum5
    return top * ratio


@compiled(fastmath=FAST)
def gas_load(th: float, a: NDArray[np.float64], ref: float, push: float, fire_deg: NDArray[np.float64],
             cycle_deg: float, curves: NDArray[np.float64], first_deg: float,
             by_amplitude: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Return the cylinders' torque over `ref`, its slopes by angle, ratio, push and `ref`; fill those by amplitude."""
    gas = by_angle = by_ratio = by_push = by_ref = 0.0
    last = curves.shape[2] - 2
    for c in range(len(fire_deg)):
        angle = th - fire_deg[c]
        angle -= cycle_deg * math.floor(angle / cycle_deg + 0.5)
        by_amplitude[c] = 0.0
        x = angle - first_deg
        j = int(x)
        if x < 0.0 or j > last:
            continue
        f = x - j
        factor = push if angle > 0.0 else 1.0
        slope = curves[c, 0, j + 1] - curves[c, 0, j]
        h = curves[c, 0, j] + f * slope
        by_peak = curves[c, 1, j] + f * (curves[c, 1, j + 1] - curves[c, 1, j])
        gas += factor * h
        by_angle += factor * slope
        by_ratio += factor * (curves[c, 2, j] + f * (curves[c, 2, j + 1] - curves[c, 2, j]))
        by_ref += factor * (h - a[c] / ref * by_peak)
        by_amplitude[c] = factor * by_peak
        if angle > 0.0:
            by_push += factor * h
    return gas, by_angle, by_ratio, by_push, by_ref


@compiled(fastmath=FAST)
def speed_tangents(closed: bool, step_s: float, motor: float, load: float, motor_slope: float, motor_by_knee: float,
                   viscous: float, angle_slope: float, ta: float, te: float, gain: float,
                   by_load: NDArray[np.float64], di: NDArray[np.float64], dth: NDArray[np.float64],
                   dwa: NDArray[np.float64], dwe: NDArray[np.float64]) -> None:
    """Carry the derivatives of both speeds through one step."""
    both = ta + te
    if closed:
        acc = (motor - load) / both
        for m in range(len(di)):
            dload = viscous * dwe[m] + angle_slope * dth[m] + by_load[m]
            dwa[m] += step_s * ((motor_slope * di[m] - dload) / both + gain * di[m])
        dwa[3] -= step_s * acc * ta / both
        dwa[4] -= step_s * acc * te / both
        dwa[5] += step_s * motor_by_knee / both
        dwa[9] += step_s * gain
        for m in range(len(di)):
            dwe[m] = dwa[m]
        return
    for m in range(len(di)):
        dload = viscous * dwe[m] + angle_slope * dth[m] + by_load[m]
        dwa[m] += step_s * (motor_slope / ta + gain) * di[m]
        dwe[m] -= step_s * dload / te
    dwa[3] -= step_s * motor / ta
    dwe[4] += step_s * load / te
    dwa[5] += step_s * motor_by_knee / ta
    dwa[9] += step_s * gain


@compiled(fastmath=FAST)
def shared_tangents(wa: float, we: float, common: float, ta: float, te: float, dwa: NDArray[np.float64],
                    dwe: NDArray[np.float64]) -> None:
    """Carry the derivatives of both speeds through the closing of the clutch."""
    both = ta + te
    for m in range(len(dwa)):
        dwa[m] = (ta * dwa[m] + te * dwe[m]) / both
    dwa[3] += ta * (wa - common) / both
    dwa[4] += te * (we - common) / both
    for m in range(len(dwa)):
        dwe[m] = dwa[m]


@compiled(fastmath=FAST)
def begin_window(i: float, stall: float, stall_by_drift: float, s: float, slope: float, by_knee: float,
                 di: NDArray[np.float64], dwa: NDArray[np.float64], dwe: NDArray[np.float64],
                 dth: NDArray[np.float64]) -> float:
    """Return the speed at a hump's top, where the current stands still; fill the derivatives of all states there."""
    wa = (stall - i) / s
    di[:] = 0.0
    dth[:] = 0.0
    dwa[:] = 0.0
    di[9] = -1.0
    dwa[0], dwa[1] = stall / s, stall_by_drift / s
    dwa[5] = -wa / s * by_knee
    dwa[9] = 1.0 / s + wa / s * slope
    dwe[:] = dwa
    dth[len(dth) - 1] = 1.0
    return wa


@compiled(fastmath=FAST)
def simulate(p: NDArray[np.float64], y: NDArray[np.float64], tau: NDArray[np.float64], step_s: float,
             starts: NDArray[np.int64], lengths: NDArray[np.int64], fire_deg: NDArray[np.float64], cycle_deg: float,
             deg_per_s: float, floor: float, curves: NDArray[np.float64], first_deg: float, series: bool, gain: float,
             model: NDArray[np.float64], angle: NDArray[np.float64], free: NDArray[np.bool_],
             jac: NDArray[np.float64]) -> None:
    """Fill the model's current and angle in every window, and its derivatives if `jac` has rows.

    Longer than a function here should be: each part of a step reads and writes nearly all of the states and their
    derivatives, so that to cut it would hand a dozen of them to and fro. What stands on its own has its function above.

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
    free : ndarray of bool, shape (unknowns,)
        Which derivatives are wanted.
    jac : ndarray, shape (steps in all, unknowns) or (0, unknowns)
        Derivatives of `model`.
    """
    n = len(fire_deg)
    local = 13 + n
    want = jac.shape[0] > 0
    stall0, drift, knee = math.exp(p[0]), p[1], math.exp(p[5])
    ta, te = math.exp(p[3]), math.exp(p[4])
    friction, viscous, hold_in, lag, push = p[6], p[7], p[9], math.exp(p[10]), math.exp(p[11])
    a = p[12 : 12 + n]
    dgear, dref, by_load = np.zeros(local), np.zeros(n), np.zeros(local)
    gear = gear_and_slopes(p, y[::4], tau[::4], deg_per_s, series, floor, dgear)
    ref = smooth_reference(a, dref)
    di, dwa, dwe, dth = np.zeros(local), np.zeros(local), np.zeros(local), np.zeros(local)
    row = 0
    for w in range(len(starts)):
        at = starts[w]
        i = y[at] - hold_in
        s, slope, bend = flux(i, knee, series)
        by_knee, slope_by_knee = flux_by_log_knee(i, knee, s, slope, series)
        wa = begin_window(i, stall0 * (1.0 + drift * tau[at]), stall0 * tau[at], s, slope, by_knee, di, dwa, dwe, dth)
        we, th, closed = wa, p[12 + n + w], True
        for k in range(lengths[w]):
            # load, then speed
            gas, by_angle, by_ratio, by_push, by_ref = gas_load(th, a, ref, push, fire_deg, cycle_deg, curves,
                                                                first_deg, by_load[12 : 12 + n])
            load = friction + viscous * we + ref * gas
            s, slope, bend = flux(i, knee, series)
            motor = s * i
            pull = -gain * (y[at + k] - hold_in - i)
            if closed and clutch_torque(motor, load, ta, te) < 0.0:
                closed = False
            if want:
                by_knee, slope_by_knee = flux_by_log_knee(i, knee, s, slope, series)
                by_load[6], by_load[7], by_load[8], by_load[11] = 1.0, we, ref * by_ratio, ref * by_push
                for c in range(n):
                    by_load[12 + c] += by_ref * dref[c]
                speed_tangents(closed, step_s, motor, load, s + i * slope, i * by_knee, viscous, ref * by_angle,
                               ta, te, gain, by_load, di, dth, dwa, dwe)
            if closed:
                wa += step_s * ((motor - load) / (ta + te) + pull)
                we = wa
            else:
                wa += step_s * (motor / ta + pull)
                we -= step_s * load / te
                if wa >= we:
                    common = shared_speed(wa, we, ta, te)
                    if want:
                        shared_tangents(wa, we, common, ta, te, dwa, dwe)
                    wa, we, closed = common, common, True
            # current, implicit about the flux of the last step; then angle
            stall = stall0 * (1.0 + drift * tau[at + k])
            bottom = lag + step_s + step_s * slope * wa
            new = (lag * i + step_s * (stall - wa * (s - slope * i))) / bottom
            if want:
                by_i = (lag + step_s * wa * bend * (i - new)) / bottom
                by_w = -step_s * (s + slope * (new - i)) / bottom
                for m in range(local):
                    di[m] = by_i * di[m] + by_w * dwa[m]
                di[0] += step_s * stall / bottom
                di[1] += step_s * stall0 * tau[at + k] / bottom
                di[10] += lag * (i - new) / bottom
                di[5] += -step_s * wa * (by_knee + (new - i) * slope_by_knee) / bottom
                for m in range(local):
                    dth[m] += step_s / gear * (dwe[m] - we * dgear[m])
                for m in range(12 + n):
                    if free[m]:
                        jac[row, m] = di[m]
                if free[9]:
                    jac[row, 9] += 1.0
                jac[row, 12 + n + w] = di[12 + n]
            i = new
            th += step_s * we / gear
            model[row] = i + hold_in
            angle[row] = th
            row += 1


@compiled(fastmath=FAST)
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
