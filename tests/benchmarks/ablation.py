#!/usr/bin/env python3
"""Print what each refinement of the estimate is worth on a folder of captures with known truth.

    python tests/benchmarks/ablation.py FOLDER [--only TEXT]

A capture is NAME.csv or NAME.csv.gz with NAME.json beside it: ``about`` says the engine and the clamp, ``truth`` the
relative compression of each cylinder. The rotation that fits best is used, so the figures are the estimate's and not
the naming's. Times are of the analysis alone, kernels loaded.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from linear_load import linear_load

from crankfold.analysis import Capture, Engine, NoCranking, condition
from crankfold.analysis.model import estimate, find_rates
from crankfold.analysis.model.options import FitOptions
from crankfold.analysis.signal import track_cycles, trough_heights
from crankfold.analysis.signal.heights import raw_heights

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from crankfold.analysis import CrankingTrace

    Method = Callable[[CrankingTrace, Engine], NDArray[np.float64] | None]

LOW_PERCENT = 75.0


def read(path: Path) -> tuple[NDArray[np.float64], float]:
    """Return the second column and the sample rate of a CSV in any of the loggers' dialects."""
    raw = path.read_bytes()
    lines = (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode("utf-8-sig").splitlines()
    milli = [1.0, 1.0]
    rows = []
    for line in lines:
        cells = line.replace(",", ".").split(";") if ";" in line else line.split(",")
        try:
            rows.append((float(cells[0]), float(cells[1])))
        except (ValueError, IndexError):
            for column in range(min(2, len(cells))):
                if "(m" in cells[column]:
                    milli[column] = 1e-3
    table = np.array(rows) * milli
    return table[:, 1], (len(table) - 1) / float(table[-1, 0] - table[0, 0])


def captures(folder: Path) -> list[tuple[CrankingTrace, Engine, NDArray[np.float64]]]:
    """Return trace, engine and truth of every capture that has one."""
    found = []
    for meta_path in sorted(folder.glob("*.json")):
        meta = json.loads(meta_path.read_text())
        about, truth = meta["about"], meta["truth"]
        if truth.get("kind", "any") != "any":
            continue
        csv = next(p for p in (meta_path.with_suffix(".csv"), meta_path.with_suffix(".csv.gz")) if p.exists())
        current, rate_hz = read(csv)
        engine = Engine(tuple(about["firing_order"]), tuple(about["intervals_deg"] or ()))
        try:
            trace = condition(Capture.from_arrays(current * 1e3 / about["clamp_mv_per_a"], rate_hz=rate_hz))
        except NoCranking:
            continue
        found.append((trace, engine, np.array([truth["relative_percent"][str(c)] for c in engine.firing_order])))
    return found


def by_heights(height: Callable[..., NDArray[np.float64]], *, tracked: bool) -> Method:
    """Return a method that reads hump heights in slots of the cycle: followed from cycle to cycle, or all equal."""

    def method(trace: CrankingTrace, engine: Engine) -> NDArray[np.float64] | None:
        rates = find_rates(trace, engine)
        if not rates:
            return None
        y, t = trace.smooth[trace.steady], trace.time_s[trace.steady]
        cycles = rates[0].rate_hz * (t - t[0])
        if tracked:
            cycles = track_cycles(y, trace.rate_hz, rates[0].rate_hz, engine.cylinders).at(t - t[0])
        angle = engine.cycle_deg * cycles
        offsets = np.arange(0.0, engine.cycle_deg / engine.cylinders, 4.0) if engine.even_firing else \
            np.arange(0.0, engine.cycle_deg, 8.0)
        sharp = [float(np.mean(raw_heights(angle + o, y, engine))) for o in offsets]
        return height(angle + offsets[int(np.argmax(sharp))], y, engine)

    return method


def by_fit(**switches: bool | float) -> Method:
    """Return the fitted model with some refinements left out."""
    options = FitOptions(**switches)  # type: ignore[arg-type]

    def method(trace: CrankingTrace, engine: Engine) -> NDArray[np.float64] | None:
        found = estimate(trace, engine, options)
        return found[0].relative_percent if found else None

    return method


METHODS: dict[str, Method] = {
    "hump heights above zero, equal slots": by_heights(raw_heights, tracked=False),
    "hump heights above troughs, equal slots": by_heights(trough_heights, tracked=False),
    "hump heights above zero, tracked slots": by_heights(raw_heights, tracked=True),
    "hump heights above troughs, tracked slots": by_heights(trough_heights, tracked=True),
    "linear load model": linear_load,
    "full model": by_fit(),
    "- leak table (healthy shape scaled)": by_fit(leak_table=False),
    "- continuation in the starts": by_fit(continuation=False),
    "- continuation, one start": by_fit(continuation=False, more_starts=False),
    "- further starts": by_fit(more_starts=False),
    "- cycle tracking": by_fit(tracking=False),
    "- faults other than leaks": by_fit(filling_table=False),
    "- the crank's slowing": by_fit(slowing=False),
    "- compression ratio free": by_fit(free_ratio=False),
    "- push-back free": by_fit(free_push=False),
    "- hold-in and electrical lag free": by_fit(free_hold_in=False, free_lag=False),
    "- all four free": by_fit(free_ratio=False, free_push=False, free_hold_in=False, free_lag=False),
    "priors x 3": by_fit(prior_scale=0.009),
    "priors x 10": by_fit(prior_scale=0.03),
}


def errors(percent: NDArray[np.float64], true: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return absolute errors at the best rotation."""
    turned = [np.abs(np.roll(percent, k) - true) for k in range(len(true))]
    return min(turned, key=lambda e: float(e.sum()))


def row(method: Method, cases: list[tuple[CrankingTrace, Engine, NDArray[np.float64]]]) -> str:
    """Return one line of the table."""
    off, right, clear, took, missing = [], 0, 0, [], 0
    for trace, engine, true in cases:
        began = time.perf_counter()
        percent = method(trace, engine)
        took.append(time.perf_counter() - began)
        if percent is None:
            missing += 1
            continue
        off.append(errors(percent, true))
        near = bool(((true > 70) & (true < 80)).any())
        if (true >= 90).all() or ((true <= 70).any() and not near):
            clear += 1
            right += bool((percent < LOW_PERCENT).any()) == bool((true < LOW_PERCENT).any())
    flat = np.concatenate(off)
    return (f"{flat.mean():6.2f} {np.median(flat):7.2f} {np.percentile(flat, 95):6.1f} {flat.max():6.1f}   "
            f"{right:3d} of {clear:3d} {missing:6d} {1e3 * float(np.median(took)):8.0f}")


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="methods whose name holds this text")
    args = parser.parse_args()
    cases = captures(args.folder)
    if not cases:
        sys.exit(f"no captures with a truth in {args.folder}")
    by_fit()(*cases[0][:2])
    print(f"{'':42s}{'mean':>6s} {'median':>7s} {'p95':>6s} {'max':>6s}   verdict     none  time ms")
    for name, method in METHODS.items():
        if args.only in name:
            print(f"{name:42s}{row(method, cases)}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
