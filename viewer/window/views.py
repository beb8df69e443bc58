"""The views of a judged capture: strip, fold and wheel as widgets, each drawn anew only when something changed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QPixmap, QWheelEvent
from PySide6.QtWidgets import QWidget

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.draw_fold import draw_fold, plot_of
from crankfold.viewer.picture.draw_wheel import draw_wheel, wheel_centre
from crankfold.viewer.picture.fold import FoldData, fold_of
from crankfold.viewer.picture.page import title_over
from crankfold.viewer.picture.scene import Box, Item, Panel, Words
from crankfold.viewer.picture.strip import StripData, strip_of
from crankfold.viewer.picture.wheel import HUB_SHARE, WheelData, wheel_of
from crankfold.viewer.window.painting import paint, pixmap_of
from crankfold.viewer.window.strip_items import judged_strip, live_scales, live_strip, scales_of
from crankfold.viewer.window.strip_window import ZOOM, StripWindow
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from crankfold.viewer.judging import Judged
    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.window.live import LiveLine

TITLE = 26.0  # scene units above a view for its title
DRAG = 4.0  # pixels the mouse may move in a click


class View(QWidget):
    """A widget that paints scene items; a scene unit is `unit` pixels, so that everything grows with the window."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.paper: Paper = look.LIGHT
        self.unit = 1.0
        self._drawn: QPixmap | None = None
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)

    def items(self, box: Box) -> list[Item]:
        """Return what is to be painted in a box of scene units."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw anew: something changed."""
        self._drawn = None
        self.update()

    @property
    def box(self) -> Box:
        """The view's room in scene units, below its title."""
        return Box(0.5, TITLE, self.width() / self.unit - 1.0, self.height() / self.unit - TITLE - 1.0)

    def place(self, at: QPointF) -> tuple[float, float]:
        """Return a place on the widget in scene units."""
        return at.x() / self.unit, at.y() / self.unit

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint what was drawn, drawing it first if something changed."""
        del event
        size = QSizeF(self.width() / self.unit, self.height() / self.unit)
        ratio = self.unit * self.devicePixelRatioF()
        if self._drawn is None or self._drawn.devicePixelRatio() != ratio:
            self._drawn = pixmap_of(self.items(self.box), size, ratio)
        painter = QPainter(self)
        painter.drawPixmap(QRectF(0.0, 0.0, self.width(), self.height()), self._drawn,
                           QRectF(0.0, 0.0, self._drawn.width(), self._drawn.height()))
        painter.end()

    def resizeEvent(self, event: object) -> None:
        """Draw anew at another size."""
        del event
        self.redraw()


class JudgedView(View):
    """A view of a judged capture in which one cylinder may be lit."""

    lit_wanted = Signal(int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.judged: Judged | None = None
        self.lit: int | None = None

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture."""
        self.judged = judged
        self.redraw()

    def light(self, position: int | None) -> None:
        """Bring out the cylinder of a 1-based position, None: none."""
        self.lit = position
        self.redraw()


class StripView(JudgedView):
    """The strip: a judged capture to pan, zoom and mark, or the live stream."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: StripData | None = None
        self.window_: StripWindow | None = None
        self._lines: tuple[LiveLine, ...] = ()
        self._live_unit, self._shown_s = "", 1.0
        self._pressed: tuple[float, StripWindow] | None = None
        self.setMouseTracking(False)

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture, whole."""
        self.judged = judged
        self.data = None if judged is None else strip_of(judged.result, judged.capture, judged.marks_s)
        self.window_ = None if self.data is None else StripWindow.of(self.data)
        self.redraw()

    def show_live(self, lines: tuple[LiveLine, ...], unit: str, shown_s: float) -> None:
        """Show the newest samples of a stream."""
        self._lines, self._live_unit, self._shown_s = lines, unit, shown_s
        if self.judged is None:
            self.update()

    def look_at(self, window: StripWindow) -> None:
        """Show another part, or other marks."""
        if self.window_ is not None:
            self.window_ = window
            self.redraw()
            self.changed.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the live stream straight, a judged capture as other views."""
        if self.judged is not None:
            super().paintEvent(event)
            return
        painter = QPainter(self)
        painter.scale(self.unit, self.unit)
        paint(painter, self.items(self.box))
        painter.end()

    def items(self, box: Box) -> list[Item]:
        """Return the strip's items."""
        if self.judged is None or self.data is None or self.window_ is None:
            title = say("label.strip", unit=self._live_unit or say("label.no_unit"))
            return [*title_over(box, title, "", self.paper),
                    *live_strip(self._lines, box, self.paper, unit=self._live_unit, shown_s=self._shown_s)]
        result = self.judged.result
        note = "" if result.sync is None or result.sync.kind == "plug-out" else say(
            "label.marks", cylinder=result.sync.cylinder)
        return [*title_over(box, say("label.strip", unit=self.data.unit or say("label.no_unit")), note, self.paper),
                *judged_strip(self.data, result, box, self.window_, self.paper, lit=self.lit)]

    def time_at(self, x: float) -> float:
        """Return the instant at a place in scene units."""
        assert self.data is not None
        assert self.window_ is not None
        plot = (live_scales if self.judged is None else scales_of)(self.data, self.box).plot
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
        if y < self.box.top + 50.0 and self._light_hump(x):
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


