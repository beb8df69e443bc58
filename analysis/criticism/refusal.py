"""When not to answer: the reasons for drawing no verdict, the deciding one first, each with the numbers to say it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import mean_current, ripple_percent
from crankfold.analysis.engine import USUAL_RPM, least_rate_hz
from crankfold.analysis.result import Notice
from crankfold.analysis.signal import ac_probe

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.signal import CrankingTrace

MIN_CYCLES = 2.0  # one cycle cannot show that anything repeats
MIN_CYCLES_BEFORE_FIRING = 3.0  # the last one before the catch is already helped along
CLIPPED_SHARE = 0.15  # of the steady samples at a flat top: ordinary captures stay below 0.07
ROUNDING = 1e-9  # exactly enough is enough
NO_STARTER_FROM_S, NO_STARTER_TO_S = 0.2, 0.06  # after the onset and before the end
RIPPLE_LEAST_PERCENT = 6.0  # healthy humps are a quarter of the mean and more; below this there are none to judge
AC_SAG = 0.35  # late mean over early mean: a battery never sags to this, a probe that passes no steady current does
AC_BELOW = 0.1  # of the range: such a probe's troughs end up below zero, where a starter's current cannot go
LAMP_A = 30.0  # mean current that lamps, windows and pumps stay below and no starter does
LAMP_RIPPLE_PERCENT = 25.0  # noise on so little; humps of compression are more
GLOW_A = 120.0  # all glow plugs of an engine together; a starter that is held draws more
STALL_OVER_MEAN = 2.0  # a starter without compression still has its in-rush; glow plugs hardly have one
LEAST_REST_S = 0.05  # of a battery's voltage before the first onset: half of the stretch whose median is its rest
HIGHEST_ZERO_V = 5.5  # a probe rests within its board's supply of 5 V, give or take a tenth; a battery rests above
DULL_PERCENT = 6.0  # ripple below which a current has no humps and no turning starter's unevenness
EASY_SHARE, SMOOTH_SHARE = 0.22, 0.025
"""Mean and humps of a starter that turns an engine without compression, as shares of its in-rush. Four records of one
such engine with four starters: 0.10 to 0.20 and 0.004 to 0.023; 180 crankings with compression, among them a real
engine of shallow humps: either above 0.22 or above 0.026."""
STAYED_S = 1.0  # a load that is on for so long was meant
LEAST_LOAD_A = 12.0  # a radio and dash lights stay below
HUM_SHARE = 0.5  # of the peak: hum is all there is
SMALL_A = 30.0  # mean current that lamps, windows, pumps and all of a fuse box stay below and no starter does
PEAKED = 2.0  # times the mean: an in-rush; glow plugs and heaters hardly have one


def before_estimate(trace: CrankingTrace, engine: Engine, *, battery_voltage: bool = False) -> tuple[Notice, ...]:
    """Return the reasons that the trace alone gives, before anything is estimated, the deciding one first.

    A trace made of a battery's voltage needs its rest before the crank: without it nobody knows where its zero is.
    """
    reasons = [
        _rate_too_low(trace, engine),
        _clipped(trace),
        _no_rest(trace) if battery_voltage else _battery_unsaid(trace),
        None if battery_voltage else _ac_probe(trace),
        _no_starter(trace),
        _gap(trace, engine),
        _too_little(trace, engine),
        _no_humps(trace),
    ]
    return tuple(r for r in reasons if r is not None)


def _rate_too_low(trace: CrankingTrace, engine: Engine) -> Notice | None:
    return rate_for(trace, engine, USUAL_RPM)


def rate_for(trace: CrankingTrace, engine: Engine, rpm: float) -> Notice | None:
    """Return the reason that the humps at a speed have too few samples, None when they have enough."""
    needed_hz = least_rate_hz(engine, rpm)
    if trace.source_rate_hz >= needed_hz * (1.0 - ROUNDING):
        return None
    return Notice("rate-too-low", {"sample_rate_hz": trace.source_rate_hz,
                                   "needed_hz": math.ceil(needed_hz * (1.0 - ROUNDING))})


def _clipped(trace: CrankingTrace) -> Notice | None:
    return clipped_notice(trace) if trace.clipped_humps > CLIPPED_SHARE else None


def clipped_notice(trace: CrankingTrace) -> Notice:
    """Return the reason that the humps are clipped."""
    return Notice("clipped", {"flat_percent": 100 * trace.clipped_humps, "limit_percent": 100 * CLIPPED_SHARE})


def _no_rest(trace: CrankingTrace) -> Notice | None:
    """Return the reason that a battery's voltage begins while it is loaded, or is never still."""
    first_s = min(span.start_s for span in (trace.crank, *trace.others))
    if first_s >= LEAST_REST_S and not math.isnan(trace.noise):
        return None
    return Notice("not-explained", {"why": "no-rest"})


