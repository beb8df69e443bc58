"""Starter, clutch and engine of the fit against integrators that know nothing of it, and against closed forms.

Sources, computed here: scipy.integrate.solve_ivp (LSODA) on the differential equations written apart, the clutch's
opening and closing as its events; python-control (https://python-control.org) for the linear starter: transfer function
from load to current, its gain and lag.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from crankfold.analysis import Engine
from crankfold.analysis.model.gas import gas_table
from crankfold.analysis.model.problem import Data, Problem

FOUR = Engine((1, 3, 4, 2))
STEP_S, LENGTH_S = 1e-4, 0.4
STALL, FRICTION, VISCOUS, LAG_S, ARMATURE_S, ENGINE_S = 700.0, 90.0, 0.02, 0.003, 0.025, 0.015
KNEE, COMPRESSION, FIRST_A, FIRST_DEG, DEG_PER_S = 250.0, 9.5, 300.0, -12.0, 1100.0


@dataclass(frozen=True)
class Run:
    """What the compiled kernel gives: current, crank angle, and the gear that it took from the trace."""

    time_s: np.ndarray
    current: np.ndarray
    angle_deg: np.ndarray


def compiled(amplitudes: tuple[float, ...], *, series: bool, step_s: float = STEP_S) -> Run:
    steps = round(LENGTH_S / step_s)
    y = np.full(steps, FIRST_A)
    p = np.array([np.log(STALL), 0.0, 0.0, np.log(ARMATURE_S), np.log(ENGINE_S), np.log(KNEE), FRICTION, VISCOUS,
                  COMPRESSION, 0.0, np.log(LAG_S), 0.0, *amplitudes, FIRST_DEG])
    problem = Problem(Data(y, step_s, 0.0, 1.0), FOUR, np.array([0]), np.array([steps]), DEG_PER_S, series)
    problem.residuals(p)
    return Run(step_s * np.arange(1, steps + 1), problem.model.copy(), problem.angle.copy())


def flux(i: float, series: bool) -> float:
    return float(np.tanh(i / KNEE)) if series else 1.0


class Gas:
    """The cylinders' torque on the crank, from the table at the ratio's node."""

    def __init__(self, amplitudes: tuple[float, ...]) -> None:
        table, a = gas_table("leak"), np.array(amplitudes)
        sheet = table.torque[int(np.flatnonzero(table.ratios == COMPRESSION)[0])]
        reference = float((a**6).sum() / (a**5).sum())
        self._angles, self._fires = table.angles_deg, FOUR.firing_deg.tolist()
        self._curves = [reference * np.array([np.interp(one / reference, table.peaks, column) for column in sheet.T])
                        for one in a]

    def __call__(self, angle_deg):
        pairs = zip(self._fires, self._curves, strict=True)
        return sum(np.interp((angle_deg - fire + 360.0) % 720.0 - 360.0, self._angles, curve, left=0.0, right=0.0)
                   for fire, curve in pairs)


def integrated(amplitudes: tuple[float, ...], times: np.ndarray, *,
               series: bool) -> tuple[np.ndarray, np.ndarray, int]:
    """Return current and angle at the kernel's times by LSODA, and how often the clutch opened."""
    gas = Gas(amplitudes)
    first = (STALL - FIRST_A) / flux(FIRST_A, series)
    gear = first / DEG_PER_S
    both = ARMATURE_S + ENGINE_S

    def load(angle: float, w: float) -> float:
        return FRICTION + VISCOUS * w + float(gas(angle))

    def closed(t, s):
        i, _, we, angle = s
        acc = (flux(i, series) * i - load(angle, we)) / both
        return [(STALL - i - flux(i, series) * we) / LAG_S, acc, acc, we / gear]

    def opened(t, s):
        i, wa, we, angle = s
        return [(STALL - i - flux(i, series) * wa) / LAG_S, flux(i, series) * i / ARMATURE_S,
                -load(angle, we) / ENGINE_S, we / gear]

    def opens(t, s):
        motor = flux(s[0], series) * s[0]
        return motor - ARMATURE_S * (motor - load(s[3], s[2])) / both

    def closes(t, s):
        return s[2] - s[1] + 1e-9

    opens.terminal = closes.terminal = True
    opens.direction = closes.direction = -1.0
    state, now, is_closed, count, parts = np.array([FIRST_A, first, first, FIRST_DEG]), 0.0, True, 0, []
    while now < times[-1] - 1e-12:
        run = solve_ivp(closed if is_closed else opened, (now, times[-1]), state, "LSODA", times[times > now],
                        events=opens if is_closed else closes, rtol=1e-8, atol=1e-8, max_step=2e-3)
        parts.append(run.y[:, : len(run.t)].T)
        if run.status != 1:
            break
        state, now = run.y_events[0][0].copy(), float(run.t_events[0][0])
        count += is_closed
        if not is_closed:
            state[1] = state[2] = (ARMATURE_S * state[1] + ENGINE_S * state[2]) / both
        is_closed = not is_closed
    out = np.vstack([part for part in parts if len(part)])
    return out[:, 0], out[:, 3], count


