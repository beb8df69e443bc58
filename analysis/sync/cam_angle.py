"""Where a cam sensor's edge comes, learnt from one crank in which another source names the cylinders.

The crank angle is the estimate's, the one that later names cylinders by the edge, so that what is systematically off in
it cancels. Sparks or pressure peaks of the known cylinder, where there are any, say the same a second way, without the
current: the edge's place between two of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.engine import SyncSpec
from crankfold.analysis.result import Notice
from crankfold.analysis.signal import Span
from crankfold.analysis.sync.naming import (
    AGREE_DEG,
    ANGLE_SD_DEG,
    PRESSURE_LEAD_DEG,
    SPARK_LEAD_DEG,
    common_angle,
    share_seen,
    wrap,
)
from crankfold.analysis.sync.pulses import find_marks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.result import Result

MIN_EDGES = 3  # fewer cannot show that the angle stays
MIN_SHARE = 0.8  # of the edges must come at one angle, once a cycle; naming by them asks for less
WAYS_APART_DEG = 30.0
"""That the two ways may differ: they did by 9 at most in 120 cranks of the virtual pump, even, low and dead."""
ONE_CYCLE = ("single-spark", "pressure")  # sources with one pulse a cycle of four strokes


@dataclass(frozen=True)
class CamAngle:
    """Where a cam sensor's rising edge comes.

    Parameters
    ----------
    cylinder
        The known one.
    edge_deg
        Crank degrees from its compression TDC to the edge, 0 up to the cycle.
    half_deg
        95 % of such angles lie so near to the true one.
    edges
        How many came at that angle.
    spread_deg
        Standard deviation of theirs.
    other_way_deg
        The angle by the known cylinder's own pulses, NaN where it has none.
    """

    cylinder: int
    edge_deg: float
    half_deg: float
    edges: int
    spread_deg: float
    other_way_deg: float

    @property
    def text(self) -> str:
        """What follows ``cam:`` in a sync source, such as ``1@212``."""
        return f"{self.cylinder}@{self.edge_deg:.0f}"


def learn_cam_angle(capture: Capture, result: Result, channel: str) -> CamAngle | Notice:
    """Return where the edge on a channel comes, or why that cannot be told.

    Parameters
    ----------
    capture
        With that channel.
    result
        Of the same capture; its cylinders are named.
    channel
        Of the cam sensor.
    """
    estimate, sync, trace, engine = result.estimate, result.sync, result.trace, result.engine
    if engine.strokes != 4:
        return Notice("two-stroke")
    if sync is None or estimate is None or trace is None or any(c.cylinder is None for c in result.cylinders):
        return Notice("unnamed")
    marks = find_marks(capture, SyncSpec("cam", sync.cylinder, channel=channel), Span(*_ends(estimate.time_s)))
    if marks is None:
        return Notice("no-channel", {"channel": channel})
    time_s = marks.time_s
    if len(time_s) < MIN_EDGES:
        return Notice("few-edges", {"edges": len(time_s), "needed": MIN_EDGES})
    cycle = engine.cycle_deg
    angle = np.interp(time_s, estimate.time_s, estimate.angle_deg) - engine.firing_deg[engine.position_of(
        sync.cylinder)]
    centre, agree = common_angle(angle, cycle)
    if agree.sum() < MIN_EDGES or agree.mean() < MIN_SHARE:
        return Notice("scatter", {"edges": len(time_s), "agree": int(agree.sum()), "near_deg": AGREE_DEG})
    if share_seen(estimate, angle, agree, cycle) < MIN_SHARE:
        return Notice("missing", {"edges": int(agree.sum()), "cycles": round(estimate.cycles)})
    edge = float(np.mean(centre + wrap(angle[agree] - centre, cycle))) % cycle
    spread = float(np.std(angle[agree] - np.round((angle[agree] - centre) / cycle) * cycle, ddof=1))
    other, turn = _other_way(np.asarray(result.sync_pulses_s), sync.kind, time_s[agree])
    if math.isfinite(other) and abs(float(wrap(other - edge, turn))) > WAYS_APART_DEG:
        return Notice("ways-differ", {"edge_deg": round(edge % turn), "other_deg": round(other % turn)})
    half = 1.96 * math.hypot(ANGLE_SD_DEG, spread / math.sqrt(int(agree.sum())))
    return CamAngle(sync.cylinder, edge, half, int(agree.sum()), spread, other)


def _ends(time_s: NDArray[np.float64]) -> tuple[float, float]:
    return float(time_s[0]), float(time_s[-1])


def _other_way(pulses_s: NDArray[np.float64], kind: str, edges_s: NDArray[np.float64]) -> tuple[float, float]:
    """Return the edges' angle as their place between two pulses of the known cylinder says, and its period, degrees."""
    turn = 720.0 if kind in ONE_CYCLE else 360.0
    lead = PRESSURE_LEAD_DEG if kind == "pressure" else SPARK_LEAD_DEG
    if len(pulses_s) < MIN_EDGES or kind in ("plug-out", "cam"):
        return math.nan, turn
    gaps = np.diff(pulses_s)
    usual = float(np.median(gaps))
    at = np.searchsorted(pulses_s, edges_s) - 1
    between = (at >= 0) & (at < len(gaps))
    between[between] &= np.abs(gaps[at[between]] / usual - 1.0) < 0.25  # a pulse that is missing makes a gap of two
    if between.sum() < MIN_EDGES:
        return math.nan, turn
    share = (edges_s[between] - pulses_s[at[between]]) / gaps[at[between]]
    round_ = np.exp(2j * np.pi * share).mean()
    return float(np.degrees(np.angle(round_)) / 360.0 * turn - lead) % turn, turn
