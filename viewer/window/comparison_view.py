"""The last two verdicts on each other, over the whole window: what a repair changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box, Item, Panel, Words, measures
from crankfold.viewer.window.drawings import moved
from crankfold.viewer.window.placing import MARGIN
from crankfold.viewer.window.views import View
from crankfold.viewer.words import change_cell, comparison_headline, low_ones_first, say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.analysis import Difference
    from crankfold.viewer.session import Judged


UPRIGHT_SHARE = 0.66  # of the width: how high the picture is at least on an upright page
HEADLINE, LINE = 40.0, 34.0


class ComparisonView(View):
    """Shows before and after as `crankfold compare` draws them."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.pair: tuple[Judged, Judged] | None = None
        self._differences: tuple[Difference, ...] = ()

    def show_pair(self, before: Judged, after: Judged) -> None:
        """Show two captures of one engine.

        Raises
        ------
        InputError
            They are the same recording, or cannot be compared.
        """
        from crankfold.viewer.words import differences_between

        self._differences = differences_between(before, after, say("window.compare_same"))
        self.pair = before, after
        self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return the picture, fitted into the window."""
        whole = Box(0.0, 0.0, box.right + 1.0, box.bottom + 1.0)
        items: list[Item] = [Panel(whole, fill=self.paper.paper)]
        if self.pair is None:
            return items
        return [*items, *(self._upright(whole) if whole.height > whole.width else self._fitted(whole, whole.height))]

    def _fitted(self, whole: Box, height: float) -> list[Item]:
        """Return the picture as wide as a box, for so much of its height."""
        from crankfold.viewer.picture import WIDTH, comparison_picture

        assert self.pair is not None
        scene = comparison_picture(*self.pair, self._differences, name=say("window.compared"), paper=self.paper,
                                   height=WIDTH * height / whole.width)
        scale = min(whole.width / scene.width, height / scene.height)
        left, top = (whole.width - scale * scene.width) / 2.0, (height - scale * scene.height) / 2.0
        return [moved(item, scale, left, top) for item in scene.items]

    def _upright(self, whole: Box) -> list[Item]:
        """Return headline and every cylinder in large type, low ones first, and the picture below."""
        room, y = whole.width - 2 * MARGIN, 0.0
        text = comparison_headline(self._differences)
        items: list[Item] = []
        for line in measures.even(text, HEADLINE, room, 2, "serif"):
            y += 1.15 * HEADLINE
            items.append(Words(MARGIN, y, line, HEADLINE, self.paper.ink, face="serif"))
        lines = [change_cell(d) for d in low_ones_first(self._differences)]
        size = min(LINE, (whole.height - UPRIGHT_SHARE * whole.width - y - HEADLINE) / max(1, len(lines)) / 1.4)
        for text in lines:
            y += 1.4 * size
            items.append(Words(MARGIN, y + 0.4 * HEADLINE, measures.fit(text, size, room), size, self.paper.ink))
        picture = min(whole.width, whole.height - y - HEADLINE)
        top = whole.height - picture
        return [*items, *(moved(item, 1.0, 0.0, top) for item in self._fitted(whole, picture))]
