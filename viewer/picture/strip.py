"""The arithmetic of the strip: current against time reduced to what a screen can show, hump places, and stretches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from crankfold.analysis import CURRENT, INRUSH_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis import Capture, CrankingTrace, Estimate, Result

Kind = Literal["in-rush", "run-up", "gap", "bridged", "other", "fired", "unused"]
MARGIN_S = 0.35  # shown before the onset and after the end of cranking
RELEASE_S = 0.15  # the last moment, when the key is let go, is not worth a word
SEEN_S = 0.004  # a shorter gap is narrower than the line that is drawn
HEADROOM = 1.06  # of the tallest current shown


@dataclass(frozen=True)
class Stretch:
    """A stretch of time that was not used for the verdict, in seconds, and why."""

    start_s: float
    end_s: float
    kind: Kind


@dataclass(frozen=True)
class HumpPlace:
    """Where one compression of one cylinder lies: 0-based position in the firing order, and time in seconds."""

    position: int
    time_s: float


@dataclass(frozen=True, eq=False)
class StripData:
    """What the strip shows.

    Parameters
    ----------
    time_s, current : ndarray, shape (m,)
        The low-passed current (or, when nothing was found, the bare one).
    raw : ndarray, shape (m,)
        The pooled current with its hash.
    window_s
        Time shown, start and end.
    top
        Highest current shown, in `unit`.
    bottom
        Lowest.
    judged_s
        The cranking that is judged, None if there is none.
    stretches
        Not used, and why.
    humps
        Places of the compressions, in order of time.
    marks_s
        Times of the sync marks.
    unit
        Of the current.
    """

    time_s: NDArray[np.float64]
    current: NDArray[np.float64]
    raw: NDArray[np.float64]
    window_s: tuple[float, float]
    top: float
    bottom: float
    judged_s: tuple[float, float] | None
    stretches: tuple[Stretch, ...]
    humps: tuple[HumpPlace, ...]
    marks_s: tuple[float, ...]
    unit: str


def strip_of(result: Result, capture: Capture, marks_s: Sequence[float] = ()) -> StripData:
    """Return the strip of a result; the capture is drawn bare when no cranking was found in it."""
    trace = result.trace
    if trace is None:
        return _bare(capture, tuple(marks_s))
    window = (max(float(trace.time_s[0]), trace.crank.start_s - MARGIN_S),
              min(float(trace.time_s[-1]), trace.crank.end_s + MARGIN_S))
    shown = (trace.time_s >= window[0]) & (trace.time_s <= window[1])
    top, bottom = _span(trace.current[shown], trace.smooth[shown])
    humps = () if result.estimate is None else hump_places(result.estimate, result)
    return StripData(trace.time_s[shown], trace.smooth[shown], trace.current[shown], window, top, bottom,
                     (trace.crank.start_s, trace.crank.end_s), _stretches(trace, window), humps,
                     tuple(t for t in marks_s if window[0] <= t <= window[1]), trace.unit)


def hump_places(estimate: Estimate, result: Result) -> tuple[HumpPlace, ...]:
    """Return the TDC of every compression inside the estimate's track, in order of time."""
    cycle, angle = result.engine.cycle_deg, estimate.angle_deg
    if len(angle) < 2:
        return ()
    places = []
    for position, firing in enumerate(result.engine.firing_deg):
        first = np.ceil((angle[0] - firing) / cycle)
        targets = firing + cycle * np.arange(first, np.floor((angle[-1] - firing) / cycle) + 1)
        places += [HumpPlace(position, float(t)) for t in np.interp(targets, angle, estimate.time_s)]
    return tuple(sorted(places, key=lambda place: place.time_s))


