"""The Harbour Workshop's engines: made up, each with a starter and battery that turn it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from crankfold.plugins.virtual.specs import BatterySpec, Bench, Consumer, EngineSpec, StarterSpec


@dataclass(frozen=True)
class Fleet:
    """One engine of the workshop: a title for people, and the bench."""

    title: str
    bench: Bench


IGNITION = Consumer(7.0, on_s=-0.5, surge=1.6)  # with the fuel pump; the key passes by it and comes back to it

_PUMP = EngineSpec()
_STARTER = StarterSpec()
_BATTERY = BatterySpec()

FLEET: dict[str, Fleet] = {
    "pump": Fleet("irrigation pump, four cylinders", Bench()),
    "launch": Fleet("harbour launch, six cylinders", Bench(
        replace(_PUMP, firing_order=(1, 5, 3, 6, 2, 4), bore_mm=94.0, stroke_mm=90.0, compression_ratio=9.0,
                dry_nm=30.0, breakaway_nm=18.0, viscous_nms=1.2, inlet_area_mm2=680.0, exhaust_area_mm2=560.0,
                throttle_mm2=2000.0, manifold_l=6.0, reciprocating_kg=0.8, inertia_kgm2=0.2),
        replace(_STARTER, volt_seconds=0.029, resistance_ohm=0.0062, inductance_uh=30.0, gear_ratio=14.0,
                armature_gcm2=3400.0),
        replace(_BATTERY, ohmic_ohm=0.0042, polarisation_ohm=0.0014, cable_ohm=0.0018, capacity_ah=90.0))),
    "twin": Fleet("bilge pump, two cylinders in a right-angled V", Bench(
        replace(_PUMP, firing_order=(1, 2), intervals_deg=(270.0, 450.0), bore_mm=78.0, stroke_mm=76.0,
                compression_ratio=9.0, dry_nm=6.0, breakaway_nm=3.0, viscous_nms=0.25, inlet_area_mm2=480.0,
                exhaust_area_mm2=380.0, throttle_mm2=500.0, manifold_l=1.0, reciprocating_kg=0.45, inertia_kgm2=0.085),
        replace(_STARTER, volt_seconds=0.0255, resistance_ohm=0.0165, inductance_uh=60.0, gear_ratio=14.0,
                armature_gcm2=1400.0),
        replace(_BATTERY, ohmic_ohm=0.0085, polarisation_ohm=0.003, cable_ohm=0.0045, capacity_ah=35.0))),
    "vee": Fleet("workboat, V6 that fires at 90 and 150 degrees, series-wound starter", Bench(
        replace(_PUMP, firing_order=(1, 6, 5, 4, 3, 2), intervals_deg=(90.0, 150.0), bore_mm=96.0, stroke_mm=86.0,
                dry_nm=26.0, breakaway_nm=14.0, viscous_nms=1.0, inlet_area_mm2=700.0, exhaust_area_mm2=580.0,
                throttle_mm2=2000.0, manifold_l=5.0, reciprocating_kg=0.8, inertia_kgm2=0.155),
        replace(_STARTER, volt_seconds=0.034, field_curve="tanh", field_amps=200.0, field_residual=0.03,
                resistance_ohm=0.0072, inductance_uh=45.0, gear_ratio=15.0, armature_gcm2=2300.0),
        replace(_BATTERY, ohmic_ohm=0.0042, polarisation_ohm=0.0014, cable_ohm=0.002, capacity_ah=90.0))),
    "eight": Fleet("pilot boat, V8", Bench(
        replace(_PUMP, firing_order=(1, 8, 4, 3, 6, 5, 7, 2), bore_mm=100.0, stroke_mm=88.0, dry_nm=38.0,
                breakaway_nm=20.0, viscous_nms=1.6, inlet_area_mm2=800.0, exhaust_area_mm2=640.0, throttle_mm2=2600.0,
                manifold_l=8.0, reciprocating_kg=0.9, inertia_kgm2=0.23),
        replace(_STARTER, volt_seconds=0.0275, resistance_ohm=0.0052, inductance_uh=25.0, gear_ratio=15.0,
                armature_gcm2=3300.0),
        replace(_BATTERY, ohmic_ohm=0.0032, polarisation_ohm=0.001, cable_ohm=0.0015, capacity_ah=100.0))),
    "tug": Fleet("tug, six-cylinder diesel on 24 V, series-wound starter", Bench(
        replace(_PUMP, firing_order=(1, 5, 3, 6, 2, 4), bore_mm=112.0, stroke_mm=132.0, compression_ratio=17.0,
                inlet_opens_deg=345.0, inlet_closes_deg=578.0, dry_nm=75.0, breakaway_nm=40.0, viscous_nms=3.0,
                inlet_area_mm2=1000.0, exhaust_area_mm2=850.0, throttle_mm2=9000.0, manifold_l=12.0,
                reciprocating_kg=3.0, valve_spring_nm=6.0, inertia_kgm2=0.55),
        replace(_STARTER, volt_seconds=0.083, field_curve="tanh", field_amps=420.0, field_residual=0.03,
                resistance_ohm=0.0085, inductance_uh=60.0, gear_ratio=13.0, armature_gcm2=9000.0,
                clutch_nm_per_rad=45000.0),
        replace(_BATTERY, volts=25.2, volts_fall_to_empty=2.3, ohmic_ohm=0.0055, polarisation_ohm=0.0018,
                cable_ohm=0.002, capacity_ah=180.0))),
    "outboard": Fleet("dinghy's outboard, two cylinders, two strokes", Bench(
        replace(_PUMP, firing_order=(1, 2), strokes=2, bore_mm=66.0, stroke_mm=62.0, compression_ratio=7.5,
                inlet_opens_deg=120.0, inlet_closes_deg=240.0, exhaust_opens_deg=104.0, exhaust_closes_deg=256.0,
                dry_nm=5.0, breakaway_nm=2.5, viscous_nms=0.2, inlet_area_mm2=500.0, exhaust_area_mm2=600.0,
                throttle_mm2=600.0, manifold_l=1.0, reciprocating_kg=0.3, valve_spring_nm=0.0, inertia_kgm2=0.032),
        replace(_STARTER, volt_seconds=0.0214, resistance_ohm=0.026, inductance_uh=90.0, gear_ratio=14.0,
                armature_gcm2=550.0, clutch_nm_per_rad=5000.0),
        replace(_BATTERY, ohmic_ohm=0.014, polarisation_ohm=0.004, cable_ohm=0.007, capacity_ah=30.0))),
    "generator": Fleet("generator, one cylinder", Bench(
        replace(_PUMP, firing_order=(1,), bore_mm=76.0, stroke_mm=62.0, compression_ratio=8.3, dry_nm=3.5,
                breakaway_nm=2.0, viscous_nms=0.12, inlet_area_mm2=420.0, exhaust_area_mm2=340.0, throttle_mm2=400.0,
                manifold_l=0.6, reciprocating_kg=0.35, inertia_kgm2=0.067),
        replace(_STARTER, volt_seconds=0.0222, resistance_ohm=0.0255, inductance_uh=90.0, gear_ratio=14.0,
                armature_gcm2=1150.0, clutch_nm_per_rad=5000.0),
        replace(_BATTERY, ohmic_ohm=0.014, polarisation_ohm=0.0037, cable_ohm=0.007, capacity_ah=30.0))),
}
