"""Engines that fire while they are cranked: all at once, one cylinder alone, weakly, or now and then."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from draws import Rng, log_span, pick, span
from random_bench import LAYOUTS, Wanted, draw
from random_rig import random_rig

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.plugins.virtual.specs import Bench

HEALTHY_MM2 = 5.0  # a cylinder that leaks more does not fire
KINDS = {"all": 1.0, "one": 1.0, "weak": 1.0, "misfiring": 0.7, "runs": 0.7}


def fires(rng: Rng, bench: Bench, low: float, high: float) -> Bench:
    """Return the bench with an engine that catches between two numbers of cycles."""
    first = span(rng, low, high)
    cylinders = tuple(
        replace(c, fires_from_cycle=first + max(0.0, float(rng.normal(0.1, 0.3)))) if c.leak_mm2 < HEALTHY_MM2 else c
        for c in bench.engine.by_position())
    return replace(bench, engine=replace(bench.engine, cylinders=cylinders, burn_kj_per_kg=log_span(rng, 450, 1100)))


def starting(rng: Rng, cut: Any) -> Any:
    """Return an engine that fires from within the first cycles on: nothing may be concluded from it."""
    kind = pick(rng, KINDS)
    tweaks: dict[str, Callable[[Bench, Rng], Bench]] = {
        "all": lambda b, r: fires(r, b, 0.8, 2.2), "one": lambda b, r: _one(r, b, 1.0),
        "weak": lambda b, r: _scaled(r, fires(r, b, 0.3, 2.2), span(r, 0.12, 0.5), 1.0),
        "misfiring": lambda b, r: _scaled(r, fires(r, b, 0.3, 2.2), 1.0, span(r, 0.2, 0.7)),
        "runs": lambda b, r: fires(r, b, 0.1, 0.6)}
    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweaks[kind], min_cycles=-1.0))
    return cut(drawn, random_rig(rng, drawn), "starts", codes=("engine-fired",), why=("fires: " + kind,))


def _one(rng: Rng, bench: Bench, burn: float) -> Bench:
    """Return the bench with one sound cylinder that fires, from the first turn or soon after."""
    cylinders = list(bench.engine.by_position())
    sound = [k for k, c in enumerate(cylinders) if c.leak_mm2 < HEALTHY_MM2] or [0]
    which = sound[int(rng.integers(len(sound)))]
    cylinders[which] = replace(cylinders[which], fires_from_cycle=span(rng, 0.0, 1.5), burn=burn)
    burn_kj = log_span(rng, 300, 1100)
    return replace(bench, engine=replace(bench.engine, cylinders=tuple(cylinders), burn_kj_per_kg=burn_kj))


def _scaled(rng: Rng, bench: Bench, burn: float, chance: float) -> Bench:
    cylinders = tuple(replace(c, burn=burn * span(rng, 0.8, 1.2), burn_chance=chance)
                      for c in bench.engine.by_position())
    return replace(bench, engine=replace(bench.engine, cylinders=cylinders))
