#!/usr/bin/env python3
"""Draw how often the truth lies inside the intervals: nominal against actual coverage, by family of random engines.

    python tests/benchmarks/calibration.py OUT.svg [--count 60] [--seed 902]

Every capture is made by the virtual engine as ``tests/generator`` makes it, analysed, and its intervals are stretched
from 95 % to each nominal level. The rotation that fits best is used where nothing names the cylinders.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from html import escape
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "generator"))

from families import FAMILIES, Cut
from make_captures import make
from random_bench import LAYOUTS, TWO_STROKES, Wanted, draw
from random_rig import SYNC_KINDS, random_rig

from crankfold.analysis import InputError, condition
from crankfold.analysis.model import estimate, intervals

if TYPE_CHECKING:
    from draws import Rng
    from numpy.typing import NDArray

LEVELS = np.array([50.0, 60.0, 70.0, 80.0, 85.0, 90.0, 95.0, 97.0, 99.0])
INK, PAPER, FAINT = "#2b2a27", "#f6f1e4", "#b9b09a"
WIDTH, HEIGHT, LEFT, TOP, SIDE = 760, 560, 80, 60, 420
DASHES = ("", "8 4", "2 4", "12 4 2 4")
MARKS = ("circle", "square", "diamond", "ring")


def other_faults(rng: Rng) -> Cut:
    """Return an engine whose fault is no leak: poor filling, a larger clearance, late valves, or several of them."""
    drawn = draw(rng, Wanted(LAYOUTS, fault_kinds=("filling", "clearance", "timing", "mixed"),
                             faults=("mild", "low", "weak", "dead", "two")))
    return Cut(drawn, random_rig(rng, drawn))


def two_strokes(rng: Rng) -> Cut:
    """Return a two-stroke engine of two to four cylinders."""
    drawn = draw(rng, Wanted({k: v for k, v in TWO_STROKES.items() if len(v[0]) > 1}, strokes=2))
    return Cut(drawn, random_rig(rng, drawn, {k: v for k, v in SYNC_KINDS.items() if k != "waste-spark"}))


SHOWN = {"ordinary": "leaking cylinders", "zz-other-faults": "other faults", "zz-two-strokes": "two strokes",
         "alien": "engines unlike the model"}
FAMILIES.update({"zz-other-faults": other_faults, "zz-two-strokes": two_strokes})


@dataclass(frozen=True, eq=False)
class Family:
    """What came out for one family: estimates, standard deviations and truths of all its cylinders, percent."""

    name: str
    captures: int
    percent: NDArray[np.float64]
    sigma: NDArray[np.float64]
    true: NDArray[np.float64]

    def coverage(self, level: float) -> float:
        """Return the share of truths, percent, inside intervals of a nominal level."""
        half = NormalDist().inv_cdf(0.5 + 0.005 * level) / intervals.NORMAL_95
        ends = intervals.interval(self.percent, half * self.sigma)
        return 100.0 * float(np.mean((ends[:, 0] <= self.true) & (self.true <= ends[:, 1])))

    @property
    def width(self) -> float:
        """Median width of the 95 % intervals."""
        return float(np.median(np.diff(intervals.interval(self.percent, self.sigma))))


def measure(family: str, count: int, seed: int) -> Family:
    """Return estimates and truths of `count` captures of a family; those without an explanation left out."""
    found = []
    for number in range(count):
        made = make(family, seed, number)
        try:
            explanations = estimate(condition(made.capture()), made.engine())
        except InputError:
            continue
        if not explanations or made.truth["relative_percent"] is None:
            continue
        best = explanations[0]
        true = np.array([made.truth["relative_percent"][str(c)] for c in made.about["firing_order"]])
        sigma = np.max(np.abs(best.interval_percent - best.relative_percent[:, None]), axis=1) / intervals.NORMAL_95
        turn = min(range(len(true)), key=lambda k: float(np.abs(np.roll(best.relative_percent, k) - true).sum()))
        found.append((np.roll(best.relative_percent, turn), np.roll(sigma, turn), true))
    percent, sigma, true = (np.concatenate(part) for part in zip(*found, strict=True))
    return Family(SHOWN[family], len(found), percent, sigma, true)


def place(nominal: float, actual: float) -> tuple[float, float]:
    """Return where a point lies on the page."""
    return LEFT + SIDE * (nominal - 50.0) / 50.0, TOP + SIDE * (1.0 - (actual - 50.0) / 50.0)


def mark(kind: str, x: float, y: float) -> str:
    """Return a small shape, told apart without colour."""
    if kind == "square":
        return f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="{INK}"/>'
    if kind == "diamond":
        return f'<path d="M{x:.1f} {y - 5.5:.1f}l5.5 5.5l-5.5 5.5l-5.5 -5.5z" fill="{INK}"/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{PAPER if kind == "ring" else INK}" stroke="{INK}"/>'


def drawing(families: list[Family]) -> str:
    """Return the picture as SVG."""
    corner, far = place(50, 50), place(100, 100)
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
           f'font-size="14" fill="{INK}"><title>Nominal against actual coverage of the intervals</title>',
           f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
           f'<text x="{LEFT}" y="34" font-size="19">How often the truth lies inside the interval</text>',
           f'<path d="M{corner[0]} {corner[1]}L{far[0]} {far[1]}" stroke="{FAINT}" stroke-width="2"/>',
           f'<path d="M{corner[0]} {far[1]}V{corner[1]}H{far[0]}" stroke="{INK}" fill="none"/>']
    for tick in range(50, 101, 10):
        (x, _), (_, y) = place(tick, 50), place(50, tick)
        out += [f'<text x="{x}" y="{corner[1] + 22}" text-anchor="middle">{tick}</text>',
                f'<text x="{LEFT - 10}" y="{y + 5}" text-anchor="end">{tick}</text>',
                f'<path d="M{x} {corner[1]}v6M{LEFT - 6} {y}h6" stroke="{INK}"/>']
    out += [f'<text x="{LEFT + SIDE / 2}" y="{corner[1] + 48}" text-anchor="middle">nominal, %</text>',
            f'<text transform="translate(28 {TOP + SIDE / 2}) rotate(-90)" text-anchor="middle">actual, %</text>']
    for number, family in enumerate(families):
        points = [place(level, max(family.coverage(level), 50.0)) for level in LEVELS]
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        y = TOP + 30 + 62 * number
        out += [f'<polyline points="{line}" fill="none" stroke="{INK}" stroke-width="1.4" '
                f'stroke-dasharray="{DASHES[number]}"/>', *(mark(MARKS[number], *p) for p in points),
                f'<path d="M{LEFT + SIDE + 24} {y - 5}h34" stroke="{INK}" stroke-dasharray="{DASHES[number]}"/>',
                mark(MARKS[number], LEFT + SIDE + 41, y - 5),
                f'<text x="{LEFT + SIDE + 68}" y="{y}">{escape(family.name)}</text>',
                f'<text x="{LEFT + SIDE + 68}" y="{y + 18}" font-size="12">{family.captures} captures; 95 % holds '
                f'{family.coverage(95.0):.0f} %</text>',
                f'<text x="{LEFT + SIDE + 68}" y="{y + 33}" font-size="12">median width {family.width:.1f}</text>']
    return "\n".join([*out, "</svg>", ""])


def main() -> int:
    """Measure the families, print a table, draw the picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=902)
    args = parser.parse_args()
    families = []
    print(f"{'':26s}{'captures':>9s}{'mean':>7s}{'p95':>7s}{'width':>7s}   " + " ".join(f"{x:4.0f}%" for x in LEVELS))
    for name in SHOWN:
        family = measure(name, args.count, args.seed)
        error = np.abs(family.percent - family.true)
        print(f"{family.name:26s}{family.captures:9d}{error.mean():7.2f}{np.percentile(error, 95):7.1f}"
              f"{family.width:7.1f}   " + " ".join(f"{family.coverage(x):5.1f}" for x in LEVELS), flush=True)
        families.append(family)
    args.out.write_text(drawing(families), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
