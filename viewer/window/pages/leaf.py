"""What every page has in common: one sentence in large type, its content, and a row of buttons with a way back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QWidget

from crankfold.viewer.picture import Box, look
from crankfold.viewer.session import Spoken
from crankfold.viewer.window.button_bar import ButtonBar
from crankfold.viewer.window.head import Head
from crankfold.viewer.window.painting import colour_of
from crankfold.viewer.window.placing import BAR, GAP, HEAD, MARGIN, put, unit_of

if TYPE_CHECKING:
    from crankfold.viewer.picture import Paper
    from crankfold.viewer.window.views import View

BACK = "back"
TYPE = 22.0  # scene units: of fields and lists
HEADLINE_ONLY = 104.0  # scene units: of a head that says nothing below its headline


class Leaf(QWidget):
    """One page; `acted` tells the buttons that it does not deal with itself."""

    acted = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.paper, self.unit = look.LIGHT, 1.0
        self.head, self.bar = Head(self), ButtonBar(self)
        self.bar.pressed.connect(self.act)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.hide()

    def tell(self, headline: str, advice: str = "", aside: str = "", *, alarm: bool = False) -> None:
        """Say what the page is about, or what is wrong."""
        self.setAccessibleName(headline)
        grows = bool(advice or aside) != bool(self.head.spoken.advice or self.head.spoken.aside)
        self.head.say_(Spoken(headline, advice, aside, alarm=alarm))
        if grows:
            self.arrange()

    def warn(self, trouble: str) -> None:
        """Say what is wrong, under the same headline."""
        self.tell(self.head.spoken.headline, trouble, self.head.spoken.aside, alarm=True)

    def offer(self, *actions: str) -> None:
        """Show these buttons, the way forward first."""
        self.bar.offer(actions)

    def begin(self) -> None:
        """Get ready to be shown."""

    def end(self) -> None:
        """Stop what goes on only while the page is shown."""

    def act(self, action: str) -> None:
        """Do what a button asks for; what the page does not know is for the window."""
        self.acted.emit(action)

    def place(self, box: Box) -> None:
        """Lay the content out in a box of scene units."""

    def views(self) -> tuple[View, ...]:
        """Return the widgets of the content that paint themselves."""
        return ()

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self.paper = paper
        self.bar.use_paper(paper)
        self.arrange()
        self.update()

    def row_px(self) -> int:
        """Return the height of a list's row in pixels."""
        return max(self.bar.least_px(), round(1.6 * TYPE * self.unit))

    def style_text(self) -> str:
        """Return the style sheet of fields and lists."""
        p, big, row, pad = self.paper, round(TYPE * self.unit), self.row_px(), round(4.0 * self.unit)
        return (f"* {{ font-family: '{look.SANS}'; font-size: {big}px; color: {p.ink}; }}"
                f"QListWidget, QLineEdit {{ background: {p.card}; border: 1px solid {p.faint}; padding: 3px; }}"
                f"QPushButton {{ background: {p.card}; border: 2px solid {p.rule}; border-radius: 6px; padding: 3px; }}"
                f"QPushButton:pressed {{ background: {p.wash}; border-color: {p.ink}; }}"
                f"QListWidget {{ outline: 0; }}"
                f"QListWidget::item {{ padding: {pad}px; min-height: {row - 2 * pad}px; }}"
                f"QListWidget::item:selected {{ background: {p.wash}; color: {p.ink}; border: 2px solid {p.ink}; }}"
                f"QScrollBar:vertical {{ width: {row // 2}px; background: {p.paper}; }}"
                f"QScrollBar::handle:vertical {{ background: {p.rule}; min-height: {row}px; }}"
                f"QLineEdit:focus, QListWidget:focus {{ border: 2px solid {p.ink}; }}")

    def arrange(self) -> None:
        """Lay the page out."""
        self.unit = unit = unit_of(self)
        for view in (self.head, *self.views()):
            view.unit, view.paper = unit, self.paper
            view.redraw()
        wide, tall = self.width() / unit, self.height() / unit
        foot, room = max(self.bar.least_px() / unit, BAR) + GAP, wide - 2 * MARGIN
        said = self.head.spoken
        head = HEAD if said.advice or said.aside else HEADLINE_ONLY
        put(self.head, unit, Box(MARGIN, 0.0, room, head))
        put(self.bar, unit, Box(MARGIN, tall - foot, room, foot - GAP))
        self.place(Box(MARGIN, head, room, tall - head - foot - GAP))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Go on with Enter, back with Escape."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.bar.actions_:
            self.act(self.bar.actions_[0])
        elif event.key() == Qt.Key.Key_Escape:
            self.act(BACK)
        else:
            event.ignore()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self.arrange()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the paper."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), colour_of(self.paper.paper))
        painter.end()
