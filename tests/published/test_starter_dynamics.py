"""Starter, clutch and engine of the training prior against integrators that know nothing of it, and transfer functions.

Sources, computed here: scipy.integrate.solve_ivp (LSODA) on the differential equations written apart, the clutch's
opening and closing as its events; python-control (https://python-control.org) for the linear starter: transfer function
from load to current, its gain and lag.
"""

from __future__ import annotations

import importlib
import sys
import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import crankfold.analysis

TRAINING = Path(crankfold.analysis.__file__).parent / "training"
PRODUCTION_S, STEP_S, LENGTH_S = 0.25e-3, 2.5e-5, 1.2
STALL, DRY, VISCOUS, COIL_S, SPEED = 3.0, 0.45, 0.2, 0.004, 20.0
ROD, GAMMA, CLEARANCE, SHUT = 3.5, 1.3, 0.12, 2.2
LIGHT = (0.06, 0.10, 0.35)  # inertia of armature and engine, and of the gas's torque
HEAVY = (0.10, 0.03, 0.60)  # such that the gas throws the crank ahead of the starter
OFF = ("RUN_UP", "BREAKAWAY", "STATIC", "RUBBING", "SHAKE", "LOAD_A", "LOAD_B", "DRAG", "REACTION", "BRUSH", "POLAR",
       "SAG", "WARM", "GASKET", "SCATTER", "HEAT")


@pytest.fixture(scope="module")
def parts() -> Iterator[tuple[ModuleType, ModuleType]]:
    """The prior and the kernel, compiled with g++ as on any laptop."""
    sys.path.insert(0, str(TRAINING))
    try:
        yield importlib.import_module("prior"), importlib.import_module("turning")
    finally:
        sys.path.remove(str(TRAINING))


class Twin:
    """Two cylinders that fire evenly, tight, without heat: what the equations below have, and nothing else."""

    def __init__(self, parts: tuple[ModuleType, ModuleType], **changes: float) -> None:
        self._prior, self._turning = parts
        made = self._prior.draw(np, np.random.default_rng(3), 2, 1)
        engine, cylinder = made.engine.copy(), made.cylinder.copy()
        values = dict.fromkeys(OFF, 0.0) | {
            "ANGLE": np.pi, "SPEED": SPEED, "CYCLE": 4.0 * np.pi, "ROD": ROD, "GAMMA": GAMMA, "MANIFOLD": 1.0,
            "BACK_PRESSURE": 1.0, "EVO": SHUT, "DRY": DRY, "VISCOUS": VISCOUS, "STALL": STALL, "COIL": COIL_S,
            "BASE_FLUX": 1.0, "KNEE": 1.0, "SHARP": 2.0, "SHUTS_AT": -1.0, "FIRES_FROM": 1e9} | changes
        for name, value in values.items():
            engine[self._prior.ENGINE.index(name)] = value
        # open at as large a volume as they shut at, so that nothing flows when the valves open
        each = {"CLEARANCE": CLEARANCE, "FILL": 1.0, "IVC": -SHUT, "EVO_OF": SHUT, "LEAK": 0.0, "LAW": 0.0,
                "LOBE": 0.0, "FLUTTER": 0.0}
        for name, value in each.items():
            cylinder[self._prior.CYLINDER.index(name)] = value
        cylinder[self._prior.CYLINDER.index("FIRES"), :, 0] = 0.0, 2.0 * np.pi
        self.given = values
        self._drawn = replace(made, engine=engine, cylinder=cylinder)

    def compiled(self, step_s: float = STEP_S, length_s: float = LENGTH_S) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return times, current and crank angle of the compiled kernel."""
        steps = round(length_s / step_s)
        out = self._turning.turn_here(self._drawn, steps, 1, step_s)
        return step_s * np.arange(1, steps + 1), *(out[k][:, 0].astype(float) for k in ("current", "angle"))

    def flux(self, i: float) -> float:
        base = self.given["BASE_FLUX"]
        grown = i / (1.0 + i**2) ** 0.5
        return float((base + (1.0 - base) * grown) / (base + (1.0 - base) * 0.5**0.5))

    def load(self, angle: float, w: float) -> float:
        """Return friction and what the gas holds back, in shares of the mean load."""
        torque = 0.0
        for fires in (0.0, 2.0 * np.pi):
            a = (angle - fires + 2.0 * np.pi) % (4.0 * np.pi) - 2.0 * np.pi
            if abs(a) < SHUT:
                squeezed = volume(SHUT) / volume(a)
                torque += (squeezed**GAMMA - 1.0) * volume_slope(a)
        return DRY + VISCOUS * w - self.given["GAS"] * torque


def volume(a: float) -> float:
    """Return the volume in swept volumes, by the slider-crank."""
    return CLEARANCE + 0.5 * (1.0 + ROD - np.cos(a) - np.sqrt(ROD**2 - np.sin(a) ** 2))


def volume_slope(a: float) -> float:
    return 0.5 * np.sin(a) * (1.0 + np.cos(a) / np.sqrt(ROD**2 - np.sin(a) ** 2))


def integrated(twin: Twin, times: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Return current and angle at the kernel's times by LSODA, and how often the clutch opened."""
    armature, engine = twin.given["ARMATURE"], twin.given["ENGINE"]

    def closed(_, s):
        i, _wa, we, angle = s
        rate = (twin.flux(i) * i - twin.load(angle, we)) / (armature + engine)
        rate = max(rate, 0.0) if we <= 0.0 else rate
        return [(STALL - i - twin.flux(i) * (STALL - 1.0) * we) / COIL_S, rate, rate, we * SPEED]

    def opened(_, s):
        i, wa, we, angle = s
        return [(STALL - i - twin.flux(i) * (STALL - 1.0) * wa) / COIL_S, twin.flux(i) * i / armature,
                -twin.load(angle, we) / engine, we * SPEED]

    def opens(_, s):
        pull = twin.flux(s[0]) * s[0]
        return pull - armature * (pull - twin.load(s[3], s[2])) / (armature + engine)

    def closes(_, s):
        return s[2] - s[1] + 1e-9

    opens.terminal = closes.terminal = True
    opens.direction = closes.direction = -1.0
    state, now, is_closed, count, found = np.array([0.0, 0.0, 0.0, np.pi]), 0.0, True, 0, []
    while now < times[-1] - 1e-12:
        run = solve_ivp(closed if is_closed else opened, (now, times[-1]), state, "LSODA", times[times > now],
                        events=opens if is_closed else closes, rtol=1e-7, atol=1e-8, max_step=2e-3)
        found.append(run.y[:, : len(run.t)].T)
        if run.status != 1:
            break
        state, now = run.y_events[0][0].copy(), float(run.t_events[0][0])
        count += is_closed
        if not is_closed:
            state[1] = state[2] = (armature * state[1] + engine * state[2]) / (armature + engine)
        is_closed = not is_closed
    out = np.vstack([part for part in found if len(part)])
    return out[:, 0], out[:, 3], count


