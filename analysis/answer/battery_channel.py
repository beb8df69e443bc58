"""The battery's voltage beside the current: its own resistance, what it falls to, and how its emf drifts.

At the posts the voltage is the battery's emf less its ohmic drop, ``v = e(t) - r * i``. The humps of the current move
``r * i`` ten times a second, the emf falls over seconds, so a straight line through both at once tells them apart. What
the emf falls by is what the stall current falls by, since starter and cables keep their resistance: it need not be
fitted then.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.capture import BATTERY
from crankfold.analysis.result import Health, Notice

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.signal import CrankingTrace

STARTER_VOLTAGE = "starter voltage"  # name of a channel with the voltage at the starter's own terminal
REST_SHARES = (0.7, 1.35)  # of the system's voltage at rest: from nearly empty to on a charger
REST_S = 0.1  # before the crank, as for the current's zero
LEAST_DIP = 0.03  # of the rest: a battery that cranks an engine falls by a tenth to a third
LEAST_LINKED = 0.5  # of the variance that the current and a slow fall explain; another wire shows none of it
OHM = (0.0005, 0.1)  # a truck's pair of batteries, and one at its end
INRUSH_S = 0.3  # after the onset: the peak comes within a tenth, before the first compression
LEAST_S = 0.5  # of steady cranking, to tell a slow fall from humps
LOWEST_PERCENT = 0.2  # of the samples may lie below what is called the lowest: one spike is no voltage
LEAST_CRANKING_V = 9.6  # on average while cranking, 12 V at 20 degrees: common practice


@dataclass(frozen=True)
class BatteryBeside:
    """What the battery's voltage beside the current says.

    Parameters
    ----------
    rest_v, cranking_v, lowest_v
        Before the crank, on average in the steady cranking, and at its lowest.
    battery_ohm
        Of the battery with its own posts and inner wiring; None where the current has no amperes.
    emf_v
        In the middle of the steady cranking.
    drift
        Change of the emf from the first to the last of the steady cranking, of its middle; negative: it falls.
    drift_sd
        Standard deviation of that.
    starter_ohm
        Volts left for starter and cables over the amperes at the peak of the in-rush, before it turns fast: brushes and
        the little speed it has then included, so an upper limit. None without amperes or in-rush.
    cable_ohm
        From the battery's post to the starter's terminal, None without its voltage.
    """

    rest_v: float
    cranking_v: float
    lowest_v: float
    battery_ohm: float | None
    emf_v: float
    drift: float
    drift_sd: float
    starter_ohm: float | None = None
    cable_ohm: float | None = None


def battery_beside(capture: Capture, trace: CrankingTrace, *, system_v: float = 12.0) -> BatteryBeside | None:
    """Return what the channel `BATTERY` says beside the current, None where there is none or it does not fit.

    Parameters
    ----------
    capture
        With a channel `BATTERY` in volts, and perhaps one `STARTER_VOLTAGE`.
    trace
        The conditioned current of the judged cranking.
    system_v
        12 or 24: a channel that is far from it at rest has a scale that nobody gave.
    """
    volts = _volts(capture, BATTERY)
    if volts is None or trace.steady_to_s - trace.steady_from_s < LEAST_S:
        return None
    pooled = _pooled(volts, capture.rate_hz, trace)
    steady = pooled[trace.steady]
    current = trace.current[trace.steady]
    good = np.isfinite(steady) & np.isfinite(current)
    rest = _before(volts, capture.rate_hz, trace.crank.start_s)
    if good.sum() < 16 or rest is None or not _plausible(rest, system_v):
        return None
    if rest - float(steady[good].mean()) < LEAST_DIP * rest:
        return None
    fit = _line(steady[good], current[good], np.linspace(-0.5, 0.5, len(steady))[good])
    if fit is None:
        return None
    emf, fall, slope, fall_sd = fit
    known = trace.unit == "A"
    if known and not OHM[0] <= slope <= OHM[1]:
        return None
    cranking = volts[round(trace.crank.start_s * capture.rate_hz) : round(trace.crank.end_s * capture.rate_hz)]
    lowest = float(np.percentile(cranking[np.isfinite(cranking)], LOWEST_PERCENT))
    return BatteryBeside(rest, float(steady[good].mean()), lowest, slope if known else None, emf, fall / emf,
                         fall_sd / emf, _starter_ohm(trace, pooled) if known else None,
                         _cable_ohm(capture, trace, pooled) if known else None)


def with_battery(health: Health | None, found: BatteryBeside | None) -> Health | None:
    """Return the health with what was measured at the battery in the place of what had to be assumed."""
    if health is None or found is None:
        return health
    starter, battery, cable = found.starter_ohm, found.battery_ohm, found.cable_ohm
    measured = replace(health, rest_v=found.rest_v, cranking_v=found.cranking_v, lowest_v=found.lowest_v,
                       sag_percent=-100.0 * found.drift, battery_ohm=battery, cable_ohm=cable)
    if starter is None or battery is None:
        return measured
    return replace(measured, resistance_ohm=battery + starter, voltage_v=found.emf_v,
                   starter_ohm=starter if cable is None else max(0.0, starter - cable))


def battery_cautions(capture: Capture, trace: CrankingTrace, found: BatteryBeside | None, *,
                     system_v: float = 12.0) -> list[Notice]:
    """Return what to mind of a battery channel: that it is not used and why, or that the voltage is low."""
    index = capture.index_of(BATTERY)
    if index is None:
        return []
    if found is None:
        volts = _volts(capture, BATTERY)
        rest = None if volts is None else _before(volts, capture.rate_hz, trace.crank.start_s)
        if volts is None:
            return [Notice("battery-unit", {"unit": capture.channels[index].unit})]
        if rest is not None and not _plausible(rest, system_v):
            return [Notice("battery-scale", {"rest_v": rest, "system_v": system_v})]
        return [Notice("battery-channel")]
    if found.cranking_v < LEAST_CRANKING_V * system_v / 12.0:
        return [Notice("low-voltage", {"cranking_v": found.cranking_v, "least_v": LEAST_CRANKING_V * system_v / 12.0})]
    return []


def _plausible(rest_v: float, system_v: float) -> bool:
    return REST_SHARES[0] * system_v <= rest_v <= REST_SHARES[1] * system_v


def _volts(capture: Capture, name: str) -> NDArray[np.float64] | None:
    index = capture.index_of(name)
    if index is None or capture.channels[index].unit not in {"V", ""}:
        return None
    return capture.samples[:, index]


def _before(volts: NDArray[np.float64], rate_hz: float, onset_s: float) -> float | None:
    stop = max(1, round(onset_s * rate_hz))
    head = volts[max(0, stop - max(4, round(REST_S * rate_hz))) : stop]
    head = head[np.isfinite(head)]
    return float(np.median(head)) if len(head) else None


def _pooled(volts: NDArray[np.float64], rate_hz: float, trace: CrankingTrace) -> NDArray[np.float64]:
    """Return the voltage at the trace's times, each the mean over as long as the trace's own samples are."""
    block = max(1, round(rate_hz / trace.rate_hz))
    bad = ~np.isfinite(volts)
    total = np.concatenate(([0.0], np.cumsum(np.where(bad, 0.0, volts))))
    count = np.concatenate(([0], np.cumsum(~bad)))
    begin = np.clip(np.round(trace.time_s * rate_hz - block / 2).astype(np.int64), 0, len(volts) - 1)
    stop = np.minimum(begin + block, len(volts))
    with np.errstate(invalid="ignore", divide="ignore"):
        out: NDArray[np.float64] = (total[stop] - total[begin]) / (count[stop] - count[begin])
    return out


def _line(volts: NDArray[np.float64], current: NDArray[np.float64],
          tau: NDArray[np.float64]) -> tuple[float, float, float, float] | None:
    """Return emf in the middle, its change over the stretch, volts an ampere, and the change's standard deviation."""
    middle = current.mean()
    table = np.column_stack([np.ones_like(tau), tau, -(current - middle)])
    (level, fall, slope), *_ = np.linalg.lstsq(table, volts, rcond=None)
    left = volts - table @ np.array([level, fall, slope])
    if float(left.var()) > (1.0 - LEAST_LINKED) * float(volts.var()) or slope <= 0.0:
        return None
    inverse = np.linalg.inv(table.T @ table)
    alike = max(1.0, _alike(left))
    sd = float(np.sqrt(inverse[1, 1] * left.var() * alike))
    return float(level + slope * middle), float(fall), float(slope), sd


