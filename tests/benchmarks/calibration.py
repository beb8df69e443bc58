#!/usr/bin/env python3
"""Draw how often the truth lies in the posterior's ranges: nominal against actual share, by family of random engines.

    python tests/benchmarks/calibration.py OUT.svg [--count 50] [--seed 902]

Every capture is made by the virtual engine as ``tests/generator`` makes it, which shares nothing with the engines that
the network was shown. A cranking whose cycle rate or card the network itself doubts has no range, as in a result. The
rotation that fits best is used, so the figures are those of the percents, not of the naming. Limits are Clopper and
Pearson's at 95 %, for as many independent cylinders as the grouping by engine leaves.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "generator"))

from families import FAMILIES, Cut
from make_captures import make
from random_bench import LAYOUTS, TWO_STROKES, Wanted, draw
from random_rig import SYNC_KINDS, random_rig

from crankfold.analysis import InputError, Proportion, condition
from crankfold.analysis.criticism.doubt import RIGHT_LEAST
from crankfold.analysis.many.proportion import grouped_proportion
from crankfold.analysis.posterior import below, estimate, quantiles

if TYPE_CHECKING:
    from draws import Rng
    from numpy.typing import NDArray

LEVELS = (50.0, 60.0, 70.0, 80.0, 90.0, 95.0, 99.0)  # percent
LIMIT_PERCENT = 75.0
INK, PAPER, FAINT = "#2b2a27", "#f6f1e4", "#b9b09a"
WIDTH, HEIGHT, LEFT, TOP, SIDE = 800, 560, 80, 60, 420
DASHES = ("", "8 4", "2 4", "12 4 2 4")
MARKS = ("circle", "square", "diamond", "ring")
APART = 4.0  # between families' whiskers at one level, so that none hides another


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
    """What came out for one family, each array a row a cylinder.

    Parameters
    ----------
    captures, doubted
        Those with ranges, and those that the network doubts.
    engine : ndarray, shape (n,)
        Number of the engine that the cylinder is of.
    chances : ndarray, shape (n, 101)
        Distribution over 0, 1 .. 100 percent.
    true : ndarray, shape (n,)
        Percent of the strongest.
    """

    name: str
    captures: int
    doubted: int
    engine: NDArray[np.intp]
    chances: NDArray[np.float64]
    true: NDArray[np.float64]

    def ends(self, level: float) -> NDArray[np.float64]:
        """Return the ranges of a nominal level in percent, shape (n, 2)."""
        tail = 0.5 - 0.005 * level
        return quantiles(self.chances, np.array([tail, 1.0 - tail]))

    def coverage(self, level: float) -> Proportion:
        """Return how many truths lie in the ranges of a nominal level in percent."""
        low, high = self.ends(level).T
        return grouped_proportion((low <= self.true) & (self.true <= high), self.engine.tolist())

    @property
    def width(self) -> float:
        """Median width of the 95 % ranges."""
        return float(np.median(np.diff(self.ends(95.0))))

    @property
    def errors(self) -> NDArray[np.float64]:
        """How far the medians are off."""
        return np.abs(quantiles(self.chances, np.array([0.5]))[:, 0] - self.true)


def measure(family: str, count: int, seed: int) -> Family:
    """Return distributions and truths of `count` captures of a family."""
    engine, chances, true, doubted = [], [], [], 0
    for number in range(count):
        made = make(family, seed, number)
        relative = made.truth["relative_percent"]
        if relative is None:
            continue
        try:
            said = estimate(condition(made.capture()), made.engine())
        except InputError:
            said = None
        if said is None or said.right < RIGHT_LEAST:
            doubted += 1
            continue
        own = np.array([relative[str(c)] for c in made.about["firing_order"]])
        turned = [np.abs(np.roll(said.relative_percent, k) - own).sum() for k in range(len(own))]
        turn = int(np.argmin(turned))
        engine += [number] * len(own)
        chances.append(np.roll(said.chances, turn, axis=0))
        true.append(own)
    return Family(SHOWN[family], len(true), doubted, np.array(engine), np.concatenate(chances), np.concatenate(true))


def place(nominal: float, actual: float) -> tuple[float, float]:
    """Return where a point lies on the page."""
    return LEFT + SIDE * (nominal - 50.0) / 50.0, TOP + SIDE * (1.0 - (max(actual, 50.0) - 50.0) / 50.0)


def mark(kind: str, x: float, y: float) -> str:
    """Return a small shape, told apart without colour."""
    if kind == "square":
        return f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="{INK}"/>'
    if kind == "diamond":
        return f'<path d="M{x:.1f} {y - 5.5:.1f}l5.5 5.5l-5.5 5.5l-5.5 -5.5z" fill="{INK}"/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{PAPER if kind == "ring" else INK}" stroke="{INK}"/>'


def frame() -> list[str]:
    """Return title, axes and the line on which a calibrated posterior lies."""
    corner, far = place(50, 50), place(100, 100)
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
           f'font-size="14" fill="{INK}"><title>Nominal against actual share in the ranges</title>',
           f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
           f'<text x="{LEFT}" y="34" font-size="19">How often the truth lies in the range</text>',
           f'<path d="M{corner[0]} {corner[1]}L{far[0]} {far[1]}" stroke="{FAINT}" stroke-width="2"/>',
           f'<path d="M{corner[0]} {far[1]}V{corner[1]}H{far[0]}" stroke="{INK}" fill="none"/>']
    for tick in range(50, 101, 10):
        (x, _), (_, y) = place(tick, 50), place(50, tick)
        out += [f'<text x="{x}" y="{corner[1] + 22}" text-anchor="middle">{tick}</text>',
                f'<text x="{LEFT - 10}" y="{y + 5}" text-anchor="end">{tick}</text>',
                f'<path d="M{x} {corner[1]}v6M{LEFT - 6} {y}h6" stroke="{INK}"/>']
    return [*out, f'<text x="{LEFT + SIDE / 2}" y="{corner[1] + 48}" text-anchor="middle">nominal, %</text>',
            f'<text transform="translate(28 {TOP + SIDE / 2}) rotate(-90)" text-anchor="middle">actual, %</text>']


def curve(family: Family, number: int) -> list[str]:
    """Return one family's line with its limits, and its entry in the legend."""
    out, points, aside = [], [], APART * (number - 1.5)
    for level in LEVELS:
        share = family.coverage(level)
        x, y = place(level, 100.0 * (share.share or 0.0))
        points.append((x + aside, y))
        ends = (place(level, 100.0 * end)[1] for end in (share.low, share.high))
        out.append(f'<path d="M{x + aside:.1f} {next(ends):.1f}V{next(ends):.1f}" stroke="{FAINT}"/>')
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    key, y = LEFT + SIDE + 24, TOP + 40 + 78 * number
    told = family.coverage(95.0)
    return [*out, f'<polyline points="{line}" fill="none" stroke="{INK}" stroke-width="1.4" '
            f'stroke-dasharray="{DASHES[number]}"/>', *(mark(MARKS[number], *p) for p in points),
            f'<path d="M{key} {y - 5}h34" stroke="{INK}" stroke-dasharray="{DASHES[number]}"/>',
            mark(MARKS[number], key + 17, y - 5), f'<text x="{key + 44}" y="{y}">{escape(family.name)}</text>',
            f'<text x="{key + 44}" y="{y + 18}" font-size="12">{family.captures} engines, {told.of} cylinders</text>',
            f'<text x="{key + 44}" y="{y + 33}" font-size="12">95 % holds {100.0 * (told.share or 0.0):.1f} % '
            f'({100.0 * told.low:.0f}-{100.0 * told.high:.0f} %)</text>',
            f'<text x="{key + 44}" y="{y + 48}" font-size="12">median width {family.width:.1f} points</text>']


