"""Engines, rigs and crankings that are not the textbook's."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from draws import Rng, log_span, span
from random_bench import LAYOUTS, Drawn, Wanted, draw
from random_rig import random_rig

from crankfold.plugins.virtual.engine import STEP_S, VirtualRun, simulate
from crankfold.plugins.virtual.specs import Consumer, GasketLeak, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.plugins.virtual.specs import Bench, CylinderSpec


def decompressor(rng: Rng, cut: Any) -> Any:
    def tweak(bench: Bench, r: Rng) -> Bench:
        return replace(bench, engine=replace(bench.engine, decompressor_revs=span(r, 1.0, 5.0)))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, crank_s=(5.0, 8.0)))
    run, truth = drawn.run, drawn.truth
    shut = run.time_at(float(run.angle_deg[0]) + 360.0 * (run.bench.engine.decompressor_revs + 2.0))
    cycle_s = run.bench.engine.cycle_deg / 6.0 / truth.rpm
    onset = shut if shut is not None and shut < truth.end_s - 1.5 * cycle_s else truth.onset_s
    later = run.truth_between(onset, truth.end_s - 0.06)
    return cut(replace(drawn, truth=replace(later, onset_s=truth.onset_s)), random_rig(rng, drawn), may_refuse=True,
               why=("decompressor",))


def several_cranks(rng: Rng, cut: Any) -> Any:
    """Return a recording with two crankings, of which the longer is to be judged."""
    drawn = draw(rng, Wanted(LAYOUTS, crank_s=(3.0, 5.0)))
    other_s = span(rng, 0.3, 2.0)
    bench = drawn.run.bench
    gap = span(rng, 1.0, 3.0)
    short = replace(bench, key=KeySpec(gap, gap + other_s))
    brief = simulate(short, gap + other_s + 0.5, seed=int(rng.integers(1 << 31)))
    first = rng.uniform() < 0.5
    runs = (brief, drawn.run) if first else (drawn.run, brief)
    shift = len(brief.time_s) * STEP_S if first else 0.0
    truth = replace(drawn.truth, onset_s=drawn.truth.onset_s + shift, end_s=drawn.truth.end_s + shift)
    return cut(replace(drawn, run=joined(*runs), truth=truth), random_rig(rng, drawn), may_refuse=False,
               why=("several cranks",))


def joined(one: VirtualRun, two: VirtualRun) -> VirtualRun:
    """Return one run after the other; the crank may stand elsewhere in the second."""
    cycle = one.bench.engine.cycle_deg
    turned = np.ceil((one.angle_deg.max() - two.angle_deg[0]) / cycle) * cycle
    both = {name: np.concatenate((getattr(one, name), getattr(two, name)))
            for name in ("crank_rad_s", "armature_rad_s", "current_a", "battery_a", "volts", "clutch_nm", "gauge_bar")}
    angle = np.concatenate((one.angle_deg, two.angle_deg + turned))
    return replace(one, time_s=np.arange(len(angle)) * STEP_S, angle_deg=angle, **both)


def battery_voltage(rng: Rng, cut: Any) -> Any:
    drawn = draw(rng, Wanted(LAYOUTS))
    rig = replace(random_rig(rng, drawn), quantity="battery-voltage", clamp_mv_per_a=1000.0, full_scale=None,
                  polarity=1, noise_a=log_span(rng, 0.02, 0.2), limit_a=None, bits=int(rng.integers(10, 17)))
    return cut(drawn, rig, may_refuse=True, why=("battery-voltage",))


def battery_lead(rng: Rng, cut: Any) -> Any:
    """Return a recording of the battery's lead, with lamps and glow plugs on it."""
    def tweak(bench: Bench, r: Rng) -> Bench:
        glow = bench.battery.volts / span(r, 20.0, 80.0) if r.uniform() < 0.5 else 0.0
        return replace(bench, battery=replace(bench.battery, glow_plug_ohm=glow, load_a=span(r, 2.0, 25.0)))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak))
    rig = replace(random_rig(rng, drawn), quantity="battery-current")
    return cut(drawn, rig, may_refuse=True, why=("battery lead",))


def liquid(rng: Rng, cut: Any) -> Any:
    def tweak(bench: Bench, r: Rng) -> Bench:
        cylinders = list(bench.engine.by_position())
        wet = int(r.integers(len(cylinders)))
        cylinders[wet] = replace(cylinders[wet], clearance=span(r, 0.6, 0.85))
        return replace(bench, engine=replace(bench.engine, cylinders=tuple(cylinders)))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, faults=("none",)))
    made = cut(drawn, random_rig(rng, drawn), may_refuse=True, codes=("far-above",), why=("liquid",))
    return replace(made, acceptable=("even", "uneven", "none"))


def no_compression(rng: Rng, cut: Any) -> Any:
    """Return an engine without compression anywhere: the timing drive is broken."""
    def tweak(bench: Bench, r: Rng) -> Bench:
        leaks = tuple(replace(c, leak_mm2=span(r, 60.0, 120.0)) for c in bench.engine.by_position())
        return replace(bench, engine=replace(bench.engine, cylinders=leaks))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, faults=("none",), min_cycles=-1.0))
    return cut(drawn, random_rig(rng, drawn), "nohumps", codes=("no-humps",), why=("timing drive",))


