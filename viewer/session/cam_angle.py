"""A cam sensor's angle learnt from one analysed crank: on which channel it may be, and why it cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.analysis import BATTERY, BATTERY_VOLTAGE, CURRENT, PRESSURE, InputError, Notice, learn_cam_angle
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import CamAngle
    from crankfold.viewer.session.judgement import Judged


def cam_channels(judged: Judged) -> tuple[str, ...]:
    """Return the channels that may carry a cam sensor: those that nothing else is known of."""
    known = {spec.channel for spec in judged.question.syncs if spec.kind != "plug-out"}
    known |= {CURRENT, BATTERY, BATTERY_VOLTAGE, PRESSURE}
    return tuple(channel.name for channel in judged.capture.channels if channel.name not in known)


def learnt_cam(judged: Judged, channel: str = "") -> CamAngle:
    """Return the angle of the cam sensor on a channel, by default the one that nothing else is known of.

    Raises
    ------
    InputError
        There is no such channel, or several; or the angle cannot be told.
    """
    if not channel:
        offered = cam_channels(judged)
        if len(offered) != 1:
            raise InputError(say("cam.several" if offered else "cam.none", channels=offered))
        channel = offered[0]
    found = learn_cam_angle(judged.capture, judged.result, channel)
    if isinstance(found, Notice):
        raise InputError(say(f"cam.{found.code}", **found.facts))
    return found


def cam_lines(found: CamAngle) -> tuple[str, ...]:
    """Return what was learnt, and how sure it is, as sentences."""
    import math

    facts = {"cylinder": found.cylinder, "edge_deg": found.edge_deg, "half_deg": found.half_deg, "edges": found.edges,
             "spread_deg": found.spread_deg}
    lines = [say("cam.found", **facts), say("cam.steady", **facts)]
    if math.isfinite(found.other_way_deg):
        lines.append(say("cam.other_way", other_deg=found.other_way_deg))
    return tuple(lines)
