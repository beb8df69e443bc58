"""The window itself: what its keys and buttons do, and the pages over the one on which an engine is tested."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QKeyEvent, QResizeEvent

from crankfold.viewer.picture import look
from crankfold.viewer.session import NOTES, RUNNING, Dismissed, Phase
from crankfold.viewer.window.keys import everything_else, help_lines
from crankfold.viewer.window.pages import BACK, ChoosingPage
from crankfold.viewer.window.plots import ZOOM
from crankfold.viewer.window.watching import WatchingWidget
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.viewer.picture import Paper
    from crankfold.viewer.session import Sink
    from crankfold.viewer.window.set_up_view import SetUpView

GENERAL = {
    Qt.Key.Key_Q: "quit", Qt.Key.Key_P: "paper", Qt.Key.Key_H: "help", Qt.Key.Key_F1: "help",
    Qt.Key.Key_F: "full_screen", Qt.Key.Key_F11: "full_screen", Qt.Key.Key_R: "retry", Qt.Key.Key_Space: "dismiss",
    Qt.Key.Key_C: "check", Qt.Key.Key_S: "set_up", Qt.Key.Key_T: "tone", Qt.Key.Key_D: "details",
    Qt.Key.Key_B: "before", Qt.Key.Key_A: "arm", Qt.Key.Key_W: "save", Qt.Key.Key_O: "open",
}
"""Keys that do the same on every page."""
ANYWHERE = ("quit", "paper", "full_screen")
"""What keys do while another page lies over the test page."""
BUSY = (*RUNNING, Phase.JUDGING)
"""Standings that Esc does not leave: a crank is under way."""


class Window(WatchingWidget):
    """The window; `asked` tells the actions that lead to other pages, `dropped` a file, `closing` the end.

    Parameters
    ----------
    sink
        Where tones go.
    paper
        Light or dark.
    """

    dropped = Signal(Path)
    closing = Signal()

    def __init__(self, sink: Sink, paper: Paper = look.LIGHT) -> None:
        super().__init__(sink, paper)
        self.set_up: SetUpView | None = None
        self.more = ChoosingPage(self)

    def use_set_up(self, view: SetUpView) -> None:
        """Take the pages for setting up, hidden until they are asked for."""
        self.set_up = view
        view.left.connect(self.back)

    def begin_set_up(self) -> None:
        """Show the pages for setting up."""
        if self.set_up is not None:
            self.set_up.ask()
            self.pile.push(self.set_up)

    def back(self) -> None:
        """Go back to the page below, to the start where there is nothing to be looked at."""
        self.pile.back()
        if self.pile.top is None and self.session is None and self.waiting is None and self.now.judged is None:
            self.asked.emit("start")

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Do what a key asks for."""
        key, text = event.key(), event.text()
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        page = self.page
        if self.pile.top is not None:
            if GENERAL.get(Qt.Key(key)) in ANYWHERE:
                self._general(key)
        elif key == Qt.Key.Key_Escape and page.covered:
            page.uncover()
        elif page.check.isVisible() and page.check.key(key):
            page.show_standing(self.now)
        elif not (self._general(key) or self._looking(key, text, shift=shift)):
            if text.isdigit() and text != "0":
                page.light_number(int(text))
            elif key == Qt.Key.Key_Escape and self.now.phase not in BUSY:
                self.asked.emit("start")
            else:
                super().keyPressEvent(event)

    def act(self, action: str) -> None:
        """Do what a button or a key of `keys` asks for."""
        page, chosen = self.page, self.pile.top is self.more
        actions: dict[str, Callable[[], object]] = {
            "quit": self.close, "paper": self._turn_paper, "help": self._show_keys, "more": self._show_more,
            "full_screen": self._full, "dismiss": self._dismiss, "check": self._check_again,
            "set_up": self.begin_set_up, "tone": self._sound_again, "details": self._show_details,
            "before": self._compare, "next_cylinder": lambda: page.light_next(1), BACK: self.back,
            "tick": lambda: self._in_checklist(Qt.Key.Key_Return),
            "untick": lambda: self._in_checklist(Qt.Key.Key_Backspace), "close": self._close_over,
            **{asked: partial(self._ask_session, asked) for asked in ("retry", "arm", "rest")},
            "whole": lambda: self._looking(Qt.Key.Key_Home, "", shift=False),
            "clear": lambda: self._looking(Qt.Key.Key_Escape, "", shift=False),
        }
        if chosen and action not in (*ANYWHERE, BACK):
            self.back()
        if action in actions:
            actions[action]()
        else:
            self.asked.emit(action)

    def _close_over(self) -> None:
        if self.page.covered:
            self.page.uncover()
        else:
            self._in_checklist(Qt.Key.Key_Escape)

    def _show_more(self) -> None:
        self.more.choose(everything_else(self.now, compares=self.page.compares))
        self.more.tell(say("window.more_heading"))
        self.pile.push(self.more)

    def _in_checklist(self, key: int) -> None:
        self.page.check.key(key)
        self.page.show_standing(self.now)

    def _general(self, key: int) -> bool:
        """Return whether a key was one that always works."""
        action = GENERAL.get(Qt.Key(key))
        if action is not None:
            self.act(action)
        return action is not None

    def _looking(self, key: int, text: str, *, shift: bool) -> bool:
        """Return whether a key was one for looking at a judged capture."""
        strip, window = self.page.strip, self.page.strip.window_
        if key in (Qt.Key.Key_Tab, Qt.Key.Key_Backtab):
            self.page.light_next(-1 if key == Qt.Key.Key_Backtab else 1)
            return True
        if window is None:
            return False
        fine = 0.1 if shift else 1.0
        steps: dict[int, float] = {Qt.Key.Key_Left: -fine, Qt.Key.Key_Right: fine, Qt.Key.Key_PageUp: -9.0,
                                   Qt.Key.Key_PageDown: 9.0}
        if key in steps:
            strip.look_at(window.stepped(steps[key]))
        elif text in ("+", "=", "-") or key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            strip.look_at(window.zoomed(ZOOM if text in ("+", "=") or key == Qt.Key.Key_Up else 1.0 / ZOOM))
        elif key == Qt.Key.Key_Home:
            strip.look_at(window.entire())
        elif key == Qt.Key.Key_M:
            strip.look_at(window.next_mark())
        elif key == Qt.Key.Key_Escape and (window.marks_s or strip.lit is not None):
            strip.look_at(window.unmarked())
            self.page.light(None)
        else:
            return False
        return True

    def _turn_paper(self) -> None:
        paper = look.DARK if self.page.paper is look.LIGHT else look.LIGHT
        self.page.use_paper(paper)
        self.pile.use_paper(paper)

    def _show_keys(self) -> None:
        self.page.show_over(say("window.keys_heading"), help_lines())

    def _show_details(self) -> None:
        lines = self.page.everything()
        if lines:
            self.page.show_over(say("found.heading"), lines)

    def _compare(self) -> None:
        self.page.compare(self._before)

    def _full(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    def _ask_session(self, what: str) -> None:
        if self.session is not None:
            {"retry": self.session.retry, "arm": self.session.arm, "rest": self.session.rest}[what]()

    def _dismiss(self) -> None:
        self.take(Dismissed())

    def _check_again(self) -> None:
        if self.page.check.lines:
            self.page.ask(self.page.check.lines)

    def _sound_again(self) -> None:
        if self.now.phase in NOTES:
            self.sink.sound(self.now.phase)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Take files that are dragged onto the window."""
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Open a file that is dropped; of several the first."""
        for url in event.mimeData().urls():
            if url.isLocalFile():
                event.acceptProposedAction()
                self.dropped.emit(Path(url.toLocalFile()))
                return

    def focusNextPrevChild(self, next: bool) -> bool:
        """Keep the tabulator for ourselves where it goes through the cylinders."""
        return super().focusNextPrevChild(next) if self.pile.top is not None else False

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Let the pages fill the window."""
        super().resizeEvent(event)
        self.page.resize(self.size())
        self.pile.resize(self.size())

    def closeEvent(self, event: QCloseEvent) -> None:
        """Let go of the board."""
        self.pile.clear()
        self.let_go()
        self.closing.emit()
        event.accept()
