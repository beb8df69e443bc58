"""Two captures of one engine on each other: before dashed in slate, after in ink, and what changed in each cylinder."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.fold import FoldData, fold_of
from crankfold.viewer.picture.fold_drawing import curve_points, fold_ground, plot_of
from crankfold.viewer.picture.page import FOLD, HEIGHT, LIMIT_PERCENT, MARGIN, STRIP, WHEEL, WIDTH, title_over
from crankfold.viewer.picture.scene import Box, Item, Path, Rule, Scene, Words
from crankfold.viewer.picture.strip import StripData, strip_of
from crankfold.viewer.picture.strip_drawing import band, rules, strip_scales, trace_line
from crankfold.viewer.picture.wheel import bar, half_width, radius, wheel_of
from crankfold.viewer.picture.wheel_drawing import draw_wheel, wheel_centre
from crankfold.viewer.words import change_cell, changed_words, comparison_headline, low_ones_first, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Difference
    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.session import Judged

DASH = (8.0, 5.0)
LEAST_HEIGHT = 860.0
LEAST_COLUMNS = 4
DOWN = ("low", "dead")
UPRIGHT_HEADLINE, UPRIGHT_LINE, UPRIGHT_MOST = 40.0, 30.0, 8  # sizes of type; cylinders in one column
UPRIGHT_LINES = 0.26  # of the height at most, for the cylinders
UPRIGHT_TITLE = 36.0  # above each view
UPRIGHT_SHARES = (0.26, 0.36, 0.38)  # of the rest, for strip, fold and wheel


@dataclass(frozen=True)
class Places:
    """Where strip, fold and wheel lie, and the first line of words below them."""

    strip: Box
    fold: Box
    wheel: Box
    foot: float

    @classmethod
    def on(cls, height: float) -> Places:
        """Return the places on a page of a height, as in the picture of one capture if it is as high as that."""
        strip = replace(STRIP, height=STRIP.height - (HEIGHT - height) * STRIP.height / (STRIP.height + FOLD.height))
        top = strip.bottom + FOLD.top - STRIP.bottom
        below = FOLD.height + height - HEIGHT + STRIP.height - strip.height
        return cls(strip, replace(FOLD, top=top, height=below), replace(WHEEL, top=top, height=below), height - 72.0)


def comparison_picture(before: Judged, after: Judged, differences: Sequence[Difference], *, name: str = "",
                       paper: Paper = look.LIGHT, height: float = HEIGHT) -> Scene:
    """Return the picture of a comparison, at least `LEAST_HEIGHT` high; both results hold a verdict."""
    text = comparison_headline(differences)
    height = max(height, LEAST_HEIGHT)
    at = Places.on(height)
    scene = Scene(WIDTH, height, paper.paper, title=text, description=" ".join(map(changed_words, differences)))
    worse = any(d.change == "worse" or d.after_state in DOWN for d in differences)
    size = measures.size_to_fit(text, 60.0, 30.0, WIDTH - 2 * MARGIN, "serif")
    scene.add(Words(MARGIN, 80.0, measures.fit(text, size, WIDTH - 2 * MARGIN, "serif"), size,
                    paper.vermilion if worse else paper.ink, face="serif"))
    order = "-".join(map(str, after.result.engine.firing_order))
    second = measures.fit(say("compare.conditions", order=order, engine=after.result.engine.name), 22.0,
                          WIDTH - 2 * MARGIN - 380.0)
    scene.add(Words(MARGIN, 122.0, second, 22.0, paper.ink), _legend(paper, WIDTH - MARGIN, 116.0))
    scene.add(title_over(at.strip, say("compare.strip"), "", paper), _strips(before, after, at.strip, paper))
    scene.add(title_over(at.fold, say("label.fold"), "", paper), _folds(before, after, at.fold, paper))
    scene.add(title_over(at.wheel, say("label.wheel"), say("compare.wheel"), paper),
              _wheels(before, after, at.wheel, paper))
    scene.add(_changes(differences, name, at.foot, paper))
    return scene


def comparison_upright(before: Judged, after: Judged, differences: Sequence[Difference], *, whole: Box,
                       paper: Paper = look.LIGHT) -> list[Item]:
    """Return a comparison for a page that is higher than wide: words in large type, and the views below each other."""
    y, items = whole.top, list[Item]()
    worse = any(d.change == "worse" or d.after_state in DOWN for d in differences)
    for line in measures.even(comparison_headline(differences), UPRIGHT_HEADLINE, whole.width, 2, "serif"):
        y += 1.15 * UPRIGHT_HEADLINE
        items.append(Words(whole.left, y, line, UPRIGHT_HEADLINE, paper.vermilion if worse else paper.ink,
                           face="serif"))
    lines, y = _lines(differences, Box(whole.left, y + 10.0, whole.width, UPRIGHT_LINES * whole.height), paper)
    items += [*lines, *_legend(paper, whole.right, y + 20.0)]
    room = (whole.bottom - y - 40.0 - 3 * UPRIGHT_TITLE) / sum(UPRIGHT_SHARES)
    boxes, top = [], y + 40.0 + UPRIGHT_TITLE - 10.0
    for share in UPRIGHT_SHARES:
        boxes.append(Box(whole.left, top, whole.width, share * room))
        top += share * room + UPRIGHT_TITLE
    strip, fold, wheel = boxes
    return [*items, *title_over(strip, say("compare.strip"), "", paper), *_strips(before, after, strip, paper),
            *title_over(fold, say("label.fold"), "", paper), *_folds(before, after, fold, paper),
            *title_over(wheel, say("label.wheel"), say("compare.wheel"), paper), *_wheels(before, after, wheel, paper)]


def _lines(differences: Sequence[Difference], box: Box, paper: Paper) -> tuple[list[Item], float]:
    """Return each cylinder's change, low ones first, as large as the box has room for, and where they end."""
    ordered = low_ones_first(differences)
    columns = 1 if len(ordered) <= UPRIGHT_MOST else 2
    rows, room = -(-len(ordered) // columns), box.width / columns
    texts = [change_cell(d) for d in ordered]
    size = min(UPRIGHT_LINE, box.height / rows / 1.35,
               *(measures.size_to_fit(text, UPRIGHT_LINE, 9.0, room - 14.0) for text in texts))
    items: list[Item] = []
    for k, (difference, text) in enumerate(zip(ordered, texts, strict=True)):
        bad = difference.change == "worse" or difference.after_state in DOWN
        items.append(Words(box.left + (k // rows) * room, box.top + (k % rows + 1) * 1.35 * size, text, size,
                           paper.vermilion if bad else paper.ink))
    return items, box.top + rows * 1.35 * size


def _legend(paper: Paper, right: float, y: float) -> list[Item]:
    return [Rule(right - 330.0, y, right - 280.0, y, paper.slate, 2.6, dash=DASH),
            Words(right - 270.0, y + 6.0, say("compare.before"), 20.0, paper.slate),
            Rule(right - 150.0, y, right - 100.0, y, paper.ink, look.BOLD),
            Words(right - 90.0, y + 6.0, say("compare.after"), 20.0, paper.ink)]


def _strips(before: Judged, after: Judged, box: Box, paper: Paper) -> list[Item]:
    """Return both currents, each from its own onset on."""
    one, other = (_from_onset(strip_of(j.result, j.capture)) for j in (before, after))
    window = (min(one.window_s[0], other.window_s[0]), max(one.window_s[1], other.window_s[1]))
    both = replace(other, window_s=window, top=max(one.top, other.top), bottom=min(one.bottom, other.bottom))
    scales = strip_scales(both, box)
    return [*band(box, paper), *rules(both, scales, paper),
            trace_line(one.time_s, one.current, scales, stroke=paper.slate, width=look.FINE, dash=(5.0, 3.0)),
            trace_line(other.time_s, other.current, scales, stroke=paper.ink, width=look.FINE)]


def _from_onset(data: StripData) -> StripData:
    onset = 0.0 if data.judged_s is None else data.judged_s[0]
    return replace(data, time_s=data.time_s - onset, window_s=(data.window_s[0] - onset, data.window_s[1] - onset))


def _folds(before: Judged, after: Judged, box: Box, paper: Paper) -> list[Item]:
    one, other = fold_of(before.result), fold_of(after.result)
    if one is None or other is None:
        return []
    both = replace(other, top=max(one.top, other.top), bottom=min(one.bottom, other.bottom))
    plot = plot_of(box)
    return [*fold_ground(both, after.result, box, paper), *_cycles(replace(one, top=both.top, bottom=both.bottom),
                                                                  plot, paper.slate, DASH),
            *_cycles(both, plot, paper.ink, ())]


def _cycles(fold: FoldData, plot: Box, colour: str, dash: tuple[float, ...]) -> list[Item]:
    step = max(1, -(-fold.cycles.size // 6000))
    items: list[Item] = [Path(curve_points(fold, plot, c, step), stroke=colour, width=0.5) for c in fold.cycles]
    return [*items, Path(curve_points(fold, plot, fold.middle), stroke=colour, width=look.BOLD, dash=dash)]


def _wheels(before: Judged, after: Judged, box: Box, paper: Paper) -> list[Item]:
    one, other = wheel_of(before.result), wheel_of(after.result)
    if one is None or other is None:
        return []
    other = replace(other, gauge_limit_percent=None)  # each test has its own speed
    cycle = after.result.engine.cycle_deg
    items = draw_wheel(other, box, paper, cycle_deg=cycle, limit_percent=LIMIT_PERCENT)
    x, y, rim = wheel_centre(other, box)
    half = half_width(one.wide_deg, rim)
    for spoke in one.spokes:
        shape = bar(spoke.turn_deg, half + 4.0, radius(0.0, rim), radius(spoke.percent, rim)) + np.array([x, y])
        items.append(Path(shape, stroke=paper.slate, width=2.0, closed=True, dash=(5.0, 3.0)))
    return items


def _changes(differences: Sequence[Difference], name: str, top: float, paper: Paper) -> list[Item]:
    """Return each cylinder's change in words, low ones first, in two rows."""
    ordered = low_ones_first(differences)
    columns = max(LEAST_COLUMNS, -(-len(ordered) // 2))
    room = (WIDTH - 2 * MARGIN) / columns
    items: list[Item] = []
    for k, difference in enumerate(ordered):
        bad = difference.change == "worse" or difference.after_state in DOWN
        x, y = MARGIN + (k % columns) * room, top + (k // columns) * 27.0
        words = change_cell(difference)
        size = measures.size_to_fit(words, 19.0, 9.0, room - 14.0)
        items.append(Words(x, y, measures.fit(words, size, room - 14.0), size, paper.vermilion if bad else paper.ink))
    return [*items, Words(MARGIN, top + 58.0, measures.fit(name, look.SCALE_TYPE, WIDTH - 2 * MARGIN),
                          look.SCALE_TYPE, paper.faint)]
