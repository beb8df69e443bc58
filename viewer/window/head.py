"""The head of the window, one sentence in large type, and the line of keys at its foot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import measures
from crankfold.viewer.picture.scene import Box, Item, Rule, Words
from crankfold.viewer.window.state import Spoken
from crankfold.viewer.window.views import View

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

LARGEST, SMALLEST = 76.0, 40.0  # of the headline: on a laptop capitals of 13 mm, on a bench screen twice that
ADVICE, LEAST_ADVICE = 27.0, 20.0
ASIDE = 18.0
KEYS = 16.0


class Head(View):
    """Says the state or the verdict in one sentence, and below it what to do."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.spoken = Spoken("")

    def say_(self, spoken: Spoken) -> None:
        """Say something else."""
        if spoken != self.spoken:
            self.spoken = spoken
            self.setAccessibleName(spoken.headline)
            self.setAccessibleDescription(spoken.advice)
            self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return headline, advice and aside."""
        told, paper, room = self.spoken, self.paper, box.width
        size = measures.size_to_fit(told.headline, LARGEST, SMALLEST, room, "serif")
        colour = paper.vermilion if told.alarm else paper.ink
        items: list[Item] = [Words(0.0, 70.0, measures.fit(told.headline, size, room, "serif"), size, colour,
                                   face="serif")]
        advice = measures.size_to_fit(told.advice, ADVICE, LEAST_ADVICE, 1.9 * room)
        for k, line in enumerate(measures.wrap(told.advice, advice, room, 2)):
            items.append(Words(0.0, 119.0 + k * advice * 1.16, line, advice, paper.ink))
        aside = measures.fit(told.aside, ASIDE, room)
        items.append(Words(0.0, 177.0, aside, ASIDE, paper.faint))
        return items


class Foot(View):
    """Says which keys do what."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.keys = ""

    def tell(self, keys: str) -> None:
        """Say other keys."""
        if keys != self.keys:
            self.keys = keys
            self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return the line of keys."""
        return [Rule(0.0, 2.0, box.width, 2.0, self.paper.rule, 0.8),
                Words(0.0, 22.0, measures.fit(self.keys, KEYS, box.width), KEYS, self.paper.ink)]
