"""The fold drawn: a lane a cylinder, every cycle thin, the middle thick, what was judged dashed over it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.scene import Box, Item, Panel, Path, Rule, Words
from crankfold.viewer.picture.strip_drawing import with_unit
from crankfold.viewer.words import plain, say, short_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Cylinder, Result
    from crankfold.viewer.picture.fold import FoldData, Lane
    from crankfold.viewer.picture.look import Paper

MOST_POINTS = 12_000  # of all thin lines together, so that the file stays small with many cycles
LEAST_STEP = 1
APART = 12.0  # scene units between numbers of the scale
LEAST_TICKS = 3
NUMBER_SIZE, PERCENT_SIZE = 26.0, 19.0
MIDDLE = 4.4  # width of the middle cycle: the model is seen lying on it


def draw_fold(data: FoldData, result: Result, box: Box, paper: Paper, *, lit: int | None = None) -> list[Item]:
    """Return the fold's items inside a box; `lit` is the 1-based position of a cylinder to bring out."""
    return [*fold_ground(data, result, box, paper, lit=lit), *_curves(data, plot_of(box), paper)]


def plot_of(box: Box) -> Box:
    """Return where the curves of a fold lie in its box."""
    return box.inset(left=62.0, top=72.0, right=14.0, bottom=34.0)


def fold_ground(data: FoldData, result: Result, box: Box, paper: Paper, *, lit: int | None = None) -> list[Item]:
    """Return what lies under the curves: lanes, headings and scales."""
    plot = plot_of(box)
    states = {c.position - 1: c for c in result.cylinders}
    items: list[Item] = [Panel(box, fill=paper.card, stroke=paper.rule)]
    for k, lane in enumerate(data.lanes):
        items += _lane(lane, states.get(lane.position), (data, plot), paper, washed=k % 2 == 0, lit=lit)
    return items + _scales(data, plot, paper, "" if result.trace is None else result.trace.unit)


def _x(data: FoldData, plot: Box, angle_deg: float) -> float:
    start, end = float(data.angle_deg[0]), float(data.angle_deg[-1])
    return plot.left + (angle_deg - start) / (end - start) * plot.width


def curve_points(data: FoldData, plot: Box, value: NDArray[np.float64], step: int = 1) -> NDArray[np.float64]:
    """Return a curve over the cycle on the page, shape (points, 2)."""
    start, end = float(data.angle_deg[0]), float(data.angle_deg[-1])
    x = plot.left + (data.angle_deg[::step] - start) / (end - start) * plot.width
    y = plot.bottom - (value[::step] - data.bottom) / (data.top - data.bottom) * plot.height
    return np.column_stack([x, y])


def _lane(lane: Lane, cylinder: Cylinder | None, where: tuple[FoldData, Box], paper: Paper, *, washed: bool,
          lit: int | None) -> list[Item]:
    data, plot = where
    left, right = _x(data, plot, lane.start_deg), _x(data, plot, lane.end_deg)
    ground = Box(left, plot.top, right - left, plot.height)
    items: list[Item] = []
    low = cylinder is not None and cylinder.state in ("low", "dead")
    if low:
        items.append(Panel(ground, fill=paper.blush, opacity=0.75))
        items.append(Panel(Box(left, plot.top - 8.0, right - left, 8.0), fill=paper.blush, hatch=paper.vermilion))
    elif washed:
        items.append(Panel(ground, fill=paper.wash, opacity=0.5))
    if cylinder is not None and lit == cylinder.position:
        items.append(Panel(ground, stroke=paper.ink, width=look.BOLD))
    tdc = _x(data, plot, lane.tdc_deg)
    items.append(Rule(tdc, plot.top, tdc, plot.bottom, paper.rule, look.HAIR, dash=(3.0, 4.0)))
    if cylinder is not None:
        items += _heading(cylinder, (left + right) / 2.0, right - left, plot.top, paper)
    return items


