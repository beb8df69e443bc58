"""The fit behind `estimation`: torque per inertia, read from the speed, as a sum of known shapes.

Levenberg-Marquardt over drive (a cycle), brake, moving masses, scale, what the gas gives back, phase, compression
ratio, and each cylinder's peak, whose torque curve is the gas model's for a leak. A reading above the fit by more than
the others scatter is one with the clutch open, and is left out of the next round.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.motion.curves import SMOOTH_DEG, Curves, steady_curves
from crankfold.analysis.motion.solver import Quadratic, minimise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine

GRID_DEG = 5.0  # between readings
CRANK_TO_ROD = 0.3
ROUNDS, STEPS = 7, 12  # of leaving readings out, and of the solver in each
FAR = 2.5  # deviations above the fit: the clutch is open, or a tooth was misread
FAR_APART_DEG = 150.0  # between firings: twos, threes and fours
DRIVEN_DEG = (-45.0, 5.0)  # about TDC: where the starter drives even those
FIRST_SHARE = 0.7  # of the readings, those that speed up least: what the first round uses
LEAST_POINTS = 40  # readings without which nothing is fitted
SMOOTH_POWER = 6  # of the smooth maximum that peaks are relative to
ALIKE_SHARE = 0.3  # standard deviation of the peaks about their mean: a weak prior, for what overlapping humps hide
CORRELATED_DEG = 2.0 * SMOOTH_DEG  # over which what is left of neighbouring readings is alike
TIED = 10.0  # weight that ties the smooth maximum of the peaks to 1: a tenth off counts as all of the variance
BRAKE, SWING, SCALE, PUSH, PHASE, RATIO = range(6)  # after the drives; then the peaks
START = (15.0, 1.0, 1.0, 0.9, 0.0, 9.5)
LOW = (-np.inf, 0.0, 1e-3, 0.3, -np.inf, 6.0)
HIGH = (np.inf, 6.0, 50.0, 1.5, np.inf, 20.0)
SPREAD = (8.0, 0.7, np.inf, 0.15, np.inf, 3.0)  # standard deviations of what engines have; infinite: anything
KNOWN_SPREAD_DEG = 1.5  # standard deviation of a TDC that somebody gives
STEP = (np.inf, 1.0, 2.0, 0.2, 5.0, 2.0)
MOST_PEAK = 1.12  # of the gas table
PEAK_STEP = 0.15


@dataclass(frozen=True, eq=False)
class Readings:
    """What is read from the speed, each array of shape (n,).

    Parameters
    ----------
    angle_deg, speed
        Crank angle, and speed there in radians a second.
    push
        Mean torque per inertia over `SMOOTH_DEG`, 1/s2.
    before, after
        Squared speed at either end of that.
    cycle
        Number of the engine cycle.
    """

    angle_deg: NDArray[np.float64]
    speed: NDArray[np.float64]
    push: NDArray[np.float64]
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    cycle: NDArray[np.intp]

    def part(self, kept: NDArray[np.bool_]) -> Readings:
        """Return some of the readings."""
        return Readings(self.angle_deg[kept], self.speed[kept], self.push[kept], self.before[kept], self.after[kept],
                        self.cycle[kept])


@dataclass(frozen=True, eq=False)
class SpeedFit:
    """Where the rounds ended.

    Parameters
    ----------
    percent : ndarray, shape (cylinders,)
        Peak pressures, percent of the strongest.
    tdc_deg
        Phase.
    explained
        Share of the variance explained of the readings in use.
    used : ndarray of bool, shape (n,)
        Those with the clutch closed.
    model : ndarray, shape (n,)
        Torque per inertia by the fit.
    unknowns : ndarray
        Where to start from once more.
    """

    percent: NDArray[np.float64]
    tdc_deg: float
    explained: float
    used: NDArray[np.bool_]
    model: NDArray[np.float64]
    unknowns: NDArray[np.float64]


def fitted(readings: Readings, engine: Engine, tdc_deg: float, start: SpeedFit | None = None, *,
           rounds: int = ROUNDS, peaks: NDArray[np.float64] | None = None, curves: Curves | None = None,
           known_deg: float | None = None) -> SpeedFit:
    """Return the fit from a phase, or from an earlier fit of the same engine.

    Parameters
    ----------
    peaks
        To begin with, shares of the strongest; None: those of `start`, or all alike.
    curves
        Torque curves of leaking cylinders; None: those of a steady crank.
    known_deg
        Where TDC is said to be; None: nobody knows.
    """
    problem = _Problem(readings, engine, steady_curves() if curves is None else curves, known_deg)
    p = problem.start(tdc_deg, start)
    if peaks is not None:
        p[-engine.cylinders :] = peaks
    driven = _driven(readings, engine, tdc_deg)
    used = readings.push <= np.quantile(readings.push, FIRST_SHARE) if start is None else _closed(
        readings.push - problem.model(p), driven)
    for _ in range(rounds):
        problem.use(used & driven)
        p = minimise(problem, p, problem.prior(p), free=np.ones(len(p), dtype=np.bool_), low=problem.low,
                     high=problem.high, step=problem.step, steps=STEPS).p
        driven = _driven(readings, engine, float(p[problem.first + PHASE]))
        used = _closed(readings.push - problem.model(p), driven)
    model, used = problem.model(p), used & driven
    spread = float(np.var(readings.push[used]))
    left = float(np.mean((readings.push - model)[used] ** 2))
    peaks = p[-engine.cylinders :]
    return SpeedFit(100.0 * np.clip(peaks / max(float(peaks.max()), 1e-9), 0.0, 1.0), float(p[problem.first + PHASE]),
                    1.0 - left / spread if spread > 0.0 else 0.0, used, model, p)


def _driven(readings: Readings, engine: Engine, tdc_deg: float) -> NDArray[np.bool_]:
    """Return which readings the starter surely drives: all, or where humps stand apart those late in a compression.

    Where firings are far apart the gas throws the crank ahead of the starter after each TDC, and it coasts, with less
    inertia, well into the next compression. Late in it the crank is slowest, and the starter has it again.
    """
    if min(engine.intervals_deg) < FAR_APART_DEG:
        return np.ones(len(readings.push), dtype=np.bool_)
    near = np.zeros(len(readings.push), dtype=np.bool_)
    for fire in engine.firing_deg:
        off = (readings.angle_deg - tdc_deg - fire + engine.cycle_deg / 2.0) % engine.cycle_deg - engine.cycle_deg / 2.0
        near |= (off >= DRIVEN_DEG[0]) & (off <= DRIVEN_DEG[1])
    return near


def _closed(off: NDArray[np.float64], driven: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which readings are not above the fit by more than those below it scatter, of those surely driven."""
    below = off[driven & (off < 0.0)]
    scatter = float(np.sqrt(np.mean(below**2))) if len(below) else 0.0
    out: NDArray[np.bool_] = off <= FAR * scatter
    return out if (out & driven).sum() >= LEAST_POINTS else np.ones_like(out)


