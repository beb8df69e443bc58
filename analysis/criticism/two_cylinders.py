"""Doubts about two cylinders, whose faults are told apart less surely than those of more.

One hump a cycle is what a twin with a dead cylinder gives, and also what two healthy ones give at half the speed; with
uneven firing it fits either place. So each of the two must show as a rise of its own, no other rate may explain nearly
as much, and at speeds where twice or half is as likely even that is not enough.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import SLOW_RPM
from crankfold.analysis.criticism.refusal import swells
from crankfold.analysis.model import NO_RIVAL
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.answer import Thresholds
    from crankfold.analysis.model import Estimate
    from crankfold.analysis.result import Cylinder

NO_HUMP_PERCENT, HUMP_PERCENT = 8.0, 30.0  # a fitted pressure above the second must show as a rise above the first
MOST_JUMP = 0.5  # of a hump between the stretches of the fit; of 266 twins judged rightly two had more
LEAST_REPEAT = 0.7  # correlation of a cycle with the next; two cylinders that are only cranked repeat above 0.8
LOW_PERCENT, FAR_APART = 75.0, 35.0  # a low one whose hump is so many points above its fit is not believed
UNLIKE_PERCENT = 70.0  # of the taller; two humps that are alike by the fit differ by less
SAME_FIT, SAME_HEIGHT = 95.0, 97.0  # percent: one and the same hump seen twice
RIVAL_COST = 2.0  # another rate that leaves less than twice as much unexplained may be true
TWICE_IS_COMMON_RPM = 160.0  # twice of it is the fastest cranking that is common
HALF_IS_COMMON_RPM = 300.0


def doubts_of_two(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> tuple[Notice, ...]:
    """Return the reasons that the numbers give against a verdict on two cylinders, the deciding one first."""
    reasons = (_jumps(estimate), _no_rise(estimate), _fires(estimate), _swells(estimate), _low_one_as_tall(estimate),
               _another_speed(estimate), _unlike(estimate, cylinders, thresholds))
    return tuple(r for r in reasons if r is not None)


def _jumps(estimate: Estimate) -> Notice | None:
    """Return the reason that the fit makes one cylinder of both humps, the crank racing on between them."""
    return _two_answers(estimate) if estimate.details.get("jump_humps", 0.0) >= MOST_JUMP else None


def _no_rise(estimate: Estimate) -> Notice | None:
    """Return the reason that one has pressure by the fit and no hump."""
    fit, height = estimate.relative_percent, estimate.heights_percent
    found = ((fit > HUMP_PERCENT) & (height < NO_HUMP_PERCENT)).any()
    return _against(estimate, int(np.argmin(height))) if found else None


def _fires(estimate: Estimate) -> Notice | None:
    """Return the reason that cycles are not alike, as where one fires now and then."""
    repeats = estimate.details.get("rate_repeat", 1.0) >= LEAST_REPEAT
    return None if repeats else Notice("not-explained", {"why": "nothing-repeats"})


def _swells(estimate: Estimate) -> Notice | None:
    """Return the reason that swells at half the speed may be the humps of two."""
    return _two_answers(estimate) if swells(estimate) else None


def _low_one_as_tall(estimate: Estimate) -> Notice | None:
    """Return the reason that a low one has a hump far above what it is said to have."""
    fit, height = estimate.relative_percent, estimate.heights_percent
    apart = float((height - fit)[fit < LOW_PERCENT].max(initial=0.0))
    return _against(estimate, int(np.argmin(fit))) if apart > FAR_APART else None


def _another_speed(estimate: Estimate) -> Notice | None:
    """Return the reason that half or twice the speed is as likely.

    So slow that twice of it is likelier, another rate must have been tried and have failed, and the two may not be the
    very same; one hump a cycle so fast that half of it is likelier is not believed.
    """
    rpm, rival = estimate.rpm, estimate.details.get("rival_cost_ratio", NO_RIVAL)
    weaker, lower = float(estimate.relative_percent.min()), float(estimate.heights_percent.min())
    untried = rpm < SLOW_RPM and weaker > HUMP_PERCENT and rival >= NO_RIVAL
    same = rpm < SLOW_RPM and weaker > SAME_FIT and lower > SAME_HEIGHT
    near = rpm < TWICE_IS_COMMON_RPM and rival < RIVAL_COST
    fast = rpm > HALF_IS_COMMON_RPM and lower < NO_HUMP_PERCENT
    return _two_answers(estimate) if untried or same or near or fast else None


def _unlike(estimate: Estimate, cylinders: Sequence[Cylinder], thresholds: Thresholds) -> Notice | None:
    """Return the reason that one, not low by the fit, has far less of a hump than the other and may be low."""
    reaches = min(c.interval_percent[0] for c in cylinders) < thresholds.low_percent
    height = estimate.heights_percent
    if not reaches or estimate.relative_percent.min() < thresholds.low_percent or height.min() >= UNLIKE_PERCENT:
        return None
    return _against(estimate, int(np.argmin(height)))


def _against(estimate: Estimate, position: int) -> Notice:
    return Notice("not-explained", {
        "why": "heights", "position": position + 1, "relative_percent": float(estimate.relative_percent[position]),
        "height_percent": float(estimate.heights_percent[position])})


def _two_answers(estimate: Estimate) -> Notice:
    return Notice("not-explained", {"why": "two-answers", "rpm": estimate.rpm})