def _heading(cylinder: Cylinder, x: float, room: float, top: float, paper: Paper) -> list[Item]:
    low = cylinder.state in ("low", "dead")
    colour = paper.vermilion if low else paper.ink
    number = short_name(cylinder)
    lines = [say("label.percent_short", relative_percent=cylinder.relative_percent)]
    if cylinder.state != "good":
        lines = [f"{say(f'state.{cylinder.state}')} {lines[0]}"]
    if measures.width_of(lines[0], PERCENT_SIZE) > room - 4.0:
        lines = [say(f"state.{cylinder.state}")] if cylinder.state != "good" else [plain(cylinder.relative_percent, 0)]
    below = measures.size_to_fit(lines[0], PERCENT_SIZE, 8.0, room - 2.0)
    size = measures.size_to_fit(number, NUMBER_SIZE, 10.0, room - 6.0, "serif")
    return [Words(x, top - 38.0, number, size, colour, anchor="middle", face="serif"),
            Words(x, top - 16.0, lines[0], below, colour, anchor="middle")]


def _scales(data: FoldData, plot: Box, paper: Paper, unit: str) -> list[Item]:
    items: list[Item] = []
    values = measures.ticks(data.bottom, data.top, 5)
    for value in values:
        text = with_unit(plain(value), unit) if value == values[-1] else plain(value)
        y = plot.bottom - (value - data.bottom) / (data.top - data.bottom) * plot.height
        items.append(Rule(plot.left - 5.0, y, plot.left, y, paper.faint, look.HAIR))
        items.append(Words(plot.left - 8.0, y + 5.5, text, look.SCALE_TYPE, paper.faint, anchor="end"))
    taken = plot.left - APART
    for k, angle in enumerate(_ticks(data)):
        x, text = _x(data, plot, angle), plain(angle)
        text = say("label.degrees", angle=text) if k == 0 else text
        wide = measures.width_of(text, look.SCALE_TYPE)
        if x - wide / 2.0 >= taken + APART - wide / 2.0 * (k == 0) and x + wide / 2.0 <= plot.right + APART:
            items.append(Words(x, plot.bottom + 21.0, text, look.SCALE_TYPE, paper.faint, anchor="middle"))
            taken = x + wide / 2.0
    items.append(Rule(plot.left, plot.bottom, plot.right, plot.bottom, paper.faint, look.HAIR))
    items.append(Rule(plot.left, plot.top, plot.left, plot.bottom, paper.faint, look.HAIR))
    return items


def _ticks(data: FoldData) -> list[float]:
    """Return the angles with a number: each TDC, or round ones where only a part of the cycle is seen."""
    start, end = float(data.angle_deg[0]), float(data.angle_deg[-1])
    inside = [lane.tdc_deg for lane in data.lanes if start < lane.tdc_deg < end]
    return inside if len(inside) >= LEAST_TICKS else measures.ticks(start, end, 6)


def _curves(data: FoldData, plot: Box, paper: Paper) -> list[Item]:
    step = max(LEAST_STEP, -(-data.cycles.size // MOST_POINTS))
    items: list[Item] = []
    if data.band is not None:
        low, high = (curve_points(data, plot, edge) for edge in data.band)
        whole = np.isfinite(low).all(axis=1) & np.isfinite(high).all(axis=1)
        if whole.sum() > 2:
            outline = np.concatenate([high[whole], low[whole][::-1]])
            items.append(Path(outline, fill=paper.rule, closed=True, opacity=0.45))
    items += [Path(curve_points(data, plot, cycle, step), stroke=paper.faint, width=0.6) for cycle in data.cycles]
    items.append(Path(curve_points(data, plot, data.middle), stroke=paper.ink, width=MIDDLE))
    if np.isfinite(data.model).any():
        items.append(Path(curve_points(data, plot, data.model), stroke=paper.card, width=2.0))
        items.append(Path(curve_points(data, plot, data.model), stroke=paper.slate, width=1.6, dash=(7.0, 4.0)))
    return items
