"""The phone page's address as a code to scan, or, where none is served, what a phone may be let do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRect
from PySide6.QtGui import QPainter

from crankfold.viewer.picture import Box, Item, look
from crankfold.viewer.window.pages.choosing import ChoosingPage
from crankfold.viewer.window.painting import colour_of
from crankfold.viewer.window.placing import put
from crankfold.viewer.window.views import View

if TYPE_CHECKING:
    from PySide6.QtGui import QPaintEvent
    from PySide6.QtWidgets import QWidget

Modules = tuple[tuple[bool, ...], ...]


class CodeView(View):
    """A code of square modules, each of whole pixels, dark on light whatever the paper: cameras want it so."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.modules: Modules = ()

    def items(self, box: Box) -> list[Item]:
        """Return nothing: the code is painted in pixels."""
        del box
        return []

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the code as large as fits."""
        del event
        ratio, count = self.devicePixelRatioF(), len(self.modules)
        side = int(min(self.width(), self.height()) * ratio / count) if count else 0
        left, top = (int((extent * ratio - side * count) / 2) for extent in (self.width(), self.height()))
        painter = QPainter(self)
        painter.scale(1.0 / ratio, 1.0 / ratio)
        painter.fillRect(QRect(left, top, side * count, side * count), colour_of(look.LIGHT.card))
        for row, line in enumerate(self.modules):
            for column, dark in enumerate(line):
                if dark:
                    painter.fillRect(QRect(left + column * side, top + row * side, side, side),
                                     colour_of(look.LIGHT.ink))
        painter.end()


class PhonePage(ChoosingPage):
    """Shows the code, or the choice of what a phone may be let do."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.code = CodeView(self)

    def show_code(self, modules: Modules, words: str, *buttons: str) -> None:
        """Show a code, called so for screen readers; without modules only the cards are there."""
        self.code.modules = modules
        self.code.setAccessibleName(words)
        self.code.setVisible(bool(modules))
        self.choose((), *buttons)

    def place(self, box: Box) -> None:
        """Let the code, or the cards, fill the page."""
        super().place(box)
        put(self.code, self.unit, box)
