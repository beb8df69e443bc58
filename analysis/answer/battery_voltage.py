"""Battery voltage in place of a current: the dips, freed of the battery's slow part, are as good as a current.

The terminal falls by the ohmic resistance times the current, at once, and by a polarisation that follows the current
slowly and recovers slowly after the release. Seen from the dip ``d`` with ``k`` the ratio of the two resistances, the
polarisation ``p`` obeys ``tau * dp/dt = k * (d - p) - p``: a first-order low-pass of the dip. After the release there
is no current, so that what is left of the dip *is* the polarisation: it gives ``k``, and its decay gives ``tau``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.capture import BATTERY_VOLTAGE, CURRENT
from crankfold.analysis.posterior import TOP, quantiles
from crankfold.analysis.result import Health

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import Span

GRID_HZ = 1000.0  # the polarisation is far slower
REST_S = 0.1  # before the crank, as for the current's zero
SHARE_OVER_END = 0.25  # of the tallest dip over the last one: humps rise above it, what is left after the release not
SETTLE_S = 0.05  # after the last hump's fall
LEAST_TAIL_S = 0.05  # after the release: shorter shows nothing
DECAY_TAIL_S = 0.3  # after the release: enough to see how fast it recovers
USUAL_TAU_S = 1.0  # where the tail is too short to tell; starter batteries take half a second to three
TAUS_S = (0.4, 0.6, 0.8, 1.0, 1.4, 2.0, 3.0, 4.5)
MOST_K = 1.5  # polarisation over ohmic resistance; a sound battery has a tenth to a half
NOT_ONE_SPIKE_PERCENT = 0.2  # of the samples may lie below what is called the lowest
WIDER = 1.5  # times the interval: the battery's resistance is not quite constant, its slow part is not one exponential


def is_battery_voltage(capture: Capture) -> bool:
    """Return whether it is a battery's voltage that was measured in place of the current."""
    return capture.channels[capture.index_of(CURRENT) or 0].stands_in == BATTERY_VOLTAGE


def as_current(capture: Capture) -> Capture:
    """Return the capture with its battery voltage turned into what is proportional to the starter's current, volts.

    Positive while cranking, zero at rest. The battery's slow part is taken off where the capture lasts beyond the
    release; else only the rest voltage is.
    """
    index = capture.index_of(CURRENT) or 0
    volts = capture.samples[:, index]
    if not np.isfinite(volts).any():
        return capture
    dip = rest_voltage(capture) - volts
    samples = capture.samples.copy()
    samples[:, index] = dip - polarisation(dip, capture.rate_hz)
    channels = tuple(replace(c, code_range=None) if k == index else c for k, c in enumerate(capture.channels))
    return replace(capture, samples=samples, channels=channels)


def rest_voltage(capture: Capture) -> float:
    """Return the voltage before the crank: the battery at rest, with whatever else is on."""
    volts = capture.samples[:, capture.index_of(CURRENT) or 0]
    head = volts[: max(4, round(REST_S * capture.rate_hz))]
    head = head[np.isfinite(head)]
    return float(np.median(head)) if len(head) else float(np.nanmax(volts))


def health_of_voltage(capture: Capture, crank: Span) -> Health:
    """Return the battery's voltage at rest, on average while cranking, and at its lowest; no amperes, so no ohms."""
    volts = capture.samples[:, capture.index_of(CURRENT) or 0]
    part = volts[round(crank.start_s * capture.rate_hz) : round(crank.end_s * capture.rate_hz)]
    part = part[np.isfinite(part)]
    if not len(part):
        return Health()
    lowest = float(np.percentile(part, NOT_ONE_SPIKE_PERCENT))
    return Health(rest_v=rest_voltage(capture), cranking_v=float(part.mean()), lowest_v=lowest)


