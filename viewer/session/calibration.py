"""Two-point calibration on the live board: asks for each known current, reads it, and keeps the scale on the rig."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from crankfold.viewer.words import say, tell

if TYPE_CHECKING:
    from crankfold.acquire import Level, Probe, Rig, Source

READ_S = 2.0


def calibrate(opened: Callable[[], Source], rig: Rig, currents: tuple[float, float], seconds: float = READ_S) -> Probe:
    """Return the probe found by asking for two known currents one after the other.

    Raises
    ------
    InputError, AcquireError
        No scale can be read from them, or the board breaks.
    """
    from crankfold.acquire import calibrated

    tell(say("calibrate.how"))
    first, second = (_level(opened, rig, amperes, seconds) for amperes in currents)
    probe = calibrated(first, second)
    scale = probe.per_ampere or 0.0
    if probe.in_counts:
        tell(say("calibrate.counts", counts_share=abs(scale)))
    else:
        tell(say("calibrate.volts", millivolts_points=1000.0 * abs(scale)))
    if scale < 0:
        tell(say("calibrate.reversed"))
    return probe


def _level(opened: Callable[[], Source], rig: Rig, amperes: float, seconds: float) -> Level:
    from crankfold.acquire import level_of, observe, wired
    from crankfold.viewer.words import working

    click.prompt(say("calibrate.ask", current_a=amperes), default="", show_default=False, prompt_suffix=" ")
    with opened() as source, working(say("progress.listening")):
        observed = observe(source, seconds)
    level = level_of(wired(observed.capture, replace(rig, probe="")), amperes)
    tell(say("calibrate.read", current_a=amperes, value=f"{level.value:.4g}", unit=level.unit))
    return level
