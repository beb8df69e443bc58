"""The Harbour Workshop's engines: made up, each with a starter and battery that turn it as measured engines turn.

They run up over three to five humps, lose a third of their speed within one, differ from cycle to cycle, idle at tens
of amperes and leave some on the cable; `tests/published/test_virtual_cranking.py` compares them with measured ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from crankfold.plugins.virtual.specs import BatterySpec, Bench, Consumer, EngineSpec, LockedLoad, StarterSpec


@dataclass(frozen=True)
class Fleet:
    """One engine of the workshop: a title for people, and the bench."""

    title: str
    bench: Bench


IGNITION = Consumer(7.0, on_s=0.0, surge=1.6)  # with the fuel pump: its relay closes with the starter and stays closed
SCATTER = 0.005  # of cycle times: 0.2 to 1 % in measured engines
HEAVY_VOLT_SECONDS = 0.06  # starters above it are for 24 V
IDLE_VOLTS = 0.85  # share of the battery's volts that an idling starter turns against

_PUMP = EngineSpec(inertia_kgm2=0.25, dry_nm=8.5, breakaway_nm=5.5, viscous_nms=0.36, stiff_nm=36.0, stiff_turns=0.7,
                   scatter=SCATTER, locked=(LockedLoad(1.0, 0.8, 0.0, 70.0), LockedLoad(1.8, 0.6, 1.2)))
_BATTERY = BatterySpec(consumers=(IGNITION,))


def _starter(idle_a: float, **values: Any) -> StarterSpec:
    """Return a starter that draws so many amperes idle, half of them for brushes and half for windage."""
    bare = StarterSpec(**values)
    full = 1.0 if bare.field_curve == "constant" else float(np.tanh(idle_a / bare.field_amps))
    drag = idle_a * bare.volt_seconds * full
    volts = 24.0 if bare.volt_seconds > HEAVY_VOLT_SECONDS else 12.0
    return replace(bare, drag_nm=0.5 * drag, windage_nms=0.5 * drag * bare.volt_seconds / (IDLE_VOLTS * volts))


def roughened(bench: Bench, share: float) -> Bench:
    """Return an engine with a share of what makes cranking hard to read: 1 as it is, 0 as in a textbook."""
    e, s, b = bench.engine, bench.starter, bench.battery
    locked = tuple(replace(one, swing_nm=share * one.swing_nm) for one in e.locked)
    return replace(
        bench, engine=replace(e, stiff_nm=share * e.stiff_nm, scatter=share * e.scatter, locked=locked),
        starter=replace(s, drag_nm=share * s.drag_nm, windage_nms=share * s.windage_nms),
        battery=replace(b, consumers=tuple(replace(one, amps=share * one.amps) for one in b.consumers)))


FLEET: dict[str, Fleet] = {
    "pump": Fleet("irrigation pump, four cylinders", Bench(
        _PUMP, _starter(72.0, reaction_amps=900.0, volt_seconds=0.03, gear_ratio=12.6), _BATTERY)),
    "launch": Fleet("harbour launch, six cylinders", Bench(
        replace(_PUMP, firing_order=(1, 5, 3, 6, 2, 4), bore_mm=94.0, stroke_mm=90.0, compression_ratio=9.0,
                dry_nm=8.0, breakaway_nm=5.0, viscous_nms=0.35, inlet_area_mm2=680.0, exhaust_area_mm2=560.0,
                throttle_mm2=2000.0, manifold_l=6.0, reciprocating_kg=0.8, inertia_kgm2=0.6,
                stiff_nm=30.0, stiff_turns=1.4, locked=(LockedLoad(1.0, 1.2), LockedLoad(2.3, 0.8, 1.6))),
        _starter(76.0, reaction_amps=1200.0, volt_seconds=0.031, resistance_ohm=0.0062, inductance_uh=30.0,
                 gear_ratio=13.9, armature_gcm2=3400.0),
        replace(_BATTERY, ohmic_ohm=0.0042, polarisation_ohm=0.0014, cable_ohm=0.0018, capacity_ah=90.0))),
    "twin": Fleet("bilge pump, two cylinders in a right-angled V", Bench(
        replace(_PUMP, firing_order=(1, 2), intervals_deg=(270.0, 450.0), bore_mm=78.0, stroke_mm=76.0,
                compression_ratio=9.0, dry_nm=4.2, breakaway_nm=2.1, viscous_nms=0.18, inlet_area_mm2=480.0,
                exhaust_area_mm2=380.0, throttle_mm2=500.0, manifold_l=1.0, reciprocating_kg=0.45, inertia_kgm2=0.16,
                stiff_nm=26.0, stiff_turns=0.9, locked=(LockedLoad(1.0, 0.6),)),
        _starter(35.0, reaction_amps=600.0, volt_seconds=0.0255, resistance_ohm=0.0165, inductance_uh=60.0,
                 gear_ratio=14.0, armature_gcm2=1400.0),
        replace(_BATTERY, ohmic_ohm=0.0085, polarisation_ohm=0.003, cable_ohm=0.0045, capacity_ah=35.0))),
    "vee": Fleet("workboat, V6 that fires at 90 and 150 degrees, series-wound starter", Bench(
        replace(_PUMP, firing_order=(1, 6, 5, 4, 3, 2), intervals_deg=(90.0, 150.0), bore_mm=96.0, stroke_mm=86.0,
                dry_nm=15.6, breakaway_nm=8.4, viscous_nms=0.6, inlet_area_mm2=700.0, exhaust_area_mm2=580.0,
                throttle_mm2=2000.0, manifold_l=5.0, reciprocating_kg=0.8, inertia_kgm2=0.42,
                stiff_nm=45.0, stiff_turns=0.5, locked=(LockedLoad(1.0, 1.5), LockedLoad(1.4, 0.8, 1.6))),
        _starter(68.0, reaction_amps=1000.0, volt_seconds=0.038, field_curve="tanh", field_amps=200.0,
                 field_residual=0.03, resistance_ohm=0.0072, inductance_uh=45.0, gear_ratio=13.4, armature_gcm2=2300.0),
        replace(_BATTERY, ohmic_ohm=0.0042, polarisation_ohm=0.0014, cable_ohm=0.002, capacity_ah=90.0))),
    "eight": Fleet("pilot boat, V8", Bench(
        replace(_PUMP, firing_order=(1, 8, 4, 3, 6, 5, 7, 2), bore_mm=100.0, stroke_mm=88.0, dry_nm=19.0,
                breakaway_nm=10.0, viscous_nms=0.8, inlet_area_mm2=800.0, exhaust_area_mm2=640.0, throttle_mm2=2600.0,
                manifold_l=8.0, reciprocating_kg=0.9, inertia_kgm2=0.5,
                stiff_nm=60.0, stiff_turns=0.4, locked=(LockedLoad(1.0, 1.5), LockedLoad(2.1, 1.0, 2.0))),
        _starter(88.0, reaction_amps=1500.0, volt_seconds=0.031, resistance_ohm=0.0052, inductance_uh=25.0,
                 gear_ratio=13.3, armature_gcm2=3300.0),
        replace(_BATTERY, ohmic_ohm=0.0032, polarisation_ohm=0.001, cable_ohm=0.0015, capacity_ah=100.0))),
    "tug": Fleet("tug, six-cylinder diesel on 24 V, series-wound starter", Bench(
        replace(_PUMP, firing_order=(1, 5, 3, 6, 2, 4), bore_mm=112.0, stroke_mm=132.0, compression_ratio=17.0,
                inlet_opens_deg=345.0, inlet_closes_deg=578.0, dry_nm=52.0, breakaway_nm=28.0, viscous_nms=2.1,
                inlet_area_mm2=1000.0, exhaust_area_mm2=850.0, throttle_mm2=9000.0, manifold_l=12.0,
                reciprocating_kg=3.0, valve_spring_nm=6.0, inertia_kgm2=1.4,
                stiff_nm=160.0, stiff_turns=0.45, locked=(LockedLoad(3.0, 6.0, 6.0), LockedLoad(1.0, 3.0))),
        _starter(85.0, reaction_amps=1800.0, volt_seconds=0.083, field_curve="tanh", field_amps=420.0,
                 field_residual=0.03, resistance_ohm=0.0085, inductance_uh=60.0, gear_ratio=13.0,
                 armature_gcm2=9000.0, clutch_nm_per_rad=45000.0),
        replace(_BATTERY, volts=25.2, volts_fall_to_empty=2.3, ohmic_ohm=0.0055, polarisation_ohm=0.0018,
                cable_ohm=0.002, capacity_ah=180.0))),
    "outboard": Fleet("dinghy's outboard, two cylinders, two strokes", Bench(
        replace(_PUMP, firing_order=(1, 2), strokes=2, bore_mm=66.0, stroke_mm=62.0, compression_ratio=7.5,
                inlet_opens_deg=120.0, inlet_closes_deg=240.0, exhaust_opens_deg=104.0, exhaust_closes_deg=256.0,
                dry_nm=3.5, breakaway_nm=1.8, viscous_nms=0.14, inlet_area_mm2=500.0, exhaust_area_mm2=600.0,
                throttle_mm2=600.0, manifold_l=1.0, reciprocating_kg=0.3, valve_spring_nm=0.0, inertia_kgm2=0.05,
                stiff_nm=14.0, stiff_turns=0.8, locked=(LockedLoad(1.0, 0.3),)),
        _starter(28.0, reaction_amps=400.0, volt_seconds=0.0214, resistance_ohm=0.026, inductance_uh=90.0,
                 gear_ratio=14.0, armature_gcm2=550.0, clutch_nm_per_rad=5000.0),
        replace(_BATTERY, ohmic_ohm=0.014, polarisation_ohm=0.004, cable_ohm=0.007, capacity_ah=30.0))),
    "generator": Fleet("generator, one cylinder", Bench(
        replace(_PUMP, firing_order=(1,), bore_mm=76.0, stroke_mm=62.0, compression_ratio=8.3, dry_nm=2.5,
                breakaway_nm=1.4, viscous_nms=0.09, inlet_area_mm2=420.0, exhaust_area_mm2=340.0, throttle_mm2=400.0,
                manifold_l=0.6, reciprocating_kg=0.35, inertia_kgm2=0.1,
                stiff_nm=13.0, stiff_turns=1.4, locked=(LockedLoad(1.0, 0.3),)),
        _starter(22.0, reaction_amps=400.0, volt_seconds=0.0222, resistance_ohm=0.0255, inductance_uh=90.0,
                 gear_ratio=14.0, armature_gcm2=1150.0, clutch_nm_per_rad=5000.0),
        replace(_BATTERY, ohmic_ohm=0.014, polarisation_ohm=0.0037, cable_ohm=0.007, capacity_ah=30.0))),
}
