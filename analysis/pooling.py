"""Several cranks of one engine as one answer: a weak battery gives only a few cycles at a time.

Most of an estimate's error is the model's and the same in every crank, so pooling does not shrink an interval below the
narrowest of them; it averages what scatters, and widens where the cranks disagree.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.patterns import find_pattern
from crankfold.analysis.result import Notice
from crankfold.analysis.verdict import Thresholds, judge, near_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.result import Result

STANDARD = Thresholds()
LEAST_HALF_PERCENT = 0.5  # no interval counts for more than this narrow


def pooled(results: Sequence[Result], *, thresholds: Thresholds = STANDARD) -> Result:
    """Return one result of several: cylinder by cylinder the mean, weighted by how sure each crank is.

    What belongs to a single crank (trace, estimate, cranking, health, sync) is the first one's; `notes` says of how
    many cranks the answer is made.

    Raises
    ------
    InputError
        There are fewer than two, one has no verdict, the engines differ, or the cylinders have no numbers to match by.
    """
    if len(results) < 2:
        raise InputError("one crank alone cannot be pooled; give two or more captures of the same engine")
    first = results[0]
    for number, result in enumerate(results, start=1):
        if result.verdict == "none":
            raise InputError(f"capture {number} has no verdict, so it cannot be pooled; leave it out or capture again")
        if (result.engine.firing_order, result.engine.intervals_deg) != (
                first.engine.firing_order, first.engine.intervals_deg):
            raise InputError(f"capture {number} is of another engine than the first; pool captures of one engine only")
        if any(c.cylinder is None for c in result.cylinders):
            raise InputError(f"the cylinders of capture {number} have no numbers, so they cannot be matched; "
                             "capture with a sync mark each time")
    value = np.array([[c.relative_percent for c in r.cylinders] for r in results])
    half = np.array([[max((c.interval_percent[1] - c.interval_percent[0]) / 2, LEAST_HALF_PERCENT)
                      for c in r.cylinders] for r in results])
    weight = 1.0 / half**2
    mean = (weight * value).sum(axis=0) / weight.sum(axis=0)
    scatter = 1.96 * value.std(axis=0, ddof=1) / math.sqrt(len(results))
    wide = np.maximum(half.min(axis=0), scatter)
    verdict, cylinders = judge(mean, np.column_stack((mean - wide, mean + wide)), first.engine.firing_order, thresholds)
    near = near_limit(cylinders, thresholds)
    kept = {c.code: c for r in results for c in r.cautions if c.code != "near-limit"}
    return replace(first, verdict=verdict, cylinders=cylinders, pattern=find_pattern(first.engine, cylinders),
                   cautions=(*kept.values(), *((near,) if near else ())),
                   notes=(*first.notes, Notice("pooled", {"count": len(results)})))
