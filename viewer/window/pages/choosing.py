"""A page of cards to choose from: the start, what to save, what else can be done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box
from crankfold.viewer.window.pages.card import Card
from crankfold.viewer.window.pages.leaf import BACK, Leaf
from crankfold.viewer.window.placing import GAP, put, upright

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

TALLEST = 150.0  # scene units of a card: higher, its words would get lost in it


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
        rows = max(1, -(-count // columns))
        wide = (box.width - (columns - 1) * GAP) / columns
        tall = min(TALLEST, (box.height - (rows - 1) * GAP) / rows)
        for k, card in enumerate(self.cards.values()):
            card.paper, card.unit = self.paper, self.unit
            put(card, self.unit, Box(box.left + (k % columns) * (wide + GAP), box.top + (k // columns) * (tall + GAP),
                                     wide, tall))
            card.update()
