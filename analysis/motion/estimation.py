"""Relative compression from the crank's speed alone.

Twice the kinetic energy per inertia is the square of the speed, and what changes it with the crank's angle is torque::

    1/2 d(w^2)/dth = drive(cycle) - brake * w - sum_c scale * g_c(th - tdc_c; peak_c) - swing * 1/2 d(s w^2)/dth

``g_c`` is the torque curve of a leaking cylinder from the gas model, ``s`` the squared piston speeds of all cylinders
a radian, whose masses store energy, too. It holds while the starter drives. When the gas pushes the crank ahead of the
starter, the one-way clutch is open, inertia is less and the drive is gone: those readings speed up more than the
equation allows and are left out, by reweighting.

Each reading is the mean of that over some degrees: a difference of squared speeds, and the curves are averaged alike.
Intervals come from leaving out a cycle at a time, and a floor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.gas import gas_table, slowed_torques
from crankfold.analysis.motion.curves import SMOOTH_DEG, averaged
from crankfold.analysis.motion.fit import FAR_APART_DEG, GRID_DEG, Readings, SpeedFit, fitted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.motion.wheel import Motion

LEAST_CYCLES = 2  # as for a current: each cylinder must be seen twice
SETTLE_S = 0.35  # after the crank begins to turn it runs up, and the first compression is partial
ALIKE = (0.6, 1.5)  # speed of a cycle over the median's: beyond, the starter was let go, or the engine fired
TRIAL_DEG = 10.0  # between phases tried where nobody says where TDC is
POLISHED = 3  # of the starts tried
ONE_LOW = 0.3  # share of the others that one cylinder has in a start
LEAST_EXPLAINED = 0.985  # of the variance of the readings in use; less is another engine, wheel or order
FLOOR_POINTS = 2.5  # standard deviation that the model leaves even where cycles agree
MIDDLE_SHARE = 0.12  # of the distance to 0 or 100: how a leak shapes its torque
OVERRUN = 1.4  # times wider for twos, threes and fours, of whose readings a quarter is left
UNPLACED = 1.5  # times wider where TDC is not known: a few degrees of phase look like a few points
NORMAL_95 = 1.959964


@dataclass(frozen=True, eq=False)
class SpeedEstimate:
    """What the speed says.

    Parameters
    ----------
    percent, half_percent : ndarray, shape (cylinders,)
        Peak gauge pressure of each position, percent of the strongest, and half of the 95 % interval.
    tdc_deg
        Crank angle of position 1's compression TDC in the motion's degrees, modulo the cycle.
    placed
        Whether the place of TDC was given. A crank's index comes twice a cycle of four strokes, so that position 1 may
        still be the cylinder half a cycle later.
    cycles, rpm, explained
        Whole cycles used, their mean speed, share of the variance explained.
    """

    percent: NDArray[np.float64]
    half_percent: NDArray[np.float64]
    tdc_deg: float
    placed: bool
    cycles: int
    rpm: float
    explained: float


def estimate_from_speed(motion: Motion, engine: Engine, *, tdc_deg: float | None = None) -> SpeedEstimate:
    """Return each cylinder's relative compression from the crank's motion.

    Parameters
    ----------
    motion
        Of the cranking; the run-up is left out here.
    tdc_deg
        Crank angle of the compression TDC of the order's first cylinder in the motion's degrees; None where nobody
        knows: then position 1 is any cylinder.

    Raises
    ------
    InputError
        Too few cycles, or the speed does not swing as this engine's would.
    """
    readings = _readings(motion, engine)
    best = _best(readings, engine, tdc_deg)
    if best.explained < LEAST_EXPLAINED:
        raise InputError(f"the speed does not swing as this engine's would ({100.0 * best.explained:.1f} % explained, "
                         f"{100.0 * LEAST_EXPLAINED:.1f} are the least); check firing order, wheel and TDC")
    cycles = np.unique(readings.cycle)
    without = np.array([fitted(readings.part(readings.cycle != k), engine, best.tdc_deg, best, rounds=1,
                               known_deg=tdc_deg).percent
                        for k in cycles])
    scatter = np.sqrt((len(cycles) - 1.0) / len(cycles) * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    middle = np.clip(np.minimum(best.percent, 100.0 - best.percent), 0.0, 50.0)
    sigma = np.sqrt(scatter**2 + FLOOR_POINTS**2 + (MIDDLE_SHARE * middle) ** 2)
    if tdc_deg is None:
        sigma *= UNPLACED
    if min(engine.intervals_deg) >= FAR_APART_DEG:
        sigma *= OVERRUN
    return SpeedEstimate(best.percent, NORMAL_95 * sigma, best.tdc_deg % engine.cycle_deg, tdc_deg is not None,
                         len(cycles), float(np.mean(readings.speed)) * 30.0 / np.pi, best.explained)


def _best(readings: Readings, engine: Engine, tdc_deg: float | None) -> SpeedFit:
    """Return the fit that explains most.

    From the phase that is given, or many tried shortly; with all cylinders alike, or one of them low, as neighbours
    may be taken for each other; then with the torque curves of a crank that is slow where this one is.
    """
    span = engine.cycle_deg / engine.cylinders if engine.even_firing else engine.cycle_deg
    phases = np.arange(0.0, span, TRIAL_DEG) if tdc_deg is None else np.array([tdc_deg])
    tried = _best_of([fitted(readings, engine, float(phase), rounds=1, known_deg=tdc_deg) for phase in phases])
    lows = [np.where(np.arange(engine.cylinders) == k, ONE_LOW, 1.0) for k in range(engine.cylinders)]
    starts = [fitted(readings, engine, fit.tdc_deg, fit, rounds=2, peaks=low, known_deg=tdc_deg)
              for fit in tried for low in lows]
    best = _best_of([fitted(readings, engine, fit.tdc_deg, fit, known_deg=tdc_deg)
                     for fit in _best_of([*tried, *starts])])[0]
    curves = averaged(slowed_torques(_slowness(readings, engine, best)))
    return fitted(readings, engine, best.tdc_deg, best, curves=curves, known_deg=tdc_deg)


def _best_of(fits: list[SpeedFit]) -> list[SpeedFit]:
    """Return the few that explain most, best first."""
    return sorted(fits, key=lambda fit: -fit.explained)[:POLISHED]


def _slowness(readings: Readings, engine: Engine, fit: SpeedFit) -> NDArray[np.float64]:
    """Return the time a degree takes about the TDC of cylinders that leak, over its mean, as the gas model takes it.

    Each cylinder counts by what it has lost; where none has lost anything all count alike.
    """
    closed = gas_table().angles_deg[1:-1]
    weight = np.maximum(1.0 - fit.percent / 100.0, 1e-3)
    total = np.zeros_like(closed)
    for fire, share in zip(engine.firing_deg, weight, strict=True):
        off = (readings.angle_deg - fit.tdc_deg - fire + engine.cycle_deg / 2.0) % engine.cycle_deg - (
            engine.cycle_deg / 2.0)
        order = np.argsort(off)
        place, slow = off[order], 1.0 / readings.speed[order]
        edges = np.searchsorted(place, (closed - GRID_DEG, closed + GRID_DEG))
        sums = np.concatenate(([0.0], np.cumsum(slow)))
        count = np.maximum(edges[1] - edges[0], 1)
        total += share * (sums[edges[1]] - sums[edges[0]]) / count
    out: NDArray[np.float64] = total / total.mean()
    return out


def _readings(motion: Motion, engine: Engine) -> Readings:
    """Return the readings of the whole cycles between run-up and release.

    Raises
    ------
    InputError
        They are too few.
    """
    steady = motion.between(float(motion.time_s[0]) + SETTLE_S, float(motion.time_s[-1]))
    angle = np.arange(steady.angle_deg[0], steady.angle_deg[-1], GRID_DEG) if len(steady.time_s) > 2 else np.zeros(0)
    cycle = ((angle - angle[0]) // engine.cycle_deg).astype(np.intp) if len(angle) else np.zeros(0, dtype=np.intp)
    whole = int(np.ptp(angle) // engine.cycle_deg) if len(angle) else 0
    if whole < LEAST_CYCLES:
        raise InputError(f"{whole} whole engine cycles after the run-up, and {LEAST_CYCLES} are the least; "
                         "crank for five seconds")
    half = SMOOTH_DEG / 2.0
    ends = [np.interp(angle + side * half, steady.angle_deg[1:] - np.diff(steady.angle_deg) / 2.0,
                      np.radians(steady.speed_deg_s)) for side in (-1.0, 0.0, 1.0)]
    width = np.radians(SMOOTH_DEG)
    before, after = ends[0] ** 2, ends[2] ** 2
    every = Readings(angle, ends[1], (after - before) / (2.0 * width), before, after, cycle)
    mean = np.array([every.speed[cycle == k].mean() for k in range(whole)])
    usual = float(np.median(mean))
    kept = [k for k in range(whole) if ALIKE[0] * usual <= mean[k] <= ALIKE[1] * usual]
    inside = (angle > angle[0] + half) & (angle < angle[-1] - half)
    return every.part(inside & np.isin(cycle, kept))

