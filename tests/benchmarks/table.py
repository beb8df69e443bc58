#!/usr/bin/env python3
"""Measure every budget against its reference in one run, and print them as a Markdown table.

    python tests/benchmarks/table.py [--only WORD]

Ratios hold on any machine; absolute figures and the batch need one whose processors have nothing else to do.
Ends with status 1 when a budget is missed.
"""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from measuring import Row

HEAD = "| work | reference in the same run | budget | measured | |\n|---|---|---|---|---|"


def line_of(row: Row) -> str:
    """Return a row in Markdown."""
    return f"| {row.work} | {row.reference} | {row.budget} | {row.measured} | {'within' if row.within else 'over'} |"


def rows() -> tuple[Callable[[], Row], ...]:
    """Return what measures each row."""
    import answer_rows
    import stream_rows

    return (*stream_rows.ROWS, *answer_rows.ROWS)


def main() -> int:
    """Measure and print."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # before numpy is loaded: budgets are for one core
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="rows whose name holds this word")
    only = parser.parse_args().only
    print(HEAD, flush=True)
    missed = 0
    for measure in rows():
        if only in measure.__name__:
            row = measure()
            missed += not row.within
            print(line_of(row), flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
