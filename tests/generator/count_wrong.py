"""Analyse random captures in this process and count verdicts that may not be drawn, and names that are wrong.

    python tests/generator/count_wrong.py --family damaged --count 1000 --seed 7 --jobs 2

Nothing is written; a wrong capture is reproduced from its family, seed and number with ``make_captures.py``.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from families import FAMILIES
from make_captures import UNCLEAR, Made, make


@dataclass
class Row:
    """What came out for one capture."""

    name: str
    verdict: str
    reasons: tuple[str, ...]
    acceptable: tuple[str, ...]
    why: tuple[str, ...]
    codes: tuple[str, ...]
    seconds: float
    misnamed: bool = False
    errors: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    told: str = ""

    @property
    def wrong(self) -> bool:
        return self.verdict != "none" and self.verdict not in self.acceptable

    @property
    def missed(self) -> bool:
        return self.verdict == "none" and "none" not in self.acceptable


def judge(made: Made) -> Row:
    from crankfold.analysis import InputError, analyse

    began = time.perf_counter()
    truth = made.truth
    try:
        result = analyse(made.capture(), made.engine(), sync=made.sync())
    except InputError as error:
        return Row(made.name, "none", (f"input: {error}",), tuple(truth["acceptable"]), tuple(truth["why"]),
                   tuple(truth["codes"]), time.perf_counter() - began)
    row = Row(made.name, result.verdict, tuple(r.code for r in result.reasons), tuple(truth["acceptable"]),
              tuple(truth["why"]), tuple(truth["codes"]), time.perf_counter() - began)
    if result.verdict == "none" or truth["relative_percent"] is None or "wrong-count" in row.why:
        return row
    relative = [truth["relative_percent"][str(c)] for c in made.about["firing_order"]]
    estimates = [c.relative_percent for c in result.cylinders]
    named = all(c.cylinder is not None for c in result.cylinders)
    n = len(relative)
    turn = 0 if named else min(range(n), key=lambda k: sum(abs(estimates[(j + k) % n] - relative[j]) for j in range(n)))
    placed = [result.cylinders[(j + turn) % n] for j in range(n)]
    row.errors = [abs(c.relative_percent - t) for c, t in zip(placed, relative, strict=True)]
    row.inside = [c.interval_percent[0] <= t <= c.interval_percent[1] for c, t in zip(placed, relative, strict=True)]
    row.widths = [c.interval_percent[1] - c.interval_percent[0] for c in placed]
    clear = not any(UNCLEAR[0] < r < UNCLEAR[1] for r in relative)
    row.misnamed = clear and named and result.verdict == "uneven" and list(result.low) != truth["low"]
    row.told = f"{[round(c.relative_percent) for c in placed]} for {[round(r) for r in relative]}"
    return row


def one(family: str, seed: int, index: int) -> Row:
    return judge(make(family, seed, index))


def report(rows: list[Row], *, each: bool) -> None:
    for row in rows:
        if each or row.wrong or row.misnamed or row.missed:
            flaw = "WRONG" if row.wrong else "MISNAMED" if row.misnamed else "REFUSED" if row.missed else "ok"
            print(row.name, flaw, row.verdict, "may be", "/".join(row.acceptable), ",".join(row.why),
                  ",".join(row.reasons), row.told)
    refused = [row for row in rows if row.verdict == "none"]
    deserving = [row for row in rows if "none" not in row.acceptable]
    wanted = [row for row in rows if row.acceptable == ("none",) and row.codes]
    errors = np.array([e for row in rows for e in row.errors] or [np.nan])
    inside = [i for row in rows for i in row.inside]
    widths = [w for row in rows for w in row.widths] or [float("nan")]
    print(f"captures: {len(rows)}, wrong verdicts: {sum(r.wrong for r in rows)}, "
          f"misnamed: {sum(r.misnamed for r in rows)}")
    print(f"refused: {len(refused)}, of which deserved a verdict: {sum(r.missed for r in rows)} of "
          f"{len(deserving)}; first reasons: {dict(Counter(r.reasons[0] for r in refused if r.reasons))}")
    if wanted:
        right = sum(bool(r.reasons) and r.reasons[0] in r.codes for r in wanted)
        print(f"refused with the right code: {right} of {len(wanted)}")
    print(f"error: mean {errors.mean():.2f}, median {np.median(errors):.2f}, 95th percentile "
          f"{np.quantile(errors, 0.95):.2f}, worst {errors.max():.1f}")
    print(f"in the interval: {100 * np.mean(inside or [0]):.1f} %, median width {np.median(widths):.1f}")
    seconds = np.array([row.seconds for row in rows])
    print(f"seconds: median {np.median(seconds):.3f}, 95th percentile {np.quantile(seconds, 0.95):.3f}, "
          f"longest {seconds.max():.2f}")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--family", choices=sorted(FAMILIES), default="ordinary")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="a line for every capture, not only for wrong ones")
    given = parser.parse_args(arguments)
    work = partial(one, given.family, given.seed)
    numbers = range(given.first, given.first + given.count)
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(work, numbers, chunksize=4))
    else:
        rows = [work(k) for k in numbers]
    report(rows, each=given.each)
    return int(any(row.wrong for row in rows))


if __name__ == "__main__":
    sys.exit(main())