def _alike(left: NDArray[np.float64]) -> float:
    """Return over how many samples what is left keeps its sign: so many fewer are independent."""
    turns = int(np.count_nonzero(np.diff(np.signbit(left))))
    return len(left) / max(1, turns)


def _starter_ohm(trace: CrankingTrace, battery: NDArray[np.float64]) -> float | None:
    if trace.clipped_inrush or not trace.has_onset:
        return None
    first, stop = np.searchsorted(trace.time_s, (trace.crank.start_s, trace.crank.start_s + INRUSH_S))
    current = np.nan_to_num(trace.current[first:stop])
    if not len(current):
        return None
    at = int(first) + int(np.argmax(current))
    part = slice(at, at + 2)  # not before: a steep rise would pull it down
    ohm = float(np.nanmean(battery[part]) / np.nanmean(trace.current[part]))
    return ohm if np.isfinite(ohm) and ohm > 0.0 else None


def _cable_ohm(capture: Capture, trace: CrankingTrace, battery: NDArray[np.float64]) -> float | None:
    volts = _volts(capture, STARTER_VOLTAGE)
    if volts is None:
        return None
    drop = (battery - _pooled(volts, capture.rate_hz, trace))[trace.steady]
    current = trace.current[trace.steady]
    good = np.isfinite(drop) & np.isfinite(current)
    ohm = float((drop[good] @ current[good]) / (current[good] @ current[good])) if good.any() else 0.0
    return ohm if ohm > 0.0 else None
