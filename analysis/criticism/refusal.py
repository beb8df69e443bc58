"""When not to answer: the reasons for drawing no verdict, the deciding one first, each with the numbers to say it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import mean_current, ripple_percent
from crankfold.analysis.engine import USUAL_RPM, least_rate_hz
from crankfold.analysis.result import Notice
from crankfold.analysis.signal import ac_probe, better_count, trend

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model import Estimate
    from crankfold.analysis.signal import Better, CrankingTrace

MIN_CYCLES = 2.0  # one cycle cannot show that anything repeats
MIN_FITTED_CYCLES = 1.5  # likewise where hump tops left room for one fitted cycle only
MIN_CYCLES_BEFORE_FIRING = 3.0  # the last one before the catch is already helped along
CLIPPED_SHARE = 0.15  # of the steady samples at a flat top: ordinary captures stay below 0.07
ROUNDING = 1e-9  # exactly enough is enough
POSSIBLE_RPM = (30.0, 700.0)  # outside it a fit has run away
NO_STARTER_FROM_S, NO_STARTER_TO_S = 0.2, 0.06  # after the onset and before the end
RIPPLE_LEAST_PERCENT = 6.0  # healthy humps are a quarter of the mean and more; below this there are none to judge
AC_SAG = 0.35  # late mean over early mean: a battery never sags to this, a probe that passes no steady current does
AC_BELOW = 0.1  # of the range: such a probe's troughs end up below zero, where a starter's current cannot go
LAMP_A = 30.0  # mean current that lamps, windows and pumps stay below and no starter does
LAMP_RIPPLE_PERCENT = 25.0  # noise on so little; humps of compression are more
GLOW_A = 120.0  # all glow plugs of an engine together; a starter that is held draws more
STALL_OVER_MEAN = 2.0  # a starter without compression still has its in-rush; glow plugs hardly have one
DULL_PERCENT = 6.0  # ripple below which a current has no humps and no turning starter's unevenness
EASY_SHARE, SMOOTH_SHARE = 0.22, 0.025
"""Mean and humps of a starter that turns an engine without compression, as shares of its in-rush. Four records of one
such engine with four starters: 0.10 to 0.20 and 0.004 to 0.023; 180 crankings with compression, among them a real
engine of shallow humps: either above 0.22 or above 0.026."""
FAST_RPM = 280.0  # hardly any starter turns an engine with compression so fast
SOME_CLIPPED = 0.05  # of the samples: enough to blame where nothing fits
BROADEST_RATIO, BROAD_LAG_S = 6.2, 0.1
"""An effective compression ratio at the lower end of the tables and a long lag besides: swells too broad and too low
for humps of compression. Engines whose valve timing is lost have such, hardly ever a sound one."""
LOWEST_RATIO, SHALLOW_PERCENT = 6.05, 60.0
"""Likewise at the very end of the tables, without a lag, where the humps are shallow beside the mean; sound engines
that are fitted with so low a ratio have humps taller than the mean."""
LONGEST_LAG_S = 0.45  # starter and engine together; no engine so heavy is turned by its starter
GIVES_BACK = 1.15  # of what the table of a gas spring says: four of seven engines with one cylinder that fires reach it
CARRIED_PERCENT, CARRIED_LEAST = 80.0, 2  # and then look low; of 100 engines that do not fire none did both
ALIKE_PERCENT = 75.0  # where one cylinder stands out, there is compression in the others
MIN_EXPLAINED = 0.97  # hardly any fit that converged explains less, few that failed more than 0.90
"""Measured on simulated engines; those between are refused as well."""


def before_fit(trace: CrankingTrace, engine: Engine, *, battery_voltage: bool = False) -> tuple[Notice, ...]:
    """Return the reasons that the trace alone gives, before anything is fitted, the deciding one first.

    A trace made of a battery's voltage needs its rest before the crank: without it nobody knows where its zero is.
    """
    rest = battery_voltage and math.isnan(trace.noise)
    reasons = [
        _rate_too_low(trace, engine),
        _clipped(trace),
        Notice("not-explained", {"why": "no-rest"}) if rest else None,
        None if battery_voltage else _ac_probe(trace),
        _no_starter(trace),
        _gap(trace, engine),
        _too_little(trace, engine),
        _no_humps(trace),
    ]
    return tuple(r for r in reasons if r is not None)


def _rate_too_low(trace: CrankingTrace, engine: Engine) -> Notice | None:
    return _rate_for(trace, engine, USUAL_RPM)


def _rate_for(trace: CrankingTrace, engine: Engine, rpm: float) -> Notice | None:
    needed_hz = least_rate_hz(engine, rpm)
    if trace.source_rate_hz >= needed_hz * (1.0 - ROUNDING):
        return None
    return Notice("rate-too-low", {"sample_rate_hz": trace.source_rate_hz,
                                   "needed_hz": math.ceil(needed_hz * (1.0 - ROUNDING))})


def _clipped(trace: CrankingTrace) -> Notice | None:
    return _clipped_notice(trace) if trace.clipped_humps > CLIPPED_SHARE else None


def _clipped_notice(trace: CrankingTrace) -> Notice:
    return Notice("clipped", {"flat_percent": 100 * trace.clipped_humps, "limit_percent": 100 * CLIPPED_SHARE})


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


def _no_compression(trace: CrankingTrace, best: Estimate) -> Notice | None:
    """Return the reason that the fit makes humps of mere swells, of an engine that spins freely as well as smoothly."""
    impossible = best.details.get("lag_s", 0.0) > LONGEST_LAG_S
    shallow = best.details.get("ratio", math.inf) < LOWEST_RATIO and (ripple_percent(trace) or 0.0) < SHALLOW_PERCENT
    if best.rpm < FAST_RPM and not _easy(trace):
        return None
    if not impossible and (best.relative_percent.min() < ALIKE_PERCENT or not (swells(best) or shallow)):
        return None
    return _no_humps_notice(trace)


def _gives_back(trace: CrankingTrace, engine: Engine, best: Estimate) -> Notice | None:
    """Return the reason that the gas gives back more than was put into it, while several cylinders look low.

    No gas spring does. A cylinder that fires while the starter turns does: it carries the crank over the others'
    compressions, which then look small beside its own.
    """
    low = int((best.relative_percent < CARRIED_PERCENT).sum())
    if best.details.get("push_back", 0.0) < GIVES_BACK or low < CARRIED_LEAST:
        return None
    return Notice("engine-fired", {"fired_at_s": trace.steady_from_s - trace.crank.start_s, "cycles": best.cycles,
                                   "needed_cycles": MIN_CYCLES_BEFORE_FIRING})


def swells(estimate: Estimate) -> bool:
    """Return whether the humps are too broad and low for compression, or the lag too long for any engine."""
    ratio, lag_s = estimate.details.get("ratio", math.inf), estimate.details.get("lag_s", 0.0)
    return lag_s > LONGEST_LAG_S or (ratio < BROADEST_RATIO and lag_s > BROAD_LAG_S)


def holds(estimates: Sequence[Estimate]) -> bool:
    """Return whether the best explanation explains enough."""
    return bool(estimates) and estimates[0].explained >= MIN_EXPLAINED


def after_fit(trace: CrankingTrace, engine: Engine, estimates: Sequence[Estimate]) -> tuple[Notice, ...]:
    """Return the reasons that the explanations give, the deciding one first."""
    other = better_count(trace, engine)
    if not estimates:
        nothing = Notice("not-explained", {"why": "nothing-repeats"})
        return (_hump_count(other, engine), nothing) if other and other.likely else (nothing,)
    best = estimates[0]
    if not POSSIBLE_RPM[0] < best.rpm < POSSIBLE_RPM[1]:
        return (Notice("not-explained", {"why": "fit", "explained_percent": 0.0,
                                         "needed_percent": 100 * MIN_EXPLAINED}),)
    fitted = best.details.get("fitted_cycles", best.cycles)
    short = shortness(trace, min(best.cycles, fitted) if fitted < MIN_FITTED_CYCLES else best.cycles)
    caught = trace.fired_at_s is not None
    reasons = [
        short if caught else None,
        _gives_back(trace, engine, best),
        *_unfit(trace, engine, best, _hump_count(other, engine) if other and other.likely else None),
        _no_compression(trace, best),
        short,
        _hump_count(other, engine) if other and other.clear else None,
        _rate_for(trace, engine, best.rpm),
    ]
    return once(reasons)


def once(reasons: Sequence[Notice | None]) -> tuple[Notice, ...]:
    """Return the reasons that there are, each code once."""
    kept: dict[str, Notice] = {}
    for reason in reasons:
        if reason is not None:
            kept.setdefault(reason.code, reason)
    return tuple(kept.values())


def _hump_count(other: Better, engine: Engine) -> Notice:
    return Notice("hump-count", {"humps": other.humps, "cylinders": engine.cylinders, "rpm": other.rpm})


def _unfit(trace: CrankingTrace, engine: Engine, best: Estimate, count: Notice | None) -> list[Notice]:
    """Return why the best explanation does not hold, what probably spoiled it first; empty when it holds.

    `count` is the suspicion that the engine card is another engine's.
    """
    change = trend(trace)
    fits = best.explained >= MIN_EXPLAINED
    if fits and not (change is not None and change.certain):
        return []
    reasons = []
    if trace.clipped_humps > SOME_CLIPPED:
        reasons.append(_clipped_notice(trace))
    if change is not None and change.suspicious:
        reasons.append(Notice("engine-fired", {
            "fired_at_s": change.since_s, "cycles": change.since_s * best.rpm / 60.0 * 360.0 / engine.cycle_deg,
            "needed_cycles": MIN_CYCLES_BEFORE_FIRING, "level_percent": 100 * change.level,
            "rate_percent": 100 * change.rate}))
    if count is not None:
        reasons.append(count)
    if not fits:
        reasons.append(Notice("not-explained", {"why": "fit", "explained_percent": 100 * best.explained,
                                                "needed_percent": 100 * MIN_EXPLAINED}))
    return reasons


def one_cylinder(estimates: Sequence[Estimate]) -> Notice:
    """Return the reason that one cylinder has no other to compare with, with what can be said of it."""
    facts: dict[str, float] = {}
    if estimates:
        facts = {"cycles": estimates[0].cycles, "rpm": estimates[0].rpm}
    return Notice("one-cylinder", facts)
