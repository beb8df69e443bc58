"""The strip as a widget: a judged capture to pan, zoom and mark, or the live stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.analysis import CURRENT, Channel
from crankfold.viewer.picture import Box, Item, StripData, band, strip_of, title_over
from crankfold.viewer.window.plots.gestures import Plot
from crankfold.viewer.window.plots.layers import Layer, current_layer, second_layer
from crankfold.viewer.window.plots.reading import reading_text, strip_reading
from crankfold.viewer.window.plots.strip_items import judged_strip, live_strip, scales_of
from crankfold.viewer.window.plots.strip_window import StripWindow
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.plots.live import LiveLine

NUMBERS = 50.0  # scene units at the strip's upper edge where the humps' numbers are


class StripView(Plot):
    """The strip: a judged capture to pan, zoom and mark, or the live stream."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: StripData | None = None
        self.current: Layer | None = None
        self.second: Layer | None = None
        self._lines: tuple[LiveLine, ...] = ()
        self._channels: tuple[Channel, ...] = (Channel(CURRENT),)
        self._shown_s = 1.0

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture, whole."""
        self.judged = judged
        self.data = None if judged is None else strip_of(judged.result, judged.capture, judged.marks_s)
        self.window_ = None if self.data is None else StripWindow.of(self.data)
        self.current = None if judged is None else current_layer(judged.capture, judged.result)
        self.second = None if judged is None else second_layer(judged.capture)
        self.hover = None
        self.redraw()

    def show_live(self, lines: tuple[LiveLine, ...], channels: tuple[Channel, ...], shown_s: float) -> None:
        """Show the newest samples of a stream."""
        anew = channels != self._channels or bool(lines) != bool(self._lines)
        self._lines, self._channels, self._shown_s = lines, channels, shown_s
        if self.judged is None and anew:
            self.redraw()
        elif self.judged is None:
            self.update()

    def show_nothing(self) -> None:
        """Show an empty strip in place of a stream."""
        self.show_live((), (Channel(CURRENT),), 1.0)

    def moving_items(self) -> list[Item]:
        """Return the live stream, or what is read off a judged capture."""
        return self._live_items(self.box) if self.judged is None else super().moving_items()

    def items(self, box: Box) -> list[Item]:
        """Return the strip's items."""
        live = [] if self.judged is not None else self._live_items(box)
        return [*self.kept_items(box), *live]

    def kept_items(self, box: Box) -> list[Item]:
        """Return a judged capture's items, or the band that a live stream runs over."""
        if self.judged is None or self.data is None or self.window_ is None:
            unit = self._channels[0].unit or say("label.no_unit")
            title = say("label.strip", unit=unit) if self._lines else ""
            return [*title_over(box, title, "", self.paper), *band(box, self.paper)]
        result = self.judged.result
        note = "" if result.sync is None or result.sync.kind == "plug-out" else say(
            "label.marks", cylinder=result.sync.cylinder)
        return [*title_over(box, say("label.strip", unit=self.data.unit or say("label.no_unit")), note, self.paper),
                *judged_strip(self.data, result, box, self.window_, self.paper, lit=self.lit,
                              layers=(self.current, self.second))]

    def _live_items(self, box: Box) -> list[Item]:
        return live_strip(self._lines, box, self.paper, channels=self._channels, shown_s=self._shown_s)

    def plot(self) -> Box:
        """Return where the curves lie."""
        assert self.data is not None
        return scales_of(self.data, self.box).plot

    def time_at(self, x: float) -> float:
        """Return the instant at a place in scene units."""
        return self.place_at(x)

    def told_at(self, place: float) -> str:
        """Return time, current, crank angle, cylinder and second channel at an instant."""
        if self.judged is None:
            return ""
        return reading_text(strip_reading(self.judged.result, self.current, self.second, place))

    def tapped(self, x: float, y: float) -> bool:
        """Light the cylinder whose number was clicked."""
        if self.data is None or y >= self.box.top + NUMBERS:
            return False
        time_s = self.time_at(x)
        nearest = min(self.data.humps, key=lambda hump: abs(hump.time_s - time_s), default=None)
        if nearest is not None:
            self.lit_wanted.emit(nearest.position + 1)
        return nearest is not None
