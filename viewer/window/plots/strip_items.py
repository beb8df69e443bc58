"""What the window draws in a strip beyond the picture's: a live stream, marks, the humps of a lit cylinder."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import (
    EDGE,
    Box,
    Item,
    Panel,
    Path,
    Ring,
    Rule,
    StripData,
    StripScales,
    Words,
    draw_strip,
    look,
    measures,
    rules,
)
from crankfold.viewer.window.plots.gestures import marker_card
from crankfold.viewer.window.plots.strip_window import between, cut_to
from crankfold.viewer.words import plain, say

if TYPE_CHECKING:
    from crankfold.analysis import Channel, Result
    from crankfold.viewer.picture import Paper
    from crankfold.viewer.window.plots.layers import Layer
    from crankfold.viewer.window.plots.live import LiveLine
    from crankfold.viewer.window.plots.strip_window import StripWindow

LEAST_SPAN_A = 100.0  # quiet noise is not blown up to fill the strip
LEAST_SHARE = 0.05  # of what the converter can give, where amperes are not known
SPANS_A_DECADE = 20.0  # that a live scale may have: it holds still until the current really grows
ABOVE, BELOW, BELOW_WITH_SYNC = 0.6, 0.6, 0.77  # of the span on either side of the middle: room for the second channel
SYNC_SHARE = 0.14  # of the plot's height, for the second channel of a live stream
LEAST_SEEN = 0.05  # of the whole scale: closer, noise alone would fill the strip
SPARE = 0.05  # of the span, above and below
SECOND_SHARE = 0.2  # of the span, for a second channel at the foot
LANE_SIZE = 14.0


def judged_strip(data: StripData, result: Result, box: Box, window: StripWindow, paper: Paper, *,
                 lit: int | None = None, layers: tuple[Layer | None, Layer | None] = (None, None)) -> list[Item]:
    """Return the items of a judged strip as far as the window shows it.

    Parameters
    ----------
    layers
        Every sample of the current and of a second channel, as far as they are known.
    """
    current, second = layers
    seen = cut_to(data, window.shown_s)
    if current is not None:
        seen = replace(scaled_to(seen, current, with_second=second is not None), raw=seen.current)
    scales = scales_of(seen, box)
    under: list[Item] = [] if current is None else [current.path(scales, paper.rule)]
    under += [] if second is None else second_lane(second, scales, paper)
    items = draw_strip(seen, result, box, paper, under=under)
    items += [] if second is None else second_label(second, scales, paper)
    return [*items, *_lit(seen, scales, lit, paper), *_marks(data, scales, window, paper)]


def scaled_to(seen: StripData, current: Layer, *, with_second: bool) -> StripData:
    """Return the strip with a vertical scale that holds what is shown, and room for a second channel at its foot."""
    found = current.range_in(seen.window_s)
    if found is None:
        return seen
    low, high = found
    span = max(high - low, LEAST_SEEN * (seen.top - seen.bottom))
    middle = (low + high) / 2.0
    below = SPARE + (SECOND_SHARE if with_second else 0.0)
    return replace(seen, top=middle + (0.5 + SPARE) * span, bottom=middle - (0.5 + below) * span)


def second_lane(second: Layer, scales: StripScales, paper: Paper) -> list[Item]:
    """Return a second channel at the foot of a strip."""
    lane = _lane_of(second, scales)
    if lane is None:
        return []
    return [Rule(lane.plot.left, lane.plot.top - 4.0, lane.plot.right, lane.plot.top - 4.0, paper.rule, look.HAIR),
            second.path(lane, paper.plum)]


def second_label(second: Layer, scales: StripScales, paper: Paper) -> list[Item]:
    """Return the lowest and the highest value of a second channel in its own unit, to be drawn over everything else."""
    lane, found = _lane_of(second, scales), second.range_in(scales.window_s)
    if lane is None or found is None:
        return []
    span = found[1] - found[0]
    digits = max(0, 1 - math.floor(math.log10(span))) if span > 0.0 else None  # two that count, of the span
    text = say("window.reading.lane", name=second.name, low=plain(found[0], digits), high=plain(found[1], digits),
               unit=second.unit or say("label.no_unit"))
    left, top = lane.plot.left, lane.plot.top
    return [Panel(Box(left + 4.0, top - 21.0, measures.width_of(text, LANE_SIZE) + 8.0, 17.0), fill=paper.card),
            Words(left + 8.0, top - 8.0, text, LANE_SIZE, paper.plum)]


def _lane_of(second: Layer, scales: StripScales) -> StripScales | None:
    found = second.range_in(scales.window_s)
    if found is None:
        return None
    low, high = found
    plot, tall = scales.plot, scales.plot.height * SYNC_SHARE
    return StripScales(Box(plot.left, plot.bottom - tall, plot.width, tall), scales.window_s, low,
                       high if high > low else low + 1.0)


def scales_of(data: StripData, box: Box) -> StripScales:
    """Return the scales that `draw_strip` uses."""
    from crankfold.viewer.picture import strip_scales

    return strip_scales(data, box)


def _lit(data: StripData, scales: StripScales, lit: int | None, paper: Paper) -> list[Item]:
    plot = scales.plot
    xs = [scales.x(h.time_s) for h in data.humps if h.position + 1 == lit]
    return [Panel(Box(x - 13.0, plot.top - 31.0, 26.0, plot.height + 31.0), stroke=paper.ink, width=2.0, radius=4.0)
            for x in xs]


def _marks(data: StripData, scales: StripScales, window: StripWindow, paper: Paper) -> list[Item]:
    plot, items = scales.plot, list[Item]()
    for k, time_s in enumerate(window.marks_s):
        if not window.shown_s[0] <= time_s <= window.shown_s[1]:
            continue
        x = scales.x(time_s)
        items.append(Rule(x, plot.top, x, plot.bottom, paper.slate, 2.4 if k == window.moving else 1.4,
                          dash=() if k == window.moving else (6.0, 3.0)))
        y = scales.y(float(np.interp(time_s, data.time_s, data.current)))
        if np.isfinite(y):
            items.append(Ring(x, y, 5.0, stroke=paper.slate, width=2.0, fill=paper.card))
    found = between(data, window.marks_s)
    if found is not None:
        text = say("window.between", time_s=found.time_s, change=_signed(found.change), first=plain(found.first, 0),
                   second=plain(found.second, 0), unit=data.unit or say("label.no_unit"))
        items += marker_card(text, plot, paper)
    return items


def _signed(value: float) -> str:
    return ("+" if value > 0 else "") + plain(value, 0)


def live_strip(lines: tuple[LiveLine, ...], box: Box, paper: Paper, *, channels: tuple[Channel, ...],
               shown_s: float) -> list[Item]:
    """Return the items of a live stream on its band: the current in ink, a second channel in plum at its foot.

    Parameters
    ----------
    lines
        The current's line, and the second channel's if there is one.
    channels
        Whose lines they are.
    shown_s
        Width of the strip in seconds; it fills from the left, then runs.
    """
    if not lines or not len(lines[0].time_s):
        return []
    current = lines[0]
    end = float(current.time_s[-1])
    low, high = _range(current, channels[0], BELOW if len(lines) == 1 else BELOW_WITH_SYNC)
    start = max(end - shown_s, float(current.time_s[0]))
    data = StripData(current.time_s, current.value, current.value, (start, start + shown_s), high, low, None, (), (),
                     (), channels[0].unit)
    scales = live_scales(data, box)
    items = rules(data, scales, paper)
    items.append(_line(current, scales, paper.ink))
    if len(lines) > 1:
        items += _second(lines[1], channels[1], scales, paper)
    return items


def live_scales(data: StripData, box: Box) -> StripScales:
    """Return the scales of a live strip, which needs no room for hump numbers."""
    plot = box.inset(left=62.0, top=EDGE + 8.0, right=14.0, bottom=EDGE + 26.0)
    return StripScales(plot, data.window_s, data.bottom, data.top)


def _range(line: LiveLine, channel: Channel, below: float) -> tuple[float, float]:
    """Return lowest and highest current of the scale: one of some spans about a middle that moves by tenths of it."""
    low, high = float(line.value.min()), float(line.value.max())
    wanted = max(high - low, LEAST_SPAN_A if channel.unit == "A" else _least_of(channel)) or 1.0
    span = 10.0 ** (math.ceil(SPANS_A_DECADE * math.log10(wanted) - 1e-9) / SPANS_A_DECADE)
    middle = 0.1 * span * round((high + low) / (0.2 * span))
    return middle - below * span, middle + ABOVE * span


def _line(line: LiveLine, scales: StripScales, colour: str) -> Path:
    start, end = scales.window_s
    x = scales.plot.left + (line.time_s - start) / (end - start) * scales.plot.width
    y = scales.plot.bottom - (line.value - scales.bottom) / (scales.top - scales.bottom) * scales.plot.height
    return Path(np.column_stack([x, y]), stroke=colour, width=look.HAIR)


def _second(line: LiveLine, channel: Channel, scales: StripScales, paper: Paper) -> list[Item]:
    plot = scales.plot
    low, high = float(line.value.min()), float(line.value.max())
    tall = plot.height * SYNC_SHARE
    lane = StripScales(Box(plot.left, plot.bottom - tall, plot.width, tall), scales.window_s, low,
                       low + (max(high - low, _least_of(channel)) or 1.0))
    return [Rule(plot.left, lane.plot.top - 4.0, plot.right, lane.plot.top - 4.0, paper.rule, look.HAIR),
            _line(line, lane, paper.plum)]


def _least_of(channel: Channel) -> float:
    """Return the least span a channel is shown with: noise alone is not blown up."""
    limits = channel.value_range()
    return 0.0 if limits is None else LEAST_SHARE * (limits[1] - limits[0])
