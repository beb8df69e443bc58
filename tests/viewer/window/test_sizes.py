"""On every page and at every size of screen: what is pressed is large enough for gloves, and no words are cut."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtCore import QRect
from PySide6.QtWidgets import QAbstractButton, QLineEdit, QListWidget, QPushButton, QWidget

from crankfold.acquire import EngineCard, Rig
from crankfold.viewer.session import Answered, Caught, Judged, Opened, Readying
from crankfold.viewer.window.button_bar import LEAST_MM, MM_AN_INCH
from crankfold.viewer.window.set_up import STEPS

SIZES = {"laptop": (1366, 768), "large": (1920, 1080), "upright": (800, 1280), "laptop at 125 %": (1093, 614),
         "laptop at 150 %": (911, 512), "laptop at 200 %": (683, 384), "upright at 150 %": (533, 853)}
"""In Qt's own pixels: a scaled screen has fewer of them, and each is larger."""
OFTEN = ("laptop at 200 %", "upright")  # the smallest of each kind; the others in the slow run


def pressed_boxes(page: QWidget) -> list[tuple[str, int, int]]:
    """Return name, width and height of everything on a page that is pressed."""
    found = []
    for widget in page.findChildren(QWidget):
        if not widget.isVisible() or widget.window() is not page.window():
            continue
        if isinstance(widget, QAbstractButton | QLineEdit):
            found.append((widget.accessibleName() or type(widget).__name__, widget.width(), widget.height()))
        elif isinstance(widget, QListWidget):
            rows = [widget.visualItemRect(widget.item(k)) for k in range(widget.count())]
            found += [(widget.item(k).text(), row.width(), row.height()) for k, row in enumerate(rows)]
    return found


def cut_words(page: QWidget) -> list[str]:
    """Return the texts of buttons and of fields' names that are wider than their place."""
    found = []
    for widget in page.findChildren(QPushButton):
        if widget.isVisible() and widget.fontMetrics().horizontalAdvance(widget.text()) > widget.width():
            found.append(widget.text())
    return found


def outside(page: QWidget) -> list[str]:
    """Return what is visible on a page and reaches beyond it."""
    whole = QRect(page.rect())
    return [type(w).__name__ for w in page.findChildren(QWidget) if w.parent() is page and w.isVisible()
            and not whole.adjusted(-1, -1, 1, 1).contains(w.geometry())]


@pytest.mark.parametrize("size", [pytest.param(size, id=name, marks=() if name in OFTEN else pytest.mark.slow)
                                  for name, size in SIZES.items()])
def test_every_page_is_for_gloves_and_cuts_no_words(desk: Any, bench: Any, size: tuple[int, int], dead_three: Any,
                                                    uneven_result: Any, question: Any) -> None:
    window = desk.window
    window.resize(*size)
    for name, order in (("pump", "1-3-4-2"), ("launch", "1-5-3-6-2-4")):
        desk.shelf.save(name, EngineCard(order))
    desk.shelf.save("bench", Rig("virtual:engine=pump"))
    least = LEAST_MM / MM_AN_INCH * window.screen().physicalDotsPerInch()
    problems: list[str] = []

    def look(where: str) -> None:
        bench.application.processEvents()
        page = window.pile.top or window.page
        problems.extend(f"{where}: {name} {wide} x {tall}" for name, wide, tall in pressed_boxes(page)
                        if min(wide, tall) < least - 1.0)
        problems.extend(f"{where}: cut: {text}" for text in cut_words(page))
        problems.extend(f"{where}: outside: {text}" for text in outside(page))

    look("start")
    for action in ("practise", "phone", "test", "job"):
        window.act(action)
        look(action)
        desk.show_start()
    window.begin_set_up()
    desk.set_up.draft = desk.set_up.draft.with_({"board": "virtual:engine=pump", "sync": "cam"})
    for step in STEPS:
        desk.set_up.go(step)
        look(step.value)
    window.pile.clear()
    window.page.ask(("Parking brake on.", "Fuel off."))
    look("checklist")
    window.page.check.hide()
    judged = Judged(dead_three, uneven_result, question())
    for number in (1, 2):
        for news in (Readying(live=True), Opened("bench"), Caught(number), Answered(number, judged)):
            window.take(news)
    look("result")
    for action in ("more", "save"):
        window.act(action)
        look(action)
        window.pile.clear()
    assert not problems
