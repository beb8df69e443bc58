"""Doubts that the numbers themselves raise: answers that no engine gives, and intervals too wide to judge by."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from crankfold.analysis.cautions import second_opinion
from crankfold.analysis.patterns import one_far_above
from crankfold.analysis.refusals import once
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.estimate import Estimate
    from crankfold.analysis.result import Cylinder
    from crankfold.analysis.verdict import Thresholds

FOUR_OR_MORE = 4  # cylinders; with fewer, one dead is already a half
MIDDLING_FIT = 0.992  # share explained; good fits of clean traces explain more than 0.995
MOST_FOR_HEIGHTS = 8  # cylinders whose humps still have troughs between
TOO_SLOW_RPM = 100.0
TWICE_TOO_FAST_RPM = 200.0  # half of it is an ordinary cranking speed still
WIDEST_PERCENT = 40.0  # an interval wider than this across the limit says nothing either way


def after_verdict(estimate: Estimate, cylinders: Sequence[Cylinder], engine: Engine,
                  thresholds: Thresholds) -> tuple[Notice, ...]:
    """Return the reasons that the numbers themselves give against a verdict."""
    return once([_mostly_dead(cylinders), _every_other_dead(estimate, cylinders),
                 _one_far_above(cylinders, thresholds), _unsure(estimate, cylinders, thresholds),
                 _heights_against(estimate, engine, thresholds)])


def _heights_against(estimate: Estimate, engine: Engine, thresholds: Thresholds) -> Notice | None:
    """Return the reason that plain hump heights say the opposite about a cylinder; where they can be trusted so far.

    Humps of uneven or very close firing run into each other: there it is a caution only.
    """
    against = second_opinion(estimate, thresholds)
    if against is None or not engine.even_firing or engine.cylinders > MOST_FOR_HEIGHTS:
        return None
    return Notice("not-explained", {"why": "heights", **against.facts})


def _mostly_dead(cylinders: Sequence[Cylinder]) -> Notice | None:
    """Return the reason that more than half of the cylinders should be dead: the card has more than the engine."""
    alive = sum(c.state != "dead" for c in cylinders)
    if len(cylinders) < FOUR_OR_MORE or 2 * alive >= len(cylinders):
        return None
    return Notice("hump-count", {"humps": alive, "cylinders": len(cylinders)})


def _every_other_dead(estimate: Estimate, cylinders: Sequence[Cylinder]) -> Notice | None:
    """Return the reason that every other cylinder should be dead at an odd speed.

    At half of a high speed all are alive; a low one is that of an engine with half as many cylinders.
    """
    dead = [c.state == "dead" for c in cylinders]
    alternating = len(dead) % 2 == 0 and all(a != b for a, b in pairwise(dead))
    if len(dead) < FOUR_OR_MORE or not alternating or TOO_SLOW_RPM < estimate.rpm < TWICE_TOO_FAST_RPM:
        return None
    return Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm, "other_rpm": estimate.rpm / 2})


def _one_far_above(cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that all but one should be low, and alike: rather that one is wrong, or has liquid in it."""
    high = one_far_above([c.relative_percent for c in cylinders])
    low = sum(c.relative_percent < thresholds.low_percent for c in cylinders)
    if high is None or low < len(cylinders) - 1:
        return None
    return Notice("not-explained", {"why": "one-far-above", **high.facts})


def _unsure(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that the intervals are too wide for any verdict, None when they will do."""
    widest = max(c.interval_percent[1] - c.interval_percent[0] for c in cylinders)
    across = [c for c in cylinders if c.interval_percent[0] < thresholds.low_percent < c.interval_percent[1]]
    wide = any(c.interval_percent[1] - c.interval_percent[0] > WIDEST_PERCENT for c in across)
    # a middling fit has been seen to read a low cylinder as one to watch, hardly ever the other way round
    even = all(c.relative_percent >= thresholds.low_percent for c in cylinders)
    doubtful = even and estimate.explained < MIDDLING_FIT and any(c.relative_percent < thresholds.watch_percent
                                                                  for c in across)
    if not wide and not doubtful:
        return None
    return Notice("not-explained", {"why": "unsure", "widest_percent": widest})