def envelope(time_s: NDArray[np.float64], value: NDArray[np.float64], window_s: tuple[float, float],
             columns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a line of at most two points a column that touches every peak and trough of the samples.

    Parameters
    ----------
    time_s, value : ndarray, shape (m,)
        Increasing times; values, NaN where there are none.
    window_s
        Start and end of the picture.
    columns
        Number of columns (pixels) to reduce to.
    """
    a, b = np.searchsorted(time_s, window_s)
    time_s, value = time_s[a:b], value[a:b]
    if len(time_s) <= 2 * columns or columns < 1:
        return time_s, value
    edges = np.linspace(0, len(time_s), columns + 1).astype(np.int64)[:-1]
    high, low = np.fmax.reduceat(value, edges), np.fmin.reduceat(value, edges)
    when = time_s[edges]
    rising = np.diff(high, append=high[-1]) >= 0
    pairs = np.where(rising[:, None], np.column_stack([low, high]), np.column_stack([high, low]))
    step = (time_s[-1] - time_s[0]) / columns / 2.0
    return np.column_stack([when, when + step]).ravel(), pairs.ravel()


def _span(*parts: NDArray[np.float64]) -> tuple[float, float]:
    together = np.concatenate(parts)
    together = together[np.isfinite(together)]
    if not len(together):
        return 1.0, 0.0
    low, high = float(together.min()), float(together.max())
    if high - low <= 1e-9 * max(abs(high), abs(low)):  # a flat line still needs a scale
        room = max(abs(high), 1.0)
        return high + room, low - room
    return low + (high - low) * HEADROOM, low - (high - low) * (HEADROOM - 1.0)


def _stretches(trace: CrankingTrace, window: tuple[float, float]) -> tuple[Stretch, ...]:
    found = _before_steady(trace)
    found += [Stretch(span.start_s, span.end_s, "bridged") for span in trace.bridged if span.length_s > SEEN_S]
    found += [Stretch(span.start_s, span.end_s, "other") for span in trace.others]
    found += _gaps(trace, window)
    if trace.fired_at_s is not None:
        found.append(Stretch(trace.fired_at_s, trace.crank.end_s, "fired"))
    elif trace.steady_to_s < trace.crank.end_s - RELEASE_S:
        found.append(Stretch(trace.steady_to_s, trace.crank.end_s, "unused"))
    clipped = (Stretch(max(s.start_s, window[0]), min(s.end_s, window[1]), s.kind) for s in found)
    return tuple(s for s in clipped if s.end_s > s.start_s)


def _before_steady(trace: CrankingTrace) -> list[Stretch]:
    """Return the in-rush, and what else lies before the judged stretch: the run-up, or what a gap cut off."""
    start = trace.crank.start_s
    inrush_to = min(start + INRUSH_S, trace.steady_from_s) if trace.has_onset else start
    settled = trace.run_up is not None and trace.run_up.settled and not trace.cut_by_gap
    return [Stretch(start, inrush_to, "in-rush"),
            Stretch(inrush_to, trace.steady_from_s, "run-up" if settled else "unused")]


def _gaps(trace: CrankingTrace, window: tuple[float, float]) -> list[Stretch]:
    flags = np.concatenate(([0], np.isnan(trace.current).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(flags))
    half = 0.5 / trace.rate_hz
    pairs = ((trace.time_s[a] - half, trace.time_s[b - 1] + half) for a, b in zip(edges[::2], edges[1::2], strict=True))
    return [Stretch(float(a), float(b), "gap") for a, b in pairs if b > window[0] and a < window[1]]


def _bare(capture: Capture, marks_s: tuple[float, ...]) -> StripData:
    index = capture.index_of(CURRENT) or 0
    value = capture.samples[:, index]
    time_s = np.arange(len(value)) / capture.rate_hz
    window = (0.0, max(capture.duration_s, 1.0 / capture.rate_hz))
    top, bottom = _span(value)
    gaps = tuple(Stretch(g.start / capture.rate_hz, g.stop / capture.rate_hz, "gap") for g in capture.gaps)
    return StripData(time_s, value, value, window, top, bottom, None, gaps, (), marks_s, capture.channels[index].unit)
