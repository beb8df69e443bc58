"""Gas tables against direct integration and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from crankfold.analysis import gas


def test_volume_runs_from_clearance_to_all_and_its_slope_is_its_derivative():
    assert gas.volume(np.array([0.0]), 10.0)[0] == pytest.approx(1 / 9)
    assert gas.volume(np.array([180.0]), 10.0)[0] == pytest.approx(10 / 9)
    at = np.linspace(-170, 170, 41)
    step = 1e-4
    slope = (gas.volume(at + step, 10.0) - gas.volume(at - step, 10.0)) / np.radians(2 * step)
    np.testing.assert_allclose(gas.volume_slope(at), slope, atol=1e-6)


def test_a_tight_cylinder_follows_the_polytrope():
    pressure = gas.leaking_pressure(10.0, np.array([0.0]))[0]
    angle = np.arange(gas.CLOSE_DEG, gas.OPEN_DEG + 1)
    v = gas.volume(angle.astype(float), 10.0)
    np.testing.assert_allclose(pressure, (v[0] / v) ** gas.POLYTROPE, rtol=1e-9)


@pytest.mark.parametrize("depth", [0.0, 0.7])
@pytest.mark.parametrize("leak", [0.01, 0.1, 0.6])
def test_a_leaking_cylinder_equals_direct_integration(leak, depth):
    """At a steady crank, and at one that is slower near TDC."""
    start = np.radians(gas.CLOSE_DEG)
    v0 = gas.volume(np.array([float(gas.CLOSE_DEG)]), 10.0)[0]

    def slow(degrees):
        return 1.0 + depth * np.cos(np.radians(np.clip(2.0 * degrees, -180.0, 180.0)))

    def flow(a, mass):
        v = gas.volume(np.degrees(np.array([a])), 10.0)[0]
        p = (v0 * mass[0] / v) ** gas.POLYTROPE
        temperature = p * v / (mass[0] * v0)
        return [-leak * slow(np.degrees(a)) * p / np.sqrt(temperature) * float(gas.nozzle_flow(np.array([p]))[0]) / v0]

    degrees = np.arange(gas.CLOSE_DEG, gas.OPEN_DEG + 1)
    exact = solve_ivp(flow, (start, np.radians(gas.OPEN_DEG)), [1.0], t_eval=np.radians(degrees), rtol=1e-8,
                      max_step=0.01)
    v = gas.volume(degrees.astype(float), 10.0)
    p = (v0 * exact.y[0] / v) ** gas.POLYTROPE
    ours = gas.leaking_pressures(np.array([10.0]), np.array([leak]), slow(degrees) if depth else None)[0, 0]
    np.testing.assert_allclose(ours, p, rtol=0.02, atol=0.02 * p.max() * 0.5)


def test_nozzle_flow_is_choked_above_the_critical_ratio_and_turns_inward_below_one():
    assert gas.nozzle_flow(np.array([3.0])) == pytest.approx(gas.nozzle_flow(np.array([20.0])))
    g = gas.POLYTROPE  # choked, the flow function has a closed form
    assert gas.nozzle_flow(np.array([3.0]))[0] == pytest.approx(np.sqrt(g * (2 / (g + 1)) ** ((g + 1) / (g - 1))))
    assert gas.nozzle_flow(np.array([1.0]))[0] == pytest.approx(0.0)
    assert gas.nozzle_flow(np.array([0.8]))[0] < 0.0


def test_the_table_is_scaled_to_a_healthy_peak_of_one_and_zero_for_a_dead_cylinder():
    table = gas.gas_table()
    unit = list(table.peaks).index(1.0)
    np.testing.assert_allclose(table.torque[:, unit].max(axis=1), 1.0)
    assert not table.torque[:, 0].any()
    assert np.isfinite(table.torque).all()
    np.testing.assert_array_equal(table.torque[..., 0], 0.0)
    np.testing.assert_array_equal(table.torque[..., -1], 0.0)


def test_a_leak_lowers_the_hump_less_than_the_pressure_and_brings_it_forward():
    table = gas.gas_table()
    curves = table.torque[2]
    heights, places = curves.max(axis=1), table.angles_deg[curves.argmax(axis=1)]
    half = list(table.peaks).index(0.48)
    assert heights[half] > 0.48 + 0.1
    assert places[half] < places[-2] - 3
    push_back = curves.min(axis=1)
    assert push_back[half] / push_back[-2] < heights[half] / heights[-2]


def test_the_torque_s_peak_lies_where_closed_forms_put_it():
    """Degrees before TDC for ratio 8 to 18 with late closing: 26 to 18, tabulated for rod 3.33 cranks, exponent 1.3."""
    table = gas.gas_table()
    unit = list(table.peaks).index(1.0)
    top = -table.angles_deg[table.torque[:, unit].argmax(axis=1)]
    assert np.all(np.diff(top) < 0)
    assert 17 <= top[-1] <= top[0] <= 31


def test_torques_of_a_steady_crank_are_the_common_ones_and_a_leak_minds_a_slow_one():
    closed, steady = gas.ANGLES_DEG[1:-1], gas.gas_table().torque
    np.testing.assert_allclose(gas.slowed_torques(np.ones(len(closed))), steady, rtol=1e-12, atol=1e-12)
    found = gas.slowed_torques(np.where(np.abs(closed) < 20, 3.0, 0.6))
    assert np.abs(found - steady).max() > 0.02
