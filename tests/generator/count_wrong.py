"""Analyse random engines in this process and count, by family, what was answered, wrong and blamed.

    python tests/generator/count_wrong.py --family damaged --count 1000 --seed 7 --jobs 2
    python tests/generator/count_wrong.py --family ordinary --family alien --family two-stroke --count 100 --seed 8

Every capture is of an engine of its own. Nothing is written; a capture is reproduced from its family, seed and number
with ``make_captures.py``. The limits are 95 % ones.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
from families import FAMILIES
from judging import Row, judge, reasons, table
from make_captures import Made, make

CHUNK = 4  # captures that a process takes at once


def judged(made: Made, family: str = "made") -> Row:
    from crankfold.analysis import analyse

    truth, order = made.truth, [int(c) for c in made.about["firing_order"]]
    relative = truth["relative_percent"]
    known = None if "wrong-count" in truth["why"] or relative is None else [float(relative[str(c)]) for c in order]
    row = Row(made.name, family, made.name, tuple(truth["acceptable"]), tuple(truth["codes"]), tuple(truth["why"]))
    return judge(row, lambda: analyse(made.capture(), made.engine(), sync=made.sync()), order, known)


def one(seed: int, what: tuple[str, int]) -> Row:
    family, index = what
    return judged(make(family, seed, index), family)


def report(rows: list[Row], *, each: bool) -> None:
    for row in rows:
        if each or row.wrong or row.blamed or row.misnamed or row.refused:
            print(row.line())
    print(table(rows))
    print(f"refused though due, by first reason: {reasons(rows)}")
    print(f"named otherwise than is true: {sum(row.misnamed for row in rows)}")
    seconds = np.array([row.seconds for row in rows])
    print(f"seconds of one core: median {np.median(seconds):.3f}, 95th percentile {np.quantile(seconds, 0.95):.3f}, "
          f"longest {seconds.max():.2f}")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--family", choices=sorted(FAMILIES), action="append", help="may be given several times")
    parser.add_argument("--count", type=int, default=100, help="of each family")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="a line for every capture, not only for wrong ones")
    given = parser.parse_args(arguments)
    work = partial(one, given.seed)
    wanted = [(family, k) for family in given.family or list(FAMILIES)
              for k in range(given.first, given.first + given.count)]
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(work, wanted, chunksize=CHUNK))
    else:
        rows = [work(what) for what in wanted]
    report(rows, each=given.each)
    return int(any(row.wrong for row in rows))


if __name__ == "__main__":
    sys.exit(main())
