"""Mouse and fingers on a plot: hover, click, drag, wheel and pinch, for any plot that shows part of a whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QPointF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QTouchEvent, QWheelEvent

from crankfold.viewer.picture import Box, Item, Panel, Rule, Words, measures
from crankfold.viewer.window.painting import paint
from crankfold.viewer.window.plots.strip_window import ZOOM, StripWindow
from crankfold.viewer.window.views import JudgedView

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.picture import Paper

DRAG = 4.0  # pixels the pointer may move in a click
NEAR = 14.0  # scene units: a marker so close to the press is dragged, a finger being as wide
SIZE, MARK_SIZE, LEAST_SIZE = 17.0, 18.0, 10.0  # of the line that is read off, and of what lies between markers
LEAST_APART = 8.0  # pixels between two fingers; closer they say nothing of a scale


def marker_card(text: str, plot: Box, paper: Paper) -> list[Item]:
    """Return what lies between two markers, as a card in the upper right corner of a plot."""
    size = measures.size_to_fit(text, MARK_SIZE, LEAST_SIZE, plot.width - 24.0)
    wide = measures.width_of(text, size) + 16.0
    return [Panel(Box(plot.right - wide - 4.0, plot.top + 6.0, wide, 28.0), fill=paper.card, stroke=paper.slate,
                  radius=3.0),
            Words(plot.right - 12.0, plot.top + 26.0, text, size, paper.ink, anchor="end")]


class Plot(JudgedView):
    """A plot that shows a window of a whole, with markers, and tells what stands under the pointer."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.window_: StripWindow | None = None
        self.hover: float | None = None
        self._pressed: tuple[QPointF, StripWindow, int | None] | None = None
        self._pinched: tuple[float, float, StripWindow] | None = None  # places between which two fingers went down
        self.setMouseTracking(True)
        self.setAttribute(Qt.WidgetAttribute.WA_AcceptTouchEvents)

    def plot(self) -> Box:
        """Return where the curves lie, in scene units."""
        raise NotImplementedError

    def told_at(self, place: float) -> str:
        """Return what is read off at a place on the axis."""
        raise NotImplementedError

    def tapped(self, x: float, y: float) -> bool:
        """Return whether a click, in scene units, was for something else than a marker, and do it."""
        raise NotImplementedError

    def look_at(self, window: StripWindow) -> None:
        """Show another part, or other markers."""
        if self.window_ is not None:
            self.window_ = window
            self.redraw()
            self.changed.emit()

    def place_at(self, x: float) -> float:
        """Return the place on the axis at a place in scene units."""
        assert self.window_ is not None
        plot, (start, end) = self.plot(), self.window_.shown_s
        return start + (x - plot.left) / plot.width * (end - start)

    def x_of(self, place: float) -> float:
        """Return where a place on the axis is, in scene units."""
        assert self.window_ is not None
        plot, (start, end) = self.plot(), self.window_.shown_s
        return plot.left + (place - start) / (end - start) * plot.width

    def read(self) -> tuple[float, str] | None:
        """Return where something is read off and what: under the pointer, else at the marker that was set last."""
        if self.window_ is None:
            return None
        where = self.hover
        if where is None and len(self.window_.marks_s) == 1:
            where = self.window_.marks_s[0]
        return None if where is None else (where, self.told_at(where))

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint what is kept, and over it what is read off."""
        del event
        painter = QPainter(self)
        self.paint_kept(painter)
        painter.scale(self.unit, self.unit)
        paint(painter, self.moving_items())
        painter.end()

    def moving_items(self) -> list[Item]:
        """Return what changes without anything else: the line that is read off."""
        told = self.read()
        if told is None or self.window_ is None or not self.window_.shown_s[0] <= told[0] <= self.window_.shown_s[1]:
            return []
        plot, x = self.plot(), self.x_of(told[0])
        size = measures.size_to_fit(told[1], SIZE, LEAST_SIZE, plot.width - 20.0)
        wide = measures.width_of(told[1], size) + 16.0
        left = min(max(x - wide / 2.0, plot.left + 2.0), plot.right - wide - 2.0)
        top = plot.bottom - 34.0
        line: list[Item] = [Rule(x, plot.top, x, plot.bottom, self.paper.slate, 1.0)] if self.hover is not None else []
        return [*line, Panel(Box(left, top, wide, 27.0), fill=self.paper.card, stroke=self.paper.slate, radius=3.0),
                Words(left + 8.0, top + 19.5, told[1], size, self.paper.ink)]

    def press(self, at: QPointF) -> None:
        """Begin a click or a drag: of the plot, or of a marker that is near."""
        if self.window_ is None:
            return
        x = at.x() / self.unit
        near = [k for k, mark in enumerate(self.window_.marks_s) if abs(self.x_of(mark) - x) < NEAR]
        self._pressed = (at, self.window_, near[0] if near else None)

    def drag(self, at: QPointF) -> None:
        """Move the plot, or the marker, with the pointer."""
        if self._pressed is None:
            return
        start, window, marker = self._pressed
        if abs(at.x() - start.x()) <= DRAG:
            return
        if marker is not None:
            moved = list(window.marks_s)
            moved[marker] = min(max(self.place_at(at.x() / self.unit), window.whole_s[0]), window.whole_s[1])
            self.look_at(window.with_marks(tuple(moved)))
            return
        scale = window.length_s / self.plot().width / self.unit
        self.look_at(window.panned((start.x() - at.x()) * scale))

    def release(self, at: QPointF) -> None:
        """End a drag, or take a click."""
        pressed, self._pressed = self._pressed, None
        if pressed is None or self.window_ is None or abs(at.x() - pressed[0].x()) > DRAG:
            return
        x, y = self.place(at)
        if not self.tapped(x, y):
            self.look_at(self.window_.mark_at(self.place_at(x)))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin a drag or a click."""
        self.press(event.position())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Pan with the button held, else read off."""
        if self._pressed is not None:
            self.drag(event.position())
        elif self.window_ is not None:
            plot, (x, _) = self.plot(), self.place(event.position())
            self.hover = self.place_at(x) if plot.left <= x <= plot.right else None
            self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """End a drag, or take a click."""
        self.release(event.position())

    def leaveEvent(self, event: QEvent) -> None:
        """Read off nothing any more."""
        self.hover = None
        self.update()
        super().leaveEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom about the pointer."""
        if self.window_ is not None:
            factor = ZOOM ** (event.angleDelta().y() / 120.0)
            self.look_at(self.window_.zoomed(factor, self.place_at(event.position().x() / self.unit)))

    def event(self, event: QEvent) -> bool:
        """Take fingers: one is a mouse, two zoom and pan."""
        if isinstance(event, QTouchEvent) and self.window_ is not None:
            self._fingers(event)
            return True
        return super().event(event)

    def _fingers(self, event: QTouchEvent) -> None:
        places = [point.position() for point in event.points()]
        ended = event.type() in (QEvent.Type.TouchEnd, QEvent.Type.TouchCancel)
        if len(places) >= 2 and not ended:
            self._pinch(places[0].x() / self.unit, places[1].x() / self.unit)
        elif ended:
            if self._pinched is None and event.type() == QEvent.Type.TouchEnd:
                self.release(places[0])
            self._pressed = self._pinched = None
        elif event.type() == QEvent.Type.TouchBegin:
            self.press(places[0])
        elif self._pinched is None:
            self.drag(places[0])
        event.accept()

    def _pinch(self, one: float, other: float) -> None:
        """Keep under both fingers what was there when they went down."""
        self._pressed = None
        if abs(other - one) * self.unit < LEAST_APART or self.window_ is None:
            return
        if self._pinched is None:
            self._pinched = (self.place_at(one), self.place_at(other), self.window_)
            return
        first, second, window = self._pinched
        length = abs((second - first) / (other - one)) * self.plot().width
        zoomed = window.zoomed(window.length_s / length, (first + second) / 2.0)
        middle = self.plot().left + (
            (first + second) / 2.0 - zoomed.shown_s[0]) / zoomed.length_s * self.plot().width
        self.look_at(zoomed.panned((middle - (one + other) / 2.0) * zoomed.length_s / self.plot().width))
