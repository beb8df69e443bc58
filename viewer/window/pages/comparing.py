"""Two captures of one engine on each other, as a page: first and last test of one plate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box
from crankfold.viewer.window.comparison_view import ComparisonView
from crankfold.viewer.window.pages.leaf import BACK, Leaf
from crankfold.viewer.window.placing import put

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.views import View


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
