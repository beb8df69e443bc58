"""The job book on the screen: what a folder holds, found by words and finding; one of them opened, or two compared."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLineEdit, QListWidget, QPushButton

from crankfold.viewer.jobs import FINDINGS, Query, finding_text, when_text
from crankfold.viewer.picture import Box
from crankfold.viewer.window.comparison_view import ComparisonView
from crankfold.viewer.window.pages.leaf import BACK, Leaf
from crankfold.viewer.window.placing import GAP, put
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.jobs import Entry, JobBook
    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.views import View

MOST = 500  # lines shown; more are found by looking for them
FILTER = 300.0  # scene units: width of the button for the finding


class BookPage(Leaf):
    """The job book; `opened` and `compared` tell what was chosen."""

    opened = Signal(object)
    compared = Signal(object, object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.book: JobBook | None = None
        self.entries: list[Entry] = []
        self.finding = ""
        self.picked: Entry | None = None  # the first of two that are to be compared
        self.search, self.filter, self.list = QLineEdit(self), QPushButton(self), QListWidget(self)
        self.search.setPlaceholderText(say("window.book.search"))
        self.search.setAccessibleName(say("window.book.search"))
        self.search.textChanged.connect(self.look)
        self.filter.clicked.connect(self._next_finding)
        self.list.setAccessibleName(say("window.book.list"))
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.itemActivated.connect(lambda: self.act("open_entry"))
        self.list.currentRowChanged.connect(self._chosen)
        self.tell(say("window.book.heading"))
        self._show_finding()
        self.offer(BACK)

    def show_book(self, book: JobBook | None) -> None:
        """Show another folder's captures."""
        if self.book is not None:
            self.book.close()
        self.book, self.picked = book, None
        self.look()

    def look(self) -> None:
        """Look for what the search field and the finding say."""
        self.entries = [] if self.book is None else self.book.find(replace(self.query(), most=MOST))
        self._say()
        self.list.blockSignals(True)
        self.list.clear()
        self.list.addItems([line_of(entry) for entry in self.entries])
        if self.entries:
            self.list.setCurrentRow(0)
        self.list.blockSignals(False)
        self._chosen()

    def query(self) -> Query:
        """Return what the search field and the finding ask for."""
        return Query(tuple(self.search.text().split()), finding=self.finding)

    def _say(self) -> None:
        if self.book is None:
            return
        advice = say("window.book.folder", path=str(self.book.folder))
        if self.picked is not None:
            advice = say("window.book.picked", first=line_of(self.picked))
        self.tell(say("window.book.heading"), advice,
                  say("window.book.shown", count=len(self.entries), of=self.book.count()))

    def chosen(self) -> Entry | None:
        """Return the capture that is chosen."""
        row = self.list.currentRow()
        return self.entries[row] if 0 <= row < len(self.entries) else None

    def pair(self) -> tuple[Entry, Entry] | None:
        """Return before and after of the chosen capture's plate, None where there are not two."""
        entry = self.chosen()
        if self.book is None or entry is None or not entry.plate:
            return None
        return self.book.before_and_after(entry.plate)

    def _chosen(self) -> None:
        entry = self.chosen()
        actions = ["open_entry"] if entry is not None else []
        if self.picked is not None and entry is not None and entry != self.picked:
            actions.insert(0, "with_picked")
        elif entry is not None and entry.lowest_percent is not None:
            actions += ["compare_entry"] if self.pair() is not None else []
            actions.append("pick_entry")
        self.offer(*actions, *(("table",) if self.entries else ()), "folder", BACK)

    def act(self, action: str) -> None:
        """Open or compare what is chosen."""
        entry, pair = self.chosen(), self.pair()
        if action == BACK and self.picked is not None:
            self._pick(None)
        elif action == "pick_entry":
            self._pick(entry)
        elif action == "with_picked" and entry is not None and self.picked is not None and self.book is not None:
            before, after = sorted((self.picked, entry), key=lambda e: e.started_utc)
            self._pick(None)
            self.compared.emit(self.book.path_of(before), self.book.path_of(after))
        elif action == "open_entry" and entry is not None and self.book is not None:
            self.opened.emit(self.book.path_of(entry))
        elif action == "compare_entry" and pair is not None and self.book is not None:
            self.compared.emit(self.book.path_of(pair[0]), self.book.path_of(pair[1]))
        else:
            super().act(action)

    def _pick(self, entry: Entry | None) -> None:
        """Remember the first of two that are to be compared, or none any more."""
        self.picked = entry
        self._say()
        self._chosen()

    def _next_finding(self) -> None:
        every = ("", *FINDINGS)
        self.finding = every[(every.index(self.finding) + 1) % len(every)]
        self._show_finding()
        self.look()

    def _show_finding(self) -> None:
        text = say(f"window.book.finding_{self.finding or 'all'}")
        self.filter.setText(text)
        self.filter.setAccessibleName(text)

    def place(self, box: Box) -> None:
        """Lay out the search field and the finding above the list."""
        row = self.row_px() / self.unit
        put(self.search, self.unit, Box(box.left, box.top, box.width - FILTER - GAP, row))
        put(self.filter, self.unit, Box(box.right - FILTER, box.top, FILTER, row))
        put(self.list, self.unit, Box(box.left, box.top + row + GAP, box.width, box.height - row - GAP))
        self.setStyleSheet(self.style_text())


def line_of(entry: Entry) -> str:
    """Return a capture as one line of the list."""
    parts = (when_text(entry), entry.plate, entry.customer, entry.engine or entry.order, finding_text(entry))
    return "   ".join(part for part in parts if part)


class ComparingPage(Leaf):
    """Shows before and after over the whole page."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.comparison = ComparisonView(self)
        self.offer(BACK)

    def show_pair(self, before: Judged, after: Judged) -> None:
        """Show two captures.

        Raises
        ------
        InputError
            They are the same recording, or cannot be compared.
        """
        self.comparison.show_pair(before, after)

    def views(self) -> tuple[View, ...]:
        """Return the comparison."""
        return (self.comparison,)

    def place(self, box: Box) -> None:
        """Let the comparison fill everything above the buttons."""
        put(self.comparison, self.unit, Box(0.0, 0.0, box.right + box.left, box.bottom))
