"""The fold as a widget: read off, zoomed and marked as the strip is; a click above the curves lights a cylinder."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import Box, FoldData, Item, Rule, draw_fold, fold_of, plot_of, title_over
from crankfold.viewer.window.plots import Plot, StripWindow, fold_reading, marker_card, reading_text
from crankfold.viewer.words import plain, say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.session import Judged

CLOSEST_DEG = 20.0  # a tenth of a hump of a four
LIGHTING = 30.0  # scene units below the upper edge of the curves where a click still means the cylinder
LEAST_ROOM = 760.0  # scene units from which the note beside the title has room
SPARE = 0.06  # of the span, above and below


class FoldView(Plot):
    """All cycles over each other."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: FoldData | None = None

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture, whole."""
        self.data = None if judged is None else fold_of(judged.result)
        self.window_ = None
        if self.data is not None:
            whole = (float(self.data.angle_deg[0]), float(self.data.angle_deg[-1]))
            self.window_ = StripWindow(whole, whole, closest=CLOSEST_DEG)
        self.hover = None
        super().show_judged(judged)

    @property
    def unit_text(self) -> str:
        """Unit of the current."""
        trace = None if self.judged is None else self.judged.result.trace
        return ("" if trace is None else trace.unit) or say("label.no_unit")

    def items(self, box: Box) -> list[Item]:
        """Return the fold's items."""
        if self.judged is None or self.data is None or self.window_ is None:
            return []
        note = say("window.cycles", count=len(self.data.cycles)) if box.width >= LEAST_ROOM else ""
        seen = cut_fold(self.data, self.window_.shown_s)
        return [*title_over(box, say("label.fold"), note, self.paper),
                *draw_fold(seen, self.judged.result, box, self.paper, lit=self.lit), *self._marker_items()]

    def _marker_items(self) -> list[Item]:
        assert self.window_ is not None
        assert self.data is not None
        plot, marks = self.plot(), self.window_.marks_s
        items: list[Item] = [Rule(self.x_of(m), plot.top, self.x_of(m), plot.bottom, self.paper.slate, 1.6,
                                  dash=(6.0, 3.0)) for m in marks if plot.left <= self.x_of(m) <= plot.right]
        if len(marks) == 2:
            first, second = sorted(marks)
            values = np.interp((first, second), self.data.angle_deg, self.data.middle)
            change = float(values[1] - values[0])
            items += marker_card(say("window.reading.between_deg", apart=plain(second - first, 0),
                                     change=("+" if change > 0 else "") + plain(change, 1), unit=self.unit_text),
                                 plot, self.paper)
        return items

    def plot(self) -> Box:
        """Return where the curves lie."""
        return plot_of(self.box)

    def told_at(self, place: float) -> str:
        """Return angle, current and cylinder at a crank angle."""
        if self.judged is None or self.data is None:
            return ""
        return reading_text(fold_reading(self.judged.result, self.data, place, self.unit_text))

    def tapped(self, x: float, y: float) -> bool:
        """Light the cylinder whose lane was clicked above the curves."""
        if self.data is None or y > self.plot().top + LIGHTING:
            return False
        angle = self.place_at(x)
        for lane in self.data.lanes:
            if lane.start_deg <= angle < lane.end_deg:
                self.lit_wanted.emit(lane.position + 1)
        return True


def cut_fold(data: FoldData, shown_deg: tuple[float, float]) -> FoldData:
    """Return the part of a fold between two crank angles, its vertical scale following what is seen."""
    start, end = shown_deg
    if start <= data.angle_deg[0] and end >= data.angle_deg[-1]:
        return data
    angle = np.linspace(start, end, len(data.angle_deg))

    def cut(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.interp(angle, data.angle_deg, values)

    cycles = np.array([cut(cycle) for cycle in data.cycles])
    band = None if data.band is None else np.array([cut(edge) for edge in data.band])
    lanes = tuple(replace(lane, start_deg=max(lane.start_deg, start), end_deg=min(lane.end_deg, end),
                          tdc_deg=min(max(lane.tdc_deg, start), end))
                  for lane in data.lanes if lane.end_deg > start and lane.start_deg < end)
    seen = cycles[np.isfinite(cycles)]
    low, high = (float(seen.min()), float(seen.max())) if len(seen) else (data.bottom, data.top)
    spare = SPARE * max(high - low, 1e-3 * (data.top - data.bottom))
    return FoldData(angle, cycles, cut(data.middle), band, cut(data.model), lanes, high + spare, low - spare)
