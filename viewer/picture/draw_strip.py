"""The strip drawn: a paper band with edge holes, the current in ink, stretches not used, humps by number, marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.numbers import plain
from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.scene import SANS_FACE, SERIF_FACE, Box, Item, Panel, Path, Ring, Rule, Words
from crankfold.viewer.picture.strip import HumpPlace, Stretch, StripData, envelope
from crankfold.viewer.sentences import short_name
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.result import Cylinder, Result
    from crankfold.viewer.picture.look import Paper

HOLE_EVERY = 34.0  # scene units between the holes along the edges of the paper
HOLE_RADIUS = 3.6
EDGE = 18.0  # height of the edges with the holes
NUMBER_SIZE, LOW_SIZE = 13.0, 15.0
NUMBER_GAP = 4.0  # between hump numbers; where there is less, numbers are left out
NAMES = {"in-rush": "label.inrush", "gap": "label.gap", "bridged": "label.bridged", "other": "label.other",
         "fired": "label.fired", "unused": "label.unused"}


@dataclass(frozen=True)
class StripScales:
    """From seconds and current to the page."""

    plot: Box
    window_s: tuple[float, float]
    bottom: float
    top: float

    def x(self, time_s: float) -> float:
        """Return the place of a time."""
        start, end = self.window_s
        return self.plot.left + (time_s - start) / (end - start) * self.plot.width

    def y(self, current: float) -> float:
        """Return the height of a current."""
        return self.plot.bottom - (current - self.bottom) / (self.top - self.bottom) * self.plot.height


def strip_scales(data: StripData, box: Box) -> StripScales:
    """Return the scales of a strip drawn in a box."""
    plot = box.inset(left=62.0, top=EDGE + 30.0, right=14.0, bottom=EDGE + 24.0)
    return StripScales(plot, data.window_s, data.bottom, data.top)


def draw_strip(data: StripData, result: Result, box: Box, paper: Paper, *, lit: int | None = None) -> list[Item]:
    """Return the strip's items inside a box; `lit` is the 1-based position of a cylinder to bring out."""
    scales = strip_scales(data, box)
    items: list[Item] = [*band(box, paper), *_judged(data, scales, paper)]
    for stretch in data.stretches:
        items += _stretch(stretch, scales, paper)
    items += [*rules(data, scales, paper), *_line(data, scales, paper)]
    return [*items, *_humps(data.humps, result, scales, paper, lit=lit), *_marks(data, scales, paper)]


def band(box: Box, paper: Paper) -> list[Item]:
    """Return the paper that a strip is drawn on."""
    items: list[Item] = [Panel(box, fill=paper.card, stroke=paper.rule)]
    count = int((box.width - 2 * EDGE) / HOLE_EVERY)
    start = box.left + (box.width - (count - 1) * HOLE_EVERY) / 2.0
    for k in range(count):
        for y in (box.top + EDGE / 2.0, box.bottom - EDGE / 2.0):
            items.append(Ring(start + k * HOLE_EVERY, y, HOLE_RADIUS, stroke=paper.rule, fill=paper.paper))
    return items