@pytest.mark.parametrize(("built", "base", "overruns"), [(LIGHT, 1.0, False), (HEAVY, 1.0, True), (HEAVY, 0.0, True)])
def test_the_kernel_against_another_integrator(parts, built: tuple[float, ...], base: float, overruns: bool) -> None:
    """Permanent magnet and series wound, with and without overrunning: within 0.03 % of the current's range.

    The kernel is of first order: half the step, half the error. At the step of the training it is some ten times as
    much, a thousandth of the range.
    """
    twin = Twin(parts, ARMATURE=built[0], ENGINE=built[1], GAS=built[2], BASE_FLUX=base)
    times, current, angle = twin.compiled()
    told, turned, count = integrated(twin, times)
    assert (count > 0) == overruns
    error, most = rms(current - told), float(np.ptp(told))
    assert error < 3e-4 * most
    assert np.abs(angle - turned).max() < 0.002  # rad
    times, coarse, _ = twin.compiled(2.0 * STEP_S)
    assert rms(coarse - told[1::2]) == pytest.approx(2.0 * error, rel=0.15)
    times, rough, _ = twin.compiled(PRODUCTION_S)
    assert rms(rough - told[9::10]) < 1.5e-3 * most


def rms(off: np.ndarray) -> float:
    return float(np.sqrt(np.mean(off**2)))


def starter():
    """Return python-control and the linear starter, load to current.

    ``coil di/dt = stall - i - (stall - 1) w`` and ``J dw/dt = i - load - viscous w``.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what another package warns of on import is not ours
        import control
    inertia = LIGHT[0] + LIGHT[1]
    return control, control.StateSpace([[-1.0 / COIL_S, -(STALL - 1.0) / COIL_S], [1.0 / inertia, -VISCOUS / inertia]],
                                       [[0.0], [-1.0 / inertia]], [[1.0, 0.0]], [[0.0]])


def test_the_current_follows_the_load_by_the_transfer_function(parts) -> None:
    """The load that the kernel's own crank angle meets, through python-control's forced response."""
    twin = Twin(parts, ARMATURE=LIGHT[0], ENGINE=LIGHT[1], GAS=LIGHT[2])
    times, current, angle = twin.compiled(4.0 * STEP_S)
    load = np.array([twin.load(a, 0.0) for a in angle])
    control, linear = starter()
    rest = control.dcgain(linear) * DRY + (STALL * VISCOUS) / (STALL - 1.0 + VISCOUS)  # current at a load of `DRY`
    told = control.forced_response(linear, times, load - DRY)
    late = times > 0.6  # what it started with has died away: the lag is 0.08 s
    assert np.abs(current - rest - told.outputs)[late].max() < 5e-3 * np.ptp(current)


@pytest.mark.parametrize("order", [1.0, 2.0, 6.0])
def test_gain_and_lag_of_a_load_locked_to_the_crank(parts, order: float) -> None:
    """A small cosine of the crank angle: the kernel's gain and lag are python-control's at that frequency."""
    twin = Twin(parts, ARMATURE=LIGHT[0], ENGINE=LIGHT[1], GAS=0.0, LOAD_A=0.02, ORDER_A=order, PHASE_A=0.0,
                PEAKY_A=0.0)
    times, current, angle = twin.compiled(PRODUCTION_S, 4.0)
    late = times > 1.0
    turn = angle[late] / 2.0  # of the cycle, in radians
    hz = order * np.polyfit(times[late], turn, 1)[0] / (2.0 * np.pi)
    columns = np.column_stack((np.cos(order * turn), np.sin(order * turn), np.ones(late.sum())))
    cosine, sine = np.linalg.lstsq(columns, current[late], rcond=None)[0][:2]
    control, linear = starter()
    told = complex(control.evalfr(linear, 2j * np.pi * hz)) * 0.02
    found = complex(cosine, -sine)
    assert abs(found) == pytest.approx(abs(told), rel=0.02)
    assert np.angle(found / told) == pytest.approx(0.0, abs=0.03)