def polarisation(dip: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Return the battery's slow part, shape as `dip`; zeros where the capture does not show what is left of it.

    Parameters
    ----------
    dip : ndarray, shape (n,)
        Volts below rest; NaN where samples are lost.
    """
    block = max(1, round(rate_hz / GRID_HZ))
    at = np.arange(len(dip), dtype=np.float64)
    good = np.isfinite(dip)
    whole = dip if good.all() else np.interp(at, at[good], dip[good])
    blocks = len(whole) // block
    coarse, hz = whole[: blocks * block].reshape(blocks, block).mean(axis=1), rate_hz / block
    released = release(coarse, hz)
    if released is None:
        return np.zeros_like(dip)
    taus = TAUS_S if (len(coarse) - released) / hz >= DECAY_TAIL_S else (USUAL_TAU_S,)
    tried = [_matched(coarse, released, tau, hz) for tau in taus]
    _, slow = min(tried, key=lambda t: t[0])
    out: NDArray[np.float64] = np.interp(at, (np.arange(blocks) + 0.5) * block - 0.5, slow)
    return out


def release(dip: NDArray[np.float64], rate_hz: float) -> int | None:
    """Return the sample at which the starter is let go and the last hump has fallen, None when that is not seen."""
    end = dip[-max(4, round(LEAST_TAIL_S * rate_hz)) :]
    left = float(np.median(end))
    tall = float(np.percentile(dip, 99))
    above = np.flatnonzero(dip > left + SHARE_OVER_END * (tall - left))
    if not len(above) or tall <= 0 or float(np.ptp(end)) > SHARE_OVER_END * (tall - left):
        return None
    at = int(above[-1]) + 1 + round(SETTLE_S * rate_hz)
    return at if len(dip) - at >= LEAST_TAIL_S * rate_hz else None


def _matched(dip: NDArray[np.float64], released: int, tau_s: float,
             rate_hz: float) -> tuple[float, NDArray[np.float64]]:
    """Return how badly, and how, the polarisation of one time constant ends as the tail shows."""
    tail = dip[released:]
    few = slice(released, released + max(4, round(LEAST_TAIL_S * rate_hz)))
    low, high = 0.0, MOST_K
    for _ in range(24):
        k = 0.5 * (low + high)
        slow = _slow(dip, k, tau_s, rate_hz)
        low, high = (k, high) if slow[few].mean() < dip[few].mean() else (low, k)
    slow = _slow(dip, low, tau_s, rate_hz)
    return float(np.mean((slow[released:] - tail) ** 2)), slow


def _slow(dip: NDArray[np.float64], k: float, tau_s: float, rate_hz: float) -> NDArray[np.float64]:
    from scipy.signal import lfilter

    keep = float(np.exp(-(1.0 + k) / tau_s / rate_hz))
    out: NDArray[np.float64] = lfilter([k / (1.0 + k) * (1.0 - keep)], [1.0, -keep], dip)
    return out


def widened(estimate: Estimate) -> Estimate:
    """Return an estimate from a battery's voltage with its distributions and ranges widened about their medians."""
    value = estimate.relative_percent[:, None]
    wide = np.clip(value + WIDER * (estimate.interval_percent - value), 0.0, 100.0)
    lowest = quantiles(estimate.lowest[None], np.array([0.5]))[0, 0]
    chances = np.stack([_stretched(row, float(at)) for row, at in zip(estimate.chances, value[:, 0], strict=True)])
    return replace(estimate, interval_percent=wide, chances=chances, lowest=_stretched(estimate.lowest, float(lowest)))


def _stretched(shares: NDArray[np.float64], about_percent: float) -> NDArray[np.float64]:
    """Return a distribution over whole percents stretched about a percent; what would lie outside lies at the ends."""
    at = np.clip(about_percent + WIDER * (np.arange(TOP + 1) - about_percent), 0.0, TOP)
    low = np.minimum(np.floor(at).astype(np.int64), TOP - 1)
    out = np.zeros(TOP + 1)
    np.add.at(out, low, shares * (1.0 - (at - low)))
    np.add.at(out, low + 1, shares * (at - low))
    return out
