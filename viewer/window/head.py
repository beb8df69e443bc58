"""The head of the window, one sentence in large type."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box, Item, Words, measures
from crankfold.viewer.session import Spoken
from crankfold.viewer.window.views import View

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

LARGEST, SMALLEST = 76.0, 44.0  # of the headline: on a laptop capitals of 13 mm, on a bench screen twice that
TWO_LINES = 40.0  # of a headline too long for one
ADVICE, LEAST_ADVICE = 30.0, 20.0
THREE_LINES, MOST_LINES = 18.0, 3  # of an advice too long for two
ASIDE = 18.0


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
        colour = paper.vermilion if told.alarm else paper.ink
        items: list[Item] = [Words(0.0, y, line, size, colour, face="serif")
                             for line, y, size in headline_lines(told.headline, room)]
        advice, lines = advice_lines(told.advice, room)
        for k, line in enumerate(lines):
            items.append(Words(0.0, 119.0 - (len(lines) == MOST_LINES) * 8.0 + k * advice * 1.14, line, advice,
                               paper.ink))
        aside = measures.fit(told.aside, ASIDE, room)
        items.append(Words(0.0, 177.0, aside, ASIDE, paper.faint))
        return items


def advice_lines(text: str, room: float) -> tuple[float, list[str]]:
    """Return the type size of an advice and its lines: two as large as fit, or three in the smallest type."""
    size = ADVICE
    while size >= LEAST_ADVICE:
        lines = measures.even(text, size, room, 2)
        if " ".join(lines) == " ".join(text.split()):
            return size, lines
        size -= 1.0
    return THREE_LINES, measures.even(text, THREE_LINES, room, MOST_LINES)


def headline_lines(text: str, room: float) -> list[tuple[str, float, float]]:
    """Return the lines of a headline with their base lines and size: one as large as fits, or two."""
    size = measures.size_to_fit(text, LARGEST, 1.0, room, "serif")
    if size >= SMALLEST:
        return [(text, 70.0, size)]
    lines = measures.even(text, TWO_LINES, room, 2, "serif")
    return [(line, 38.0 + 43.0 * k, TWO_LINES) for k, line in enumerate(lines)]
