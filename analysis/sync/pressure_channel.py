"""A cylinder's pressure beside the current: whose it is by the angle of its peaks, and what it makes of percents."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from crankfold.analysis.capture import PRESSURE
from crankfold.analysis.engine import SyncSpec
from crankfold.analysis.sync.anchor import gauge_from_marks
from crankfold.analysis.sync.naming import name_by_marks
from crankfold.analysis.sync.pulses import find_marks

if TYPE_CHECKING:
    from crankfold.analysis.capture import Capture
    from crankfold.analysis.engine import Engine
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import Span
    from crankfold.analysis.sync.anchor import Gauge


def pressure_found(capture: Capture, engine: Engine, estimate: Estimate, within: Span) -> tuple[int, Gauge] | None:
    """Return the 0-based position whose pressure the channel `PRESSURE` carries, and its peak; None if it says nothing.

    Parameters
    ----------
    capture
        With that channel, in a unit of pressure.
    engine, estimate
        The accepted explanation, turned so that index 0 is position 1.
    within
        The cranking.
    """
    best: tuple[float, int, Gauge] | None = None
    for place in range(engine.pattern_length):  # of an uneven pattern, each of its cylinders may be the one
        asked = SyncSpec("pressure", engine.firing_order[place], channel=PRESSURE)
        marks = find_marks(capture, asked, within)
        gauge = None if marks is None else gauge_from_marks(marks, asked.cylinder)
        if marks is None or gauge is None:
            return None
        naming = name_by_marks(marks, asked, engine, (estimate,))
        if naming.first is None or naming.sync is None or naming.sync.kind != asked.kind:
            continue
        if best is None or naming.sync.confidence > best[0]:
            position = (naming.first + place) % engine.cylinders
            best = naming.sync.confidence, position, replace(gauge, cylinder=engine.firing_order[position])
    return None if best is None else best[1:]
