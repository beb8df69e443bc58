"""The checklist on the screen: one line after the other is ticked, the next one large."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QMouseEvent

from crankfold.viewer.picture import Box, Item, Panel, Path, Words, measures
from crankfold.viewer.window.checklist import Checklist
from crankfold.viewer.window.views import View
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

SIZE = 30.0


class CheckView(View):
    """Shows a checklist and ticks it."""

    done = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.list = Checklist(())

    @property
    def lines(self) -> tuple[str, ...]:
        """What is to be done."""
        return self.list.lines

    def begin(self, lines: tuple[str, ...]) -> None:
        """Begin a list."""
        self.list = Checklist(lines)
        self.redraw()

    def key(self, key: int) -> bool:
        """Return whether a key was for the list, and do what it asks for."""
        if key in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self.list = self.list.ticked()
            if self.list.complete:
                self.done.emit()
        elif key == Qt.Key.Key_Backspace:
            self.list = self.list.unticked()
        elif key == Qt.Key.Key_Escape:
            self.done.emit()
        else:
            return False
        self.redraw()
        return True

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Tick the line that comes next where it is pressed; take the last tick back where that line is."""
        y = self.place(event.position())[1]
        boxes = [self._box_of(k, self.box) for k in range(len(self.lines))]
        rows = [k for k, box in enumerate(boxes) if box.top <= y < box.bottom]
        if rows == [self.list.done]:
            self.key(Qt.Key.Key_Return)
        elif rows == [self.list.done - 1]:
            self.key(Qt.Key.Key_Backspace)

    def _box_of(self, k: int, box: Box) -> Box:
        """Return where a line is."""
        room = (box.height - 70.0) / max(len(self.lines), 1)
        return Box(box.left + 14.0, box.top + 62.0 + k * room, box.width - 28.0, room - 6.0)

    def items(self, box: Box) -> list[Item]:
        """Return the list's items."""
        paper = self.paper
        items: list[Item] = [Panel(box, fill=paper.card, stroke=paper.rule)]
        items.append(Words(box.left + 26.0, box.top + 46.0, say("window.check_heading"), 32.0, paper.ink, face="serif"))
        items.append(Words(box.right - 26.0, box.top + 46.0, say("safety.law"), 18.0, paper.ink, anchor="end"))
        for k, line in enumerate(self.lines):
            items += self._line(k, line, self._box_of(k, box))
        return items

    def _line(self, k: int, text: str, box: Box) -> list[Item]:
        paper, side = self.paper, min(30.0, box.height - 10.0)
        next_ = k == self.list.done
        items: list[Item] = []
        if next_:
            items.append(Panel(box, fill=paper.wash, stroke=paper.ink, width=2.4, radius=4.0))
        y = box.top + box.height / 2.0
        square = Box(box.left + 14.0, y - side / 2.0, side, side)
        items.append(Panel(square, fill=paper.card, stroke=paper.ink, width=1.6))
        if k < self.list.done:
            tick = np.array([[0.2, 0.5], [0.42, 0.75], [0.85, 0.15]]) * side + (square.left, square.top)
            items.append(Path(tick, stroke=paper.ink, width=4.0))
        size = SIZE if next_ or k > self.list.done else SIZE * 0.85
        lines = measures.wrap(text, size, box.width - side - 50.0, 1 if box.height < 2.4 * size else 2)
        first = y + size * 0.36 - (len(lines) - 1) * size * 0.6
        for row, line in enumerate(lines):
            items.append(Words(square.right + 16.0, first + row * size * 1.2, line, size,
                               paper.faint if k < self.list.done else paper.ink))
        return items
