"""Doubts that the numbers themselves raise: answers that no engine gives, and intervals too wide to judge by."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import one_far_above, second_opinion, tall_hump
from crankfold.analysis.criticism.refusal import once
from crankfold.analysis.criticism.two_cylinders import doubts_of_two
from crankfold.analysis.model import NO_RIVAL
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.answer import Thresholds
    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model import Estimate
    from crankfold.analysis.result import Cylinder

FOUR_OR_MORE = 4  # cylinders; with fewer, one dead is already a half
GONE_PERCENT = 30.0  # humps that are not there may be fitted with so much beside those that are
MIDDLING_FIT = 0.992  # share explained; good fits of clean traces explain more than 0.995
MOST_FOR_HEIGHTS = 8  # cylinders whose humps still have troughs between
TOO_SLOW_RPM = 100.0
TWICE_TOO_FAST_RPM = 200.0  # half of it is an ordinary cranking speed still
MOST_JUMP = 0.9  # of a hump from one cycle to the next; fits that are right stay below 0.75
MOST_SLIP_DEG = 75.0  # of a window's angle off the counted cycles; fits that are right stay below 62
THREE_FAST_RPM = 240.0  # a third of it is a possible cranking speed still
MANY = 6  # cylinders; more than two dead in a row of every other are another engine's card at any speed
RIVAL_COST = 1.5  # another rate that leaves no more than half as much again unexplained may be the true one
MOST_SHORT_PERCENT = 8.0  # of the tallest hump; even engines that are fitted rightly stay below 7.5
HIGH_HUMP_PERCENT = 120.0  # of its like, where all are healthy by the fit; those differ by a few percent
FAR_BELOW_PERCENT = 50.0  # a hump this small beside the others' belongs to no cylinder that is merely to be watched
FAR_BELOW_LIMIT = 10.0  # points: a cylinder that may be so far below the limit is not to be called good; of two, 5
BARELY_ABOVE, CLEARLY_BELOW = 2.0, 5.0  # points: so near above the limit and perhaps so far below is neither
CLEARLY_LOW = 15.0
"""Points below the limit. Of 35 cylinders read there with an interval too wide, in captures of four families, none was
truly above it; of 34 read nearer to it twelve were."""
WIDEST_PERCENT = 40.0  # an interval wider than this across the limit says nothing either way


def after_verdict(estimate: Estimate, cylinders: Sequence[Cylinder], engine: Engine,
                  thresholds: Thresholds) -> tuple[Notice, ...]:
    """Return the reasons that the numbers themselves give against a verdict."""
    of_two = doubts_of_two(estimate, cylinders, thresholds) if engine.cylinders == 2 else ()
    return once([_jumps(estimate), _mostly_dead(cylinders), _every_other_dead(estimate, cylinders),
                 _one_of_three(estimate), *of_two, _two_rates(estimate),
                 _one_far_above(estimate, cylinders, thresholds), _hump_far_above(estimate, engine, thresholds),
                 _unsure(estimate, cylinders, thresholds), _heights_against(estimate, engine, thresholds),
                 _small_hump(estimate, cylinders, thresholds), _short_hump(estimate, cylinders, thresholds)])


def windows_meet(estimate: Estimate) -> bool:
    """Return whether each stretch of the fit begins where the one before it ended, and where it was counted."""
    details = estimate.details
    return details.get("jump_humps", 0.0) < MOST_JUMP and details.get("slip_deg", 0.0) < MOST_SLIP_DEG


def _jumps(estimate: Estimate) -> Notice | None:
    """Return the reason that the fit would have to leave out humps from cycle to cycle, or to pass them twice."""
    return None if windows_meet(estimate) else Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm})


def _one_of_three(estimate: Estimate) -> Notice | None:
    """Return the reason that one hump a cycle of three may be those of all three at a third of the speed."""
    alive = int((estimate.relative_percent >= GONE_PERCENT).sum())
    if len(estimate.relative_percent) != 3 or alive > 1 or estimate.rpm < THREE_FAST_RPM:
        return None
    return Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm, "other_rpm": estimate.rpm / 3})


def _two_rates(estimate: Estimate) -> Notice | None:
    """Return the reason that another cycle rate explains nearly as much."""
    if estimate.details.get("rival_cost_ratio", NO_RIVAL) >= RIVAL_COST:
        return None
    return Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm})


def _hump_far_above(estimate: Estimate, engine: Engine, thresholds: Thresholds) -> Notice | None:
    """Return the reason that one hump stands far above all others, which the fit calls healthy alike."""
    high = tall_hump(estimate, engine, thresholds)
    if high is None or _number(high, "percent_of_others") < HIGH_HUMP_PERCENT:
        return None
    return Notice("not-explained", {"why": "one-far-above", **high.facts})


def _small_hump(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that a cylinder near the limit, none being low, has a hump far below all others'."""
    against = second_opinion(estimate, thresholds)
    if against is None or any(c.relative_percent < thresholds.low_percent for c in cylinders):
        return None
    near = cylinders[int(_number(against, "position")) - 1].interval_percent[0] < thresholds.low_percent
    if not near or _number(against, "height_percent") >= FAR_BELOW_PERCENT:
        return None
    return Notice("not-explained", {"why": "heights", **against.facts})


