"""What all views have in common, the wheel and a card of sentences: widgets drawn anew only when something changed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QPixmap
from PySide6.QtWidgets import QWidget

from crankfold.viewer.picture import (
    HUB_SHARE,
    Box,
    Item,
    Panel,
    WheelData,
    Words,
    draw_wheel,
    look,
    measures,
    title_over,
    wheel_centre,
    wheel_of,
)
from crankfold.viewer.window.painting import pixmap_of
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.picture import Paper
    from crankfold.viewer.session import Judged

TITLE = 26.0  # scene units above a view for its title
SHARES = (1.1, 1.05, 1.0, 0.95, 0.9, 0.85, 0.8, 0.76, 0.72)  # of the usual size, tried in turn until all fits


class View(QWidget):
    """A widget that paints scene items; a scene unit is `unit` pixels, so that everything grows with the window."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.paper: Paper = look.LIGHT
        self.unit = 1.0
        self.title_room = TITLE
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
        top = self.title_room
        return Box(0.5, top, self.width() / self.unit - 1.0, self.height() / self.unit - top - 1.0)

    def place(self, at: QPointF) -> tuple[float, float]:
        """Return a place on the widget in scene units."""
        return at.x() / self.unit, at.y() / self.unit

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint what was drawn, drawing it first if something changed."""
        del event
        painter = QPainter(self)
        self.paint_kept(painter)
        painter.end()

    def paint_kept(self, painter: QPainter) -> None:
        """Paint what is kept from one change to the next."""
        size = QSizeF(self.width() / self.unit, self.height() / self.unit)
        ratio = self.unit * self.devicePixelRatioF()
        if self._drawn is None or self._drawn.devicePixelRatio() != ratio:
            self._drawn = pixmap_of(self.kept_items(self.box), size, ratio)
        painter.drawPixmap(QRectF(0.0, 0.0, self.width(), self.height()), self._drawn,
                           QRectF(0.0, 0.0, self._drawn.width(), self._drawn.height()))

    def kept_items(self, box: Box) -> list[Item]:
        """Return which of the items stay as they are until `redraw`: all of them, unless a view says otherwise."""
        return self.items(box)

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
        cx, cy, rim = wheel_centre(self.data, self.box)
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
        self.columns = 1

    def tell(self, heading: str, sentences: tuple[str, ...]) -> None:
        """Say something else."""
        if (heading, sentences) != (self.heading, self.sentences):
            self.heading, self.sentences = heading, sentences
            self.setAccessibleDescription(" ".join(sentences))
            self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return heading and sentences, in smaller type if they would not fit."""
        for share in SHARES:
            items, bottom = self._set(box, share * self.SIZE)
            if bottom <= box.bottom - 4.0:
                break
        return items

    def _set(self, box: Box, size: float) -> tuple[list[Item], float]:
        """Return the items in one size of type, and where the lowest ends; what does not fit is left out."""
        room = (box.width - 36.0 - 30.0 * (self.columns - 1)) / self.columns
        items: list[Item] = [Panel(box, fill=self.paper.card, stroke=self.paper.rule)]
        top = box.top + 14.0
        if self.heading:
            top += self.HEAD * 0.8
            items.append(Words(box.left + 18.0, top, measures.fit(self.heading, self.HEAD, box.width - 36.0, "serif"),
                               self.HEAD, self.paper.ink, face="serif"))
            top += 8.0
        column, y = 0, top
        for sentence in self.sentences:
            lines = measures.wrap(sentence, size, room, 8)
            end = y + size * self.LEAD * len(lines)
            if end > box.bottom - 8.0 and column + 1 < self.columns:
                column, y = column + 1, top
                end = y + size * self.LEAD * len(lines)
            if end > box.bottom - 4.0:
                return items, end
            left = box.left + 18.0 + column * (room + 30.0)
            items += [Words(left, y + size * self.LEAD * (k + 1), line, size, self.paper.ink)
                      for k, line in enumerate(lines)]
            y = end + size * 0.4
        return items, y - size * 0.4
