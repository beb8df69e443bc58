"""The bench of a virtual engine in the numbers of its equations: SI units, arrays by position in the firing order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from crankfold.plugins.virtual.specs import (
    FIELD_CURVES,
    LEAK_LAWS,
    NEVER,
    Bench,
    EngineSpec,
    LockedLoad,
    StarterSpec,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

# The compiled equations have these built in: their cache is to be cleared when one is changed.
R_AIR = 287.05  # J/(kg K)
STATES = 10  # states before the cylinders' pairs of mass and temperature
DRAWN_CYCLES, DRAWN_HALF_TURNS = 128, 512  # after so many the draws come round again

STEP_S = 1e-4  # a light crank with its clutch swings at 100 Hz at most
KELVIN = 273.15
KGM2_PER_GCM2 = 1e-7  # kg m2 in a g cm2
FRICTION_FOLD = 45.0  # friction's standard deviation from half turn to half turn, over the scatter of cycle times
CLOSING_DEG = 60.0  # the inlet's closing wavers by so many degrees for a scatter of one: 0.3 degrees for half a percent
LEAK_FOLD = 15.0  # leaks waver by so much in their logarithm for a scatter of one


class Physics(NamedTuple):
    """Every number the equations need, SI units; arrays are by position in the firing order."""

    fire: NDArray[np.float64]
    leak_area: NDArray[np.float64]
    leak_law: NDArray[np.int64]
    intake_area: NDArray[np.float64]
    clearance: NDArray[np.float64]
    intake_shift: NDArray[np.float64]
    exhaust_area: NDArray[np.float64]
    burn_from: NDArray[np.float64]
    leak_cycle: NDArray[np.float64]
    close_cycle: NDArray[np.float64]
    burn_cycle: NDArray[np.float64]
    friction_half_turn: NDArray[np.float64]
    locked_order: NDArray[np.float64]
    locked_swing: NDArray[np.float64]
    locked_mean: NDArray[np.float64]
    locked_phase: NDArray[np.float64]
    gasket_a: int
    gasket_b: int
    gasket_area: float
    cycle: float
    piston_area: float
    crank_radius: float
    rod: float
    bore: float
    recip_mass: float
    inertia: float
    intake_open: float
    intake_close: float
    exhaust_open: float
    exhaust_close: float
    throttle_area: float
    manifold_volume: float
    air_p: float
    air_t: float
    wall_t: float
    heat_factor: float
    burn_heat: float
    decompress_until: float
    decompress_area: float
    dry: float
    breakaway: float
    breakaway_speed: float
    viscous: float
    stiff: float
    stiff_way: float
    ring: float
    ring_pressure: float
    spring: float
    motor_k: float
    motor_curve: int
    motor_i_sat: float
    motor_shape: float
    motor_residual: float
    motor_reaction: float
    motor_r: float
    cable_r: float
    motor_l: float
    motor_heat_cap: float
    motor_drag: float
    motor_windage: float
    armature: float
    gear: float
    gear_eff: float
    brush_v: float
    clutch_k: float
    clutch_c: float
    pull_in: float
    hold_in: float
    pull_in_s: float
    emf: float
    ohmic: float
    pol_r: float
    pol_tau: float
    emf_slope: float
    second_g: float
    second_emf: float
    second_pol_r: float
    load_a: float
    load_g: float
    key_on: float
    key_off: float
    start: float
    step: float


def resting_state(c: Physics, start_rad: float) -> NDArray[np.float64]:
    """Return the state of a standing engine: air in every cylinder at the air's pressure and the walls' warmth."""
    state = np.zeros(STATES + 2 * len(c.fire))
    state[0], state[9] = start_rad, c.air_p
    rest = c.load_a / (1.0 + c.second_g * c.ohmic)
    state[5], state[6] = c.pol_r * rest, c.second_pol_r * rest * c.second_g * c.ohmic
    ang = start_rad - c.fire
    travel = c.crank_radius * (1.0 - np.cos(ang)) + c.rod - np.sqrt(c.rod**2 - (c.crank_radius * np.sin(ang)) ** 2)
    state[STATES::2] = c.air_p * (c.clearance + c.piston_area * travel) / (R_AIR * c.wall_t)
    state[STATES + 1 :: 2] = c.wall_t
    return state


def physics(bench: Bench) -> Physics:
    """Return the bench in the numbers of the equations."""
    e, b = bench.engine, bench.battery
    cylinders = e.by_position()
    if len(cylinders) != len(e.firing_order):
        raise ValueError(f"{len(cylinders)} cylinders described, {len(e.firing_order)} in the firing order; "
                         "describe each or none")
    bore, radius = e.bore_mm * 1e-3, e.stroke_mm * 0.5e-3
    area = np.pi / 4.0 * bore**2
    emptiness = 1.0 - b.charge
    return Physics(
        fire=np.radians(e.fire_deg),
        leak_area=np.array([c.leak_mm2 * 1e-6 for c in cylinders]),
        leak_law=np.array([LEAK_LAWS.index(c.leak_law) for c in cylinders]),
        intake_area=np.array([c.filling * e.inlet_area_mm2 * 1e-6 for c in cylinders]),
        clearance=np.array([c.clearance * area * 2.0 * radius / (e.compression_ratio - 1.0) for c in cylinders]),
        intake_shift=np.radians([c.inlet_shift_deg for c in cylinders]),
        exhaust_area=np.array([c.exhaust * e.exhaust_area_mm2 * 1e-6 for c in cylinders]),
        burn_from=np.full(len(cylinders), NEVER), leak_cycle=np.ones((len(cylinders), DRAWN_CYCLES)),
        close_cycle=np.zeros((len(cylinders), DRAWN_CYCLES)), burn_cycle=np.ones((len(cylinders), DRAWN_CYCLES)),
        friction_half_turn=np.ones(DRAWN_HALF_TURNS), **_locked(e.locked), **_gasket(e),
        cycle=np.radians(e.cycle_deg), piston_area=area, crank_radius=radius, rod=radius * e.rod_ratio, bore=bore,
        recip_mass=e.reciprocating_kg, inertia=e.inertia_kgm2,
        intake_open=np.radians(e.inlet_opens_deg), intake_close=np.radians(e.inlet_closes_deg),
        exhaust_open=np.radians(e.exhaust_opens_deg), exhaust_close=np.radians(e.exhaust_closes_deg),
        throttle_area=e.throttle_mm2 * 1e-6,
        manifold_volume=e.manifold_l * 1e-3, air_p=e.air_bar * 1e5, air_t=e.air_c + KELVIN, wall_t=e.wall_c + KELVIN,
        heat_factor=e.heat_factor, burn_heat=e.burn_kj_per_kg * 1e3,
        decompress_until=2.0 * np.pi * e.decompressor_revs, decompress_area=e.decompressor_mm2 * 1e-6,
        dry=e.dry_nm, breakaway=e.breakaway_nm, breakaway_speed=4.0, viscous=e.viscous_nms,
        stiff=e.stiff_nm, stiff_way=2.0 * np.pi * e.stiff_turns, ring=e.ring_n,
        ring_pressure=e.ring_pressure, spring=e.valve_spring_nm,
        motor_curve=FIELD_CURVES.index(bench.starter.field_curve), **_starter(bench.starter, b.cable_ohm, b.cable_uh),
        emf=b.volts - b.volts_fall_to_empty * emptiness, ohmic=b.ohmic_ohm * (1.0 + 0.6 * emptiness**1.5),
        pol_r=b.polarisation_ohm, pol_tau=b.polarisation_s,
        emf_slope=b.volts_fall_to_empty / (3600.0 * b.capacity_ah),
        second_g=1.0 / (b.ohmic_ohm + b.second_link_ohm) if b.second else 0.0, second_emf=b.second_volts,
        second_pol_r=b.polarisation_ohm, load_a=b.load_a, load_g=1.0 / b.glow_plug_ohm if b.glow_plug_ohm else 0.0,
        key_on=0.0, key_off=bench.key.off_s - bench.key.on_s, start=0.0, step=STEP_S,
    )


def drawn(c: Physics, bench: Bench, start_rad: float, seed: int) -> Physics:
    """Return the numbers with what differs from cycle to cycle drawn, and the charges that burn."""
    rng = np.random.default_rng([seed, 5])
    engine, cylinders = bench.engine, bench.engine.by_position()
    shape = (len(cylinders), DRAWN_CYCLES)
    friction, closing, leaks, chances = (rng.standard_normal(DRAWN_HALF_TURNS), rng.standard_normal(shape),
                                         rng.standard_normal(shape), rng.uniform(size=shape))
    spread = np.hypot(LEAK_FOLD * engine.scatter, [x.leak_scatter for x in cylinders])
    burns = np.array([x.burn for x in cylinders])[:, None] * (chances < [[x.burn_chance] for x in cylinders])
    first = [NEVER if x.fires_from_cycle is None else start_rad + x.fires_from_cycle * c.cycle for x in cylinders]
    for k, (x, at) in enumerate(zip(cylinders, first, strict=True)):
        if x.fires_from_cycle is not None:
            burns[k, int(np.ceil((at - c.fire[k]) / c.cycle)) % DRAWN_CYCLES] = x.burn  # it has begun by burning
    return c._replace(
        burn_from=np.array(first), start=start_rad, burn_cycle=burns,
        leak_cycle=np.exp(spread[:, None] * leaks), close_cycle=np.radians(CLOSING_DEG * engine.scatter * closing),
        friction_half_turn=np.maximum(1.0 + FRICTION_FOLD * engine.scatter * friction, 0.0))


def _locked(loads: tuple[LockedLoad, ...]) -> dict[str, Any]:
    return {"locked_order": np.array([x.order for x in loads]), "locked_swing": np.array([x.swing_nm for x in loads]),
            "locked_mean": np.array([x.mean_nm for x in loads]),
            "locked_phase": np.array([x.order * np.radians(x.phase_deg) for x in loads])}


def _gasket(engine: EngineSpec) -> dict[str, Any]:
    if engine.gasket is None:
        return {"gasket_a": 0, "gasket_b": 0, "gasket_area": 0.0}
    a, b = (engine.firing_order.index(number) for number in engine.gasket.cylinders)
    return {"gasket_a": a, "gasket_b": b, "gasket_area": engine.gasket.mm2 * 1e-6}


def _starter(s: StarterSpec, cable_ohm: float, cable_uh: float) -> dict[str, Any]:
    armature = s.armature_gcm2 * KGM2_PER_GCM2 * s.gear_ratio**2
    return {
        "motor_k": s.volt_seconds, "motor_i_sat": s.field_amps, "motor_shape": s.field_shape,
        "motor_residual": s.field_residual, "motor_reaction": s.reaction_amps,
        "motor_r": s.resistance_ohm, "cable_r": cable_ohm, "motor_l": (s.inductance_uh + cable_uh) * 1e-6,
        "motor_heat_cap": s.heat_capacity_j_per_k, "motor_drag": s.drag_nm, "motor_windage": s.windage_nms,
        "armature": armature,
        "gear": s.gear_ratio, "gear_eff": s.gear_efficiency, "brush_v": s.brush_drop_v,
        "clutch_k": s.clutch_nm_per_rad, "clutch_c": 0.15 * float(np.sqrt(s.clutch_nm_per_rad * armature)),
        "pull_in": s.pull_in_a, "hold_in": s.hold_in_a, "pull_in_s": s.pull_in_s,
    }