class FoldView(JudgedView):
    """The fold: all cycles over each other; a click lights the cylinder of a lane."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: FoldData | None = None

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture."""
        self.data = None if judged is None else fold_of(judged.result)
        super().show_judged(judged)

    def items(self, box: Box) -> list[Item]:
        """Return the fold's items."""
        if self.judged is None or self.data is None:
            return []
        note = say("label.cycles_seen", count=len(self.data.cycles))
        return [*title_over(box, say("label.fold"), note, self.paper),
                *draw_fold(self.data, self.judged.result, box, self.paper, lit=self.lit)]

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Light the cylinder whose lane was clicked."""
        if self.data is None:
            return
        plot = plot_of(self.box)
        share = (self.place(event.position())[0] - plot.left) / plot.width
        start, end = float(self.data.angle_deg[0]), float(self.data.angle_deg[-1])
        angle = start + share * (end - start)
        for lane in self.data.lanes:
            if lane.start_deg <= angle < lane.end_deg:
                self.lit_wanted.emit(lane.position + 1)


class WheelView(JudgedView):
    """The wheel: a click lights the cylinder of the nearest spoke."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.data: WheelData | None = None

    def show_judged(self, judged: Judged | None) -> None:
        """Show another capture."""
        self.data = None if judged is None else wheel_of(judged.result)
        super().show_judged(judged)

    def items(self, box: Box) -> list[Item]:
        """Return the wheel's items."""
        if self.judged is None or self.data is None:
            return []
        unnamed = any(spoke.cylinder is None for spoke in self.data.spokes)
        note = say("label.unnamed_note") if unnamed else ""
        return [*title_over(box, say("window.wheel") if unnamed else say("label.wheel"), note, self.paper),
                *draw_wheel(self.data, box, self.paper, cycle_deg=self.judged.result.engine.cycle_deg,
                            limit_percent=self.judged.question.thresholds.low_percent, lit=self.lit)]

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Light the cylinder whose spoke was clicked."""
        if self.data is None:
            return
        x, y = self.place(event.position())
        cx, cy, rim = wheel_centre(self.box)
        if math.hypot(x - cx, y - cy) < HUB_SHARE * rim:
            return
        turn = math.degrees(math.atan2(x - cx, cy - y))
        nearest = min(self.data.spokes, key=lambda s: abs((s.turn_deg - turn + 180.0) % 360.0 - 180.0))
        self.lit_wanted.emit(nearest.position)


class WordsView(View):
    """A card of sentences under a heading, as many as fit."""

    SIZE, HEAD, LEAD = 19.0, 24.0, 1.32

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.heading, self.sentences = "", tuple[str, ...]()

    def tell(self, heading: str, sentences: tuple[str, ...]) -> None:
        """Say something else."""
        if (heading, sentences) != (self.heading, self.sentences):
            self.heading, self.sentences = heading, sentences
            self.setAccessibleDescription(" ".join(sentences))
            self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return heading and sentences, in smaller type if they would not fit."""
        for size in (self.SIZE, self.SIZE * 0.9, self.SIZE * 0.8, self.SIZE * 0.72):
            items, bottom = self._set(box, size)
            if bottom <= box.bottom - 4.0:
                break
        return items

    def _set(self, box: Box, size: float) -> tuple[list[Item], float]:
        left, room = box.left + 18.0, box.width - 36.0
        items: list[Item] = [Panel(box, fill=self.paper.card, stroke=self.paper.rule)]
        y = box.top + 14.0
        if self.heading:
            y += self.HEAD * 0.8
            items.append(Words(left, y, measures.fit(self.heading, self.HEAD, room, "serif"), self.HEAD,
                               self.paper.ink, face="serif"))
            y += 8.0
        for sentence in self.sentences:
            for line in measures.wrap(sentence, size, room, 8):
                y += size * self.LEAD
                if y <= box.bottom - 4.0:
                    items.append(Words(left, y, line, size, self.paper.ink))
            y += size * 0.4
        return items, y - size * 0.4
