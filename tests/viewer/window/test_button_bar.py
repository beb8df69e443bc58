"""Buttons for hands: large enough, from the same table as the keys, and each does what its key does."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from crankfold.viewer.window.button_bar import LEAST_MM, MM_AN_INCH
from crankfold.viewer.window.keys import BY_POINTER, FEW, buttons_for, keys_for


def click(window: Any, action: str) -> None:
    QTest.mouseClick(window.page.buttons.button(action), Qt.MouseButton.LeftButton)


def test_buttons_are_large_enough_for_gloves(bench: Any) -> None:
    window = bench.window(wide=800, tall=1280)
    bar, screen = window.page.buttons, window.screen()
    bench.application.processEvents()
    least = LEAST_MM / MM_AN_INCH * screen.physicalDotsPerInch()
    for action in bar.actions_:
        size = bar.button(action).size()
        assert min(size.width(), size.height()) >= round(least) - 1, action


def test_buttons_and_keys_come_from_one_table(bench: Any) -> None:
    window = bench.window()
    wanted = {k.action for k in keys_for(window.now, checking=False)} - BY_POINTER
    assert set(window.page.buttons.actions_) - {"more", "start"} <= wanted
    assert len(buttons_for(window.now, checking=False, compares=False)) <= FEW


def test_the_checklist_is_worked_by_a_finger(bench: Any) -> None:
    window = bench.window()
    window.page.ask(("Brake on.", "Fuel off."))
    click(window, "tick")
    assert window.page.check.list.done == 1
    click(window, "untick")
    assert window.page.check.list.done == 0
    click(window, "tick")
    click(window, "tick")
    assert not window.page.check.isVisible()


@pytest.mark.parametrize("action", ["paper", "help"])
def test_a_button_does_what_its_key_does(bench: Any, action: str) -> None:
    by_button, by_key = bench.window(), bench.window()
    click(by_button, "more")
    QTest.mouseClick(by_button.more.cards[action], Qt.MouseButton.LeftButton)
    if by_button.pile.top is not None:
        QTest.mouseClick(by_button.more.bar.button("back"), Qt.MouseButton.LeftButton)
    QTest.keyClick(by_key, {"paper": Qt.Key.Key_P, "help": Qt.Key.Key_H}[action])
    assert by_button.page.paper == by_key.page.paper
    assert by_button.page.over.isVisible() == by_key.page.over.isVisible()


def test_every_button_has_a_name_for_screen_readers(bench: Any) -> None:
    bar = bench.window().page.buttons
    for action in bar.actions_:
        button = bar.button(action)
        assert button.accessibleName() == button.text() != ""
        assert button.accessibleDescription()
