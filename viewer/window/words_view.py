"""A card of sentences under a heading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box, Item, Panel, Words, measures
from crankfold.viewer.window.views import View

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

SHARES = (1.1, 1.05, 1.0, 0.95, 0.9, 0.85, 0.8, 0.76, 0.72)  # of the usual size, tried in turn until all fits


class WordsView(View):
    """A card of sentences under a heading, as many as fit."""

    SIZE, HEAD, LEAD = 19.0, 24.0, 1.32

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.heading, self.sentences = "", tuple[str, ...]()
        self.columns = 1

    def tell(self, heading: str, sentences: tuple[str, ...]) -> None:
        """Say something else."""
        if (heading, sentences) != (self.heading, self.sentences):
            self.heading, self.sentences = heading, sentences
            self.setAccessibleDescription(" ".join(sentences))
            self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return heading and sentences, in smaller type if they would not fit."""
        for share in SHARES:
            items, bottom = self._set(box, share * self.SIZE)
            if bottom <= box.bottom - 4.0:
                break
        return items

    def _set(self, box: Box, size: float) -> tuple[list[Item], float]:
        """Return the items in one size of type, and where the lowest ends; what does not fit is left out."""
        room = (box.width - 36.0 - 30.0 * (self.columns - 1)) / self.columns
        items: list[Item] = [Panel(box, fill=self.paper.card, stroke=self.paper.rule)]
        top = box.top + 14.0
        if self.heading:
            top += self.HEAD * 0.8
            items.append(Words(box.left + 18.0, top, measures.fit(self.heading, self.HEAD, box.width - 36.0, "serif"),
                               self.HEAD, self.paper.ink, face="serif"))
            top += 8.0
        column, y = 0, top
        for sentence in self.sentences:
            lines = measures.wrap(sentence, size, room, 8)
            end = y + size * self.LEAD * len(lines)
            if end > box.bottom - 8.0 and column + 1 < self.columns:
                column, y = column + 1, top
                end = y + size * self.LEAD * len(lines)
            if end > box.bottom - 4.0:
                return items, end
            left = box.left + 18.0 + column * (room + 30.0)
            items += [Words(left, y + size * self.LEAD * (k + 1), line, size, self.paper.ink)
                      for k, line in enumerate(lines)]
            y = end + size * 0.4
        return items, y - size * 0.4