def drawing(families: list[Family]) -> str:
    """Return the picture as SVG."""
    return "\n".join([*frame(), *(part for k, one in enumerate(families) for part in curve(one, k)), "</svg>", ""])


def line_of(family: Family) -> str:
    """Return a row of the table, and how often a cylinder said to be low with some probability was."""
    low, is_low = below(family.chances, LIMIT_PERCENT), family.true < LIMIT_PERCENT
    sure = [f"{int(is_low[part].sum())} of {int(part.sum())}" for part in
            (low <= 0.05, (low > 0.05) & (low < 0.95), low >= 0.95)]
    shares = [family.coverage(level) for level in LEVELS]
    return f"| {family.name} | {family.captures} ({family.doubted}) | {family.errors.mean():.1f}, " \
           f"{np.quantile(family.errors, 0.95):.1f} | {family.width:.1f} | " + \
           " | ".join(f"{100.0 * (s.share or 0.0):.0f}" for s in shares) + f" | {' / '.join(sure)} |"


def main() -> int:
    """Measure the families, print a table, draw the picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=902)
    given = parser.parse_args()
    print("| family | engines (doubted) | error mean, p95 | width | " + " | ".join(f"{x:g} %" for x in LEVELS)
          + " | low, of those at most 5 % / between / at least 95 % likely to be |")
    print("|" + "---|" * (5 + len(LEVELS)))
    families = []
    for name in SHOWN:
        families.append(measure(name, given.count, given.seed))
        print(line_of(families[-1]), flush=True)
    given.out.write_text(drawing(families), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
