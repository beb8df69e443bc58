#!/usr/bin/env python3
"""Compare ways to read compression from the same captures, and write the comparison as a page.

    python tests/benchmarks/ways.py [NAME=FOLDER ...] --own 100 --seed 7 [--family ordinary ...] [--page PAGE.md]

`--own N` draws N engines of each family of the project's own generator. A folder holds NAME.csv or NAME.csv.gz with
NAME.json beside it, as `sets.py` describes. Every way gets the same trace: conditioned, the in-rush cut away. The
rotation that fits the truth best is taken for all of them, so the figures are those of the percents, not of the naming;
only crankfold may refuse, and what it refuses is counted.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "generator"))

from heights import against_neighbours, by_heights
from linear_load import linear_load
from make_captures import make
from numpy.typing import NDArray
from sets import recording_of

from crankfold.acquire import Probe, load_plugins
from crankfold.analysis import Capture, CrankingTrace, Engine, InputError, NoCranking, analyse, condition
from crankfold.analysis.signal import trough_heights
from crankfold.analysis.signal.heights import raw_heights
from crankfold.viewer.session import read_capture

Percents = NDArray[np.float64]
Way = Callable[[CrankingTrace, Engine], Percents | None]
MISDESCRIBED = "wrong-count"
LOW_PERCENT, EVEN_PERCENT, UNCLEAR = 75.0, 90.0, (70.0, 80.0)


WAYS: dict[str, Way] = {
    "peak heights, equal time slots": by_heights(raw_heights, tracked=False),
    "peak heights, slots followed from cycle to cycle": by_heights(raw_heights, tracked=True),
    "heights above the troughs (zero-lined)": by_heights(trough_heights, tracked=True),
    "each hump against its neighbours": against_neighbours,
    "linear load model, least squares": linear_load,
}


@dataclass
class Score:
    """What one way made of a set."""

    off: list[float] = field(default_factory=list)
    right: int = 0
    wrong: int = 0
    clear: int = 0
    limit: int = 0
    refused: int = 0


@dataclass(frozen=True)
class Case:
    capture: Capture
    trace: CrankingTrace
    engine: Engine
    true: Percents


def own(family: str, seed: int, count: int) -> Iterator[Case]:
    """Yield captures of the generator from which a verdict may be drawn."""
    for index in range(count):
        made = make(family, seed, index)
        relative = made.truth["relative_percent"]
        if made.truth["kind"] != "any" or relative is None or MISDESCRIBED in made.truth["why"] or len(relative) < 2:
            continue
        capture, engine = made.capture(), made.engine()
        try:
            trace = condition(capture)
        except NoCranking:
            continue
        yield Case(capture, trace, engine, np.array([relative[str(c)] for c in engine.firing_order]))


def of_folder(folder: Path) -> Iterator[Case]:
    for card in sorted(folder.glob("*.json")):
        told = json.loads(card.read_text(encoding="utf-8"))
        about, truth = told["about"], told["truth"]
        if truth.get("kind", "any") != "any":
            continue
        engine = Engine(tuple(about["firing_order"]), tuple(about["intervals_deg"] or ()), about.get("strokes", 4))
        try:
            read, _ = read_capture(recording_of(card), {}, load_plugins())
            capture = Probe.parse(f"{about['clamp_mv_per_a']:g}mV/A").apply(read)
            trace = condition(capture)
        except NoCranking:
            continue
        yield Case(capture, trace, engine, np.array([truth["relative_percent"][str(c)] for c in engine.firing_order]))


def turned(percent: Percents, true: Percents) -> Percents:
    return min((np.roll(percent, k) for k in range(len(true))), key=lambda p: float(np.abs(p - true).sum()))


def add(score: Score, percent: Percents | None, uneven: bool | None, true: Percents) -> None:
    """Count one capture; `uneven` is the way's verdict, None where it refuses, or with percents is at the limit."""
    clear = bool((true >= EVEN_PERCENT).all()) or bool(
        (true < UNCLEAR[0]).any() and not ((true > UNCLEAR[0]) & (true < UNCLEAR[1])).any())
    score.clear += clear
    if percent is None:
        score.refused += 1
        return
    score.off += np.abs(turned(percent, true) - true).tolist()
    if uneven is None:
        score.limit += clear
        return
    score.right += clear and uneven == bool((true < LOW_PERCENT).any())
    score.wrong += clear and uneven != bool((true < LOW_PERCENT).any())


def crankfold(case: Case) -> tuple[Percents | None, bool | None]:
    try:
        result = analyse(case.capture, case.engine)
    except InputError:
        return None, None
    if result.verdict == "none":
        return None, None
    percent = np.array([c.relative_percent for c in result.cylinders])
    return percent, {"even": False, "uneven": True}.get(result.verdict)


def scored(cases: Iterator[Case]) -> tuple[int, dict[str, Score]]:
    """Return how many captures there were, and what each way made of them."""
    scores = {name: Score() for name in (*WAYS, "crankfold")}
    count = 0
    for case in cases:
        count += 1
        for name, way in WAYS.items():
            percent = way(case.trace, case.engine)
            add(scores[name], percent, None if percent is None else bool((percent < LOW_PERCENT).any()), case.true)
        add(scores["crankfold"], *crankfold(case), case.true)
    return count, scores


def table(title: str, count: int, scores: dict[str, Score]) -> list[str]:
    lines = [f"### {title}, {count} captures", "",
             "| way | mean error, points | 95th percentile | clear engines: right | wrong | at the limit "
             "| no verdict |",
             "|---|---|---|---|---|---|---|"]
    for name, s in scores.items():
        off = np.array(s.off or [np.nan])
        lines.append(f"| {name} | {off.mean():.1f} | {np.quantile(off, 0.95):.1f} | {s.right} of {s.clear} | "
                     f"{s.wrong} | {s.limit} | {s.refused} |")
    return [*lines, ""]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="*", metavar="NAME=FOLDER")
    parser.add_argument("--own", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="+", default=["ordinary", "alien"])
    parser.add_argument("--page", type=Path)
    given = parser.parse_args(arguments)
    lines = []
    if given.own:
        for family in given.family:
            lines += table(f"{family}, seed {given.seed}", *scored(own(family, given.seed, given.own)))
    for text in given.folders:
        name, _, folder = text.partition("=")
        lines += table(name, *scored(of_folder(Path(folder))))
    page = "\n".join(lines)
    print(page)
    if given.page is not None:
        head, _, tail = given.page.read_text(encoding="utf-8").partition("<!-- figures -->\n")
        rest = tail.partition("<!-- end of figures -->")[2]
        given.page.write_text(f"{head}<!-- figures -->\n{page}<!-- end of figures -->{rest}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
