"""A mouse and a finger that press what is seen: a card, a button of the row, a line of a list."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QListWidget, QWidget


class Mouse:
    """Presses with the mouse."""

    def at(self, widget: QWidget, place: QPoint) -> None:
        QTest.mouseClick(widget, Qt.MouseButton.LeftButton, pos=place)
        QApplication.processEvents()

    def on(self, widget: QWidget) -> None:
        assert widget.isVisible()
        self.at(widget, widget.rect().center())

    def line(self, view: QListWidget, words: str) -> None:
        """Press the line of a list that holds some words."""
        item = next(view.item(k) for k in range(view.count()) if words in view.item(k).text())
        view.scrollToItem(item)
        self.at(view.viewport(), view.visualItemRect(item).center())

    def action(self, window: Any, action: str) -> None:
        """Press the card or the button of the page that is seen, behind "more" where it has none."""
        QApplication.processEvents()
        top = window.pile.top
        if top is not None and action in getattr(top, "cards", {}):
            self.on(top.cards[action])
            return
        bar = window.page.buttons if top is None else top.bar
        if action in bar.actions_:
            self.on(bar.button(action))
            return
        self.on(bar.button("more"))
        QApplication.processEvents()
        self.on(window.more.cards[action])


class Finger(Mouse):
    """Presses with a finger."""

    device: Any = None

    def at(self, widget: QWidget, place: QPoint) -> None:
        if Finger.device is None:
            Finger.device = QTest.createTouchDevice()
        window = widget.window().windowHandle()
        QTest.touchEvent(window, self.device).press(0, widget.mapTo(widget.window(), place), window).commit()
        QTest.touchEvent(window, self.device).release(0, widget.mapTo(widget.window(), place), window).commit()
        QApplication.processEvents()
