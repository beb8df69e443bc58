"""Make a folder of random captures with their truth beside them.

    python tests/generator/make_captures.py FOLDER --count 100 --seed 7 --family ordinary

Each capture is NAME.csv.gz with NAME.json: `about` says what a user would know (and, as `arguments`, what to give the
command line), `truth` what is so. Capture k of a seed and family is the same however many are made.

Families: ordinary, alien (engines and starters that break an analyst's assumptions), two-stroke, damaged (captures that
are cut, clipped, drifting or wrongly described), noverdict (nothing may be concluded), small (one or two cylinders),
pressure (in-cylinder pressure on the second channel), unusual (decompressors, several crankings, battery voltage,
broken timing drives, liquid, carbon, lost lobes, gaskets, unsteady leaks, seized engines).
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from families import FAMILIES, Cut
from judging import UNCLEAR
from random_rig import DIALECTS, Table, as_table, write_csv

from crankfold.plugins.virtual.signals import record

if TYPE_CHECKING:
    from random_bench import Drawn

    from crankfold.analysis import Capture, Engine, SyncSpec
    from crankfold.plugins.virtual.signals import RigSpec

LOW_PERCENT, HEALTHY_PERCENT = 75.0, 90.0


@dataclass(frozen=True)
class Made:
    """One capture: its samples, what a user would know, what is true, and the run behind it."""

    name: str
    table: Table
    about: dict[str, Any]
    truth: dict[str, Any]
    drawn: Drawn
    rig: RigSpec = field(repr=False)

    def capture(self) -> Capture:
        """Return the capture as the analysis takes it, in amperes by the clamp that the user gives, gaps marked."""
        from crankfold.analysis import CURRENT, SYNC, Capture, Channel, Gap

        t = self.table
        columns = [t.current_v] if t.sync is None else [t.current_v, t.sync]
        if t.swapped:
            columns.reverse()
        columns[0] = columns[0] / (self.about["clamp_mv_per_a"] * 1e-3)
        rate = self.rig.rate_hz * (1.0 + self.rig.rate_error)
        place = np.round((t.time_s - t.time_s[0]) * rate).astype(np.int64)
        samples = np.full((place[-1] + 1, len(columns)), np.nan)
        samples[place] = np.column_stack(columns)
        before = np.flatnonzero(np.diff(place) > 1)
        gaps = tuple(Gap(int(place[k]) + 1, int(place[k + 1] - place[k]) - 1) for k in before)
        channels = (Channel(CURRENT, "A"), Channel(SYNC, t.sync_unit))[: len(columns)]
        capture = Capture(samples, rate, channels, gaps=gaps, origin=self.name)
        if self.rig.quantity != "battery-voltage":
            return capture
        from crankfold.acquire import Probe

        volts = replace(channels[0], unit="V")
        return Probe.parse("battery").apply(replace(capture, channels=(volts, *channels[1:])))

    def engine(self) -> Engine:
        """Return the engine card that the user fills in."""
        from crankfold.analysis import Engine

        about = self.about
        return Engine(tuple(about["firing_order"]), tuple(about["intervals_deg"] or ()), about["strokes"])

    def sync(self) -> SyncSpec | None:
        """Return what the user says of the second channel."""
        from crankfold.analysis import SyncSpec

        return SyncSpec.parse(self.about["arguments"][self.about["arguments"].index("--sync") + 1], self.engine())


def make(family: str, seed: int, index: int) -> Made:
    """Return capture number `index` of a family and seed."""
    rng = np.random.default_rng([seed, sorted(FAMILIES).index(family), index])
    cut: Cut = FAMILIES[family](rng)
    drawn, rig = cut.drawn, cut.rig
    recording = record(drawn.run, rig, seed=int(rng.integers(1 << 31)))
    table = as_table(recording, int(rng.integers(DIALECTS)))
    if cut.damage is not None:
        table = cut.damage(table, rng)
    about, truth = describe(cut)
    return Made(f"{family}-{index:05d}", table, about, truth, drawn, rig)


def describe(cut: Cut) -> tuple[dict[str, Any], dict[str, Any]]:
    drawn, rig = cut.drawn, cut.rig
    engine, true = drawn.run.bench.engine, drawn.truth
    order = cut.card_order or engine.firing_order
    intervals = cut.card_intervals if cut.card_order else engine.intervals_deg
    if intervals:
        intervals = tuple(intervals) * (len(order) // len(intervals))
    clamp = rig.clamp_mv_per_a * cut.clamp_factor
    sync: dict[str, Any] = {"kind": rig.sync.kind}
    argument = "none"
    if rig.sync.kind != "none":
        sync |= {"cylinder": rig.sync.cylinder, "unit": rig.sync.unit}
        argument = f"{rig.sync.kind}:{rig.sync.cylinder}"
        if rig.sync.kind == "cam":
            sync["edge_deg_after_tdc"] = rig.sync.angle_deg
            argument += f"@{rig.sync.angle_deg:g}"
        elif "spark" in rig.sync.kind:
            sync["inverted"] = rig.sync.inverted
    if sync["kind"] == "single-spark":
        sync["kind"] = "single-coil"
    arguments = ["--firing-order", "-".join(map(str, order)), "--strokes", str(engine.strokes),
                 *(["--probe", "battery"] if rig.quantity == "battery-voltage" else ["--clamp", f"{clamp:g}mV/A"]),
                 "--sync", argument]
    if intervals:
        arguments += ["--intervals", "-".join(f"{x:g}" for x in intervals)]
    about = {
        "layout": drawn.layout, "firing_order": list(order), "intervals_deg": list(intervals) or None,
        "strokes": engine.strokes, "sample_rate_hz": rig.rate_hz, "clamp_mv_per_a": clamp, "polarity": rig.polarity,
        "bits": rig.bits, "clamp_limit_a": rig.limit_a, "sync": sync,
        "battery_weak": drawn.run.bench.battery.charge < 0.7,
        "starter": "series" if drawn.series else "permanent-magnet", "arguments": arguments,
    }
    return about, _truth(cut, order, true)


def _truth(cut: Cut, order: tuple[int, ...], true: Any) -> dict[str, Any]:
    run = cut.drawn.run
    known = cut.kind in ("any", "clipped", "starts", "nohumps") and bool(np.isfinite(true.relative_percent).all())
    bars = dict(zip(run.bench.engine.firing_order, true.peak_gauge_bar, strict=True))
    relative = dict(zip(run.bench.engine.firing_order, true.relative_percent, strict=True))
    low = sorted(c for c, r in relative.items() if r < LOW_PERCENT) if known else []
    even = bool(known and min(relative.values()) >= HEALTHY_PERCENT)
    clear = even or (bool(low) and not any(UNCLEAR[0] < r < UNCLEAR[1] for r in relative.values()))
    acceptable = ["none"] if cut.kind != "any" else (
        (["even"] if even else ["uneven"]) if clear else ["even", "uneven"])
    if cut.acceptable:
        acceptable = list(cut.acceptable)
    every = run.time_s[::100]
    return {
        "peak_gauge_bar": {str(c): round(float(bars.get(c, 0.0)), 3) for c in order} if known else None,
        "relative_percent": {str(c): round(float(relative.get(c, 100.0)), 1) for c in order} if known else None,
        "low": low, "even": even, "rpm": round(true.rpm, 1) if known else None, "cycles": round(true.cycles, 2),
        "onset_s": round(true.onset_s, 4), "end_s": round(true.end_s, 4), "kind": cut.kind, "fault": cut.drawn.fault,
        "acceptable": acceptable + (["none"] if cut.may_refuse and "none" not in acceptable else []),
        "codes": list(cut.codes), "why": list(cut.why), "lag_s": round(cut.drawn.lag_s, 4),
        "angle": {"time_s": [round(float(t), 3) for t in every],
                  "angle_deg": [round(float(a), 1) for a in run.angle_deg[::100]]},
    }


def write(folder: Path, family: str, seed: int, index: int) -> str:
    made = make(family, seed, index)
    write_csv(folder / f"{made.name}.csv.gz", made.table)
    (folder / f"{made.name}.json").write_text(json.dumps({"about": made.about, "truth": made.truth}), encoding="utf-8")
    return made.name


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first capture")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", choices=sorted(FAMILIES), default="ordinary")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args(arguments)
    given.folder.mkdir(parents=True, exist_ok=True)
    one = partial(write, given.folder, given.family, given.seed)
    numbers = range(given.first, given.first + given.count)
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            names = list(pool.map(one, numbers))
    else:
        names = [one(k) for k in numbers]
    print(f"{len(names)} captures of family {given.family} in {given.folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
