"""Engines, starters and rigs that break what an analyst would assume."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from draws import Rng, log_span, span

from crankfold.plugins.virtual.plan import stall_a
from crankfold.plugins.virtual.specs import LEAK_LAWS, Bench

if TYPE_CHECKING:
    from collections.abc import Callable

TWISTS = ("leak-law", "heat", "rings", "reciprocating", "saturation", "second-battery", "filling", "cable", "mixed",
          "clearance", "timing", "breakaway", "springs", "weakening", "eccentric", "glow-plugs", "second-leak-law")


def alien_bench(rng: Rng) -> tuple[Callable[[Bench, Rng], Bench], tuple[str, ...], tuple[str, ...]]:
    """Return a tweak of the bench, the names of one to three twists, and the kinds of fault to draw."""
    count = int(rng.integers(1, 4))
    why = tuple(str(name) for name in rng.choice(TWISTS, size=count, replace=False))
    kinds = tuple(k for k in ("filling", "clearance", "timing", "mixed") if k in why) or ("leak",)
    return lambda bench, r: twisted(bench, r, why), why, kinds


def twisted(bench: Bench, rng: Rng, why: tuple[str, ...]) -> Bench:
    engine, starter, battery = bench.engine, bench.starter, bench.battery
    for name in why:
        if name in ("leak-law", "second-leak-law"):
            law = LEAK_LAWS[1 + int(rng.integers(len(LEAK_LAWS) - 1))]
            engine = replace(engine, cylinders=tuple(replace(c, leak_law=law) for c in engine.by_position()))
        elif name == "heat":
            engine = replace(engine, heat_factor=0.0 if rng.uniform() < 0.4 else span(rng, 4.0, 9.0))
        elif name == "rings":
            engine = replace(engine, ring_n=engine.ring_n * span(rng, 4, 12),
                             ring_pressure=engine.ring_pressure * span(rng, 2, 6))
        elif name == "reciprocating":
            engine = replace(engine, reciprocating_kg=engine.reciprocating_kg * span(rng, 3, 8))
        elif name == "saturation" and starter.field_curve != "constant":
            starter = replace(starter, field_curve=("rational", "piecewise", "arctan")[int(rng.integers(3))],
                              field_shape=span(rng, 1.2, 4.0), field_residual=span(rng, 0.0, 0.25))
        elif name in ("weakening", "saturation"):
            starter = replace(starter, reaction_amps=stall_a(bench) * span(rng, 0.9, 2.0))
        elif name == "second-battery":
            battery = replace(battery, second=True, second_volts=battery.volts * span(rng, 0.96, 1.0),
                              second_link_ohm=battery.ohmic_ohm * log_span(rng, 0.3, 3.0))
        elif name == "cable":
            battery = replace(battery, cable_uh=log_span(rng, 15, 80), cable_ohm=battery.cable_ohm * span(rng, 1, 2))
        elif name == "breakaway":
            engine = replace(engine, breakaway_nm=engine.dry_nm * span(rng, 0.8, 2.0))
        elif name == "springs":
            engine = replace(engine, valve_spring_nm=engine.valve_spring_nm * span(rng, 2.5, 5.0))
        elif name == "glow-plugs":
            battery = replace(battery, glow_plug_ohm=battery.volts / span(rng, 40, 90))
    return replace(bench, engine=engine, starter=starter, battery=battery)
