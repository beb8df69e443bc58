"""A page of cards to choose from: the start, what to save, what else can be done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QAbstractButton, QSizePolicy

from crankfold.viewer.picture import Box, Item, Panel, Words, look, measures
from crankfold.viewer.window.pages.leaf import BACK, Leaf
from crankfold.viewer.window.painting import paint
from crankfold.viewer.window.placing import GAP, put, upright

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.picture import Paper

TITLE, LEAST_TITLE = 32.0, 15.0
TEXTS = (19.0, 17.0, 15.5, 14.0)  # sizes of what it is good for, tried in turn until all fits
EDGE = 18.0
MOST_COLUMNS = 5  # narrower cards would cut their titles
TALLEST = 150.0  # scene units of a card: higher, its words would get lost in it


class Card(QAbstractButton):
    """A card to be pressed."""

    def __init__(self, title: str, text: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.paper: Paper = look.LIGHT
        self.unit, self.first = 1.0, False
        self._title, self._text = title, text
        self.setAccessibleName(title)
        self.setAccessibleDescription(text)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the card."""
        del event
        painter = QPainter(self)
        painter.scale(self.unit, self.unit)
        paint(painter, self.items(Box(1.5, 1.5, self.width() / self.unit - 3.0, self.height() / self.unit - 3.0)))
        painter.end()

    def items(self, box: Box) -> list[Item]:
        """Return the card's items."""
        paper, room = self.paper, box.width - 2 * EDGE
        strong = self.isDown() or self.hasFocus() or self.first
        items: list[Item] = [Panel(box, fill=paper.wash if self.isDown() or self.first else paper.card,
                                   stroke=paper.ink if strong else paper.rule, width=2.4, radius=8.0)]
        title = measures.size_to_fit(self._title, min(TITLE, 0.5 * box.height), LEAST_TITLE, room, "serif")
        size, lines = self._set(room, box.height - 1.45 * title - EDGE)
        tall = title + (0.35 * title + 1.3 * size * len(lines) if lines else 0.0)
        y = box.top + (box.height - tall) / 2.0 + 0.85 * title
        items.append(Words(box.left + EDGE, y, measures.fit(self._title, title, room, "serif"), title, paper.ink,
                           face="serif"))
        return [*items, *(Words(box.left + EDGE, y + 0.4 * title + 1.3 * size * (k + 0.8), line, size, paper.ink)
                          for k, line in enumerate(lines))]

    def _set(self, room: float, height: float) -> tuple[float, list[str]]:
        """Return size and lines of what it is good for; no lines where not all of it fits."""
        for size in TEXTS:
            most = int(height / (1.3 * size))
            lines = measures.wrap(self._text, size, room, most) if most > 0 else []
            if lines and " ".join(lines) == " ".join(self._text.split()):
                return size, lines
        return TEXTS[-1], []


@dataclass(frozen=True)
class Option:
    """Something to choose: the action it stands for, its title, and what it is good for."""

    action: str
    title: str
    text: str = ""


class ChoosingPage(Leaf):
    """A page of cards."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.cards: dict[str, Card] = {}

    def choose(self, options: tuple[Option, ...], *buttons: str) -> None:
        """Show these cards, and these buttons at the foot."""
        for card in self.cards.values():
            card.hide()
            card.deleteLater()
        self.cards = {option.action: self._made(option, first=k == 0) for k, option in enumerate(options)}
        self.offer(*(buttons or (BACK,)))
        self.arrange()

    def _made(self, option: Option, *, first: bool) -> Card:
        card = Card(option.title, option.text, self)
        card.first = first
        card.clicked.connect(lambda: self.act(option.action))
        card.show()
        return card

    def place(self, box: Box) -> None:
        """Lay the cards out, in one column upright, else in two or three."""
        count = len(self.cards)
        columns = (1 if count <= 6 else 2) if upright(self) else 1 if count <= 2 else 2 if count <= 8 else 3
        least = self.bar.least_px() / self.unit
        while columns < MOST_COLUMNS and -(-count // columns) * (least + GAP) - GAP > box.height:
            columns += 1
        rows = max(1, -(-count // columns))
        wide = (box.width - (columns - 1) * GAP) / columns
        tall = min(TALLEST, (box.height - (rows - 1) * GAP) / rows)
        for k, card in enumerate(self.cards.values()):
            card.paper, card.unit = self.paper, self.unit
            put(card, self.unit, Box(box.left + (k % columns) * (wide + GAP), box.top + (k // columns) * (tall + GAP),
                                     wide, tall))
            card.update()
