"""What the phone page says and shows of a standing, as plain JSON data; a pure step, like the window's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.viewer.picture import Box, Scene, draw_strip, draw_wheel, look, strip_of, wheel_of, write_svg
from crankfold.viewer.session import ENOUGH_S, VERDICTS, Phase, Spoken, spoken
from crankfold.viewer.words import answer, say, short_name

if TYPE_CHECKING:
    from crankfold.analysis import Cylinder
    from crankfold.viewer.session import Judged, Standing

WHEEL, STRIP = Box(0.0, 0.0, 420.0, 320.0), Box(0.0, 0.0, 760.0, 300.0)
RESTABLE = (Phase.FILLING, Phase.ARMED, *VERDICTS)
"""Phases in which the board may be let go of."""


def told_of(now: Standing, *, control: bool, said: Spoken | None = None) -> dict[str, Any]:
    """Return what the page is to show.

    Parameters
    ----------
    now
        Where the session stands.
    control
        Whether the page may arm and rest the board.
    said
        What to say in place of the standing's own words: whoever shares may be at something that no session knows of.

    Returns
    -------
    dict
        ``phase``, ``headline``, ``advice``, ``aside``, ``alarm``; ``lines`` of the result and its ``cylinders``
        (name, percent, range, state, word); ``actions`` that buttons may ask for; ``enough``: what to say, and after
        how many seconds, when the starter has run long enough.
    """
    words, judged = said or spoken(now), now.judged if now.phase in (*VERDICTS, Phase.LOST) else None
    return {
        "phase": now.phase.value, "headline": words.headline, "advice": words.advice, "aside": words.aside,
        "alarm": words.alarm, "number": now.answered,
        "pictures": judged is not None and judged.result.trace is not None,
        "lines": _lines(judged), "cylinders": [] if judged is None else [_cylinder(c) for c in judged.result.cylinders],
        "actions": _actions(now) if control else [], "enough": _enough(now)}


def pictures_of(judged: Judged) -> dict[str, str]:
    """Return strip and wheel of a result as SVG, by name; none that there is nothing to draw for."""
    result, paper = judged.result, look.LIGHT
    if result.trace is None:
        return {}
    strip = Scene(STRIP.width, STRIP.height, paper.paper, title=say("label.strip", unit=result.trace.unit))
    strip.add(draw_strip(strip_of(result, judged.capture, judged.marks_s), result, STRIP, paper))
    found, wheel = {"strip": write_svg(strip)}, wheel_of(result)
    if wheel is not None:
        scene = Scene(WHEEL.width, WHEEL.height, paper.paper, title=say("label.wheel"))
        scene.add(draw_wheel(wheel, WHEEL, paper, cycle_deg=result.engine.cycle_deg,
                             limit_percent=judged.question.thresholds.low_percent))
        found["wheel"] = write_svg(scene)
    return found


def _lines(judged: Judged | None) -> list[str]:
    if judged is None:
        return []
    told = answer(judged.result)
    return [*told.reasons, *told.cautions, *told.next, *told.blind[:1]]


def _cylinder(cylinder: Cylinder) -> dict[str, Any]:
    low, high = cylinder.interval_percent
    return {"name": short_name(cylinder), "percent": round(cylinder.relative_percent), "from": round(low),
            "to": round(high), "state": cylinder.state, "word": say(f"state.{cylinder.state}")}


def _actions(now: Standing) -> list[str]:
    if now.stage is Phase.RESTING:
        return ["arm"]
    if now.stage in (Phase.NO_BOARD, Phase.LOST, Phase.OVER):
        return ["retry"]
    return ["rest"] if now.live and now.phase in RESTABLE else []


def _enough(now: Standing) -> dict[str, Any] | None:
    """Return what the page says by its own clock: the stream's would come over the network late."""
    if now.stage is not Phase.CRANKING:
        return None
    return {"after_s": max(0.0, ENOUGH_S - now.cranked_s), "headline": say("window.headline.enough"),
            "advice": say("window.advice.enough")}
