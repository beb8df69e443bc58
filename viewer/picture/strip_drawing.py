"""The strip drawn: a paper band with edge holes, the current in ink, stretches not used, humps by number, marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.scene import SANS_FACE, SERIF_FACE, Box, Item, Panel, Path, Ring, Rule, Words
from crankfold.viewer.picture.strip import HumpPlace, Stretch, StripData, envelope
from crankfold.viewer.words import plain, say, short_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis import Cylinder, Result
    from crankfold.viewer.picture.look import Paper

HOLE_EVERY = 34.0  # scene units between the holes along the edges of the paper
HOLE_RADIUS = 3.6
EDGE = 18.0  # height of the edges with the holes
NUMBER_SIZE, LOW_SIZE, LEAST_BOLD = look.SCALE_TYPE, 20.0, 12.0
NUMBER_GAP = 4.0  # between hump numbers; a cylinder whose numbers have less room has none
LONGEST_UNIT = 2  # characters of a unit that has room at a tick: A, V, mV; a board's counts have none
NAMES = {"in-rush": "label.inrush", "run-up": "label.run_up", "gap": "label.gap", "bridged": "label.bridged",
         "other": "label.other", "fired": "label.fired", "unused": "label.unused"}


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
    plot = box.inset(left=62.0, top=EDGE + 30.0, right=14.0, bottom=EDGE + 26.0)
    return StripScales(plot, data.window_s, data.bottom, data.top)


def draw_strip(data: StripData, result: Result, box: Box, paper: Paper, *, lit: int | None = None,
               under: Sequence[Item] = ()) -> list[Item]:
    """Return the strip's items inside a box.

    `lit` is the 1-based position of a cylinder to bring out, `under` what lies under the line of the current.
    """
    scales = strip_scales(data, box)
    items: list[Item] = [*band(box, paper), *_judged(data, scales, paper)]
    for stretch in data.stretches:
        items += _stretch(stretch, scales, paper)
    items += [*rules(data, scales, paper), *under, *_line(data, scales, paper)]
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
    wide = measures.width_of(name, look.SCALE_TYPE) + 12.0
    if wide < box.width:
        middle = left + box.width / 2.0
        items.append(Panel(Box(middle - wide / 2.0, plot.top + 6.0, wide, 22.0), fill=paper.card, radius=3.0))
        items.append(Words(middle, plot.top + 22.0, name, look.SCALE_TYPE, paper.ink, anchor="middle"))
    elif box.width > 18.0:
        items.append(Words(left + box.width / 2.0 + 6.0, plot.top + wide, name, look.SCALE_TYPE, paper.ink,
                           turn_deg=-90.0))
    return items


def rules(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    """Return the scales of current and time."""
    plot, items = scales.plot, list[Item]()
    values, times = measures.ticks(data.bottom, data.top, 5), measures.ticks(*data.window_s, about=12)
    for value in values:
        y = scales.y(value)
        text = with_unit(plain(value), data.unit) if value == values[-1] else plain(value)
        items.append(Rule(plot.left, y, plot.right, y, paper.rule, look.HAIR, dash=(2.0, 5.0)))
        items.append(Words(plot.left - 8.0, y + 5.5, text, look.SCALE_TYPE, paper.faint, anchor="end"))
    for value in times:
        x = scales.x(value)
        items.append(Rule(x, plot.bottom, x, plot.bottom + 5.0, paper.faint, look.HAIR))
        text = plain(round(value, 6))
        items.append(Words(x, plot.bottom + 21.0, with_unit(text, say("label.seconds")) if value == times[0] else text,
                           look.SCALE_TYPE, paper.faint, anchor="middle"))
    items.append(Rule(plot.left, plot.bottom, plot.right, plot.bottom, paper.faint, look.HAIR))
    return items


def with_unit(text: str, unit: str) -> str:
    """Return the number of a tick with its unit, where that is short enough to stand beside the scale."""
    return f"{text} {unit}" if unit and len(unit) <= LONGEST_UNIT else text


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
    """Return a tick for every hump along the upper edge, and numbers: all of a cylinder's or none.

    Low cylinders have theirs always; the others, in firing order, as far as there is room.
    """
    states = {c.position - 1: c for c in result.cylinders}
    places: dict[int, list[float]] = {}
    for hump in humps:
        x = scales.x(hump.time_s)
        if hump.position in states and scales.plot.left <= x <= scales.plot.right:
            places.setdefault(hump.position, []).append(x)
    bold = {p for p in places if states[p].state in ("low", "dead") or p + 1 == lit}
    large = _bold_size([short_name(states[p]) for p in bold], sorted(x for p in bold for x in places[p]))
    taken, items = list[tuple[float, float]](), list[Item]()
    for position in sorted(places, key=lambda p: (p not in bold, p)):
        size, face = (large, SERIF_FACE) if position in bold else (NUMBER_SIZE, SANS_FACE)
        wide = measures.width_of(short_name(states[position]), size, face)
        mine = [(x, wide) for x in places[position]]
        shown = position in bold or not any(abs(x - t) < (wide + w) / 2.0 + NUMBER_GAP for x, _ in mine
                                            for t, w in (*taken, *(m for m in mine if m[0] != x)))
        taken += mine if shown else []
        for x in places[position]:
            items += _number((x, size), states[position], scales, paper, bold=position in bold, shown=shown)
    return items


def _bold_size(names: list[str], places: list[float]) -> float:
    """Return the size of the bold numbers: smaller where they are so close that two would read as one."""
    if len(places) < 2:
        return LOW_SIZE
    room = float(np.diff(places).min()) - NUMBER_GAP
    return min(measures.size_to_fit(name, LOW_SIZE, LEAST_BOLD, room, SERIF_FACE) for name in names)


def _number(where: tuple[float, float], cylinder: Cylinder, scales: StripScales, paper: Paper, *, bold: bool,
            shown: bool) -> list[Item]:
    """Return a hump's tick, and its number where it is shown; `where` is its place along the strip and its size."""
    (x, size), y, face = where, scales.plot.top - 10.0, SERIF_FACE if bold else SANS_FACE
    colour = paper.vermilion if cylinder.state in ("low", "dead") else paper.ink if bold else paper.faint
    tick = Rule(x, y + 4.0, x, y + 10.0, colour, 2.0 if bold else look.HAIR)
    return [Words(x, y, short_name(cylinder), size, colour, anchor="middle", face=face), tick] if shown else [tick]


def _marks(data: StripData, scales: StripScales, paper: Paper) -> list[Item]:
    y = scales.plot.bottom
    return [Rule(scales.x(t), y - 16.0, scales.x(t), y, paper.plum, 2.2) for t in data.marks_s]
