#!/usr/bin/env python3
"""Count how near the crank's speed alone comes to the truth, on engines of the virtual fleet with random leaks.

    python tests/benchmarks/speed_alone.py --count 48 --seed 7

Each engine has one cylinder at 0 to 95 % and the others at 85 to 100; its crank wheel is 60-2 or 36-1, its tooth times
are off by 2 us. TDC is given; strokes are not told apart, so that the better of the two rotations is taken.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import numpy as np

from crankfold.analysis import Engine, InputError, Wheel, estimate_from_speed, motion_of
from crankfold.plugins.virtual.engine import VirtualRun, leak_for, simulate
from crankfold.plugins.virtual.fleet import FLEET

NAMES = ("pump", "launch", "eight", "tug")
WHEELS = (Wheel(60, 2), Wheel(36, 1))
JITTER_S, RPM = 2e-6, 180.0


def tooth_times(run: VirtualRun, wheel: Wheel, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return when each tooth passes until the key is released, and the crank's angle then."""
    angle = np.maximum.accumulate(run.angle_deg) + 1e-9 * np.arange(len(run.angle_deg))
    place = np.arange(np.ceil(angle[0] / wheel.pitch_deg), angle[-1] // wheel.pitch_deg)
    place = place[place % wheel.places >= wheel.missing]
    t = np.interp(place * wheel.pitch_deg, angle, run.time_s) + JITTER_S * rng.normal(size=len(place))
    kept = t < run.truth().end_s
    return t[kept], place[kept] * wheel.pitch_deg


def one(index: int, seed: int) -> tuple[str, list[float], list[bool], list[float]] | str:
    """Return errors, whether each lies inside its range, and widths; the reason where nothing is said."""
    rng = np.random.default_rng([seed, index])
    name, wheel = NAMES[index % len(NAMES)], WHEELS[index // len(NAMES) % len(WHEELS)]
    bench = FLEET[name].bench
    spec = bench.engine
    percents = rng.uniform(85.0, 100.0, len(spec.firing_order))
    percents[int(rng.integers(len(percents)))] = rng.uniform(0.0, 95.0)
    cylinders = tuple(leak_for(spec, k, float(p), RPM) for k, p in enumerate(percents))
    run = simulate(replace(bench, engine=replace(spec, cylinders=cylinders)), 4.0, seed=index)
    times, angles = tooth_times(run, wheel, rng)
    motion = motion_of(times, wheel)
    engine = Engine(tuple(spec.firing_order), tuple(spec.intervals_deg), spec.strokes)
    first = float(angles[int(np.argmin(np.abs(motion.angle_deg)))])
    try:
        found = estimate_from_speed(motion, engine, tdc_deg=-first)
    except InputError as error:
        return f"{name}: {error}"
    truth = np.array(run.truth().relative_percent)
    turn = min((0, len(truth) // 2), key=lambda k: float(np.abs(np.roll(found.percent, k) - truth).sum()))
    off = np.abs(np.roll(found.percent, turn) - truth)
    half = np.roll(found.half_percent, turn)
    return name, off.tolist(), (off <= half).tolist(), (2.0 * half).tolist()


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=48)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    rows = [one(k, given.seed) for k in range(given.count)]
    said = [row for row in rows if not isinstance(row, str)]
    for row in rows:
        if isinstance(row, str):
            print("nothing said,", row)
    for name in (*NAMES, "all"):
        mine = [row for row in said if name in (row[0], "all")]
        off, inside, wide = (np.array([x for row in mine for x in row[part]]) for part in (1, 2, 3))
        if len(off):
            print(f"{name}: {len(mine)} engines, mean error {off.mean():.1f}, 95th percentile "
                  f"{np.quantile(off, 0.95):.1f}, worst {off.max():.1f}, inside {100.0 * inside.mean():.1f} %, "
                  f"median width {np.median(wide):.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
