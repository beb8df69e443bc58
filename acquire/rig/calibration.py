"""A probe's scale by two known currents: what the board read at each, and the probe text that follows from them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.rig.probe import Probe, in_base_units
from crankfold.analysis import CURRENT, InputError, quoted

if TYPE_CHECKING:
    from crankfold.analysis import Capture

CLEAR_NOISES = 3.0  # a change of the reading below so many standard deviations says nothing of the scale
CLEAR_COUNTS = 8.0  # nor one of fewer counts: half a count would be six percent
FADING = 0.1  # of the change: a reading that moves so much within the seconds it is read does not stand still
AMPERES = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*[Aa]\s*")


@dataclass(frozen=True)
class Level:
    """What was read while a known current flowed.

    Parameters
    ----------
    amperes
        The known current.
    value, noise
        Mean of the reading, and standard deviation from sample to sample, in `unit`.
    moved
        How far the reading went from the first third of the time to the last.
    unit
        ``V``, or ``counts`` for bare numbers.
    step
        Of the converter, 0 when not known.
    """

    amperes: float
    value: float
    noise: float
    moved: float
    unit: str
    step: float


def known_currents(text: str) -> tuple[float, float]:
    """Return the two currents of a text such as ``0A,200A``.

    Raises
    ------
    InputError
        It does not hold two different currents.
    """
    found = [AMPERES.fullmatch(part) for part in text.split(",")]
    values = [float(match[1]) for match in found if match is not None]
    if len(found) != 2 or len(values) != 2 or values[0] == values[1]:
        raise InputError(f"calibration {quoted(text)} needs two different currents; write it like 0A,200A")
    return values[0], values[1]


def level_of(capture: Capture, amperes: float) -> Level:
    """Return what a capture of a steady current read.

    Raises
    ------
    InputError
        There is no current channel, or it gives amperes already.
    """
    capture = in_base_units(capture)
    index = capture.index_of(CURRENT)
    if index is None:
        raise InputError("there is no channel of the current to calibrate; name the channels in the rig")
    channel, values = capture.channels[index], capture.samples[:, index]
    values = values[np.isfinite(values)]
    if channel.unit == "A":
        raise InputError("the board gives amperes already, so there is nothing to calibrate")
    third = max(1, len(values) // 3)
    step = abs(channel.scale) if channel.code_dtype.startswith(("int", "uint")) else 0.0
    return Level(amperes, float(np.mean(values)), float(np.std(np.diff(values)) / np.sqrt(2.0)),
                 float(np.mean(values[-third:]) - np.mean(values[:third])), channel.unit or "counts", step)


def calibrated(first: Level, second: Level) -> Probe:
    """Return the probe that two levels give; its scale is negative where the probe is the wrong way round.

    Raises
    ------
    InputError
        The reading hardly changes, or does not stand still, so that no scale can be read from it.
    """
    change = second.value - first.value
    clear = max(CLEAR_NOISES * max(first.noise, second.noise), CLEAR_COUNTS * first.step)
    moved = max(first, second, key=lambda level: abs(level.moved))
    if abs(moved.moved) > max(FADING * abs(change), clear):
        raise InputError(
            f"the reading isn't steady at {moved.amperes:g} A, it moved by {abs(moved.moved):.3g} "
            f"{first.unit}; hold the current steady, and if it is, this is a clamp for AC only: use one for direct "
            "current")
    if abs(change) < clear:
        raise InputError(
            f"the reading hardly changes from {first.amperes:g} A to {second.amperes:g} A ({first.value:.4g} to "
            f"{second.value:.4g} {first.unit}); check that the current flows through the clamp once and in one "
            "direction, and that it is a clamp for direct current")
    unit = "" if first.unit == "counts" else first.unit
    return Probe.parse(f"cal:{first.value:.6g}{unit}={first.amperes:g}A,{second.value:.6g}{unit}={second.amperes:g}A")