def _short_hump(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that a hump falls short of the fitted one, none being low: its cylinder may be."""
    if not len(estimate.fitted_heights_percent) or any(c.relative_percent < thresholds.low_percent for c in cylinders):
        return None
    short = estimate.fitted_heights_percent - estimate.heights_percent
    worst = int(np.argmax(short))
    if short[worst] < MOST_SHORT_PERCENT:
        return None
    return Notice("not-explained", {
        "why": "heights", "position": worst + 1, "relative_percent": float(estimate.relative_percent[worst]),
        "height_percent": float(estimate.heights_percent[worst])})


def _heights_against(estimate: Estimate, engine: Engine, thresholds: Thresholds) -> Notice | None:
    """Return the reason that plain hump heights say the opposite about a cylinder; where they can be trusted so far.

    Humps of uneven or very close firing run into each other: there it is a caution only.
    """
    against = second_opinion(estimate, thresholds)
    if against is None or not engine.even_firing or engine.cylinders > MOST_FOR_HEIGHTS:
        return None
    return Notice("not-explained", {"why": "heights", **against.facts})


def _mostly_dead(cylinders: Sequence[Cylinder]) -> Notice | None:
    """Return the reason that more than half of the cylinders should be as good as dead: the engine has fewer."""
    alive = sum(c.relative_percent >= GONE_PERCENT for c in cylinders)
    if len(cylinders) < FOUR_OR_MORE or 2 * alive >= len(cylinders):
        return None
    return Notice("hump-count", {"humps": alive, "cylinders": len(cylinders)})


def _every_other_dead(estimate: Estimate, cylinders: Sequence[Cylinder]) -> Notice | None:
    """Return the reason that every other cylinder should be dead at an odd speed.

    At half of a high speed all are alive; a low one is that of an engine with half as many cylinders. Three and more
    are never dead so regularly but where the card has twice as many as the engine.
    """
    dead = [c.state == "dead" for c in cylinders]
    alternating = len(dead) % 2 == 0 and all(a != b for a, b in pairwise(dead))
    if len(dead) >= MANY and alternating:
        return Notice("hump-count", {"why": "every-other", "humps": len(dead) // 2, "cylinders": len(dead),
                                     "rpm": estimate.rpm})
    if len(dead) < FOUR_OR_MORE or not alternating or TOO_SLOW_RPM < estimate.rpm < TWICE_TOO_FAST_RPM:
        return None
    return Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm, "other_rpm": estimate.rpm / 2})


def _one_far_above(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that all but one should be down, and alike: rather that one is wrong, or has liquid in it.

    Where the others are not low by the fit, their plain humps must stand as far below that one.
    """
    high = one_far_above([c.relative_percent for c in cylinders])
    low = sum(c.relative_percent < thresholds.low_percent for c in cylinders)
    if high is None:
        return None
    plain = one_far_above(estimate.heights_percent.tolist())
    if low < len(cylinders) - 1 and (plain is None or plain.facts["position"] != high.facts["position"]):
        return None
    return Notice("not-explained", {"why": "one-far-above", **high.facts})


def _unsure(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that the intervals are too wide for any verdict, None when they will do."""
    low = thresholds.low_percent
    widest = max(c.interval_percent[1] - c.interval_percent[0] for c in cylinders)
    across = [c for c in cylinders if c.interval_percent[0] < low < c.interval_percent[1]]
    even = all(c.relative_percent >= low for c in cylinders)
    # with one that is low for certain, it is uneven whatever the others are; but none may be called low on a guess
    certain = any(c.interval_percent[1] < low - FAR_BELOW_LIMIT or _clearly_low(c, cylinders, low) for c in cylinders)
    far = CLEARLY_BELOW if len(cylinders) == 2 else FAR_BELOW_LIMIT
    wide = any((c.interval_percent[1] - c.interval_percent[0] > WIDEST_PERCENT
                and not (certain and c.relative_percent >= low) and not _clearly_low(c, cylinders, low))
               or (even and c.interval_percent[0] < low - far) for c in across)
    # a middling fit has been seen to read a low cylinder as one to watch, hardly ever the other way round
    doubtful = even and estimate.explained < MIDDLING_FIT and any(c.relative_percent < thresholds.watch_percent
                                                                  for c in across)
    barely = even and any(c.relative_percent < low + BARELY_ABOVE and c.interval_percent[0] < low - CLEARLY_BELOW
                          for c in across)
    if not wide and not doubtful and not barely:
        return None
    return Notice("not-explained", {"why": "unsure", "widest_percent": widest})


def _clearly_low(cylinder: Cylinder, cylinders: Sequence[Cylinder], low_percent: float) -> bool:
    """Return whether a cylinder is low however wide its interval, being one of fewer than half that are low."""
    low = sum(c.relative_percent < low_percent for c in cylinders)
    return 2 * low < len(cylinders) and cylinder.relative_percent < low_percent - CLEARLY_LOW


def _number(notice: Notice, fact: str) -> float:
    value = notice.facts[fact]
    assert isinstance(value, int | float)
    return float(value)
