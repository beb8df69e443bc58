"""Buttons of a size for gloves along the foot of the window, each with the word for what it does."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QSizePolicy, QWidget

from crankfold.viewer.picture import look, measures
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.picture import Paper

LEAST_MM = 12.0  # of a button's side: a thumb in a work glove
MM_AN_INCH = 25.4
USUAL_DPI, LEAST_DPI, MOST_DPI = 96.0, 60.0, 300.0  # a screen that claims anything else does not know its size
TYPE_SHARE = 0.44  # of a button's height
LEAST_TYPE = 9  # pixels
PADDING = 8  # pixels beside the words
SPACING = 8
MOST, LEAST = 6, 3  # buttons in a row
NOT_FORWARD = ("phone", "back", "check")  # not brought out, though they may come first
WIDTH_SHARE = 3.1  # of a button's height that it should be wide, or its words get too small


def least_px(widget: QWidget) -> int:
    """Return the least side of what is to be pressed on a widget's screen, in Qt's own pixels."""
    screen = widget.screen()
    dpi = USUAL_DPI if screen is None else screen.physicalDotsPerInch()
    return math.ceil(LEAST_MM / MM_AN_INCH * (dpi if LEAST_DPI <= dpi <= MOST_DPI else USUAL_DPI))


class ButtonBar(QWidget):
    """A row of buttons, the way forward first; `pressed` tells the action of the one that was pressed."""

    pressed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._paper, self._actions = look.LIGHT, tuple[str, ...]()
        self._buttons: dict[str, QPushButton] = {}
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(SPACING)

    @property
    def actions_(self) -> tuple[str, ...]:
        """What the buttons do, in their order."""
        return self._actions

    def button(self, action: str) -> QPushButton:
        """Return the button of an action that is offered."""
        return self._buttons[action]

    def offer(self, actions: tuple[str, ...]) -> None:
        """Show a button for each of these actions, and no others."""
        if actions == self._actions:
            return
        self._actions = actions
        for button in self._buttons.values():
            self._row.removeWidget(button)
            button.hide()
            button.deleteLater()
        self._buttons = {action: self._made(action) for action in actions}
        self._dress()

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self._paper = paper
        self._dress()

    def most(self) -> int:
        """Return how many buttons have room for their words."""
        return max(LEAST, min(MOST, int(self.width() / (WIDTH_SHARE * self.least_px()))))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit the words anew."""
        super().resizeEvent(event)
        self._dress()

    def least_px(self) -> int:
        """Return the least side of a button on this screen, in Qt's own pixels."""
        return least_px(self)

    def _made(self, action: str) -> QPushButton:
        words = say(f"window.button.{action}")
        button = QPushButton(words, self)
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # keys go to the window, which has one for each button
        button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        button.setAccessibleName(words)
        button.setAccessibleDescription(say(f"window.long.{action}"))
        button.setToolTip(say(f"window.long.{action}"))
        button.setMinimumSize(self.least_px(), self.least_px())
        button.clicked.connect(lambda: self.pressed.emit(action))
        self._row.addWidget(button)
        return button

    def _type_px(self) -> int:
        """Return the largest type in which every button's words fit."""
        count = max(1, len(self._buttons))
        room = (self.width() - (count - 1) * SPACING) / count - 2 * PADDING - 4
        largest = TYPE_SHARE * max(self.least_px(), self.height() if self.isVisible() else 0)
        sizes = [measures.size_to_fit(b.text(), largest, 1.0, room, "serif")
                 for b in self._buttons.values()]  # the serif's widths are those of bold type
        return max(LEAST_TYPE, int(min(sizes, default=largest)))

    def _dress(self) -> None:
        paper, size = self._paper, self._type_px()
        self.setStyleSheet(
            f"QPushButton {{ background: {paper.card}; color: {paper.ink}; border: 2px solid {paper.rule};"
            f" border-radius: 6px; padding: 0 {PADDING}px; font-family: '{look.SANS}'; font-size: {size}px; }}"
            f"QPushButton:pressed {{ background: {paper.wash}; border-color: {paper.ink}; }}")
        for k, (action, button) in enumerate(self._buttons.items()):
            first = f"QPushButton {{ border-color: {paper.ink}; background: {paper.wash}; font-weight: bold; }}"
            button.setStyleSheet(first if k == 0 and action not in NOT_FORWARD else "")