LIGHT, HEAVY = (90.0, 95.0, 60.0, 92.0), (420.0, 425.0, 200.0, 410.0)


@pytest.mark.parametrize(("amplitudes", "series", "overruns"), [(LIGHT, False, False), (HEAVY, False, True),
                                                                (HEAVY, True, True)])
def test_the_kernel_against_another_integrator(amplitudes: tuple[float, ...], series: bool, overruns: bool) -> None:
    """Permanent magnet and series wound, with and without overrunning: within 0.1 % of the current's range.

    The kernel is of first order: half the step, half the error.
    """
    own = compiled(amplitudes, series=series)
    current, angle, count = integrated(amplitudes, own.time_s, series=series)
    assert (count > 0) == overruns
    error = float(np.sqrt(np.mean((own.current - current) ** 2)))
    assert error < 1e-3 * np.ptp(current)
    assert np.abs(own.angle_deg - angle).max() < 0.2
    coarse = compiled(amplitudes, series=series, step_s=2.0 * STEP_S)
    assert np.sqrt(np.mean((coarse.current - current[1::2]) ** 2)) == pytest.approx(2.0 * error, rel=0.1)


@pytest.fixture(scope="module")
def control():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what another package warns of on import is not ours
        import control

        return control


def starter(control):
    """Return the linear starter, load to current: ``lag di/dt = stall - i - w``, ``(ta + te) dw/dt = i - load``."""
    both = ARMATURE_S + ENGINE_S
    return control.StateSpace([[-1.0 / LAG_S, -1.0 / LAG_S], [1.0 / both, -VISCOUS / both]], [[0.0], [-1.0 / both]],
                              [[1.0, 0.0]], [[0.0]])


def test_the_linear_starter_follows_its_transfer_function(control) -> None:
    """The load that the kernel's own crank angle meets, through python-control's forced response."""
    own = compiled(LIGHT, series=False, step_s=2e-5)
    load = FRICTION + Gas(LIGHT)(np.concatenate(([FIRST_DEG], own.angle_deg)))
    time_s = np.concatenate(([0.0], own.time_s))
    steady = FIRST_A, STALL - FIRST_A  # where it starts; deviations from it are linear
    told = control.forced_response(starter(control), time_s, load - steady[0] + VISCOUS * steady[1])
    assert np.abs(own.current - steady[0] - told.outputs[1:]).max() < 0.2


@pytest.mark.parametrize("hz", [2.0, 7.0, 15.0, 40.0])
def test_lag_and_gain_in_closed_form(control, hz: float) -> None:
    """``i/load = 1 / (lag s (tau s + b) + tau s + b + 1)``: what 'the load through a lag' means; at low frequency the
    phase is that of ``tau + b lag`` over ``1 + b``."""
    s = 2j * np.pi * hz
    tau = ARMATURE_S + ENGINE_S
    closed = 1.0 / (LAG_S * s * (tau * s + VISCOUS) + tau * s + VISCOUS + 1.0)
    response = control.evalfr(starter(control), s)
    assert complex(response) == pytest.approx(closed, rel=1e-9)
    if hz == 2.0:
        lag_s = -np.angle(closed) / (2.0 * np.pi * hz)
        assert lag_s == pytest.approx((tau + VISCOUS * LAG_S) / (1.0 + VISCOUS), rel=0.1)
