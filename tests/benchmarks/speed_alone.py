#!/usr/bin/env python3
"""Count how near the crank's speed alone comes to the truth, on engines of the virtual fleet with random leaks.

    python tests/benchmarks/speed_alone.py --count 48 --seed 7 [--training]

Each engine has one cylinder at 0 to 95 % and the others at 85 to 100; its crank wheel is 60-2 or 36-1, its tooth times
are off by 2 us. TDC is given; strokes are not told apart, so that the better of the two rotations is taken.

With `--training` the engines are those that the network learnt from (`analysis/training`), which share no equation with
the fleet or with what reads the speed: fours, sixes and eights that fire evenly, with any fault, any leak law, friction
and loads locked to the crank as drawn. It wants g++.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import crankfold.analysis
from crankfold.analysis import Engine, InputError, Wheel, estimate_from_speed, motion_of
from crankfold.plugins.virtual.engine import leak_for, simulate
from crankfold.plugins.virtual.fleet import FLEET

NAMES = ("pump", "launch", "eight", "tug")
WHEELS = (Wheel(60, 2), Wheel(36, 1))
JITTER_S, RPM = 2e-6, 180.0
COUNTS, DRAWN, TURNS_RPM = (4, 6, 8), 3, (110.0, 400.0)  # of the training's engines: cylinders, tries for each, speeds
Row = tuple[str, list[float], list[bool], list[float]]


@dataclass(frozen=True, eq=False)
class Turned:
    """How an engine turned: seconds, crank degrees after the first cylinder's TDC, and the truth in percent."""

    name: str
    engine: Engine
    time_s: np.ndarray
    angle_deg: np.ndarray
    percent: np.ndarray


def toothed(time_s: np.ndarray, angle_deg: np.ndarray, wheel: Wheel,
            rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return when each tooth passes, off by `JITTER_S`, and the crank's angle then."""
    angle = np.maximum.accumulate(angle_deg) + 1e-9 * np.arange(len(angle_deg))
    place = np.arange(np.ceil(angle[0] / wheel.pitch_deg), angle[-1] // wheel.pitch_deg)
    place = place[place % wheel.places >= wheel.missing]
    t = np.interp(place * wheel.pitch_deg, angle, time_s) + JITTER_S * rng.normal(size=len(place))
    return t, place * wheel.pitch_deg


def of_fleet(index: int, seed: int) -> Turned:
    """Return an engine of the fleet, one cylinder leaking much."""
    rng = np.random.default_rng([seed, index])
    name = NAMES[index % len(NAMES)]
    bench = FLEET[name].bench
    spec = bench.engine
    percents = rng.uniform(85.0, 100.0, len(spec.firing_order))
    percents[int(rng.integers(len(percents)))] = rng.uniform(0.0, 95.0)
    cylinders = tuple(leak_for(spec, k, float(p), RPM) for k, p in enumerate(percents))
    run = simulate(replace(bench, engine=replace(spec, cylinders=cylinders)), 4.0, seed=index)
    turning = run.time_s < run.truth().end_s
    engine = Engine(tuple(spec.firing_order), tuple(spec.intervals_deg), spec.strokes)
    return Turned(name, engine, run.time_s[turning], run.angle_deg[turning], np.array(run.truth().relative_percent))


def of_training(seed: int, count: int) -> Iterator[Turned]:
    """Yield engines of the training's prior that fire evenly, turn and compress."""
    sys.path.insert(0, str(Path(crankfold.analysis.__file__).parent / "training"))
    from prior import CYLINDER, ENGINE, draw
    from turning import STEP_S, STEPS, turn_here

    for n in COUNTS:
        made = draw(np, np.random.default_rng([seed, n]), n, DRAWN * count)
        row = {name: made.engine[j] for j, name in enumerate(ENGINE)}
        plain = (row["FIRES_FROM"] > 1e8) & (made.pattern == 1) & ~made.two_stroke & (row["SHUTS_AT"] < 0.0)
        some = np.flatnonzero(plain)
        part = replace(made, engine=made.engine[:, some].copy(), cylinder=made.cylinder[:, :, some].copy())
        turned = turn_here(part, STEPS, 1, STEP_S)
        rpm = (turned["angle"][-1] - turned["angle"][STEPS // 4]) / (0.75 * STEPS * STEP_S) * 30.0 / np.pi
        good = (turned["extra"][0] >= 4) & (turned["peak"].max(axis=0) > 2.0)
        good &= (rpm > TURNS_RPM[0]) & (rpm < TURNS_RPM[1])
        first = part.cylinder[CYLINDER.index("FIRES"), 0]
        for b in np.flatnonzero(good)[: count // len(COUNTS)]:
            peak = turned["peak"][:, b]
            angle = np.degrees(turned["angle"][:, b].astype(float) - first[b])
            yield Turned(f"{n} cylinders", Engine(tuple(range(1, n + 1))), STEP_S * (np.arange(STEPS) + 0.5), angle,
                         100.0 * peak / peak.max())


def one(index: int, turned: Turned, seed: int) -> Row | str:
    """Return errors, whether each lies inside its range, and widths; the reason where nothing is said."""
    rng, wheel = np.random.default_rng([seed, index, 1]), WHEELS[index // len(NAMES) % len(WHEELS)]
    times, angles = toothed(turned.time_s, turned.angle_deg, wheel, rng)
    try:
        motion = motion_of(times, wheel)
        first = float(angles[int(np.argmin(np.abs(motion.angle_deg)))])
        found = estimate_from_speed(motion, turned.engine, tdc_deg=-first)
    except InputError as error:
        return f"{turned.name}: {error}"
    truth = turned.percent
    turn = min((0, len(truth) // 2), key=lambda k: float(np.abs(np.roll(found.percent, k) - truth).sum()))
    off = np.abs(np.roll(found.percent, turn) - truth)
    half = np.roll(found.half_percent, turn)
    return turned.name, off.tolist(), (off <= half).tolist(), (2.0 * half).tolist()


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=48)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--training", action="store_true", help="engines of the network's training")
    given = parser.parse_args(arguments)
    engines = of_training(given.seed, given.count) if given.training else (
        of_fleet(k, given.seed) for k in range(given.count))
    rows = [one(k, turned, given.seed) for k, turned in enumerate(engines)]
    said = [row for row in rows if not isinstance(row, str)]
    for row in rows:
        if isinstance(row, str):
            print("nothing said,", row)
    for name in (*sorted({row[0] for row in said}), "all"):
        mine = [row for row in said if name in (row[0], "all")]
        off, inside, wide = (np.array([x for row in mine for x in row[part]]) for part in (1, 2, 3))
        if len(off):
            print(f"{name}: {len(mine)} engines, mean error {off.mean():.1f}, 95th percentile "
                  f"{np.quantile(off, 0.95):.1f}, worst {off.max():.1f}, inside {100.0 * inside.mean():.1f} %, "
                  f"median width {np.median(wide):.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
