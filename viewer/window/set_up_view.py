"""The pages of setting up on the screen: choices and fields at the left, the drawing of where to clip at the right."""

from __future__ import annotations

import threading
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QLabel, QLineEdit, QListWidget, QPushButton, QWidget

from crankfold.acquire import Shelf
from crankfold.analysis import CrankfoldError
from crankfold.viewer.picture import Box
from crankfold.viewer.window.drawing_view import DrawingView
from crankfold.viewer.window.pages import BACK, Leaf
from crankfold.viewer.window.placing import GAP, put, upright
from crankfold.viewer.window.set_up import (
    STEPS,
    Choice,
    Draft,
    Step,
    advice_on,
    alternatives,
    choices,
    chosen,
    fields_of,
    known_cam,
    problem,
    save,
)
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.viewer.window.views import View

LEFT_SHARE = 0.5
LIST_SHARE = 0.55  # of the height upright, above the drawing
LEAST_ROWS = 3  # of the list that must stay above the fields
LABEL = 210.0  # scene units: width of a field's name
POLL_MS = 100


class Turning(QPushButton):
    """A field with few possible values: each press shows the next."""

    def __init__(self, value: str, values: tuple[str, ...], parent: QWidget) -> None:
        super().__init__(value, parent)
        self._values = values
        self.clicked.connect(self._turn)

    def _turn(self) -> None:
        at = self._values.index(self.text()) if self.text() in self._values else -1
        self.setText(self._values[(at + 1) % len(self._values)])


class SetUpView(Leaf):
    """Leads through the steps; tells when both cards are kept, what was asked where none are, or that it was left."""

    kept = Signal(str, str)
    answered = Signal(object)
    left = Signal()

    def __init__(self, shelf: Shelf, plugins: Plugins, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._plugins = plugins
        self.shelf = shelf
        self.draft, self.step, self.steps = Draft(), Step.ENGINE, STEPS
        self.boards: list[tuple[str, str]] = []
        self._found: SimpleQueue[tuple[str, str]] = SimpleQueue()
        self._offered: tuple[Choice, ...] = ()
        self.picture = DrawingView(self)
        self.list = QListWidget(self)
        self.list.setWordWrap(True)
        self.list.setTextElideMode(Qt.TextElideMode.ElideNone)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._choose)
        self._labels: dict[str, QLabel] = {}
        self.fields: dict[str, QLineEdit | Turning] = {}
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.look_for_boards)
        self.offer("next", BACK)

    def ask(self, *steps: Step) -> None:
        """Ask only these steps when it begins, or all without any; nothing is kept then, and `answered` tells."""
        self.steps = steps or STEPS

    def begin(self) -> None:
        """Begin with the first step, and look for boards meanwhile."""
        self.boards.clear()
        if Step.BOARD in self.steps:
            threading.Thread(target=self._discover, name="looking for boards", daemon=True).start()
            self._timer.start(POLL_MS)
        self.go(self.steps[0])

    def views(self) -> tuple[View, ...]:
        """Return the drawing."""
        return (self.picture,)

    def end(self) -> None:
        """Stop looking for boards."""
        self._timer.stop()

    def _discover(self) -> None:
        from crankfold.acquire import discover_boards

        for kind in discover_boards(self._plugins):
            for board in kind.boards:
                address = f"{kind.name}:{board.address}" if board.address else kind.name
                self._found.put((address, ": ".join(map(worded, filter(None, (board.title, board.problem))))))

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
        if step is Step.SYNC and self.draft["sync"] == "cam":
            self.draft = self.draft.with_(known_cam(self.draft))
        self._offer()
        self._make_fields()
        self._say("")
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
        self._say("")

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
            label, edit = QLabel(text, self), self._edit(name)
            edit.setAccessibleName(text)
            self._labels[name], self.fields[name] = label, edit
            label.show()
            edit.show()
        self.arrange()

    def _edit(self, name: str) -> QLineEdit | Turning:
        values = alternatives(name, self.draft)
        if values:
            turning = Turning(self.draft[name], values, self)
            turning.clicked.connect(self._typed)
            return turning
        edit = QLineEdit(self.draft[name], self)
        edit.textEdited.connect(self._typed)
        return edit

    def _typed(self) -> None:
        self.draft = self.draft.with_({name: edit.text() for name, edit in self.fields.items()})
        self._draw(self.list.currentRow())

    def _say(self, trouble: str) -> None:
        aside = say("window.set_up.step", number=self.steps.index(self.step) + 1, of=len(self.steps))
        row = self.list.currentRow()
        advice = trouble or advice_on(self.step, self._offered[row] if 0 <= row < len(self._offered) else None)
        self.list.setAccessibleName(say(f"window.set_up.heading_{self.step.value}"))
        self.tell(say(f"window.set_up.heading_{self.step.value}"), advice, aside, alarm=bool(trouble))

    def act(self, action: str) -> None:
        """Go on or back."""
        if action == "next":
            self._on()
        elif action == BACK:
            self._back()
        else:
            super().act(action)

    def _on(self) -> None:
        trouble = problem(self.draft, self.step)
        if trouble:
            self._say(trouble)
        elif self.step is not self.steps[-1]:
            self.go(self.steps[self.steps.index(self.step) + 1])
        elif self.steps == STEPS:
            self._keep()
        else:
            self.answered.emit(self.draft)

    def _back(self) -> None:
        if self.step is self.steps[0]:
            self.left.emit()
        else:
            self.go(self.steps[self.steps.index(self.step) - 1])

    def _keep(self) -> None:
        try:
            save(self.draft, self.shelf)
        except CrankfoldError as error:
            self._say(worded(error))
            return
        self.kept.emit(self.draft["rig_name"], self.draft["engine_name"])

    def place(self, box: Box) -> None:
        """Lay the page out: the drawing beside the list, upright below it."""
        unit = self.unit
        if upright(self):
            side = Box(box.left, box.top, box.width, LIST_SHARE * box.height)
            put(self.picture, unit, Box(box.left, side.bottom + GAP, box.width, box.bottom - side.bottom - GAP))
        else:
            side = Box(box.left, box.top, LEFT_SHARE * box.width, box.height)
            left = side.right + 1.5 * GAP
            put(self.picture, unit, Box(left, box.top, box.right - left, box.height))
        row = self.row_px() / unit + 4.0
        below = row * len(self.fields)
        beside = not upright(self) and below + LEAST_ROWS * row > side.height  # then they take the drawing's place
        self.picture.setVisible(not beside)
        if beside:
            put(self.list, unit, side)
            side = Box(side.right + 1.5 * GAP, box.top, box.right - side.right - 1.5 * GAP, box.height)
            row = min(row, side.height / len(self.fields))
        else:
            put(self.list, unit, Box(side.left, side.top, side.width, side.height - below - (GAP if below else 0.0)))
        for k, (name, edit) in enumerate(self.fields.items()):
            y = side.top + k * row if beside else side.bottom - below + k * row
            put(self._labels[name], unit, Box(side.left, y, LABEL, row - 4.0))
            put(edit, unit, Box(side.left + LABEL, y, side.width - LABEL, row - 4.0))
        self.setStyleSheet(self.style_text())