def _judged(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    if data.judged_s is None:
        return []
    left, right = scales.x(data.judged_s[0]), scales.x(data.judged_s[1])
    plot = scales.plot
    return [Panel(Box(left, plot.top, right - left, plot.height), fill=paper.wash, opacity=0.55)]


def _stretch(stretch: Stretch, scales: StripScales, paper: Paper) -> list[Item]:
    left, right = scales.x(stretch.start_s), scales.x(stretch.end_s)
    plot = scales.plot
    box = Box(left, plot.top, max(right - left, 1.0), plot.height)
    name = say(NAMES[stretch.kind])
    items: list[Item] = [Panel(box, fill=paper.card, hatch=paper.rule)]
    wide = measures.width_of(name, 13.0) + 12.0
    if wide < box.width:
        middle = left + box.width / 2.0
        items.append(Panel(Box(middle - wide / 2.0, plot.top + 6.0, wide, 19.0), fill=paper.card, radius=3.0))
        items.append(Words(middle, plot.top + 20.0, name, 13.0, paper.ink, anchor="middle"))
    elif box.width > 15.0:
        items.append(Words(left + box.width / 2.0 + 5.0, plot.top + wide, name, 13.0, paper.ink, turn_deg=-90.0))
    return items


def rules(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    """Return the scales of current and time."""
    plot, items = scales.plot, list[Item]()
    for value in measures.ticks(data.bottom, data.top, 5):
        y = scales.y(value)
        items.append(Rule(plot.left, y, plot.right, y, paper.rule, look.HAIR, dash=(2.0, 5.0)))
        items.append(Words(plot.left - 8.0, y + 4.5, plain(value), 13.0, paper.faint, anchor="end"))
    for value in measures.ticks(*data.window_s, about=12):
        x = scales.x(value)
        items.append(Rule(x, plot.bottom, x, plot.bottom + 5.0, paper.faint, look.HAIR))
        items.append(Words(x, plot.bottom + 19.0, plain(round(value, 6)), 13.0, paper.faint, anchor="middle"))
    items.append(Rule(plot.left, plot.bottom, plot.right, plot.bottom, paper.faint, look.HAIR))
    return items


def _line(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    line = trace_line(data.time_s, data.current, scales, stroke=paper.ink, width=look.FINE)
    if data.raw is data.current:
        return [line]
    return [trace_line(data.time_s, data.raw, scales, stroke=paper.rule, width=look.HAIR), line]


def trace_line(time_s: NDArray[np.float64], current: NDArray[np.float64], scales: StripScales, *, stroke: str,
               width: float, dash: tuple[float, ...] = ()) -> Path:
    """Return a current as a line, reduced to what the strip's width can show."""
    when, what = envelope(time_s, current, scales.window_s, int(scales.plot.width))
    start, end = scales.window_s
    x = scales.plot.left + (when - start) / (end - start) * scales.plot.width
    y = scales.plot.bottom - (what - scales.bottom) / (scales.top - scales.bottom) * scales.plot.height
    return Path(np.column_stack([x, y]), stroke=stroke, width=width, dash=dash)


def _humps(humps: tuple[HumpPlace, ...], result: Result, scales: StripScales, paper: Paper, *,
           lit: int | None) -> list[Item]:
    """Return the numbers of the humps along the upper edge: low ones always, the others as far as there is room."""
    states = {c.position - 1: c for c in result.cylinders}
    shown = [(scales.x(h.time_s), states[h.position]) for h in humps if h.position in states]
    shown = [(x, c) for x, c in shown if scales.plot.left <= x <= scales.plot.right]
    always = [(x, c) for x, c in shown if c.state in ("low", "dead") or c.position == lit]
    taken = [(x, measures.width_of(short_name(c), LOW_SIZE, SERIF_FACE)) for x, c in always]
    items = [item for x, c in always for item in _number(x, c, scales, paper, bold=True)]
    for x, cylinder in shown:
        wide = measures.width_of(short_name(cylinder), NUMBER_SIZE)
        if (x, cylinder) in always or any(abs(x - t) < (wide + w) / 2.0 + NUMBER_GAP for t, w in taken):
            continue
        taken.append((x, wide))
        items += _number(x, cylinder, scales, paper, bold=False)
    return items


def _number(x: float, cylinder: Cylinder, scales: StripScales, paper: Paper, *, bold: bool) -> list[Item]:
    y = scales.plot.top - 10.0
    size, face = (LOW_SIZE, SERIF_FACE) if bold else (NUMBER_SIZE, SANS_FACE)
    colour = paper.vermilion if cylinder.state in ("low", "dead") else paper.ink if bold else paper.faint
    return [Words(x, y, short_name(cylinder), size, colour, anchor="middle", face=face),
            Rule(x, y + 4.0, x, y + 10.0, colour, 2.0 if bold else look.HAIR)]


def _marks(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    y = scales.plot.bottom
    return [Rule(scales.x(t), y - 16.0, scales.x(t), y, paper.plum, 2.2) for t in data.marks_s]