class _Problem:
    """Residuals and their derivatives, over the readings in use, in shares of the variance of all."""

    def __init__(self, readings: Readings, engine: Engine, curves: Curves, known_deg: float | None) -> None:
        self._readings, self._engine, self._curves, self._known_deg = readings, engine, curves, known_deg
        self._drive = (readings.cycle[:, None] == np.unique(readings.cycle)).astype(np.float64)
        self.first = self._drive.shape[1]
        n = engine.cylinders
        self._size = float(readings.push.std())
        far = np.full(self.first, np.inf)
        self.low = np.concatenate((-far, LOW, np.zeros(n)))
        self.high = np.concatenate((far, HIGH, np.full(n, MOST_PEAK)))
        self.step = np.concatenate((far, STEP, np.full(n, PEAK_STEP)))
        for limits in (self.low, self.high, self.step):
            limits[self.first + SCALE] *= self._size
        self._used = np.ones(len(readings.push), dtype=np.bool_)

    def start(self, tdc_deg: float, fit: SpeedFit | None) -> NDArray[np.float64]:
        """Return where to begin; the drives of cycles that are left out are not taken over."""
        n = self._engine.cylinders
        p = np.concatenate((np.full(self.first, self._readings.push.mean()), START, np.ones(n)))
        p[self.first + SCALE] *= self._size
        p[self.first + PHASE] = tdc_deg
        if fit is not None:
            p[self.first :] = fit.unknowns[-len(START) - n :]
            p[: self.first] = fit.unknowns[: -len(START) - n].mean()
        return p

    def use(self, used: NDArray[np.bool_]) -> None:
        """Set which readings count."""
        self._used = used

    def prior(self, p: NDArray[np.float64]) -> Quadratic:
        """Return the prior: peaks are somewhat alike, and masses, push-back and ratio somewhat usual.

        It is as strong as the readings' scatter about `p` makes it.
        """
        n, size, first = self._engine.cylinders, len(p), self.first
        off = (self._readings.push - self.model(p))[self._used]
        strength = float(np.mean(off**2)) / self._size**2 * CORRELATED_DEG / GRID_DEG / max(len(off), 1)
        matrix = np.zeros((size, size))
        matrix[-n:, -n:] = strength / ALIKE_SHARE**2 * (np.eye(n) - 1.0 / n)
        spread, usual = np.array(SPREAD), np.array(START)
        if self._known_deg is not None:
            spread[PHASE], usual[PHASE] = KNOWN_SPREAD_DEG, self._known_deg
        own = strength / spread**2
        matrix[range(first, first + len(own)), range(first, first + len(own))] = own
        vector = np.zeros(size)
        vector[first : first + len(own)] = own * usual
        return Quadratic(matrix, vector, float(np.sum(own * usual**2)))

    def model(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return torque per inertia at every reading."""
        return self._both(p, want=False)[0]

    def normal(self, p: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return the sum of squares and its normal equations; the smooth maximum of the peaks is tied to 1."""
        model, jac = self._both(p, want=True)
        scale = self._size * np.sqrt(self._used.sum())
        r = (model - self._readings.push)[self._used] / scale
        jac = jac[self._used] / scale
        n = self._engine.cylinders
        x = np.maximum(p[-n:], 1e-6)
        low, high = np.sum(x ** (SMOOTH_POWER - 1)), np.sum(x**SMOOTH_POWER)
        tie = np.zeros(len(p))
        tie[-n:] = TIED * (SMOOTH_POWER * x ** (SMOOTH_POWER - 1) - (SMOOTH_POWER - 1) * x ** (SMOOTH_POWER - 2)
                           * high / low) / low
        off = TIED * (high / low - 1.0)
        return float(r @ r + off**2), jac.T @ jac + np.outer(tie, tie), jac.T @ r + tie * off

    def _both(self, p: NDArray[np.float64], *, want: bool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        at, r, n = self.first, self._readings, self._engine.cylinders
        scale, push, phase, ratio = p[at + SCALE], p[at + PUSH], p[at + PHASE], p[at + RATIO]
        angle = r.angle_deg - phase
        swing = _swung(angle, r, self._engine)
        gas, given, by_phase, by_ratio = (np.zeros_like(angle) for _ in range(4))
        by_peak = np.zeros((len(angle), n))
        for k, fire in enumerate(self._engine.firing_deg):
            curve = self._curves.of(float(ratio), float(p[-n + k]), push)
            off = (angle - fire + self._engine.cycle_deg / 2.0) % self._engine.cycle_deg - self._engine.cycle_deg / 2.0
            gas += curve.at(off, 0)
            if want:
                given += curve.at(off, 1)
                by_peak[:, k] = curve.at(off, 2)
                by_ratio += curve.at(off, 3)
                by_phase += curve.at(off, 4)
        model = self._drive @ p[:at] - p[at + BRAKE] * r.speed - p[at + SWING] * swing - scale * gas
        if not want:
            return model, by_peak
        columns = (-r.speed, -swing, -gas, -scale * given, scale * by_phase, -scale * by_ratio)
        return model, np.column_stack((self._drive, *columns, -scale * by_peak))


def _swung(angle_deg: NDArray[np.float64], r: Readings, engine: Engine) -> NDArray[np.float64]:
    """Return what the pistons' masses take from the crank, in hundredths of a unit of inertia."""
    half = SMOOTH_DEG / 2.0
    later, earlier = (_piston_speeds(angle_deg + side * half, engine) for side in (1.0, -1.0))
    out: NDArray[np.float64] = 0.01 * (later * r.after - earlier * r.before) / (2.0 * np.radians(SMOOTH_DEG))
    return out


def _piston_speeds(angle_deg: NDArray[np.float64], engine: Engine) -> NDArray[np.float64]:
    """Return the squared piston speeds of all cylinders, crank radii a radian, less their mean."""
    total = np.zeros_like(angle_deg)
    for fire in engine.firing_deg:
        a = np.radians(angle_deg - fire)
        rod = CRANK_TO_ROD * np.cos(a) / np.sqrt(1.0 - (CRANK_TO_ROD * np.sin(a)) ** 2)
        total += (np.sin(a) * (1.0 + rod)) ** 2 - 0.5
    return total
