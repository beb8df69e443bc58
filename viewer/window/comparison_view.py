"""The last two verdicts on each other, over the whole window: what a repair changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import WIDTH, Box, Item, Panel, comparison_picture, comparison_upright
from crankfold.viewer.window.drawings import moved
from crankfold.viewer.window.placing import GAP, MARGIN
from crankfold.viewer.window.views import View
from crankfold.viewer.words import differences_between, say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.analysis import Difference
    from crankfold.viewer.session import Judged


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
        self._differences = differences_between(before, after, say("window.compare_same"))
        self.pair = before, after
        self.redraw()

    def items(self, box: Box) -> list[Item]:
        """Return the picture, fitted into the window."""
        whole = Box(0.0, 0.0, box.right + 1.0, box.bottom + 1.0)
        items: list[Item] = [Panel(whole, fill=self.paper.paper)]
        if self.pair is None:
            return items
        if whole.height <= whole.width:
            return [*items, *self._fitted(whole)]
        inside = whole.inset(MARGIN, 0.0, MARGIN, GAP)
        return [*items, *comparison_upright(*self.pair, self._differences, whole=inside, paper=self.paper)]

    def _fitted(self, whole: Box) -> list[Item]:
        """Return the picture as large as fits into a box."""
        assert self.pair is not None
        scene = comparison_picture(*self.pair, self._differences, name=say("window.compared"), paper=self.paper,
                                   height=WIDTH * whole.height / whole.width)
        scale = min(whole.width / scene.width, whole.height / scene.height)
        left, top = (whole.width - scale * scene.width) / 2.0, (whole.height - scale * scene.height) / 2.0
        return [moved(item, scale, left, top) for item in scene.items]
