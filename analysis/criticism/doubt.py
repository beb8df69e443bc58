"""What the posterior itself says against a verdict: nothing compresses, something burns, rate or card are not right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import mean_current, ripple_percent
from crankfold.analysis.criticism.refusal import MIN_CYCLES_BEFORE_FIRING, clipped_notice, once, rate_for, shortness
from crankfold.analysis.result import Notice
from crankfold.analysis.signal import better_count

if TYPE_CHECKING:
    from crankfold.analysis.engine import Engine, SyncSpec
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import Better, CrankingTrace
    from crankfold.analysis.sync import Marks

COMPRESSES_LEAST = 0.1  # probability that anything compresses, whatever the humps
SHALLOW_PERCENT, SHALLOW_LEAST = 25.0, 0.9
"""Humps of less than a quarter of the mean are those of a series starter or of no compression: there it must be surer.
Measured crank motion without plugs has 10 to 20 percent, with them 30 and more."""
LABOURS_SHARE = 0.6  # of the in-rush, on average: no starter works so hard on an engine that does not compress
FIRES_MOST = 0.6  # probability that something burns; in the training one engine in eight fires, far more than here
RIGHT_LEAST = 0.5  # probability that cycle rate and card are right
RIVAL_SHARE = 0.1  # of the probability: another cycle rate so likely must say the same
DIFFER_PERCENT = 15.0  # between the lowest cylinder at one cycle rate and at another: they say different things
SOME_CLIPPED = 0.05  # of the samples: enough to blame where nothing fits
MIN_INTERVALS = 3
REGULAR = 0.08  # spread of the intervals over their median: what drifting speed leaves, and no missed mark
NEAR = 0.04  # of a ratio
RATIOS = (0.4, 2.6)  # cycles to marks that a wrong card can make; a toothed wheel makes others
HUMPS = range(1, 17)


def after_estimate(trace: CrankingTrace, engine: Engine, estimate: Estimate | None) -> tuple[Notice, ...]:
    """Return the reasons that the estimate gives against a verdict, the deciding one first."""
    other = better_count(trace, engine)
    if estimate is None:
        nothing = Notice("not-explained", {"why": "nothing-repeats"})
        return (_hump_count(other, engine), nothing) if other and other.likely else (nothing,)
    short = shortness(trace, estimate.cycles)
    return once([
        short if trace.fired_at_s is not None else None,
        _nothing_compresses(trace, estimate), _something_burns(estimate), *_not_right(trace, engine, estimate, other),
        short, rate_for(trace, engine, estimate.rpm),
    ])


def one_cylinder(estimate: Estimate | None) -> Notice:
    """Return the reason that one cylinder has no other to compare with, with what can be said of it."""
    return Notice("one-cylinder", {} if estimate is None else {"cycles": estimate.cycles, "rpm": estimate.rpm})


def _nothing_compresses(trace: CrankingTrace, estimate: Estimate) -> Notice | None:
    ripple = ripple_percent(trace)
    shallow = ripple is not None and ripple < SHALLOW_PERCENT and not _labours(trace)
    least = SHALLOW_LEAST if shallow else COMPRESSES_LEAST
    if estimate.compresses >= least:
        return None
    return Notice("no-humps", {"ripple_percent": ripple or 0.0, "mean": mean_current(trace) or 0.0,
                               "unit": trace.unit})


def _labours(trace: CrankingTrace) -> bool:
    known = trace.has_onset and not trace.clipped_inrush and trace.inrush > 0
    return known and (mean_current(trace) or 0.0) > LABOURS_SHARE * trace.inrush


def _something_burns(estimate: Estimate) -> Notice | None:
    if estimate.fires <= FIRES_MOST:
        return None
    return Notice("engine-fired", {"why": "burns", "chance_percent": 100.0 * estimate.fires, "cycles": estimate.cycles,
                                   "needed_cycles": MIN_CYCLES_BEFORE_FIRING})


def _not_right(trace: CrankingTrace, engine: Engine, estimate: Estimate, other: Better | None) -> list[Notice]:
    """Return why cycle rate or card may be wrong, what probably spoiled it first; empty where they are right."""
    rates = _two_rates(estimate)
    if estimate.right >= RIGHT_LEAST:
        return [] if rates is None else [rates]
    reasons = [clipped_notice(trace)] if trace.clipped_humps > SOME_CLIPPED else []
    if other is not None and other.likely:
        reasons.append(_hump_count(other, engine))
    unlike = Notice("not-explained", {"why": "unlike", "chance_percent": 100.0 * estimate.right, "rpm": estimate.rpm})
    return [*reasons, unlike if rates is None else rates]


def _two_rates(estimate: Estimate) -> Notice | None:
    """Return the reason that another cycle rate is likely, too, at which the lowest cylinder is another matter."""
    if len(estimate.rivals) < 2 or estimate.rivals[1].share < RIVAL_SHARE:
        return None
    best, rival = estimate.rivals[:2]
    if abs(best.lowest_percent - rival.lowest_percent) < DIFFER_PERCENT:
        return None
    return Notice("not-explained", {
        "why": "two-rates", "rpm": best.rpm, "other_rpm": rival.rpm, "chance_percent": 100.0 * best.share,
        "other_chance_percent": 100.0 * rival.share})


def _hump_count(other: Better, engine: Engine) -> Notice:
    return Notice("hump-count", {"humps": other.humps, "cylinders": engine.cylinders, "rpm": other.rpm})


def rhythm_against(marks: Marks | None, spec: SyncSpec | None, engine: Engine, estimate: Estimate) -> Notice | None:
    """Return the reason that the marks count another number of humps a cycle, None when they do not or cannot."""
    if marks is None or spec is None:
        return None
    inside = marks.within(float(estimate.time_s[0]), float(estimate.time_s[-1]))
    intervals = np.diff(inside.time_s)
    if len(intervals) < MIN_INTERVALS:
        return None
    middle = float(np.median(intervals))
    if float(np.abs(intervals / middle - 1.0).max()) > 2 * REGULAR or float(np.std(intervals)) > REGULAR * middle:
        return None
    turned = np.interp(inside.time_s, estimate.time_s, estimate.angle_deg)
    cycles = float(np.median(np.diff(turned))) / engine.cycle_deg
    marks_a_cycle = (1.0 / cycles) / (2.0 if spec.kind == "waste-spark" and engine.strokes == 4 else 1.0)
    if any(abs(marks_a_cycle / usual - 1.0) < NEAR for usual in (0.5, 1.0, 2.0)):
        return None
    fitting = [h for h in HUMPS if abs(marks_a_cycle * h / engine.cylinders - 1.0) < NEAR]
    if not fitting or not RATIOS[0] < marks_a_cycle < RATIOS[1]:
        return None
    return Notice("hump-count", {"humps": fitting[0], "cylinders": engine.cylinders,
                                 "rpm": estimate.rpm * engine.cylinders / fitting[0]})
