"""The picture for a printed page: strip, fold and wheel alone, with words large enough on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import look
from crankfold.viewer.picture.fold import fold_of
from crankfold.viewer.picture.fold_drawing import draw_fold
from crankfold.viewer.picture.page import title_over
from crankfold.viewer.picture.scene import Box, Scene
from crankfold.viewer.picture.strip import strip_of
from crankfold.viewer.picture.strip_drawing import draw_strip
from crankfold.viewer.picture.wheel import wheel_of
from crankfold.viewer.picture.wheel_drawing import draw_wheel
from crankfold.viewer.words import headline, say

if TYPE_CHECKING:
    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.session import Judged

WIDTH = 1000.0  # 190 mm of an A4 page: type of 13 units is 7 points
STRIP = Box(2.0, 24.0, WIDTH - 4.0, 220.0)
FOLD = Box(2.0, 278.0, 590.0, 300.0)
WHEEL = Box(610.0, 278.0, WIDTH - 612.0, 300.0)


def sheet_scene(judged: Judged, paper: Paper = look.LIGHT) -> Scene:
    """Return the picture of a judged capture for a page."""
    result = judged.result
    fold, wheel = fold_of(result), wheel_of(result)
    whole = fold is not None and wheel is not None
    scene = Scene(WIDTH, FOLD.bottom + 2.0 if whole else STRIP.bottom + 2.0, paper.paper, title=headline(result))
    strip = strip_of(result, judged.capture, judged.marks_s)
    scene.add(title_over(STRIP, say("label.strip", unit=strip.unit or say("label.no_unit")), "", paper))
    scene.add(draw_strip(strip, result, STRIP, paper))
    if fold is not None and wheel is not None:
        scene.add(title_over(FOLD, say("label.fold"), "", paper), draw_fold(fold, result, FOLD, paper))
        scene.add(title_over(WHEEL, say("label.wheel"), "", paper))
        scene.add(draw_wheel(wheel, WHEEL, paper, cycle_deg=result.engine.cycle_deg,
                             limit_percent=judged.question.thresholds.low_percent))
    return scene
