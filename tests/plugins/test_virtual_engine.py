"""The virtual engine: what is conserved, what cannot be, and what faults do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.plugins.virtual.engine import VirtualRun, leak_for, motored, physics, simulate
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.specs import (
    LEAK_LAWS,
    BatterySpec,
    Bench,
    Consumer,
    CylinderSpec,
    EngineSpec,
    GasketLeak,
    KeySpec,
    LockedLoad,
    StarterSpec,
)

SMOOTH = EngineSpec(firing_order=(1,), dry_nm=0.0, breakaway_nm=0.0, viscous_nms=0.0, ring_n=0.0, ring_pressure=0.0,
                    valve_spring_nm=0.0, heat_factor=0.0, cylinders=(CylinderSpec(leak_mm2=0.0),))
FLYWHEEL = replace(SMOOTH, bore_mm=1.0, stroke_mm=1.0, reciprocating_kg=0.0, inertia_kgm2=0.2)
PLAIN_STARTER = StarterSpec(drag_nm=0.0, brush_drop_v=0.0, gear_efficiency=1.0, pull_in_a=0.0, hold_in_a=0.0,
                            heat_capacity_j_per_k=1e12)
PLAIN_BATTERY = BatterySpec(volts=12.0, charge=1.0, polarisation_ohm=0.0, load_a=0.0, capacity_ah=1e6)
KEY = KeySpec(0.5, 3.5, 200.0)


def cranked(engine: EngineSpec | None = None, *, seconds: float = 3.7, seed: int = 1, **parts: object) -> VirtualRun:
    bench = replace(Bench(), **{"key": KEY, **parts})
    return simulate(bench if engine is None else replace(bench, engine=engine), seconds, seed)


def steady(run: VirtualRun) -> np.ndarray:
    truth = run.truth()
    return (run.time_s > truth.onset_s + 0.5) & (run.time_s < truth.end_s)


def test_same_seed_same_run_and_another_seed_another() -> None:
    free = replace(Bench(), key=KeySpec(0.3, 1.5))
    one, two, other = (simulate(free, 1.6, seed) for seed in (4, 4, 5))
    assert np.array_equal(one.current_a, two.current_a) and np.array_equal(one.gauge_bar, two.gauge_bar)
    assert not np.array_equal(one.current_a, other.current_a)


def test_before_the_key_everything_stands() -> None:
    run = cranked()
    before = run.time_s < 0.5
    assert np.all(run.angle_deg[before] == 200.0) and np.all(run.current_a[before] == 0.0)
    assert np.allclose(run.battery_a[before], 4.0)


def test_tight_cold_cylinder_gives_back_what_it_took() -> None:
    """Gas that neither leaks nor loses heat has the same pressure before and after TDC: mass and energy are kept."""
    engine = replace(SMOOTH, inlet_closes_deg=560.0, exhaust_opens_deg=150.0)
    angle, torque, bar = motored(engine, 150.0, 2.0)
    last = (angle > 720.0 - 120.0) & (angle < 720.0 + 120.0)
    before, after = (np.interp(720.0 + sign * np.arange(5.0, 110.0), angle, bar[:, 0]) for sign in (-1.0, 1.0))
    assert np.allclose(before, after, rtol=2e-3, atol=2e-3)
    assert abs(torque[last].mean()) < 2e-3 * torque[last].max()


def test_leak_and_heat_take_work() -> None:
    def work(engine: EngineSpec) -> float:
        angle, torque, _ = motored(engine, 150.0, 3.0)
        return float(torque[angle > angle[-1] - 720.0].mean())

    tight = work(SMOOTH)
    assert work(replace(SMOOTH, heat_factor=2.0)) > tight + 0.5
    assert work(replace(SMOOTH, cylinders=(CylinderSpec(leak_mm2=2.0),))) > tight + 0.5


def test_halving_the_step_changes_nothing_that_matters() -> None:
    bars = [motored(EngineSpec(firing_order=(1,)), 200.0, 3.0, step)[2].max() for step in (1e-4, 5e-5)]
    assert bars[0] == pytest.approx(bars[1], rel=5e-4)


def test_spinning_a_flywheel_up_balances_the_energy() -> None:
    """What the battery gives off is the heat of its circuit and the energy of what turns."""
    run = cranked(FLYWHEEL, starter=PLAIN_STARTER, battery=PLAIN_BATTERY)
    live = run.time_s < 3.4
    i, w = run.current_a[live], run.crank_rad_s[live][-1]
    given = float(np.sum(12.0 * i) * 1e-4)
    loop = PLAIN_BATTERY.ohmic_ohm + PLAIN_BATTERY.cable_ohm + PLAIN_STARTER.resistance_ohm
    armature = PLAIN_STARTER.armature_gcm2 * 1e-7 * PLAIN_STARTER.gear_ratio**2
    heat = float(np.sum(loop * i**2) * 1e-4)
    kinetic = 0.5 * (0.2 + armature) * w**2
    coil = 0.5 * 38e-6 * i[-1] ** 2
    assert given == pytest.approx(heat + kinetic + coil, rel=0.01)
    assert kinetic > 0.3 * given


@pytest.mark.parametrize("load_nm", [20.0, 40.0, 60.0])
def test_permanent_magnet_starter_runs_on_its_line(load_nm: float) -> None:
    """At a steady load: current from torque, speed from what voltage is left."""
    run = cranked(replace(FLYWHEEL, dry_nm=load_nm), starter=PLAIN_STARTER, battery=PLAIN_BATTERY)
    k = PLAIN_STARTER.volt_seconds * PLAIN_STARTER.gear_ratio
    loop = PLAIN_BATTERY.ohmic_ohm + PLAIN_BATTERY.cable_ohm + PLAIN_STARTER.resistance_ohm
    at = int(np.searchsorted(run.time_s, 3.4))
    assert run.current_a[at] == pytest.approx(load_nm / k, rel=5e-3)
    assert run.crank_rad_s[at] == pytest.approx((12.0 - loop * load_nm / k) / k, rel=5e-3)


@pytest.mark.parametrize(("curve", "power"), [("constant", 1.0), ("tanh", 2.0), ("rational", 2.0), ("arctan", 2.0),
                                              ("piecewise", 2.0)])
def test_torque_grows_with_the_square_of_a_small_current_in_a_series_motor(curve: str, power: float) -> None:
    from crankfold.plugins.virtual.physics import field

    c = physics(Bench(starter=replace(StarterSpec(), field_curve=curve, field_amps=300.0)))
    torque = [i * field(c, i) for i in (3.0, 6.0)]
    assert torque[1] / torque[0] == pytest.approx(2.0**power, rel=0.02)
    fields = np.array([field(c, i) for i in np.linspace(0.0, 30_000.0, 200)])
    assert np.all(np.diff(fields) >= 0.0) and fields[-1] == pytest.approx(c.motor_k, rel=0.02)


def test_series_starter_races_without_load_and_pulls_hard_with_it() -> None:
    series = replace(PLAIN_STARTER, field_curve="tanh", field_amps=200.0, volt_seconds=0.034)
    light, heavy = (cranked(replace(FLYWHEEL, dry_nm=nm), starter=series, battery=PLAIN_BATTERY) for nm in (5.0, 60.0))
    at = int(np.searchsorted(light.time_s, 3.4))
    # the torque-speed curve falls as a hyperbola: a twelfth of the load, far more than the line's gain in speed
    assert light.crank_rad_s[at] > 2.0 * heavy.crank_rad_s[at]


@pytest.mark.parametrize("name", sorted(FLEET))
def test_every_engine_of_the_fleet_turns_plausibly(name: str) -> None:
    bench = replace(FLEET[name].bench, key=KEY)
    run = simulate(bench, 3.7)
    truth = run.truth()
    assert 80.0 < truth.rpm < 400.0
    assert np.all(run.clutch_nm >= 0.0)
    assert np.isfinite(run.current_a).all()
    inrush = run.current_a[run.time_s < truth.onset_s + 0.1].max()
    assert inrush > 1.2 * run.current_a[steady(run)].mean()
    assert truth.relative_percent.max() == 100.0 and truth.relative_percent.min() > 97.0
    ratio = bench.engine.compression_ratio
    assert 0.6 * ratio < truth.peak_gauge_bar.max() < ratio**1.4


def test_clutch_lets_the_crank_run_ahead() -> None:
    run = cranked()
    ahead = steady(run) & (run.crank_rad_s > run.armature_rad_s + 0.5)
    assert ahead.any() and np.all(run.clutch_nm[ahead & (run.clutch_nm == 0.0)] == 0.0)
    assert (run.clutch_nm[ahead] == 0.0).mean() > 0.9


def test_dead_cylinder_has_no_hump() -> None:
    engine = EngineSpec().with_cylinder(3, CylinderSpec(leak_mm2=60.0))
    run, whole = cranked(engine), cranked()
    truth = run.truth()
    assert truth.relative_percent[1] < 2.0
    assert np.all(np.delete(truth.relative_percent, 1) > 95.0)
    for r, dead in ((run, True), (whole, False)):
        start = np.ceil((r.angle_deg[np.argmax(r.time_s > 1.2)] - 180.0) / 720.0) * 720.0 + 180.0
        window = (r.angle_deg > start - 60.0) & (r.angle_deg < start)
        others = (r.angle_deg > start + 120.0) & (r.angle_deg < start + 180.0)
        assert (r.current_a[window].max() < 0.75 * r.current_a[others].max()) == dead


def test_first_compression_is_partial() -> None:
    bench = replace(Bench(), key=KeySpec(0.5, 3.5, 660.0))  # position 1 stands 60 degrees before its TDC
    run = simulate(bench, 3.7)
    first = run.gauge_bar[run.angle_deg < 760.0, 0].max()
    assert first < 0.6 * run.truth().peak_gauge_bar[0]


def test_weak_battery_and_thick_oil_slow_the_crank() -> None:
    usual = cranked().truth()
    tired = replace(BatterySpec(), charge=0.3, ohmic_ohm=0.012, polarisation_ohm=0.006)
    weak = cranked(battery=tired)
    assert weak.truth().rpm < 0.8 * usual.rpm
    thirds = [weak.crank_rad_s[(weak.time_s > a) & (weak.time_s < a + 0.6)].mean() for a in (1.1, 2.8)]
    assert thirds[1] < thirds[0]  # polarisation goes on building up
    assert cranked(replace(EngineSpec(), dry_nm=45.0, viscous_nms=1.5)).truth().rpm < 0.85 * usual.rpm


def test_second_battery_and_glow_plugs() -> None:
    one, two = cranked(), cranked(battery=replace(BatterySpec(), second=True))
    assert two.volts[steady(two)].mean() > one.volts[steady(one)].mean() + 0.2
    glow = cranked(battery=replace(BatterySpec(), glow_plug_ohm=0.2))
    extra = glow.battery_a - glow.current_a
    assert np.allclose(extra, 4.0 + glow.volts / 0.2)
    assert glow.current_a[100] == 0.0


@pytest.mark.parametrize("cylinder", [CylinderSpec(leak_mm2=3.0), CylinderSpec(filling=0.015),
                                      CylinderSpec(clearance=1.6), CylinderSpec(inlet_shift_deg=45.0)])
def test_every_kind_of_fault_lowers_the_peak_of_its_own_cylinder(cylinder: CylinderSpec) -> None:
    truth = cranked(EngineSpec().with_cylinder(4, cylinder)).truth()
    assert 20.0 < truth.relative_percent[2] < 85.0
    assert np.all(np.delete(truth.relative_percent, 2) > 94.0)


def test_liquid_raises_it() -> None:
    truth = cranked(EngineSpec().with_cylinder(4, CylinderSpec(clearance=0.8))).truth()
    assert np.argmax(truth.relative_percent) == 2
    assert np.all(np.delete(truth.relative_percent, 2) < 85.0)


def test_closed_throttle_lowers_all_alike() -> None:
    usual, closed = cranked().truth(), cranked(replace(EngineSpec(), throttle_mm2=12.0)).truth()
    assert closed.peak_gauge_bar.max() < 0.8 * usual.peak_gauge_bar.min()
    assert closed.relative_percent.min() > 97.0


def test_decompressor_holds_the_first_revolutions() -> None:
    run = cranked(replace(EngineSpec(), decompressor_revs=4.0))
    turned = (run.angle_deg - run.angle_deg[0]) / 360.0
    assert run.gauge_bar[turned < 3.9].max() < 2.0
    assert run.gauge_bar[turned > 5.0].max() > 12.0


def test_engine_that_catches() -> None:
    cylinders = tuple(CylinderSpec(fires_from_cycle=3.0) for _ in range(4))
    run = cranked(replace(EngineSpec(), cylinders=cylinders))
    assert run.fired_s is not None
    turned = np.interp(run.fired_s, run.time_s, run.angle_deg) - run.angle_deg[0]
    assert 3.0 * 720.0 <= turned <= 3.0 * 720.0 + 181.0
    assert run.truth().end_s == pytest.approx(run.fired_s)
    assert run.crank_rad_s[run.time_s < 3.4].max() * 9.55 > 600.0
    assert run.truth().relative_percent.min() > 97.0  # what came before was all well


@pytest.mark.parametrize("percent", [20.0, 60.0, 85.0])
def test_leaks_can_be_ordered_by_what_they_leave(percent: float) -> None:
    engine = EngineSpec()
    leak = leak_for(engine, 1, percent, 200.0)
    truth = cranked(replace(engine, cylinders=(CylinderSpec(), leak, CylinderSpec(), CylinderSpec()))).truth()
    assert truth.relative_percent[1] == pytest.approx(percent, abs=6.0)  # the crank does not turn at a held speed


def test_leak_laws_differ_in_shape_not_only_in_size() -> None:
    """At leaks that leave the same peak, the pressure on the way up and down is another for each law."""
    shapes = []
    for law in LEAK_LAWS:
        engine = EngineSpec(firing_order=(1,), cylinders=(CylinderSpec(leak_law=law),))
        leak = leak_for(engine, 0, 50.0, 200.0)
        angle, _, bar = motored(replace(engine, cylinders=(leak,)), 200.0)
        peak = bar[angle > 900.0, 0].max()
        shapes.append(np.interp([1440.0 - 60.0, 1440.0 + 40.0], angle, bar[:, 0]) / peak)
    spread = np.ptp(np.array(shapes), axis=0)
    assert spread.max() > 0.03


def test_uneven_and_two_stroke_engines_fire_where_they_should() -> None:
    vee = FLEET["vee"].bench.engine
    assert vee.fire_deg == (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)
    for name in ("vee", "twin", "outboard"):
        bench = replace(FLEET[name].bench, key=KEY)
        run = simulate(bench, 3.7)
        for position, fire in enumerate(bench.engine.fire_deg):
            inside = steady(run) & (run.gauge_bar[:, position] > 0.8 * run.truth().peak_gauge_bar[position])
            away = (run.angle_deg[inside] - fire + 180.0) % bench.engine.cycle_deg - 180.0
            assert abs(np.average(away)) < 9.0  # slower before TDC than after


def test_specifications_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="add up to 700"):
        _ = replace(EngineSpec(), intervals_deg=(180.0, 170.0)).fire_deg
    with pytest.raises(ValueError, match="no cylinder 9"):
        EngineSpec().with_cylinder(9, CylinderSpec())
    with pytest.raises(ValueError, match="describe each or none"):
        physics(Bench(replace(EngineSpec(), cylinders=(CylinderSpec(),))))


def test_a_gasket_leak_lowers_both_of_its_cylinders_and_no_other() -> None:
    truth = cranked(replace(EngineSpec(), gasket=GasketLeak((2, 3), 6.0))).truth()
    relative = dict(zip((1, 3, 4, 2), truth.relative_percent, strict=True))
    assert max(relative[2], relative[3]) < 80.0 and min(relative[1], relative[4]) > 97.0
    assert abs(relative[2] - relative[3]) < 25.0  # which of them fires first makes some difference


def test_a_gasket_leak_neither_makes_nor_loses_gas() -> None:
    """Still crank, valves shut, no other leak and no heat: what one cylinder loses the other gains, energy included."""
    from crankfold.plugins.virtual.physics import through_gasket

    engine = replace(SMOOTH, firing_order=(1, 2), cylinders=(CylinderSpec(leak_mm2=0.0),) * 2,
                     gasket=GasketLeak((1, 2), 4.0))
    c = physics(Bench(engine))
    y = np.zeros(14)
    y[10:14] = (4e-4, 600.0, 1e-4, 320.0)
    rates = np.zeros(14)
    through_gasket(c, y, np.array([8e5, 1e5]), rates)
    assert rates[10] < 0.0 and rates[10] == -rates[12]

    def stored(k: int) -> float:
        """Rate of change of internal energy: u dm + m cv dT, from 300 K."""
        mass, temp = y[10 + 2 * k], y[11 + 2 * k]
        over = temp - 300.0
        return rates[10 + 2 * k] * (713.0 * over + 0.085 * over**2) + mass * (713.0 + 0.17 * over) * rates[11 + 2 * k]

    assert stored(0) == pytest.approx(-stored(1), rel=1e-9)


def test_a_lost_inlet_lobe_leaves_nothing_to_compress_and_a_lost_exhaust_lobe_compresses_twice() -> None:
    inlet = cranked(EngineSpec().with_cylinder(3, CylinderSpec(filling=0.0)))
    assert inlet.truth().relative_percent[1] < 25.0
    exhaust = cranked(EngineSpec().with_cylinder(3, CylinderSpec(exhaust=0.0)))
    late = steady(exhaust)
    turned = np.mod(exhaust.angle_deg - exhaust.bench.engine.fire_deg[1], 720.0)
    between = late & (np.abs(turned - 360.0) < 60.0)
    assert exhaust.gauge_bar[between, 1].max() > 3.0 > exhaust.gauge_bar[between, 0].min()
    sound = cranked()
    exhausting = np.abs(np.mod(sound.angle_deg - 180.0, 720.0) - 360.0) < 60.0
    assert sound.gauge_bar[steady(sound) & exhausting, 1].max() < 1.0


def test_an_unsteady_leak_changes_from_cycle_to_cycle_and_a_steady_one_does_not() -> None:
    spreads = []
    for scatter in (0.0, 1.2):
        engine = EngineSpec().with_cylinder(3, CylinderSpec(leak_mm2=3.0, leak_scatter=scatter))
        peaks = cranked(engine, seconds=5.5, key=KeySpec(0.5, 5.3, 200.0)).peaks(1, 1.2, 5.2)
        spreads.append(peaks.std() / peaks.mean())
    assert spreads[0] < 0.02 and spreads[1] > 0.15


def test_scatter_makes_cycle_times_differ_by_about_so_much() -> None:
    for scatter in (0.002, 0.008):
        run = cranked(replace(EngineSpec(), scatter=scatter), seconds=9.0, key=KeySpec(0.5, 8.9, 200.0))
        turns = 720.0 * np.arange(3, 15)
        seen = np.diff([run.time_at(run.angle_deg[0] + a) for a in turns])
        assert 0.4 * scatter < seen.std() / seen.mean() < 2.5 * scatter


def test_stiffness_goes_with_the_turns_and_not_with_the_time() -> None:
    from crankfold.plugins.virtual.physics import friction

    smooth = replace(EngineSpec(), dry_nm=0.0, breakaway_nm=0.0, viscous_nms=0.0)
    c = physics(Bench(replace(smooth, stiff_nm=40.0, stiff_turns=0.5)))
    torque = [friction(c, 2.0 * np.pi * turns, 20.0) for turns in (0.0, 0.5, 1.5, 5.0)]
    assert torque == pytest.approx([40.0, 20.0, 4.0, 40.0 / 101.0], rel=1e-6)


def test_the_armature_takes_flux_from_the_field_when_it_draws_much() -> None:
    from crankfold.plugins.virtual.physics import field

    c = physics(Bench(starter=replace(StarterSpec(), reaction_amps=800.0)))
    assert [field(c, i) / c.motor_k for i in (0.0, 400.0, 800.0)] == pytest.approx([1.0, 0.8, 0.5])


def test_a_locked_load_swings_the_speed_at_its_order() -> None:
    load = LockedLoad(1.5, 12.0, 12.0)
    lines = []
    for locked in ((), (load,)):
        run = cranked(replace(EngineSpec(), locked=locked), seconds=6.0, key=KeySpec(0.5, 5.9, 200.0))
        late = (run.time_s > 1.5) & (run.time_s < 5.8)
        even = np.arange(run.angle_deg[late][0], run.angle_deg[late][-1] - 720.0, 5.0)
        even = even[: len(even) // 144 * 144]  # whole cycles
        speed = np.interp(even, run.angle_deg[late], run.crank_rad_s[late])
        lines.append(2.0 * np.abs(np.mean(speed * np.exp(-1j * 1.5 * np.radians(even)))))
    assert lines[1] > 5.0 * lines[0] and lines[1] > 0.2


def test_a_starter_that_idles_draws_what_brushes_and_windage_take() -> None:
    starter = replace(PLAIN_STARTER, drag_nm=0.5, windage_nms=0.002)
    cylinders = tuple(CylinderSpec(fires_from_cycle=1.0) for _ in range(4))
    run = cranked(replace(EngineSpec(), cylinders=cylinders), starter=starter, battery=PLAIN_BATTERY)
    last = int(np.searchsorted(run.time_s, 3.4))
    assert run.clutch_nm[last] == 0.0
    shaft = run.armature_rad_s[last] * starter.gear_ratio
    assert run.current_a[last] * starter.volt_seconds == pytest.approx(0.5 + 0.002 * shaft, rel=0.02)


def test_one_cylinder_alone_fires_and_weakly() -> None:
    def fastest(burn: float, who: tuple[int, ...]) -> float:
        cylinders = tuple(CylinderSpec(fires_from_cycle=1.0 if k in who else None, burn=burn) for k in range(4))
        run = cranked(replace(EngineSpec(), cylinders=cylinders))
        assert run.fired_s is not None
        return float(run.crank_rad_s[run.time_s < 3.4].max())

    one, weak, all_four = fastest(1.0, (2,)), fastest(0.25, (2,)), fastest(1.0, (0, 1, 2, 3))
    assert cranked().crank_rad_s.max() < weak < one < all_four


def test_a_charge_burns_by_chance_but_the_first_for_certain() -> None:
    from crankfold.plugins.virtual.numbers import drawn

    cylinders = tuple(CylinderSpec(fires_from_cycle=2.0, burn_chance=0.3, burn=0.5) for _ in range(4))
    bench = Bench(replace(EngineSpec(), cylinders=cylinders))
    c = drawn(physics(bench), bench, 1.0, 3)
    assert np.mean(c.burn_cycle > 0.0) == pytest.approx(0.3, abs=0.1)
    assert set(np.unique(c.burn_cycle)) == {0.0, 0.5}
    first = [int(np.ceil((1.0 + 2.0 * c.cycle - fire) / c.cycle)) for fire in c.fire]
    assert all(c.burn_cycle[k, number] == 0.5 for k, number in enumerate(first))


def test_consumers_are_on_their_own_leads_while_they_are_switched_on() -> None:
    pump = Consumer(8.0, on_s=-0.2, off_s=3.1, surge=3.0, surge_s=0.02)
    glow = Consumer(60.0, on_s=-0.4, on_starter_lead=False)
    run, bare = (cranked(battery=replace(BatterySpec(), load_a=0.0, consumers=x)) for x in ((pump, glow), ()))
    at = {t: round(t * 1e4) for t in (0.05, 0.15, 0.301, 0.45, 3.55, 3.65)}
    extra = run.current_a - bare.current_a
    assert extra[at[0.05]] == extra[at[0.15]] == 0.0 and extra[at[0.301]] == pytest.approx(24.0, rel=0.06)
    assert extra[at[0.45]] == pytest.approx(8.0, rel=0.01) and extra[at[3.55]] == pytest.approx(8.0)
    assert extra[at[3.65]] == 0.0
    assert (run.battery_a - run.current_a)[at[0.15]] == pytest.approx(60.0)
    assert run.volts[at[0.15]] < bare.volts[at[0.15]] - 0.2
