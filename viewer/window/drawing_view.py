"""A drawing of where to clip, as a widget."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box, Item, Panel
from crankfold.viewer.window.drawings import drawing, fitted
from crankfold.viewer.window.set_up import Draft
from crankfold.viewer.window.views import View

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget


class DrawingView(View):
    """Shows one drawing."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.key, self.draft = "board", Draft()

    def draw(self, key: str, draft: Draft) -> None:
        """Show another drawing."""
        self.key, self.draft = key, draft
        self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return the drawing on its card."""
        box = Box(box.left, 1.0, box.width, box.bottom - 1.0)
        inside = box.inset(16.0, 16.0, 16.0, 16.0)
        return [Panel(box, fill=self.paper.card, stroke=self.paper.rule),
                *fitted(drawing(self.key, self.paper, self.draft), inside)]
