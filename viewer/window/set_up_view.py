"""The pages of setting up on the screen: choices and fields at the left, the drawing of where to clip at the right."""

from __future__ import annotations

import threading
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QLabel, QLineEdit, QListWidget, QWidget

from crankfold.acquire import Shelf
from crankfold.analysis import CrankfoldError
from crankfold.viewer.picture import Box, look
from crankfold.viewer.session import Spoken
from crankfold.viewer.window.drawing_view import DrawingView
from crankfold.viewer.window.head import Foot, Head
from crankfold.viewer.window.painting import colour_of
from crankfold.viewer.window.placing import FOOT, GAP, HEAD, MARGIN, put, unit_of
from crankfold.viewer.window.set_up import (
    STEPS,
    Choice,
    Draft,
    Step,
    advice_on,
    choices,
    chosen,
    fields_of,
    problem,
    save,
)
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.viewer.picture import Paper

LEFT_SHARE = 0.5
ROW, LABEL = 42.0, 210.0  # scene units: height of a field, width of its name
POLL_MS = 100


class SetUpView(QWidget):
    """Leads through the steps; tells when both cards are kept, or that nothing was changed."""

    kept = Signal(str, str)
    left = Signal()

    def __init__(self, shelf: Shelf, plugins: Plugins, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._plugins = plugins
        self.shelf, self.paper, self.unit = shelf, look.LIGHT, 1.0
        self.draft, self.step = Draft(), Step.ENGINE
        self.boards: list[tuple[str, str]] = []
        self._found: SimpleQueue[tuple[str, str]] = SimpleQueue()
        self._offered: tuple[Choice, ...] = ()
        self.head, self.foot, self.picture = Head(self), Foot(self), DrawingView(self)
        self.list = QListWidget(self)
        self.list.setWordWrap(True)
        self.list.setTextElideMode(Qt.TextElideMode.ElideNone)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._choose)
        self._labels: dict[str, QLabel] = {}
        self.fields: dict[str, QLineEdit] = {}
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.look_for_boards)

    def begin(self) -> None:
        """Begin with the engine, and look for boards meanwhile."""
        self.boards.clear()
        threading.Thread(target=self._discover, name="looking for boards", daemon=True).start()
        self._timer.start(POLL_MS)
        self.go(Step.ENGINE)

    def end(self) -> None:
        """Stop looking for boards."""
        self._timer.stop()

    def _discover(self) -> None:
        from crankfold.acquire import discover_boards

        for kind in discover_boards(self._plugins):
            for board in kind.boards:
                address = f"{kind.name}:{board.address}" if board.address else kind.name
                self._found.put((address, board.title if not board.problem else f"{board.title}: {board.problem}"))

    def look_for_boards(self) -> None:
        """Take the boards that were found since the last look."""
        new = False
        try:
            while True:
                self.boards.append(self._found.get_nowait())
                new = True
        except Empty:
            pass
        if new and self.step is Step.BOARD:
            self._offer()

    def go(self, step: Step) -> None:
        """Show a page."""
        self.step = step
        self._offer()
        self._make_fields()
        self._tell("")
        self.list.setFocus()

    def _offer(self) -> None:
        self._offered = choices(self.step, self.draft, self.shelf, self.boards)
        self.list.blockSignals(True)
        self.list.clear()
        self.list.addItems([choice.label for choice in self._offered])
        row = chosen(self.draft, self._offered)
        self.list.setCurrentRow(row)
        self.list.blockSignals(False)
        if self.step is Step.BOARD and not self.draft["board"] and self._offered:
            self._choose(row)
        self._draw(row)

    def _choose(self, row: int) -> None:
        if not 0 <= row < len(self._offered):
            return
        self.draft = self.draft.with_(self._offered[row].values)
        for name, edit in self.fields.items():
            edit.setText(self.draft[name])
        if set(self.fields) != set(fields_of(self.step, self.draft)):
            self._make_fields()
        self._draw(row)
        self._tell("")

    def _draw(self, row: int) -> None:
        key = self._offered[row].drawing if 0 <= row < len(self._offered) else "board"
        if self.step is Step.NAMES:
            key = f"sync-{self.draft['sync']}" if self.draft["sync"] != "none" else "board"
        self.picture.draw(key, self.draft)

    def _make_fields(self) -> None:
        for old in (*self._labels.values(), *self.fields.values()):
            old.hide()
            old.deleteLater()
        self._labels, self.fields = {}, {}
        for name in fields_of(self.step, self.draft):
            text = say(f"window.field.{name}")
            label, edit = QLabel(text, self), QLineEdit(self.draft[name], self)
            edit.setAccessibleName(text)
            edit.textEdited.connect(self._typed)
            self._labels[name], self.fields[name] = label, edit
            label.show()
            edit.show()
        self.arrange()

    def _typed(self) -> None:
        self.draft = self.draft.with_({name: edit.text() for name, edit in self.fields.items()})
        self._draw(self.list.currentRow())

    def _tell(self, trouble: str) -> None:
        number = STEPS.index(self.step) + 1
        aside = say("window.set_up.step", number=number, of=len(STEPS))
        row = self.list.currentRow()
        advice = trouble or advice_on(self.step, self._offered[row] if 0 <= row < len(self._offered) else None)
        self.head.say_(Spoken(say(f"window.set_up.heading_{self.step.value}"), advice, aside, alarm=bool(trouble)))
        self.foot.tell(say("window.set_up.keys"))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Go on with Enter, back with Escape."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._on()
        elif event.key() == Qt.Key.Key_Escape:
            self._back()
        else:
            super().keyPressEvent(event)

    def _on(self) -> None:
        trouble = problem(self.draft, self.step)
        if trouble:
            self._tell(trouble)
        elif self.step is not STEPS[-1]:
            self.go(STEPS[STEPS.index(self.step) + 1])
        else:
            self._keep()

    def _back(self) -> None:
        if self.step is STEPS[0]:
            self.left.emit()
        else:
            self.go(STEPS[STEPS.index(self.step) - 1])

    def _keep(self) -> None:
        try:
            save(self.draft, self.shelf)
        except CrankfoldError as error:
            self._tell(str(error))
            return
        self.kept.emit(self.draft["rig_name"], self.draft["engine_name"])

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self.paper = paper
        for view in (self.head, self.foot, self.picture):
            view.paper = paper
            view.redraw()
        self._dress()

    def _dress(self) -> None:
        p, big = self.paper, round(22.0 * self.unit)
        self.setStyleSheet(
            f"* {{ font-family: '{look.SANS}'; font-size: {big}px; color: {p.ink}; }}"
            f"QListWidget, QLineEdit {{ background: {p.card}; border: 1px solid {p.faint}; padding: 3px; }}"
            f"QListWidget {{ outline: 0; }}"
            f"QListWidget::item {{ padding: {round(4.0 * self.unit)}px; }}"
            f"QListWidget::item:selected {{ background: {p.wash}; color: {p.ink}; border: 2px solid {p.ink}; }}"
            f"QLineEdit:focus, QListWidget:focus {{ border: 2px solid {p.ink}; }}")

    def arrange(self) -> None:
        """Lay the page out."""
        self.unit = unit = unit_of(self)
        for view in (self.head, self.foot, self.picture):
            view.unit = unit
        wide, tall = self.width() / unit, self.height() / unit
        room, high = wide - 2 * MARGIN, tall - HEAD - FOOT - GAP
        left = LEFT_SHARE * room
        put(self.head, unit, Box(MARGIN, 0.0, room, HEAD))
        put(self.foot, unit, Box(MARGIN, tall - FOOT, room, FOOT))
        put(self.picture, unit, Box(MARGIN + left + 1.5 * GAP, HEAD, room - left - 1.5 * GAP, high))
        below = ROW * len(self.fields)
        put(self.list, unit, Box(MARGIN, HEAD, left, high - below - (GAP if below else 0.0)))
        for k, (name, edit) in enumerate(self.fields.items()):
            y = HEAD + high - below + k * ROW
            put(self._labels[name], unit, Box(MARGIN, y, LABEL, ROW - 4.0))
            put(edit, unit, Box(MARGIN + LABEL, y, left - LABEL, ROW - 4.0))
        self._dress()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self.arrange()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the paper."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), colour_of(self.paper.paper))
        painter.end()
