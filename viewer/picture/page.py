"""The picture that goes with a result: headline, strip above, fold and wheel below, what next at the foot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.fold import fold_of
from crankfold.viewer.picture.fold_drawing import draw_fold
from crankfold.viewer.picture.scene import Box, Item, Panel, Scene, Words
from crankfold.viewer.picture.strip import strip_of
from crankfold.viewer.picture.strip_drawing import draw_strip
from crankfold.viewer.picture.wheel import wheel_of
from crankfold.viewer.picture.wheel_drawing import draw_wheel
from crankfold.viewer.words import Answer, answer, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Capture, Result
    from crankfold.viewer.picture.look import Paper

WIDTH, HEIGHT = 1600.0, 1060.0
MARGIN = 36.0
TITLE_SIZE = 18.0
STRIP = Box(MARGIN, 176.0, WIDTH - 2 * MARGIN, 300.0)
FOLD = Box(MARGIN, 520.0, 940.0, 430.0)
WHEEL = Box(MARGIN + 964.0, 520.0, WIDTH - 2 * MARGIN - 964.0, 430.0)
TALL_STRIP = Box(MARGIN, 176.0, WIDTH - 2 * MARGIN, 440.0)
BELOW = Box(MARGIN, 648.0, WIDTH - 2 * MARGIN, 340.0)
LIMIT_PERCENT = 75.0  # drawn when nobody set another


def picture_of(result: Result, capture: Capture, *, marks_s: Sequence[float] = (), name: str = "",
               paper: Paper = look.LIGHT, limit_percent: float = LIMIT_PERCENT) -> Scene:
    """Return the picture of a result as a scene.

    Parameters
    ----------
    result, capture
        What was found and in what.
    marks_s
        Times of the sync marks, seconds.
    name
        Where the capture came from, for the foot of the page.
    paper
        Colours.
    limit_percent
        Below it a cylinder is low.
    """
    told = answer(result)
    scene = Scene(WIDTH, HEIGHT, paper.paper, title=told.headline, description=" ".join(told.found))
    scene.add(_head(result, told, paper))
    fold, wheel = fold_of(result), wheel_of(result)
    strip = STRIP if fold is not None and wheel is not None else TALL_STRIP
    scene.add(title_over(strip, say("label.strip", unit=_unit(result, capture)), _marks_note(result), paper))
    scene.add(draw_strip(strip_of(result, capture, marks_s), result, strip, paper))
    if fold is not None and wheel is not None:
        scene.add(title_over(FOLD, say("label.fold"), say("label.cycles_seen", count=len(fold.cycles)), paper))
        scene.add(draw_fold(fold, result, FOLD, paper))
        unnamed = any(c.cylinder is None for c in result.cylinders)
        scene.add(title_over(WHEEL, say("label.wheel"), say("label.unnamed_note") if unnamed else "", paper))
        scene.add(draw_wheel(wheel, WHEEL, paper, cycle_deg=result.engine.cycle_deg, limit_percent=limit_percent))
    else:
        scene.add(_instead(told, paper))
    scene.add(_foot(told, name, paper))
    return scene


def _unit(result: Result, capture: Capture) -> str:
    unit = result.trace.unit if result.trace is not None else capture.channels[capture.index_of("current") or 0].unit
    return unit or say("label.no_unit")


def _head(result: Result, told: Answer, paper: Paper) -> list[Item]:
    size = measures.size_to_fit(told.headline, 60.0, 30.0, WIDTH - 2 * MARGIN, "serif")
    down = result.verdict == "uneven"
    text = measures.fit(told.headline, size, WIDTH - 2 * MARGIN, "serif")
    items: list[Item] = [Words(MARGIN, 80.0, text, size, paper.vermilion if down else paper.ink, face="serif")]
    order = "-".join(map(str, result.engine.firing_order))
    second = say("label.conditions", order=order, cranking=" ".join(told.found[:1]))
    if result.engine.name:
        second = f"{second} {result.engine.name}"
    items.append(Words(MARGIN, 122.0, measures.fit(second, 22.0, WIDTH - 2 * MARGIN), 22.0, paper.ink))
    return items


def title_over(box: Box, text: str, note: str, paper: Paper) -> list[Item]:
    """Return the words over a view: its title, and a note at its right."""
    y = box.top - 11.0
    items: list[Item] = [Words(box.left, y, measures.fit(text, TITLE_SIZE, box.width), TITLE_SIZE, paper.faint)]
    if note:
        room = box.width - measures.width_of(text, TITLE_SIZE) - 20.0
        items.append(Words(box.right, y, measures.fit(note, TITLE_SIZE, room), TITLE_SIZE, paper.faint, anchor="end"))
    return items


def _marks_note(result: Result) -> str:
    if result.sync is None or result.sync.kind == "plug-out":
        return ""
    return say("label.marks", cylinder=result.sync.cylinder)


def _instead(told: Answer, paper: Paper) -> list[Item]:
    """Fill the place of fold and wheel with the reasons and what to do, when no verdict was drawn."""
    items: list[Item] = [Panel(BELOW, fill=paper.card, stroke=paper.rule)]
    items.append(Words(BELOW.left + 32.0, BELOW.top + 58.0, say("reason.heading"), 30.0, paper.ink, face="serif"))
    y = BELOW.top + 106.0
    for sentence in (*told.reasons, *told.cautions):
        for line in measures.wrap(sentence, 25.0, BELOW.width - 64.0, 4):
            if y > BELOW.bottom - 16.0:
                return items
            items.append(Words(BELOW.left + 32.0, y, line, 25.0, paper.ink))
            y += 34.0
        y += 14.0
    return items


def _foot(told: Answer, name: str, paper: Paper) -> list[Item]:
    room = WIDTH - 2 * MARGIN
    first = told.next[0] if told.next else ""
    items: list[Item] = [Words(MARGIN, 988.0, measures.fit(first, 21.0, room), 21.0, paper.ink)]
    blind = told.blind[0] if told.blind else ""
    items.append(Words(MARGIN, 1016.0, measures.fit(blind, 17.0, room), 17.0, paper.faint))
    items.append(Words(MARGIN, 1042.0, measures.fit(name, look.SCALE_TYPE, room), look.SCALE_TYPE, paper.faint))
    return items