def seized(rng: Rng, cut: Any) -> Any:
    """Return an engine that does not turn: the starter stands still and draws all it can.

    Its friction is several times what any starter overcomes; far more would only shake the crank from step to step.
    """
    def tweak(bench: Bench, r: Rng) -> Bench:
        short = replace(bench.key, off_s=bench.key.on_s + 2.0)
        return replace(bench, engine=replace(bench.engine, dry_nm=1e3), key=short)

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, faults=("none",), min_cycles=-1.0))
    return cut(drawn, random_rig(rng, drawn), "seized", codes=("no-humps", "no-cranking", "too-short"), why=("seized",))


def all_low(rng: Rng, cut: Any) -> Any:
    """Return an engine whose cylinders are equally low: it looks even, and may be called so."""
    def tweak(bench: Bench, r: Rng) -> Bench:
        leak = span(r, 1.5, 4.0)
        leaks = tuple(replace(c, leak_mm2=leak * float(np.exp(r.normal(0.0, 0.03))))
                      for c in bench.engine.by_position())
        return replace(bench, engine=replace(bench.engine, cylinders=leaks))

    drawn: Drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, faults=("none",)))
    return cut(drawn, random_rig(rng, drawn), may_refuse=True, why=("all low",))


def with_one(rng: Rng, cut: Any, why: str, change: Callable[[Rng, CylinderSpec], CylinderSpec]) -> Any:
    """Return an engine with something else wrong in one cylinder; what its pressure says is the truth."""
    def tweak(bench: Bench, r: Rng) -> Bench:
        cylinders = list(bench.engine.by_position())
        which = int(r.integers(len(cylinders)))
        cylinders[which] = change(r, cylinders[which])
        return replace(bench, engine=replace(bench.engine, cylinders=tuple(cylinders)))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, faults=("none",)))
    return cut(drawn, random_rig(rng, drawn), may_refuse=True, why=(why,))


def carbon(rng: Rng, cut: Any) -> Any:
    return with_one(rng, cut, "carbon", lambda r, c: replace(c, clearance=span(r, 0.7, 0.92)))


def inlet_lobe(rng: Rng, cut: Any) -> Any:
    return with_one(rng, cut, "inlet lobe", lambda r, c: replace(c, filling=0.0))


def exhaust_lobe(rng: Rng, cut: Any) -> Any:
    return with_one(rng, cut, "exhaust lobe", lambda r, c: replace(c, exhaust=0.0))


def unsteady(rng: Rng, cut: Any) -> Any:
    """Return an engine with a leak that changes from cycle to cycle."""
    return with_one(rng, cut, "unsteady leak", lambda r, c: replace(
        c, leak_mm2=log_span(r, 1.0, 8.0), leak_scatter=span(r, 0.5, 1.6)))


def gasket(rng: Rng, cut: Any) -> Any:
    """Return an engine with two neighbouring cylinders that leak into each other."""
    def tweak(bench: Bench, r: Rng) -> Bench:
        first = int(r.integers(1, len(bench.engine.firing_order)))
        leak = GasketLeak((first, first + 1), log_span(r, 1.0, 15.0))
        return replace(bench, engine=replace(bench.engine, gasket=leak))

    drawn = draw(rng, Wanted({k: v for k, v in LAYOUTS.items() if len(v[0]) > 2}, tweak=tweak, faults=("none",)))
    return cut(drawn, random_rig(rng, drawn), may_refuse=True, why=("gasket",))


def switched(rng: Rng, cut: Any) -> Any:
    """Return a recording with lamps on the starter's lead, or glow plugs on the battery's, switched on meanwhile."""
    plugs = rng.uniform() < 0.5

    def tweak(bench: Bench, r: Rng) -> Bench:
        on_s = span(r, -0.6, 2.0)
        lamps = Consumer(span(r, 5, 25), on_s, surge=span(r, 4, 9), surge_s=span(r, 0.02, 0.08))
        what = replace(lamps, amps=span(r, 30, 90), surge=span(r, 1.3, 2.0), surge_s=span(r, 0.5, 2.0),
                       on_starter_lead=False) if plugs else lamps
        return replace(bench, battery=replace(bench.battery, consumers=(*bench.battery.consumers, what)))

    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak))
    rig = random_rig(rng, drawn)
    return cut(drawn, replace(rig, quantity="battery-current") if plugs else rig, may_refuse=True, why=("switched",))


UNUSUAL: dict[str, Callable[[Rng, Any], Any]] = {
    "decompressor": decompressor, "several": several_cranks, "battery-voltage": battery_voltage,
    "battery-lead": battery_lead, "liquid": liquid, "no-compression": no_compression, "seized": seized,
    "all-low": all_low, "carbon": carbon, "inlet-lobe": inlet_lobe, "exhaust-lobe": exhaust_lobe,
    "unsteady": unsteady, "gasket": gasket, "switched": switched,
}
