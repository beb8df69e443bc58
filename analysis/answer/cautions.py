"""What to mind beside a verdict, read off the trace and the accepted explanation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from crankfold.analysis.answer.health import mean_current, ripple_percent, sag_percent
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from crankfold.analysis.engine import Engine
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import CrankingTrace

WEAK_SAG_PERCENT = 12.0  # of the stall current within one cranking: a sound battery loses a few
SLOW_RPM = 110.0  # below it leaks tell more and batteries are weak; common practice wants 150 and more
FAST_RPM = 300.0  # an engine without compression or with its plugs out spins like this
SMOOTH_PERCENT = 20.0  # ripple below it at such a speed: all cylinders down, or timing lost
SOME_CLIPPED = 0.07  # ordinary captures stay below
PLAUSIBLE_A = (40.0, 1500.0)  # mean cranking current, from a small twin to a truck's diesel
FEW_CYCLES = 3.0  # intervals rest on the model rather than on repeats


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