def _battery_unsaid(trace: CrankingTrace) -> Notice | None:
    """Return the reason that what should be a probe's output falls from a voltage at which only a battery rests."""
    if trace.unit != "V" or trace.polarity > 0 or trace.zero <= HIGHEST_ZERO_V:
        return None
    return Notice("not-explained", {"why": "battery-unsaid", "rest_v": trace.zero})


def _ac_probe(trace: CrankingTrace) -> Notice | None:
    found = ac_probe(trace)
    if found is not None or trace.ac_sag >= AC_SAG:
        return found
    steady = trace.smooth[trace.steady]
    late = steady[-(len(steady) // 3) :]
    low = float(np.percentile(late, 3)) if len(late) else 0.0
    return Notice("ac-probe", {}) if low < -AC_BELOW * float(np.ptp(late)) else None


def _no_starter(trace: CrankingTrace) -> Notice | None:
    """Return the reason that the current is some other load: lamps, glow plugs, a window; dull and without in-rush."""
    first = int(np.searchsorted(trace.time_s, trace.crank.start_s + NO_STARTER_FROM_S))
    stop = int(np.searchsorted(trace.time_s, trace.crank.end_s - NO_STARTER_TO_S))
    body = trace.smooth[first:stop]
    body = body[np.isfinite(body)]
    if len(body) < 8 or trace.fired_at_s is not None:
        return None
    mean = float(body.mean())
    ripple = 100.0 * float(np.ptp(np.percentile(_levelled(body), (5, 95)))) / max(mean, 1e-12)
    amperes = trace.unit == "A"
    lamp = amperes and mean < LAMP_A and ripple < LAMP_RIPPLE_PERCENT
    glow = ripple < DULL_PERCENT and trace.inrush < STALL_OVER_MEAN * mean and not (amperes and mean > GLOW_A)
    if not lamp and not glow:
        return None
    return Notice("no-cranking", {"peak": float(trace.smooth[trace.steady.start - 1 :].max(initial=mean)),
                                  "noise": trace.noise, "longest_s": trace.crank.length_s, "unit": trace.unit})


def _levelled(body: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `body` less a straight decay: loads warm up as they are switched on."""
    t = np.linspace(-1.0, 1.0, len(body))
    fit = np.polynomial.polynomial.polyfit(t, body, 2)
    out: NDArray[np.float64] = body - np.polynomial.polynomial.polyval(t, fit)
    return out


def _length_s(trace: CrankingTrace) -> float:
    return max(0.0, min(trace.steady_to_s, trace.crank.end_s) - trace.steady_from_s)


def _gap(trace: CrankingTrace, engine: Engine) -> Notice | None:
    needed_s = MIN_CYCLES * engine.cycle_deg / 360.0 * 60.0 / USUAL_RPM
    whole_s = _length_s(trace)
    if not trace.cut_by_gap or whole_s >= 0.75 * needed_s:
        return None
    return Notice("gap", {"longest_s": whole_s, "needed_s": needed_s})


def _too_little(trace: CrankingTrace, engine: Engine) -> Notice | None:
    """Return the reason that what is left is hopelessly short; the exact count comes with the fitted speed."""
    length_s = _length_s(trace)
    shortest_s = engine.cycle_deg / 360.0 * 60.0 / 400.0  # one cycle at the fastest cranking
    if length_s >= MIN_CYCLES * shortest_s:
        return None
    return shortness(trace, length_s / (engine.cycle_deg / 360.0 * 60.0 / USUAL_RPM))


def shortness(trace: CrankingTrace, cycles: float) -> Notice | None:
    """Return why so many cycles are too few, None if they suffice."""
    if trace.fired_at_s is not None:
        if cycles >= MIN_CYCLES_BEFORE_FIRING:
            return None
        return Notice("engine-fired", {"cycles": cycles, "needed_cycles": MIN_CYCLES_BEFORE_FIRING,
                                       "fired_at_s": trace.fired_at_s - trace.crank.start_s})
    if cycles >= MIN_CYCLES:
        return None
    if trace.cut_by_gap:
        whole_s = _length_s(trace)
        return Notice("gap", {"longest_s": whole_s, "needed_s": MIN_CYCLES * whole_s / max(cycles, 0.1)})
    return Notice("too-short", {"cycles": cycles, "needed_cycles": MIN_CYCLES, "length_s": _length_s(trace)})


def _no_humps(trace: CrankingTrace) -> Notice | None:
    """Return the reason that there are no humps of compression: none at all, or a starter that turns almost nothing."""
    ripple = ripple_percent(trace)
    if ripple is None or (ripple >= RIPPLE_LEAST_PERCENT and not _turns_freely(trace, ripple)):
        return None
    return _no_humps_notice(trace)


def _turns_freely(trace: CrankingTrace, ripple: float) -> bool:
    """Return whether the starter has as good as no work: far below its in-rush, and smooth beside it."""
    return _easy(trace) and 0.01 * ripple * (mean_current(trace) or 0.0) < SMOOTH_SHARE * trace.inrush


def _easy(trace: CrankingTrace) -> bool:
    """Return whether the starter draws far less than its in-rush: it turns hardly more than friction."""
    if not trace.has_onset or trace.clipped_inrush or not trace.inrush > 0:
        return False
    return (mean_current(trace) or math.inf) < EASY_SHARE * trace.inrush


def _no_humps_notice(trace: CrankingTrace) -> Notice:
    return Notice("no-humps", {"ripple_percent": ripple_percent(trace) or 0.0, "mean": mean_current(trace) or 0.0,
                               "unit": trace.unit})


def once(reasons: Sequence[Notice | None]) -> tuple[Notice, ...]:
    """Return the reasons that there are, each code once."""
    kept: dict[str, Notice] = {}
    for reason in reasons:
        if reason is not None:
            kept.setdefault(reason.code, reason)
    return tuple(kept.values())


def no_cranking(facts: Mapping[str, float], unit: str) -> Notice:
    """Return the reason that nothing in the capture is a cranking, and what there is instead, if that can be told."""
    mean, peak = facts.get("load_mean", 0.0), facts.get("load_peak", 0.0)
    stayed, amperes = facts.get("longest_s", 0.0) >= STAYED_S, unit == "A"
    told: dict[str, float | str] = {**facts, "unit": unit}
    if amperes and stayed and LEAST_LOAD_A <= mean < SMALL_A:
        return Notice("no-cranking", {"why": "small-load", **told})
    if amperes and stayed and mean >= SMALL_A and peak < PEAKED * mean:
        return Notice("no-cranking", {"why": "steady-load", **told})
    if not stayed and facts.get("hum", 0.0) > HUM_SHARE * facts.get("peak", 0.0):
        return Notice("no-cranking", {"why": "hum", **told})
    return Notice("no-cranking", told)
