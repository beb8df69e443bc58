"""From relative to estimated absolute: one gauge reading, or a pressure channel, gives bar for every cylinder."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.result import Cylinder
    from crankfold.analysis.sync.pulses import Marks

BAR_IN = {"bar": 1.0, "psi": 0.0689475729, "kpa": 0.01, "mpa": 10.0}  # exact to the digits shown; psi by definition
UNIT_NAMES = {"bar": "bar", "psi": "psi", "kpa": "kPa", "mpa": "MPa"}
GAUGE_ERROR = 0.03  # of the reading, 95 %: a workshop gauge and its hose; common practice, no source
HIGHEST_BAR = 80.0  # diesels crank to 35; a larger number is a wrong unit
MIN_PEAKS = 2  # pressure peaks that a channel must show to be believed
SENSOR_ERROR = 0.02  # of the reading, 95 %: a pressure sensor's own


@dataclass(frozen=True)
class Gauge:
    """A known peak gauge pressure of one cylinder, how far it may be off (95 %), and the unit it was read in."""

    cylinder: int
    bar: float
    error_bar: float = math.nan
    unit: str = "bar"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.bar) and 0.0 < self.bar <= HIGHEST_BAR):
            raise InputError(f"gauge reading of {self.bar:g} bar on cylinder {self.cylinder}: give a pressure above 0 "
                             f"and up to {HIGHEST_BAR:g} bar")
        if not math.isfinite(self.error_bar):
            object.__setattr__(self, "error_bar", GAUGE_ERROR * self.bar)

    @property
    def text(self) -> str:
        """What `parse` makes this reading of, in the unit it was read in."""
        return f"{self.cylinder}={self.bar / BAR_IN[self.unit.lower()]:.6g}{self.unit}"

    @classmethod
    def parse(cls, text: str, engine: Engine) -> Gauge:
        """Return the reading of a text such as ``1=12.1bar``, ``1=175psi`` or ``1=1210kPa``.

        Raises
        ------
        InputError
            The text is not of that form, or names a cylinder the engine lacks.

        >>> from crankfold.analysis.engine import Engine
        >>> round(Gauge.parse("2=175psi", Engine((1, 2))).bar, 2)
        12.07
        """
        match = re.fullmatch(r"\s*(\d{1,4})\s*=\s*(\d{1,9}(?:[.,]\d{1,9})?)\s*(bar|psi|kpa|mpa)\s*", text.lower())
        if match is None:
            raise InputError(f"gauge reading {quoted(text)} is not CYLINDER=PRESSURE with its unit; "
                             "write it like 1=12.1bar, 1=175psi or 1=1210kPa")
        cylinder = int(match[1])
        engine.position_of(cylinder)
        return cls(cylinder, float(match[2].replace(",", ".")) * BAR_IN[match[3]], unit=UNIT_NAMES[match[3]])


def gauge_from_marks(marks: Marks, cylinder: int) -> Gauge | None:
    """Return what a pressure channel's peaks say of its cylinder, None if they say nothing in a known unit.

    The channel's rest between compressions, near the air's pressure, is taken as zero gauge.
    """
    factor = BAR_IN.get(marks.unit.lower())
    if factor is None or marks.count < MIN_PEAKS or marks.inverted:
        return None
    peaks = marks.height * factor
    bar = float(np.median(peaks))
    if not 0.0 < bar <= HIGHEST_BAR:
        return None
    scatter = 1.96 * float(np.std(peaks, ddof=1)) / math.sqrt(len(peaks))
    return Gauge(cylinder, bar, math.hypot(scatter, SENSOR_ERROR * bar))


def anchored(cylinders: Sequence[Cylinder], gauge: Gauge, position: int | None = None) -> tuple[Cylinder, ...]:
    """Return the cylinders with estimated peak gauge pressures and their 95 % intervals.

    Relative errors of the anchor, of its cylinder's percent and of each cylinder's percent add in quadrature. All
    stay as they are when the gauge's cylinder is not named or too low to scale from.

    Parameters
    ----------
    position
        1-based place in the firing order that the gauge was on, where its cylinder has no name.
    """
    at = next((c for c in cylinders if (c.cylinder == gauge.cylinder if position is None else c.position == position)),
              None)
    if at is None or at.relative_percent < 15.0:  # a ratio to almost nothing says nothing
        return tuple(cylinders)
    strongest_bar = gauge.bar / (at.relative_percent / 100.0)
    common = math.hypot(gauge.error_bar / gauge.bar, _half(at) / at.relative_percent)
    out = []
    for c in cylinders:
        bar = strongest_bar * c.relative_percent / 100.0
        half = gauge.error_bar if c is at else math.hypot(bar * common, strongest_bar * _half(c) / 100.0)
        out.append(replace(c, pressure_bar=bar, pressure_interval_bar=(max(0.0, bar - half), bar + half)))
    return tuple(out)


def _half(cylinder: Cylinder) -> float:
    low, high = cylinder.interval_percent
    return max(high - cylinder.relative_percent, cylinder.relative_percent - low)
