"""The families of captures: what each draws, how it is damaged, and what may be concluded from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from aliens import alien_bench
from damage import DAMAGES
from draws import Rng, pick, span
from firing import starting
from random_bench import LAYOUTS, SINGLE, TWO_STROKES, Drawn, Wanted, draw
from random_rig import SYNC_KINDS, Table, random_rig, steady_current
from unusual import UNUSUAL

from crankfold.plugins.virtual.engine import simulate

if TYPE_CHECKING:
    from crankfold.plugins.virtual.signals import RigSpec


@dataclass(frozen=True)
class Cut:
    """A run with its rig, what is done to the recording, and what a user believes of it."""

    drawn: Drawn
    rig: RigSpec
    kind: str = "any"
    damage: Callable[[Table, Rng], Table] | None = None
    card_order: tuple[int, ...] = ()
    card_intervals: tuple[float, ...] = ()
    clamp_factor: float = 1.0
    may_refuse: bool = False
    codes: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    acceptable: tuple[str, ...] = ()


def ordinary(rng: Rng) -> Cut:
    drawn = draw(rng, Wanted(LAYOUTS))
    return Cut(drawn, random_rig(rng, drawn))


def alien(rng: Rng) -> Cut:
    tweak, why, kinds = alien_bench(rng)
    drawn = draw(rng, Wanted(LAYOUTS, tweak=tweak, fault_kinds=kinds))
    rig = random_rig(rng, drawn)
    if "eccentric" in why:
        rig = replace(rig, eccentric_share=span(rng, 0.004, 0.02))
    return Cut(drawn, rig, may_refuse=True, why=why)


def damaged(rng: Rng) -> Cut:
    name = pick(rng, dict.fromkeys(DAMAGES, 1.0))
    return DAMAGES[name](rng, Cut)


def pressure(rng: Rng) -> Cut:
    drawn = draw(rng, Wanted(LAYOUTS))
    return Cut(drawn, random_rig(rng, drawn, {"pressure": 1.0}))


def small(rng: Rng) -> Cut:
    """Return an engine of one cylinder, which cannot be compared, or of two."""
    if rng.uniform() < 0.4:
        kinds = {k: v for k, v in SYNC_KINDS.items() if k != "waste-spark"}
        drawn = draw(rng, Wanted(SINGLE, faults=("none",), strokes=2 if rng.uniform() < 0.3 else 4))
        return Cut(drawn, random_rig(rng, drawn, kinds), may_refuse=True, codes=("one-cylinder",),
                   why=("one cylinder",))
    drawn = draw(rng, Wanted({name: row for name, row in LAYOUTS.items() if len(row[0]) == 2}))
    return Cut(drawn, random_rig(rng, drawn), why=("two cylinders",))


def two_stroke(rng: Rng) -> Cut:
    several = {name: row for name, row in TWO_STROKES.items() if len(row[0]) > 1}
    drawn = draw(rng, Wanted(several, strokes=2))
    return Cut(drawn, random_rig(rng, drawn, {k: v for k, v in SYNC_KINDS.items() if k != "waste-spark"}),
               why=("two strokes",))


def noverdict(rng: Rng) -> Cut:
    kind = pick(rng, {"starts": 0.35, "short": 0.2, "nocrank": 0.25, "clipped": 0.2})
    if kind == "starts":
        return starting(rng, Cut)
    if kind == "short":
        drawn = draw(rng, Wanted(LAYOUTS, crank_s=(0.35, 0.75), min_cycles=-1.0))
        return Cut(drawn, random_rig(rng, drawn), kind, codes=("too-short",))
    if kind == "clipped":
        drawn = draw(rng, Wanted(LAYOUTS))
        steady = steady_current(drawn)
        limit = float(np.quantile(steady, span(rng, 0.55, 0.8)))
        return Cut(drawn, replace(random_rig(rng, drawn), limit_a=limit), kind, codes=("clipped",))
    drawn = no_crank(rng)
    return Cut(drawn, random_rig(rng, drawn), kind, codes=("no-cranking",))


def no_crank(rng: Rng) -> Drawn:
    """Return a run in which everything but the starter draws current: lamps, plugs, a window, a clicking solenoid."""
    drawn = draw(rng, Wanted(LAYOUTS))
    bench = drawn.run.bench
    run = simulate(replace(bench, key=replace(bench.key, on_s=50.0, off_s=60.0)), span(rng, 3.0, 6.0),
                   seed=int(rng.integers(1 << 31)))
    amps = run.current_a * 0.0
    what = pick(rng, {"lamps": 1, "glow": 1, "window": 1, "click": 1.5, "nothing": 0.5})
    t = run.time_s
    on = span(rng, 0.3, 1.2)
    off = on + span(rng, 0.5, 2.0)
    active = (t >= on) & (t < off)
    since = np.maximum(t - on, 0.0)
    if what == "lamps":
        amps += active * span(rng, 5, 20) * (1.0 + 7.0 * np.exp(-since / 0.04))
    elif what == "glow":
        amps += active * span(rng, 30, 80) * (1.0 + 0.6 * np.exp(-since / 1.5))
    elif what == "window":
        ripple = 0.12 * np.sin(2.0 * np.pi * span(rng, 40, 90) * since)
        amps += active * span(rng, 6, 14) * (1.0 + 1.5 * np.exp(-since / 0.05) + ripple)
    elif what == "click":
        for k in range(int(rng.integers(1, 4))):
            begin = on + 0.4 * k
            here = (t >= begin) & (t < begin + span(rng, 0.02, 0.2))
            amps += here * bench.starter.pull_in_a * (1.0 - np.exp(-np.maximum(t - begin, 0.0) / 0.004))
    run = replace(run, current_a=amps, battery_a=amps + 4.0)
    nothing = np.full(len(bench.engine.firing_order), np.nan)
    truth = replace(drawn.truth, peak_gauge_bar=nothing, relative_percent=nothing, onset_s=on, end_s=off, cycles=0.0)
    return replace(drawn, run=run, truth=truth, fault="no crank: " + what)


def unusual(rng: Rng) -> Cut:
    name = pick(rng, dict.fromkeys(UNUSUAL, 1.0))
    return UNUSUAL[name](rng, Cut)


FAMILIES: dict[str, Callable[[Rng], Cut]] = {
    "ordinary": ordinary, "alien": alien, "two-stroke": two_stroke, "damaged": damaged, "unusual": unusual,
    "small": small, "pressure": pressure, "noverdict": noverdict,
}
