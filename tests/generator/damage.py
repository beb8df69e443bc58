"""Captures that are cut, clipped, drifting or wrongly described; the right verdict or none may be drawn from them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from draws import Rng, log_span, span
from firing import fires
from random_bench import LAYOUTS, Wanted, draw
from random_rig import Table, random_rig, steady_current

if TYPE_CHECKING:
    from collections.abc import Callable

FAST = {"waste-spark": 0.4, "single-spark": 0.3, "cam": 0.3}


def _drawn(rng: Rng, **wanted: Any) -> Any:
    return draw(rng, Wanted(LAYOUTS, **wanted))


def gap(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    length = log_span(rng, 0.005, 1.0)
    at = span(rng, drawn.truth.onset_s, drawn.truth.end_s - 0.1)

    def damage(table: Table, _: Rng) -> Table:
        return table.kept((table.time_s < at) | (table.time_s > at + length))

    return cut(drawn, random_rig(rng, drawn), damage=damage, may_refuse=True, codes=("gap",), why=("gap",))


def scattered(rng: Rng, cut: Any) -> Any:
    """Return a capture with single samples lost here and there."""
    drawn = _drawn(rng)
    share = log_span(rng, 0.0005, 0.03)

    def damage(table: Table, r: Rng) -> Table:
        return table.kept(r.uniform(size=len(table.time_s)) > share)

    return cut(drawn, random_rig(rng, drawn), damage=damage, may_refuse=True, codes=("gap",), why=("scattered",))


def cheap_board(rng: Rng, cut: Any) -> Any:
    """Return a recording of a board that takes samples late and loses some; it deserves its verdict."""
    drawn = _drawn(rng)
    rig = random_rig(rng, drawn)
    return cut(drawn, replace(rig, late=log_span(rng, 0.003, 0.03), late_s=log_span(rng, 0.5, 5.0) / rig.rate_hz,
                              lost=log_span(rng, 0.003, 0.015)), why=("cheap board",))


def clip(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    limit = float(np.quantile(steady_current(drawn), span(rng, 0.5, 0.97)))
    rig = replace(random_rig(rng, drawn), limit_a=limit)
    return cut(drawn, rig, may_refuse=True, codes=("clipped",), why=("clip",))


def drift(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    rate = float(rng.choice([-1.0, 1.0])) * log_span(rng, 0.02, 0.2) * float(steady_current(drawn).mean())
    return cut(drawn, replace(random_rig(rng, drawn), drift_a_per_s=rate), may_refuse=True, why=("drift",))


def wrong_count(rng: Rng, cut: Any) -> Any:
    """Return a capture whose engine card has another number of cylinders."""
    drawn = _drawn(rng)
    n = len(drawn.run.bench.engine.firing_order)
    others = [row[:2] for name, row in LAYOUTS.items() if len(row[0]) != n]
    order, intervals = others[int(rng.integers(len(others)))]
    rig = random_rig(rng, drawn)
    if rig.sync.cylinder not in order or rig.sync.kind == "waste-spark":
        rig = replace(rig, sync=replace(rig.sync, kind="none"))
    return cut(drawn, rig, card_order=order, card_intervals=tuple(float(x) for x in intervals), may_refuse=True,
               codes=("hump-count",), why=("wrong-count",))


def swapped(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)

    def damage(table: Table, _: Rng) -> Table:
        return replace(table, swapped=True)

    return cut(drawn, random_rig(rng, drawn, FAST), damage=damage, may_refuse=True, why=("swapped",))


def scale(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    return cut(drawn, random_rig(rng, drawn), clamp_factor=float(rng.choice([0.1, 10.0])), may_refuse=True,
               why=("scale",))


def late_catch(rng: Rng, cut: Any) -> Any:
    """Return a capture whose engine catches after some cycles; what came before may still serve."""
    drawn = _drawn(rng, tweak=lambda b, r: fires(r, b, 2.5, 9.0), crank_s=(3.0, 6.0), min_cycles=1.0)
    return cut(drawn, random_rig(rng, drawn), may_refuse=True, codes=("engine-fired",), why=("late-catch",))


def noisy_sync(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    rig = random_rig(rng, drawn, FAST)
    rough = replace(rig.sync, missed=span(rng, 0.0, 0.4), doubled=span(rng, 0.0, 0.4),
                    hash_share=log_span(rng, 0.2, 5.0), repeat_ms=5.0 if rng.uniform() < 0.3 else 0.0,
                    repeat_deg=span(rng, 20, 60))
    return cut(drawn, replace(rig, sync=rough), may_refuse=True, why=("noisy-sync",))


def spikes(rng: Rng, cut: Any) -> Any:
    drawn = _drawn(rng)
    height = float(steady_current(drawn).max()) * span(rng, 0.5, 3.0)
    count = int(rng.integers(1, 30))

    def damage(table: Table, r: Rng) -> Table:
        values = table.current_v.copy()
        size = max(float(np.abs(values).max()), 1e-9) * height / float(drawn.run.current_a.max())
        values[r.integers(0, len(values), count)] += size * r.choice([-1.0, 1.0], count)
        return replace(table, current_v=values)

    return cut(drawn, random_rig(rng, drawn), damage=damage, may_refuse=True, why=("spikes",))


def cut_file(rng: Rng, cut: Any) -> Any:
    """Return a capture that starts or ends in the middle of the cranking."""
    drawn = _drawn(rng, crank_s=(3.5, 6.0))
    middle = span(rng, drawn.truth.onset_s, drawn.truth.end_s - 1.0)
    late = rng.uniform() < 0.6

    def damage(table: Table, _: Rng) -> Table:
        return table.kept(table.time_s > middle if late else table.time_s < middle + 1.0)

    return cut(drawn, random_rig(rng, drawn), damage=damage, may_refuse=True, codes=("too-short",), why=("cut",))


DAMAGES: dict[str, Callable[[Rng, Any], Any]] = {
    "gap": gap, "scattered": scattered, "cheap-board": cheap_board, "clip": clip, "drift": drift,
    "wrong-count": wrong_count, "swapped": swapped, "scale": scale, "late-catch": late_catch, "noisy-sync": noisy_sync,
    "spikes": spikes, "cut": cut_file,
}
