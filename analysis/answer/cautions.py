"""What to mind beside a verdict, read off the trace and the accepted explanation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer.health import mean_current, ripple_percent, sag_percent
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from crankfold.analysis.answer.verdict import Thresholds
    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model import Estimate
    from crankfold.analysis.signal import CrankingTrace

WEAK_SAG_PERCENT = 12.0  # of the stall current within one cranking: a sound battery loses a few
SLOW_RPM = 110.0  # below it leaks tell more and batteries are weak; common practice wants 150 and more
FAST_RPM = 300.0  # an engine without compression or with its plugs out spins like this
SMOOTH_PERCENT = 20.0  # ripple below it at such a speed: all cylinders down, or timing lost
SOME_CLIPPED = 0.07  # ordinary captures stay below
PLAUSIBLE_A = (40.0, 1500.0)  # mean cranking current, from a small twin to a truck's diesel
FEW_CYCLES = 3.0  # intervals rest on the model rather than on repeats
LIKE_HUMPS = 3  # with the same intervals around them, to say that one of them is far above
TALL_HUMP = 1.15  # over the median of its like; one healthy engine in forty has such a one
ALIKE_HUMPS, ALIKE_CLOSE_HUMPS = 1.15, 1.3  # the tallest of the others over the lowest; where humps run together
CLOSE_LIKE = 8  # more of a kind than this run together
NO_HEIGHT = 0.05  # of the tallest: no hump at all
HEIGHT_CLEAR_PERCENT = 15.0  # heights that miss the limit by this much say the opposite


def trace_cautions(trace: CrankingTrace, *, battery_voltage: bool = False,
                   shut_s: float | None = None) -> list[Notice]:
    """Return what the recording itself has that people should know.

    Parameters
    ----------
    battery_voltage
        The trace is made of a battery's voltage, so that it has neither amperes nor a clamp's direction.
    shut_s
        When a decompressor shut, from the onset.
    """
    found = []
    if battery_voltage:
        found.append(Notice("battery-voltage"))
    elif trace.unit != "A":
        found.append(Notice("no-scale", {"unit": trace.unit}))
    elif (mean := mean_current(trace)) is not None and not PLAUSIBLE_A[0] <= mean <= PLAUSIBLE_A[1]:
        found.append(Notice("scale-doubtful", {"mean_a": mean}))
    if trace.others:
        found.append(Notice("more-cranks", {"count": len(trace.others), "longest_s": trace.crank.length_s}))
    if shut_s is not None:
        found.append(Notice("decompressor", {"shut_s": shut_s}))
    if trace.polarity < 0 and not battery_voltage:
        found.append(Notice("polarity-reversed"))
    if math.isnan(trace.noise):
        found.append(Notice("no-quiet"))
    if not trace.has_onset:
        found.append(Notice("starts-cranking"))
    if trace.clipped_inrush:
        found.append(Notice("inrush-clipped", {"inrush": trace.inrush, "unit": trace.unit}))
    if trace.clipped_humps > SOME_CLIPPED:
        found.append(Notice("some-clipped", {"flat_percent": 100 * trace.clipped_humps}))
    if trace.bridged:
        lengths = [1000 * s.length_s for s in trace.bridged]
        found.append(Notice("bridged", {"count": len(lengths), "longest_ms": max(lengths), "total_ms": sum(lengths)}))
    if trace.cut_by_gap:
        left_s = min(trace.steady_to_s, trace.crank.end_s) - trace.steady_from_s
        found.append(Notice("cut-by-gap", {"length_s": left_s}))
    return found


def cranking_cautions(trace: CrankingTrace, engine: Engine, estimate: Estimate) -> list[Notice]:
    """Return what the way it cranked has that people should know."""
    found = []
    sag, ripple = sag_percent(trace, estimate), ripple_percent(trace)
    if sag is not None and sag > WEAK_SAG_PERCENT:
        found.append(Notice("weak-battery", {"sag_percent": sag}))
    found += slow(estimate.rpm)
    if estimate.rpm > FAST_RPM and ripple is not None and ripple < SMOOTH_PERCENT:
        found.append(Notice("fast-smooth", {"rpm": estimate.rpm, "ripple_percent": ripple}))
    if trace.fired_at_s is not None:
        found.append(Notice("engine-caught", {"fired_at_s": trace.fired_at_s - trace.crank.start_s,
                                              "cycles": estimate.cycles}))
    elif estimate.cycles < FEW_CYCLES:
        found.append(Notice("few-cycles", {"cycles": estimate.cycles}))
    if engine.cylinders == 2:
        found.append(Notice("two-cylinders"))
    return found


def slow(rpm: float) -> list[Notice]:
    """Return the caution that it cranked too slowly, if it did: also worth knowing where no verdict is drawn."""
    return [Notice("slow-cranking", {"rpm": rpm})] if 0.0 < rpm < SLOW_RPM else []


def second_opinion(estimate: Estimate, thresholds: Thresholds) -> Notice | None:
    """Return the caution that plain hump heights contradict the fit about a cylinder, None when they do not.

    Heights read a leaking cylinder's neighbours tall and small humps too tall, so only a clear contradiction counts:
    a cylinder that the fit calls low and whose hump is as tall as the best, or the other way round. Heights of two
    cylinders say too little.
    """
    fit, height = estimate.relative_percent, estimate.heights_percent
    if len(fit) < 3 or not np.isfinite(height).all() or height.max() <= 0:
        return None
    # against the median of those the fit calls good, so that one tall neighbour does not make the rest look low
    good = fit >= thresholds.low_percent
    usual = float(np.median(height[good])) if good.any() else 0.0
    against = 100.0 * height / (usual if usual > NO_HEIGHT * height.max() else float(height.max()))
    limit = thresholds.low_percent
    opposite = ((fit < limit) & (against > limit + HEIGHT_CLEAR_PERCENT)) | (
        (fit >= limit) & (against < limit - 2 * HEIGHT_CLEAR_PERCENT))
    if not opposite.any():
        return None
    worst = int(np.argmax(np.where(opposite, np.abs(fit - against), -1.0)))
    return Notice("second-opinion", {"position": worst + 1, "relative_percent": float(fit[worst]),
                                     "height_percent": float(against[worst])})


def tall_hump(estimate: Estimate, engine: Engine, thresholds: Thresholds) -> Notice | None:
    """Return the caution that one plain hump stands above all others, where the fit calls all of them healthy.

    The model knows no cylinder that compresses more than a healthy one, so it explains such a hump away: liquid in a
    cylinder looks even to it. Only humps with the same intervals around them are compared, and only where no weak
    cylinder makes its neighbours look tall.
    """
    heights = estimate.heights_percent
    if estimate.relative_percent.min() < thresholds.watch_percent or not np.isfinite(heights).all():
        return None
    for phase in range(engine.pattern_length):
        like = heights[phase :: engine.pattern_length]
        top = int(np.argmax(like))
        rest = np.delete(like, top)
        alike = ALIKE_HUMPS if len(like) <= CLOSE_LIKE else ALIKE_CLOSE_HUMPS
        if len(like) < LIKE_HUMPS or rest.min() <= 0 or rest.max() > alike * rest.min():
            continue
        above = float(like[top] / np.median(rest))
        if above > TALL_HUMP:
            return Notice("too-much-hump", {"position": phase + top * engine.pattern_length + 1,
                                            "percent_of_others": 100.0 * above})
    return None
