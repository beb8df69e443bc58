"""The compiled simulation against the plain one, finite differences and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.model import parameters as at
from crankfold.analysis.model.clutch import clutch_torque, shared_speed
from crankfold.analysis.model.gas import FAMILIES, gas_table
from crankfold.analysis.model.motor import flux, flux_by_log_knee
from crankfold.analysis.model.plain import plain_torque, plain_window
from crankfold.analysis.model.problem import Data, Problem, smooth_maximum
from crankfold.analysis.model.simulation import gear_and_slopes, smooth_reference

FOUR = Engine((1, 3, 4, 2))
STEP_S = 0.001


def measured(count=900):
    t = np.arange(count) * STEP_S
    return 220.0 + 80.0 * np.cos(2 * np.pi * 6.4 * t)


def problem(series, gain=0.0, engine=FOUR, starts=(10, 400), length=300, families=()):
    y = measured()
    data = Data(y, STEP_S, 0.0, float(np.var(y)))
    made = Problem(data, engine, np.array(starts), np.full(len(starts), length), 1.6 * engine.cycle_deg, series,
                   families)
    made.gain = gain
    return made


def unknowns(engine=FOUR, windows=2, **change):
    p = np.array([np.log(700.0), 0.03, 0.02, np.log(0.012), np.log(0.02), np.log(220.0), 60.0, 0.02, 9.1, 5.0,
                  np.log(0.003), np.log(0.93)])
    a = np.array([250.0, 262.0, 121.0, 254.0, 247.0, 243.0])[: engine.cylinders]
    p = np.concatenate((p, a, [-12.0, 700.0][:windows]))
    for name, value in change.items():
        p[getattr(at, name)] = value
    return p


@pytest.mark.parametrize("series", [False, True])
@pytest.mark.parametrize("gain", [0.0, 50.0])
@pytest.mark.parametrize("engine", [FOUR, Engine((1, 6, 5, 4, 3, 2), (90, 150)), Engine((1, 2), strokes=2)])
def test_compiled_equals_plain(series, gain, engine):
    families = tuple(FAMILIES[k % len(FAMILIES)] for k in range(engine.cylinders))
    made, p = problem(series, gain, engine, families=families), unknowns(engine)
    made.residuals(p)
    y, tau = made.data.y, made.data.tau
    gear = gear_and_slopes(p, y[::4], tau[::4], made.deg_per_s, series, float(np.percentile(y, 40)),
                           np.zeros(13 + engine.cylinders))
    for w, start in enumerate(made.starts):
        current, angle = plain_window(p, y, tau, STEP_S, int(start), 300, p[at.GLOBALS + engine.cylinders + w], engine,
                                      tuple(map(gas_table, families)), gear, series=series, gain=gain)
        np.testing.assert_allclose(made.model[300 * w : 300 * (w + 1)], current, rtol=1e-9, atol=1e-7)
        np.testing.assert_allclose(made.angle[300 * w : 300 * (w + 1)], angle, rtol=1e-9, atol=1e-7)


def test_the_healthy_shape_scaled_is_the_plain_one_of_such_a_table():
    """What the leak table replaces: a hump at half the pressure is half as high, and otherwise the same."""
    made, p = problem(series=False), unknowns()
    scaled = Problem(made.data, FOUR, made.starts, made.lengths, made.deg_per_s, series=False, scaled_torque=True)
    alike = p.copy()
    alike[at.GLOBALS : at.GLOBALS + 4] = 250.0
    np.testing.assert_allclose(scaled.residuals(alike), made.residuals(alike), atol=1e-12)
    scaled.residuals(p)
    healthy = gas_table()
    half = replace(healthy, torque=np.stack([[share * sheet[healthy.peaks == 1.0][0] for share in healthy.peaks]
                                             for sheet in healthy.torque]))
    y, tau = made.data.y, made.data.tau
    gear = gear_and_slopes(p, y[::4], tau[::4], made.deg_per_s, False, float(np.percentile(y, 40)), np.zeros(17))
    current, _ = plain_window(p, y, tau, STEP_S, 10, 300, p[at.GLOBALS + 4], FOUR, (half,) * 4, gear, series=False)
    np.testing.assert_allclose(scaled.model[:300], current, rtol=1e-9, atol=1e-7)


@pytest.mark.parametrize("series", [False, True])
@pytest.mark.parametrize("gain", [0.0, 50.0])
def test_sensitivities_equal_finite_differences_through_clutch_openings(series, gain):
    made, p = problem(series, gain, families=("leak", "filling", "clearance", "leak")), unknowns()
    jac = made.jacobian(p)
    for k in range(len(p)):
        if k == at.LOG_KNEE and not series:
            assert not jac[:, k].any()
            continue
        step = 1e-5 * max(1.0, 0.1 * abs(p[k]))
        up, down = p.copy(), p.copy()
        up[k] += step
        down[k] -= step
        slope = (made.residuals(up) - made.residuals(down)) / (2 * step)
        off = np.abs(slope - jac[:, k])
        # Kinks of the tables and a step's worth of switching leave a few samples where a difference means nothing.
        assert np.median(off) < 1e-4 * np.abs(jac[:, k]).max(), k
        assert np.mean(off > 0.02 * np.abs(jac[:, k]).max()) < 0.01, k


def test_the_clutch_does_open_in_that_run():
    made, p = problem(series=False), unknowns()
    made.residuals(p)
    assert made.model.min() < 20.0 < 200.0 < made.model.max()


def test_normal_equations_equal_the_jacobian_s():
    made, p = problem(series=True), unknowns()
    jac, r = made.jacobian(p), made.residuals(p)
    square, matrix, vector = made.normal(p)
    assert square == pytest.approx(r @ r, rel=1e-12)
    np.testing.assert_allclose(matrix, jac.T @ jac, rtol=1e-9, atol=1e-12 * np.abs(matrix).max())
    np.testing.assert_allclose(vector, jac.T @ r, rtol=1e-9, atol=1e-12 * np.abs(vector).max())


def test_first_order_lag_in_closed_form():
    """Without gas and with a rigid clutch the current falls to friction as one exponential of the lag ta + te."""
    engine = Engine((1,))
    y = np.full(600, 500.0)
    data = Data(y, 0.0005, 0.0, 1.0)
    made = Problem(data, engine, np.array([0]), np.array([600]), 720.0, series=False)
    p = unknowns(engine, windows=1, DRIFT=0.0, VISCOUS=0.0, HOLD_IN=0.0, FRICTION=100.0, LOG_LAG=np.log(0.0004))
    p[at.GLOBALS] = 1e-6
    made.residuals(p)
    t = 0.0005 * np.arange(1, 601)
    exact = 100.0 + 400.0 * np.exp(-t / 0.032)
    np.testing.assert_allclose(made.model, exact, atol=0.03 * 400.0)
    np.testing.assert_allclose(made.model[-1], 100.0, atol=0.1)


def test_viscous_friction_in_closed_form():
    """At rest in speed: flux * i = friction + viscous * w with w = stall - i."""
    engine = Engine((1,))
    data = Data(np.full(3000, 300.0), 0.001, 0.0, 1.0)
    made = Problem(data, engine, np.array([0]), np.array([3000]), 720.0, series=False)
    p = unknowns(engine, windows=1, DRIFT=0.0, VISCOUS=0.1, HOLD_IN=0.0, FRICTION=100.0)
    p[at.GLOBALS] = 1e-6
    made.residuals(p)
    assert made.model[-1] == pytest.approx((100.0 + 0.1 * 700.0) / 1.1, abs=0.05)


def test_clutch_keeps_momentum_and_opens_at_zero_torque():
    w = shared_speed(100.0, 160.0, 0.004, 0.012)
    assert 0.016 * w == pytest.approx(0.004 * 100.0 + 0.012 * 160.0)
    assert clutch_torque(40.0, 40.0, 0.004, 0.012) == pytest.approx(40.0)  # steady: all of it
    assert clutch_torque(30.0, -90.0, 0.004, 0.012) == pytest.approx(0.0)  # armature and crank accelerate alike


@pytest.mark.parametrize("current", [5.0, 120.0, 600.0])
def test_flux_and_its_slopes(current):
    s, slope, bend = flux(current, 200.0, True)
    step = 1e-3
    assert s == pytest.approx(np.tanh(current / 200.0))
    up, down = flux(current + step, 200.0, True), flux(current - step, 200.0, True)
    assert slope == pytest.approx((up[0] - down[0]) / (2 * step), rel=1e-6)
    assert bend == pytest.approx((up[1] - down[1]) / (2 * step), rel=1e-5)
    by_knee, slope_by_knee = flux_by_log_knee(current, 200.0, s, slope, True)
    grown, shrunk = flux(current, 200.0 * np.exp(1e-5), True), flux(current, 200.0 * np.exp(-1e-5), True)
    assert by_knee == pytest.approx((grown[0] - shrunk[0]) / 2e-5, rel=1e-5)
    assert slope_by_knee == pytest.approx((grown[1] - shrunk[1]) / 2e-5, rel=1e-5)
    assert flux(current, 200.0, False) == (1.0, 0.0, 0.0)


def test_smooth_maximum_and_its_slopes():
    a = np.array([250.0, 262.0, 121.0, 254.0])
    slopes = np.zeros(4)
    assert smooth_reference(a, slopes) == pytest.approx(smooth_maximum(a))
    assert smooth_maximum(a) == pytest.approx((a**6).sum() / (a**5).sum())
    for k in range(4):
        up, down = a.copy(), a.copy()
        up[k] += 1e-3
        down[k] -= 1e-3
        assert slopes[k] == pytest.approx((smooth_maximum(up) - smooth_maximum(down)) / 2e-3, rel=1e-5)


def test_plain_torque_is_the_table_at_its_nodes():
    table = gas_table()
    assert plain_torque(table, 9.5, 1.0, -24.0) == pytest.approx(table.torque[2, 12, -24 + 136])
    assert plain_torque(table, 9.5, 1.0, -150.0) == 0.0
