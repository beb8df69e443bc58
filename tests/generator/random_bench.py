"""Random engines with starters that can turn them: wide ranges, every draw from one seeded generator."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from draws import Rng, log_span, pick, span
from random_starter import random_starter

from crankfold.plugins.virtual.engine import Truth, VirtualRun, motored, simulate
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, EngineSpec, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable

# name: firing order, intervals, weight
LAYOUTS: dict[str, tuple[tuple[int, ...], tuple[float, ...], float]] = {
    "twin": ((1, 2), (), 2), "twin90": ((1, 2), (270, 450), 2), "twin45": ((1, 2), (315, 405), 2),
    "twin180": ((1, 2), (180, 540), 1.5),
    "i3": ((1, 3, 2), (), 6), "i4": ((1, 3, 4, 2), (), 12), "i4b": ((1, 2, 4, 3), (), 4),
    "cross4": ((1, 3, 2, 4), (270, 180, 90, 180), 2.5), "i5": ((1, 2, 4, 5, 3), (), 4),
    "i6": ((1, 5, 3, 6, 2, 4), (), 7), "v6": ((1, 2, 3, 4, 5, 6), (), 6), "v6odd": ((1, 6, 5, 4, 3, 2), (90, 150), 4),
    "v8": ((1, 8, 4, 3, 6, 5, 7, 2), (), 6), "v8b": ((1, 5, 4, 2, 6, 3, 7, 8), (), 4),
    "v10": ((1, 6, 5, 10, 2, 7, 3, 8, 4, 9), (), 1.2),
    "v10odd": ((1, 10, 9, 4, 3, 6, 5, 8, 7, 2), (90, 54), 1.2),
    "v12": ((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9), (), 1.2),
}
TWO_STROKES: dict[str, tuple[tuple[int, ...], tuple[float, ...], float]] = {
    "t1": ((1,), (), 1), "t2": ((1, 2), (), 1), "t3": ((1, 3, 2), (), 1), "t4": ((1, 4, 3, 2), (), 1),
}
SINGLE: dict[str, tuple[tuple[int, ...], tuple[float, ...], float]] = {"single": ((1,), (), 1)}
FAULTS = {"none": 0.34, "mild": 0.08, "low": 0.18, "weak": 0.1, "dead": 0.16, "two": 0.14}
SPEED_RPM = (75.0, 420.0)  # mean cranking speeds that are kept
TRIES = 40


@dataclass(frozen=True)
class Wanted:
    """What a family asks of the draw."""

    layouts: dict[str, tuple[tuple[int, ...], tuple[float, ...], float]]
    strokes: int = 4
    crank_s: tuple[float, float] = (2.0, 5.5)
    faults: tuple[str, ...] = tuple(FAULTS)
    tweak: Callable[[Bench, Rng], Bench] | None = None
    fault_kinds: tuple[str, ...] = ("leak",)
    min_cycles: float = 2.3


def random_engine(rng: Rng, layout: tuple[tuple[int, ...], tuple[float, ...], float], strokes: int) -> EngineSpec:
    order, intervals, _ = layout
    n = len(order)
    diesel = strokes == 4 and n > 1 and rng.uniform() < 0.2
    bore = log_span(rng, 62.0, 100.0) if strokes == 4 else log_span(rng, 45.0, 80.0)
    size = bore / 82.0
    stroke = bore * span(rng, 0.8, 1.2)
    litres = n * math.pi / 4 * bore**2 * stroke * 1e-6
    inlet = bore**2 * span(rng, 0.05, 0.1)
    mean_pressure = log_span(rng, 0.7e5, 1.9e5)
    friction = mean_pressure * litres * 1e-3 / (math.pi * strokes)
    air = span(rng, -8.0, 38.0)
    valves = (
        {"inlet_opens_deg": span(rng, 335, 358), "inlet_closes_deg": span(rng, 565, 582 if diesel else 606),
         "exhaust_opens_deg": span(rng, 112, 146), "exhaust_closes_deg": span(rng, 362, 382)}
        if strokes == 4 else
        {"inlet_opens_deg": 118.0 + (port := span(rng, -6, 8)), "inlet_closes_deg": 242.0 - port,
         "exhaust_opens_deg": 102.0 + port, "exhaust_closes_deg": 258.0 - port}
    )
    closed = strokes == 4 and rng.uniform() < 0.12
    healthy = 0.3 * size * log_span(rng, 0.4, 2.0)
    cylinders = tuple(CylinderSpec(leak_mm2=healthy * float(np.exp(rng.normal(0.0, 0.15))),
                                   clearance=float(1.0 + np.clip(rng.normal(0.0, 0.006), -0.015, 0.015)))
                      for _ in order)
    return EngineSpec(
        firing_order=order, intervals_deg=tuple(float(x) for x in intervals), strokes=strokes, bore_mm=bore,
        stroke_mm=stroke, rod_ratio=span(rng, 3.0, 4.2),
        compression_ratio=span(rng, 14.5, 20.0) if diesel else span(rng, 7.0, 13.0), **valves,
        inlet_area_mm2=inlet, exhaust_area_mm2=inlet * span(rng, 0.7, 0.95),
        throttle_mm2=litres * (span(rng, 6.0, 30.0) if closed else log_span(rng, 300.0, 900.0)),
        manifold_l=litres * span(rng, 0.7, 2.0), reciprocating_kg=0.5 * size**3 * span(rng, 0.7, 1.3),
        dry_nm=friction * span(rng, 0.4, 0.65), breakaway_nm=friction * span(rng, 0.1, 0.5),
        viscous_nms=friction * span(rng, 0.008, 0.03), ring_n=span(rng, 15, 45) * size,
        ring_pressure=log_span(rng, 1e-4, 4e-4), valve_spring_nm=2.0 * size**3 * span(rng, 0.5, 1.6),
        air_c=air, air_bar=span(rng, 0.93, 1.03), wall_c=air + span(rng, 0.0, 60.0), heat_factor=span(rng, 0.8, 2.4),
        cylinders=cylinders,
    )


def fault_for(engine: EngineSpec, position: int, percent: float, rpm: float, kind: str) -> CylinderSpec:
    """Return the cylinder with a fault of that kind, sized to leave about `percent` of its peak pressure."""
    own = engine.by_position()[position]
    throttle = engine.throttle_mm2 / len(engine.firing_order)
    alone = replace(engine, firing_order=(1,), intervals_deg=(), cylinders=(own,), throttle_mm2=throttle,
                    manifold_l=engine.manifold_l / len(engine.firing_order), gasket=None)

    def made(size: float) -> CylinderSpec:
        if kind == "leak":
            return replace(own, leak_mm2=own.leak_mm2 + 200.0 * size**4)
        if kind == "filling":
            return replace(own, filling=own.filling * (1.0 - size) ** 4)
        if kind == "clearance":
            return replace(own, clearance=own.clearance * (1.0 + 14.0 * size**2))
        if kind == "timing":
            return replace(own, inlet_shift_deg=95.0 * size)
        return replace(own, leak_mm2=own.leak_mm2 + 25.0 * size**4, filling=own.filling * (1.0 - 0.9 * size) ** 3)

    def peak(cylinder: CylinderSpec) -> float:
        _, _, bar = motored(replace(alone, cylinders=(cylinder,)), rpm, cycles=3, step_s=2e-4)
        return float(bar[len(bar) // 3 :, 0].max())

    whole, low, high = peak(own), 0.0, 0.985
    for _ in range(11):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if peak(made(middle)) > percent / 100.0 * whole else (low, middle)
    return made(0.5 * (low + high))


def with_faults(rng: Rng, engine: EngineSpec, rpm: float, wanted: Wanted) -> tuple[EngineSpec, str]:
    n = len(engine.firing_order)
    fault = pick(rng, {f: FAULTS[f] for f in wanted.faults if n > 2 or f != "two"})
    levels = {"none": (), "mild": (span(rng, 76, 92),), "low": (span(rng, 30, 74),), "weak": (span(rng, 4, 30),),
              "dead": (span(rng, 0.05, 2.0),), "two": (span(rng, 2, 72), span(rng, 15, 74))}[fault]
    cylinders = list(engine.by_position())
    for position, percent in zip(rng.permutation(n)[: len(levels)], levels, strict=True):
        kind = wanted.fault_kinds[int(rng.integers(len(wanted.fault_kinds)))]
        cylinders[position] = fault_for(engine, int(position), percent, rpm, kind)
    return replace(engine, cylinders=tuple(cylinders)), fault


@dataclass(frozen=True)
class Drawn:
    """A run with what was drawn."""

    run: VirtualRun
    truth: Truth
    layout: str
    fault: str
    series: bool
    lag_s: float


def draw(rng: Rng, wanted: Wanted) -> Drawn:
    """Return a random engine that turned as wanted; those that stall or race are drawn again."""
    for _ in range(TRIES):
        layout = pick(rng, {name: row[2] for name, row in wanted.layouts.items()})
        engine = random_engine(rng, wanted.layouts[layout], wanted.strokes)
        series = rng.uniform() < 0.3
        rpm = log_span(rng, 120.0, 290.0)
        bench, lag_s = random_starter(rng, engine, series, rpm)
        engine, fault = with_faults(rng, bench.engine, rpm, wanted)
        on = span(rng, 0.25, 1.0)
        bench = replace(bench, engine=engine, key=KeySpec(on, on + span(rng, *wanted.crank_s)))
        if wanted.tweak is not None:
            bench = wanted.tweak(bench, rng)
        run = simulate(bench, bench.key.off_s + span(rng, 0.3, 0.9), seed=int(rng.integers(1 << 31)))
        truth = run.truth()
        good = (np.isfinite(run.current_a).all() and np.isfinite(truth.relative_percent).all()
                and SPEED_RPM[0] < truth.rpm < SPEED_RPM[1] and truth.cycles >= wanted.min_cycles)
        if good or wanted.min_cycles < 0.0:
            return Drawn(run, truth, layout, fault, series, lag_s)
    raise RuntimeError(f"no engine turned as wanted in {TRIES} draws; widen the ranges")
