"""Several cranks of one engine as one answer: a weak battery gives only a few cycles at a time.

Most of an estimate's error is the model's and the same in every crank, so pooling does not shrink an interval below the
narrowest of them; it averages what scatters, and widens where the cranks disagree.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import FEW_CYCLES, Thresholds, find_pattern, judge, near_limit
from crankfold.analysis.errors import InputError
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.result import Cylinder, Result

STANDARD = Thresholds()
LEAST_HALF_PERCENT = 0.5  # no interval counts for more than this narrow
APART = 1.3  # times the two half intervals in quadrature: one pair in a hundred is as far apart by chance


def pooled_cranks(results: Sequence[Result], *, thresholds: Thresholds = STANDARD) -> Result:
    """Return one result of several cranks of one engine; those without a verdict are left out, and that is said.

    A single crank that is left stands alone; where none has a verdict, the first one's reasons are the answer. Cranks
    that say the opposite of each other about a cylinder, each clear of the limit, give no verdict.

    Raises
    ------
    InputError
        The engines differ.
    """
    judged = [r for r in results if r.verdict != "none"]
    if not judged:
        return results[0]
    out = judged[0] if len(judged) == 1 else pooled(judged, thresholds=thresholds)
    if len(judged) == len(results):
        return out
    left = next(r.reasons[0].code for r in results if r.verdict == "none")
    facts: dict[str, int | str] = {"count": len(results) - len(judged), "of": len(results), "code": left}
    return replace(out, cautions=(*out.cautions, Notice("crank-left-out", facts)))


def pooled(results: Sequence[Result], *, thresholds: Thresholds = STANDARD) -> Result:
    """Return one result of several: cylinder by cylinder the mean, weighted by how sure each crank is.

    Cranks whose cylinders have no numbers are turned to where they agree best with the first that has, or with the
    first. What belongs to a single crank (trace, estimate, cranking, health, sync) is that one's; `notes` says of how
    many cranks the answer is made.

    Raises
    ------
    InputError
        There are fewer than two, one has no verdict, or the engines differ.
    """
    if len(results) < 2:
        raise InputError("one crank alone cannot be pooled; give two or more captures of the same engine")
    first = next((r for r in results if _named(r)), results[0])
    for number, result in enumerate(results, start=1):
        if result.verdict == "none":
            raise InputError(f"capture {number} has no verdict, so it cannot be pooled; leave it out or capture again")
        if (result.engine.firing_order, result.engine.intervals_deg) != (
                first.engine.firing_order, first.engine.intervals_deg):
            raise InputError(f"capture {number} is of another engine than the first; pool captures of one engine only")
    rows = [r.cylinders if r is first or _named(r) else _aligned(r, first) for r in results]
    value = np.array([[c.relative_percent for c in row] for row in rows])
    half = np.array([[max((c.interval_percent[1] - c.interval_percent[0]) / 2, LEAST_HALF_PERCENT) for c in row]
                     for row in rows])
    mean, wide = _mean(value, half)
    numbers = [c.cylinder for c in first.cylinders]
    interval = np.column_stack((mean - wide, np.maximum(mean, np.minimum(mean + wide, 100.0))))
    interval = np.maximum(interval, 0.0)
    verdict, cylinders = judge(mean, interval, numbers, thresholds)
    gone = {"near-limit", "sync-cannot-name" if _named(first) else "", "few-cycles" if _enough(results) else ""}
    kept = {c.code: c for r in results for c in r.cautions if c.code not in gone}
    apart = _furthest(value, half, numbers)
    cautions = [*kept.values(), *(c for c in (near_limit(cylinders, thresholds), apart) if c is not None)]
    if apart is not None and _opposite(rows, thresholds):
        reason = Notice("not-explained", {"why": "cranks-disagree", **apart.facts})
        return replace(first, verdict="none", reasons=(reason,), cylinders=(), pattern=None, sync=None,
                       cautions=tuple(c for c in cautions if c is not apart))
    return replace(first, verdict=verdict, cylinders=_with_pressure(cylinders, rows),
                   pattern=find_pattern(first.engine, cylinders), cautions=tuple(cautions),
                   notes=(*first.notes, Notice("pooled", {"count": len(results)})))


def _named(result: Result) -> bool:
    return all(c.cylinder is not None for c in result.cylinders)


def _enough(results: Sequence[Result]) -> bool:
    return sum(r.cranking.cycles for r in results if r.cranking is not None) >= FEW_CYCLES


def _aligned(result: Result, first: Result) -> tuple[Cylinder, ...]:
    """Return the cylinders of a result turned, within the firing pattern, to where they agree best with the first."""
    want = np.array([c.relative_percent for c in first.cylinders])
    have = np.array([c.relative_percent for c in result.cylinders])
    turns = range(0, len(have), result.engine.pattern_length)
    turn = min(turns, key=lambda k: float(np.abs(np.roll(have, -k) - want).sum()))
    return (*result.cylinders[turn:], *result.cylinders[:turn])


def _mean(value: NDArray[np.float64], half: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the weighted mean of each column and half of its 95 % interval."""
    weight = 1.0 / half**2
    mean = (weight * value).sum(axis=0) / weight.sum(axis=0)
    scatter = 1.96 * value.std(axis=0, ddof=1) / math.sqrt(len(value))
    return mean, np.maximum(half.min(axis=0), scatter)


def _furthest(value: NDArray[np.float64], half: NDArray[np.float64], numbers: Sequence[int | None]) -> Notice | None:
    """Return the caution that two cranks are further apart about a cylinder than their intervals allow."""
    apart = np.abs(value[:, None] - value[None]) / np.hypot(half[:, None], half[None])
    at = int(np.argmax(apart.max(axis=(0, 1))))
    if apart[..., at].max() <= APART:
        return None
    return Notice("cranks-disagree", {
        "position": at + 1, "cylinders": () if numbers[at] is None else (int(numbers[at] or 0),),
        "least_percent": float(value[:, at].min()), "most_percent": float(value[:, at].max())})


def _opposite(rows: Sequence[Sequence[Cylinder]], thresholds: Thresholds) -> bool:
    """Return whether one crank calls a cylinder low and another good, both clear of the limit."""
    limit = thresholds.low_percent
    return any(any(c.interval_percent[1] < limit for c in same) and any(c.interval_percent[0] > limit for c in same)
               for same in zip(*rows, strict=True))


def _with_pressure(cylinders: tuple[Cylinder, ...], rows: Sequence[Sequence[Cylinder]]) -> tuple[Cylinder, ...]:
    """Return the cylinders with the mean of their pressures, where every crank has them."""
    ends = [[c.pressure_interval_bar for c in row] for row in rows]
    if any(end is None for row in ends for end in row):
        return cylinders
    bar = np.array([[c.pressure_bar for c in row] for row in rows], dtype=float)
    half = np.array([[max((e[1] - e[0]) / 2, 1e-3) for e in row if e is not None] for row in ends])
    mean, wide = _mean(bar, half)
    return tuple(replace(c, pressure_bar=float(b), pressure_interval_bar=(max(0.0, float(b - w)), float(b + w)))
                 for c, b, w in zip(cylinders, mean, wide, strict=True))
