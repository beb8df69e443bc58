"""What makes volts or bar of a channel beside the current: a divider's factor, or a sensor's two points.

Texts: ``5.7V`` (times 5.7, in volts: a divider), ``0.5V=0bar,4.5V=35bar`` (a transducer by two points of its sheet).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.acquire.rig.probe import in_base_units
from crankfold.analysis import InputError, quoted

if TYPE_CHECKING:
    from crankfold.analysis import Capture

FORMS = "5.7V for a divider, 0.5V=0bar,4.5V=35bar for a sensor by two points"
IN_VOLTS = {"V": 1.0, "mV": 1e-3, "": 1.0}
_NUMBER = r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)"
_UNIT = r"(mV|V|A|bar|kPa|psi|MPa|%|degC|rpm)"
_FACTOR = re.compile(_NUMBER + r"\s*" + _UNIT)
_POINT = re.compile(_NUMBER + r"\s*(m?V|)\s*=\s*" + _NUMBER + r"\s*" + _UNIT)


@dataclass(frozen=True)
class ChannelScale:
    """From what is measured to what is meant: ``value = measured * factor + offset``, in `unit`.

    Parameters
    ----------
    text
        How a person writes it; `parse` of it gives the same scale.
    factor, offset
        Of volts, or of codes where a point is given without a unit.
    unit
        Of the outcome.
    of_volts
        Whether volts are expected; else whatever comes.
    """

    text: str
    factor: float
    offset: float
    unit: str
    of_volts: bool = False

    @classmethod
    def parse(cls, text: str) -> ChannelScale:
        """Return the scale that a text describes.

        Raises
        ------
        InputError
            The text is none of the known forms, or says nothing.

        >>> ChannelScale.parse("0.5V=0bar,4.5V=35bar").factor
        8.75
        """
        tidy = text.strip()
        if match := _FACTOR.fullmatch(tidy):
            return cls(tidy, _finite(float(match[1]), text), 0.0, match[2])
        points = [_POINT.fullmatch(part.strip()) for part in tidy.split(",")]
        found = [match for match in points if match is not None]
        if len(points) != 2 or len(found) != 2:
            raise InputError(f"scale {quoted(text)} is not understood; write it like {FORMS}")
        (x0, y0), (x1, y1) = ((float(m[1]) * IN_VOLTS[m[2]], float(m[3])) for m in found)
        if x0 == x1 or y0 == y1 or found[0][4] != found[1][4] or bool(found[0][2]) != bool(found[1][2]):
            raise InputError(f"scale {quoted(text)} has no two different points in the same units; write it like "
                             f"{FORMS}")
        factor = _finite((y1 - y0) / (x1 - x0), text)
        return cls(tidy, factor, y0 - factor * x0, found[0][4], of_volts=bool(found[0][2]))

    def apply(self, capture: Capture, name: str) -> Capture:
        """Return the capture with one channel scaled.

        Raises
        ------
        InputError
            There is no such channel, or its unit does not go with the scale.
        """
        capture = in_base_units(capture)
        index = capture.index_of(name)
        if index is None:
            raise InputError(f"a scale is given for channel {quoted(name)}; the capture has "
                             f"{[c.name for c in capture.channels]}")
        unit = capture.channels[index].unit
        if self.of_volts and unit not in {"V", ""}:
            raise InputError(f"channel {quoted(name)} is in {unit}, its scale {quoted(self.text)} expects volts")
        return in_base_units(capture.rescaled(name, self.factor, self.unit, self.offset))


def _finite(factor: float, text: str) -> float:
    if not math.isfinite(factor) or factor == 0.0:
        raise InputError(f"scale {quoted(text)} isn't possible; write it like {FORMS}")
    return factor
