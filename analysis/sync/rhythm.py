"""The marks' own rhythm against the explanation's cycles: a clock that knows nothing of the engine card.

A mark comes once a cycle, a waste spark twice. Where regular marks come at another rate than the explanation's cycles,
the card counts another number of humps to the cycle than the engine has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from crankfold.analysis.engine import Engine, SyncSpec
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.sync.pulses import Marks

MIN_INTERVALS = 3
REGULAR = 0.08  # spread of the intervals over their median: what drifting speed leaves, and no missed mark
NEAR = 0.04  # of a ratio
RATIOS = (0.4, 2.6)  # cycles to marks that a wrong card can make; a toothed wheel makes others
HUMPS = range(1, 17)


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
