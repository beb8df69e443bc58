"""How regular a time column is: the interval between rows, how coarsely it is written, whether rows are even at all.

Loggers write times with few digits, so that 25,000 samples a second share steps of 0.1 ms, and stamp some rows late.
Rows are even when their times stay near a straight line however ragged the single steps are; they are uneven when the
times wander off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINE_JITTER = 0.35
"""Share of the interval by which nearly all steps may differ and the column still be called finely written; a third
of an interval is less than any hump is wide at a rate that can be judged."""

NEARLY_ALL = 0.98
"""Steps that must be regular; the others may be losses."""

RAGGED_LIMIT = 0.25, 0.55
"""How far times may lie from a straight line, in intervals: a constant, and a share of the spread of the steps. Times
rounded to a coarse tick lie within half of it."""

PACE_TOLERANCE = 0.05
"""Largest change of the rate within a file; clocks of loggers drift a hundred times less."""

PACE_ROWS = 256
"""Rows over which a rate is compared; fewer would show jitter rather than rate."""

PACE_SPREADS = 60
"""And at least so many times the spread of the steps, for the same reason."""

COARSE_SHARE, COARSE_ROWS = 0.02, 32
"""Share of repeated times, in at least so many rows, from which on they are coarse writing and not a mistake."""

REFINED = 0.02
"""The interval over the whole head replaces the first guess when they agree this well."""

MANY_JUMPS = 1000
"""Jumps in one stretch beyond which they are no longer looked at one by one."""

OFTEN_SKIPPED = 0.3
"""Share of rows over a stretch before which samples may be missing; more is another rate, not loss."""

MOST_MISSING = 2.0**40
"""No jump is counted as more than this; it is a hole of unknown size anyway."""

EDGE_ROWS = 8
"""Rows on each side of a jump that are compared, so that one late time stamp is not taken for a loss."""


@dataclass(frozen=True)
class Cadence:
    """How rows follow each other, in the time column's own unit.

    Parameters
    ----------
    interval
        From row to row.
    spread
        Between the shortest and the longest ordinary steps; 0 where the column is finely written.
    even
        Whether rows are evenly spaced but for losses.
    unsure
        Share by which the interval may be wrong because times are written so coarsely.
    """

    interval: float
    spread: float
    even: bool
    unsure: float = 0.0

    @property
    def pace_rows(self) -> int:
        """Rows over which the rate can be compared."""
        return max(PACE_ROWS, int(np.ceil(PACE_SPREADS * self.spread / self.interval)))

    def here(self, times: NDArray[np.float64], rows: NDArray[np.int64]) -> Cadence:
        """Return the cadence with the spread of these rows: times get coarser as they grow and digits stay few."""
        return replace(self, spread=_spread(np.diff(times) / np.diff(rows), self.interval)) if len(times) > 1 else self


def find_cadence(times: NDArray[np.float64], rows: NDArray[np.int64]) -> Cadence:
    """Return how the head of a file is spaced.

    Parameters
    ----------
    times : ndarray, shape (n,), n >= 2
        Never falling, not all equal.
    rows : ndarray, shape (n,)
        Row number of each.
    """
    steps = np.diff(times) / np.diff(rows)
    coarse = float(np.mean(steps <= 0)) > COARSE_SHARE and len(steps) >= COARSE_ROWS
    interval = _coarse_interval(times, rows, steps) if coarse else _fine_interval(steps)
    cadence = Cadence(interval, _spread(steps, interval), even=True)
    lost = find_losses(times, rows, cadence)
    indices = rows + np.concatenate([[0], np.cumsum(lost)])
    whole = float((times[-1] - times[0]) / (indices[-1] - indices[0]))
    if abs(whole / interval - 1) < REFINED:
        cadence = replace(cadence, interval=whole)
    if off_pace(times, indices, cadence) is None and _is_straight(times, indices, cadence):
        return replace(cadence, unsure=cadence.spread / float(times[-1] - times[0]))
    return Cadence(float((times[-1] - times[0]) / (rows[-1] - rows[0])), 0.0, even=False)


def _spread(steps: NDArray[np.float64], interval: float) -> float:
    relative = steps / interval
    if float(np.abs(relative - 1).max()) <= FINE_JITTER:
        return 0.0
    whole = np.maximum(1, np.rint(relative))
    fine = np.abs(relative - whole) <= FINE_JITTER
    if float(np.mean(fine)) >= NEARLY_ALL and float(np.mean(whole == 1)) >= 0.5:
        return 0.0
    low, high = np.quantile(steps, [1 - NEARLY_ALL, NEARLY_ALL], method="nearest")
    return float(high - low) if high > low else float(steps.max() - low)  # the second: hardly a step at all


def _coarse_interval(times: NDArray[np.float64], rows: NDArray[np.int64], steps: NDArray[np.float64]) -> float:
    """Return the middle one of the slopes of some pieces, each long against a step, so that one loss does not count."""
    step = float(np.quantile(steps, NEARLY_ALL)) or float(steps.max())
    pieces = int(np.clip((times[-1] - times[0]) / (100 * step), 1, 15))
    ends = np.linspace(0, len(times) - 1, pieces + 1).astype(np.int64)
    slope = float(np.median(np.diff(times[ends]) / np.diff(rows[ends])))
    return slope if slope > 0 else float((times[-1] - times[0]) / (rows[-1] - rows[0]))


def _fine_interval(steps: NDArray[np.float64]) -> float:
    positive = steps[steps > 0]
    middle = float(np.median(positive))
    return float(positive[np.abs(positive - middle) <= 0.5 * middle].mean())


def _is_straight(times: NDArray[np.float64], indices: NDArray[np.int64], cadence: Cadence) -> bool:
    if cadence.spread == 0.0:
        return True
    late = times / cadence.interval - indices
    place = np.linspace(-1.0, 1.0, len(late))
    late = late - late.mean()
    late = late - place * (late @ place) / (place @ place)
    constant, share = RAGGED_LIMIT
    allowed = max(FINE_JITTER, constant + share * cadence.spread / cadence.interval)
    return float(np.quantile(np.abs(late), NEARLY_ALL)) <= allowed


def find_losses(times: NDArray[np.float64], rows: NDArray[np.int64], cadence: Cadence) -> NDArray[np.int64]:
    """Return the number of rows missing between each two that follow each other, shape (n - 1,).

    A step counts as a loss when the times after it stay late; one late time stamp alone does not.
    """
    lost = np.zeros(max(0, len(times) - 1), dtype=np.int64)
    if not len(lost):
        return lost
    excess = np.diff(times) / cadence.interval - np.diff(rows)
    relative_spread = cadence.spread / cadence.interval
    places = np.flatnonzero(excess > max(0.5, 1.05 * relative_spread + 0.05))
    if not len(places):
        return lost
    if len(places) > MANY_JUMPS:
        lost[places] = np.clip(np.rint(excess[places]), 0, MOST_MISSING)
        return lost
    late = np.concatenate([[0.0], np.cumsum(excess)])
    edge = max(EDGE_ROWS, min(4096, int(2 * relative_spread)))
    starts = np.concatenate([[-1], places[:-1]])
    ends = np.concatenate([places[1:], [len(times) - 1]])
    for place, start, end in zip(places.tolist(), starts.tolist(), ends.tolist(), strict=True):
        before = late[max(start + 1, place + 1 - edge) : place + 1]
        after = late[place + 1 : min(end + 1, place + 1 + edge)]
        lost[place] = np.clip(np.rint(np.median(after) - np.median(before)), 0, MOST_MISSING)
    return lost


def off_pace(times: NDArray[np.float64], indices: NDArray[np.int64],
             cadence: Cadence) -> tuple[int, float] | None:
    """Return the first place where the rate differs, and the interval there; None while the pace holds.

    Parameters
    ----------
    times : ndarray, shape (n,)
    indices : ndarray, shape (n,)
        Sample index of each, losses counted.
    """
    rows = cadence.pace_rows
    if len(times) <= rows:
        return None
    ends = np.arange(0, len(times), rows)
    if len(times) - 1 - ends[-1] < rows // 2:
        ends[-1] = len(times) - 1
    else:
        ends = np.append(ends, len(times) - 1)
    skipping = np.add.reduceat(np.diff(indices) > 1, ends[:-1], dtype=np.int64) / np.diff(ends)
    slopes = np.diff(times[ends]) / np.diff(indices[ends])
    slack = PACE_TOLERANCE + cadence.spread / (rows // 2 * cadence.interval)
    wrong = np.flatnonzero((np.abs(slopes / cadence.interval - 1) > slack) | (skipping > OFTEN_SKIPPED))
    if not len(wrong):
        return None
    place = int(ends[wrong[0]])
    return place, float((times[ends[wrong[0] + 1]] - times[place]) / (ends[wrong[0] + 1] - place))
