"""The strip as a widget: a judged capture to pan, zoom and mark, or the live stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QWheelEvent

from crankfold.analysis import CURRENT, Channel
from crankfold.viewer.picture import Box, Item, StripData, band, strip_of, title_over
from crankfold.viewer.window.painting import paint
from crankfold.viewer.window.strip_items import judged_strip, live_strip, scales_of
from crankfold.viewer.window.strip_window import ZOOM, StripWindow
from crankfold.viewer.window.views import JudgedView
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.live import LiveLine

DRAG = 4.0  # pixels the mouse may move in a click
NUMBERS = 50.0  # scene units at the strip's upper edge where the humps' numbers are


class StripView(JudgedView):
    """The strip: a judged capture to pan, zoom and mark, or the live stream."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: StripData | None = None
        self.window_: StripWindow | None = None
        self._lines: tuple[LiveLine, ...] = ()
        self._channels: tuple[Channel, ...] = (Channel(CURRENT),)
        self._shown_s = 1.0
        self._pressed: tuple[float, StripWindow] | None = None

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture, whole."""
        self.judged = judged
        self.data = None if judged is None else strip_of(judged.result, judged.capture, judged.marks_s)
        self.window_ = None if self.data is None else StripWindow.of(self.data)
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

    def look_at(self, window: StripWindow) -> None:
        """Show another part, or other marks."""
        if self.window_ is not None:
            self.window_ = window
            self.redraw()
            self.changed.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint a judged capture as other views, a live stream on the band that is kept."""
        del event
        painter = QPainter(self)
        self.paint_kept(painter)
        if self.judged is None:
            painter.scale(self.unit, self.unit)
            paint(painter, self._live_items(self.box))
        painter.end()

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
                *judged_strip(self.data, result, box, self.window_, self.paper, lit=self.lit)]

    def _live_items(self, box: Box) -> list[Item]:
        return live_strip(self._lines, box, self.paper, channels=self._channels, shown_s=self._shown_s)

    def time_at(self, x: float) -> float:
        """Return the instant at a place in scene units."""
        assert self.data is not None
        assert self.window_ is not None
        plot = scales_of(self.data, self.box).plot
        start, end = self.window_.shown_s
        return start + (x - plot.left) / plot.width * (end - start)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin a drag or a click."""
        if self.window_ is not None:
            self._pressed = (event.position().x(), self.window_)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Pan with the mouse."""
        if self._pressed is None:
            return
        x, window = self._pressed
        if abs(event.position().x() - x) > DRAG:
            moved_s = self.time_at(x / self.unit) - self.time_at(event.position().x() / self.unit)
            self.look_at(window.panned(moved_s))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Put a mark where it was clicked, or light the cylinder whose number was clicked."""
        pressed, self._pressed = self._pressed, None
        if pressed is None or self.window_ is None or abs(event.position().x() - pressed[0]) > DRAG:
            return
        x, y = self.place(event.position())
        if y < self.box.top + NUMBERS and self._light_hump(x):
            return
        self.look_at(self.window_.mark_at(self.time_at(x)))

    def _light_hump(self, x: float) -> bool:
        assert self.data is not None
        time_s = self.time_at(x)
        nearest = min(self.data.humps, key=lambda hump: abs(hump.time_s - time_s), default=None)
        if nearest is not None:
            self.lit_wanted.emit(nearest.position + 1)
        return nearest is not None

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom about the mouse."""
        if self.window_ is not None:
            factor = ZOOM ** (event.angleDelta().y() / 120.0)
            self.look_at(self.window_.zoomed(factor, self.time_at(event.position().x() / self.unit)))
