"""Random starters, batteries and loads for an engine, so that it cranks as measured engines do.

What is asked for is what was seen: how far the speed falls within a hump, how slowly it runs up, what the starter draws
idle and what stays on its cable; inertia, friction and windings follow from that.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from draws import Rng, log_span, pick, span

from crankfold.plugins.virtual.engine import motored
from crankfold.plugins.virtual.specs import BatterySpec, Bench, Consumer, EngineSpec, LockedLoad, StarterSpec

if TYPE_CHECKING:
    from numpy.typing import NDArray

RIPPLE = {1: (0.25, 0.5), 2: (0.28, 0.6), 3: (0.4, 0.72)}  # least over most speed within a hump that is aimed at
RIPPLE_OF_MORE = (0.54, 0.86)
CARRIED = 0.75  # share of the work of a hump that the flywheel gives; the starter gives the rest
PUMP_NM = (3.0, 14.0)  # swing of a diesel's injection pump


def random_starter(rng: Rng, engine: EngineSpec, series: bool, rpm: float) -> tuple[Bench, float]:
    """Return a bench that turns the engine at about `rpm`, and the lag of its current in seconds."""
    angle, torque, _ = motored(engine, rpm, cycles=2, step_s=2e-4)
    last = angle > angle[0] + engine.cycle_deg
    mean, peak = float(torque[last].mean()), float(torque[last].max())
    speed = rpm * math.pi / 30.0
    inertia = flywheel(rng, engine, (angle[last], torque[last]), speed)
    stiff = mean * span(rng, 0.9, 1.6)
    reaction = span(rng, 1.1, 1.9)  # of the stall current; a half to three quarters of the field are left there
    efficiency = span(rng, 0.72, 0.93)
    least = (0.7 * peak + 0.9 * stiff) / mean * (1.0 + reaction**-2)
    stall_ratio = max(span(rng, 3.0, 5.5), least)  # stall current over the running one
    weak = rng.uniform() < 0.15
    heavy = 24.0 if engine.displacement_l > 5.0 and rng.uniform() < 0.6 else 12.0
    volts, brush = heavy * span(rng, 1.02, 1.06), span(rng, 0.5, 1.5)
    k_crank = (volts - brush) * (1.0 - 1.0 / stall_ratio) / speed
    idle_share = span(rng, 0.25, 0.5)  # of the running current
    running = mean / (efficiency * k_crank) / (1.0 - 0.75 * idle_share)
    loop = (volts - brush) / (running * stall_ratio)
    gear = log_span(rng, 11.0, 45.0)
    armature = inertia * (span(rng, 0.05, 0.4) if series else span(rng, 0.1, 0.5))
    amps = running * log_span(rng, 0.55, 1.7) if series else 250.0
    k_full = k_crank / (math.tanh(running / amps) if series else 1.0)
    at_idle = k_crank * (math.tanh(idle_share * running / amps) / math.tanh(running / amps) if series else 1.0)
    drag = idle_share * running * at_idle / gear
    starter = StarterSpec(
        volt_seconds=k_full / gear, field_curve="tanh" if series else "constant", field_amps=amps,
        field_residual=0.03 if series else 0.0, reaction_amps=reaction * running * stall_ratio,
        resistance_ohm=loop * 0.55, inductance_uh=loop * log_span(rng, 0.8e-3, 4e-3) * 1e6, brush_drop_v=brush,
        heat_capacity_j_per_k=log_span(rng, 300, 1200), drag_nm=0.5 * drag,
        windage_nms=0.5 * drag * at_idle / ((volts - brush) * gear), gear_ratio=gear,
        armature_gcm2=armature / gear**2 * 1e7, gear_efficiency=efficiency,
        clutch_nm_per_rad=max(4000.0, 60.0 * peak), pull_in_a=span(rng, 20, 50), hold_in_a=span(rng, 5, 14),
        pull_in_s=span(rng, 0.015, 0.04), commutator_bars=int(rng.integers(19, 34)))
    battery = BatterySpec(
        volts=volts, charge=span(rng, 0.3, 0.6) if weak else span(rng, 0.75, 1.0),
        volts_fall_to_empty=heavy * span(rng, 0.07, 0.12),
        ohmic_ohm=loop * 0.3 * (span(rng, 1.3, 2.0) if weak else 1.0),
        polarisation_ohm=loop * (span(rng, 0.12, 0.3) if weak else span(rng, 0.02, 0.12)),
        polarisation_s=log_span(rng, 0.5, 3.0), capacity_ah=span(rng, 35, 110), cable_ohm=loop * 0.15,
        cable_uh=span(rng, 1, 5), load_a=span(rng, 0, 15), consumers=left_on(rng, running))
    hump_turns = engine.cycle_deg / 360.0 / len(engine.firing_order)
    slow = 1.0 if rng.uniform() < 0.75 else span(rng, 2.5, 5.0)  # oil that comes late
    engine = replace(engine, inertia_kgm2=max(inertia - armature, 0.02 * inertia), stiff_nm=stiff,
                     stiff_turns=slow * hump_turns * log_span(rng, 0.75, 1.5), scatter=log_span(rng, 0.002, 0.01),
                     locked=locked_loads(rng, engine, mean))
    return Bench(engine, starter, battery), inertia * loop / (efficiency * k_crank**2)


def flywheel(rng: Rng, engine: EngineSpec, torque: tuple[NDArray[np.float64], NDArray[np.float64]], speed: float,
             ) -> float:
    """Return the inertia, kg m2, that lets the speed fall within a hump by a drawn share."""
    angle, nm = torque
    work = np.cumsum((nm - nm.mean()) * np.gradient(np.radians(angle)))
    ripple = span(rng, *RIPPLE.get(len(engine.firing_order), RIPPLE_OF_MORE))
    fastest = speed * 2.0 / (1.0 + ripple)
    return CARRIED * 2.0 * float(np.ptp(work)) / (fastest**2 * (1.0 - ripple**2))


def left_on(rng: Rng, running_a: float) -> tuple[Consumer, ...]:
    """Return what the key switches on with the starter and leaves on: 2-5 % of the humps, in four of five captures."""
    if rng.uniform() < 0.2:
        return ()
    amps = min(running_a * span(rng, 0.04, 0.11), 20.0)
    return (Consumer(amps, on_s=-span(rng, 0.0, 1.2), surge=span(rng, 1.0, 2.5), surge_s=log_span(rng, 0.02, 0.2)),)


def locked_loads(rng: Rng, engine: EngineSpec, mean_nm: float) -> tuple[LockedLoad, ...]:
    """Return the loads that go with the crank: a diesel's pump, something on a belt, what is out of balance."""
    n, most = len(engine.firing_order), 0.3 * mean_nm
    loads = [LockedLoad(1.0, min(span(rng, 0.1, 2.0), most), 0.0, span(rng, 0.0, 360.0))]
    if rng.uniform() < 0.7:
        swing = min(span(rng, 0.2, 2.0), most)
        loads.append(LockedLoad(span(rng, 1.1, 2.9), swing, swing * span(rng, 1.0, 3.0), span(rng, 0.0, 360.0)))
    if engine.compression_ratio > 14.0:
        swing = min(log_span(rng, *PUMP_NM), most)
        order = float(pick(rng, {"1": 1.0, "1.5": 1.0, "2": 1.0, str(n / 2.0): 1.0}))
        loads.append(LockedLoad(order, swing, swing, span(rng, 0.0, 360.0)))
    return tuple(loads)
